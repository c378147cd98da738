"""The main screens at 80 columns and 24 lines, as pictures: each must be complete and readable
there.

What they show comes from the job alone, so that the pictures change only when a screen does.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from textual.pilot import Pilot

from busprobe.job import Job, ReplyTimes, UnitRecord
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.modbus.requests import write_register
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import Times
from busprobe.wiring.cautions import acknowledgement
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.readdress.dialogs import confirm_write
from tests.job.readings import reading
from tests.wizard.conftest import new_session
from tests.wizard.person import Person

Compare = Callable[..., bool]

READINGS = (
    ("Temperature", 4, 1, "21.4 °C", True),
    ("Humidity", 4, 2, "146.5 %", False),
    ("Status word", 3, 0x2100, "run, ready", None),
)
FINDINGS = (
    (1, "9600-8N1", "clash"),
    (2, "9600-8N1", "unit"),
    (5, "19200-8E1", "unit"),
    (247, "9600-8N1", "unsure"),
)


@pytest.fixture
def listed(job: Job) -> Job:
    """A job with three units, a clash, a survey, cautions read and a proof."""
    readings = tuple(
        reading(name, function=function, register=register, text=text, plausible=plausible)
        for name, function, register, text, plausible in READINGS
    )
    identity = {
        "vendor": "Aldermoor Instruments",
        "product": "AT-10",
        "revision": "2.0",
        "serial": "AT-0417",
    }
    job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
    job.put_unit(
        UnitRecord(
            Place.parse("2 9600-8N1"),
            tag="TE-101",
            location="Panel 2",
            position=1,
            profile="aldermoor-at-10",
            match=0.93,
            identity=identity,
            readings=readings,
            latency=ReplyTimes(10.0, 12.0, 14.5),
        )
    )
    job.put_unit(UnitRecord(Place.parse("5 19200-8E1"), profile="corran-cd-2", match=0.88))
    findings = [
        {
            "address": address,
            "settings": settings,
            "kind": kind,
            "latency_ms": 12.0,
            "profile": None,
            "match": None,
            "identity": None,
            "evidence": ["01 03 02 00 2A 39 9B"],
            "notes": ["Two units overlap."] if kind == "clash" else [],
        }
        for address, settings, kind in FINDINGS
    ]
    asked = {
        "port": "virtual:site",
        "settings": ["9600-8N1", "19200-8E1"],
        "addresses": "1-247",
        "expect": None,
    }
    number = job.begin_survey(asked)
    line = {"echo": False, "other_master": False, "noise_bytes": 0}
    job.end_survey(
        number,
        {
            "format": "busprobe.survey/1",
            **asked,
            "seconds": 312.0,
            "complete": True,
            "line": line,
            "findings": findings,
            "asked": [],
            "untested": [],
            "notes": [],
            "failure": None,
        },
    )
    job.record("cautions", acknowledgement("K. Marsh", datetime(2026, 1, 1, tzinfo=UTC)))
    return job


def begun(
    app: BusprobeApp, then: Callable[[Pilot[Any]], Awaitable[None]] | None = None
) -> dict[str, Any]:
    """What `snap_compare` is given, so that the picture is taken once the job is shown, and `then`
    is done."""

    async def run_before(pilot: Pilot[Any]) -> None:
        person = Person(app, pilot)
        await person.begin()
        if then is not None:
            await then(pilot)
        person.hold_cursors()

    return {"app": app, "run_before": run_before}


def app_at(job: Job, step: int) -> BusprobeApp:
    """The wizard on that step."""
    job.set_state("wizard.step", step)
    return BusprobeApp(lambda: new_session(job))


def proof() -> Proof:
    """A run in which one of two units lost replies."""
    times = Times()
    for milliseconds in (10, 11, 11, 12, 12, 12, 13, 15):
        times = times.adding(milliseconds / 1000)
    settings = LineSettings.parse("9600-8N1")
    sound = UnitTally(Place(2, settings), {Verdict.OK: 200}, reply_times=times)
    shaky = UnitTally(
        Place(5, settings),
        {Verdict.OK: 190, Verdict.SILENT: 7, Verdict.CRC_BAD: 3},
        reply_times=times,
    )
    return Proof(
        (sound, shaky),
        reply_wait=1.0,
        late_wait=0.5,
        pause=0.0,
        seconds=95.0,
        rounds=200,
        complete=True,
    )


@pytest.mark.parametrize("step", ["port", "identify", "readdress"])
def test_steps_from_the_job(snap_compare: Compare, listed: Job, step: str) -> None:
    """Port, Identify and Readdress of a job that is under way, with states on the rail and keys at
    the bottom."""
    number = {"port": 1, "identify": 4, "readdress": 5}[step]

    async def look(pilot: Pilot[None]) -> None:
        await pilot.press("down")

    assert snap_compare(**begun(app_at(listed, number), look), terminal_size=(80, 24))


def test_wiring_with_readings(snap_compare: Compare, listed: Job) -> None:
    """The meter form: a good reading, a wrong one with action and limits below, others not
    measured."""

    async def measure(pilot: Pilot[None]) -> None:
        await pilot.press("tab", *"61", "enter", *"-0.3")
        await pilot.pause()

    assert snap_compare(**begun(app_at(listed, 2), measure), terminal_size=(80, 24))


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_survey_map(snap_compare: Compare, listed: Job, size: tuple[int, int]) -> None:
    """The map of all addresses beside the findings: unit, clash and unsure by sign, word and
    colour."""
    assert snap_compare(**begun(app_at(listed, 3)), terminal_size=size)


def test_confirm_write(snap_compare: Compare, listed: Job) -> None:
    """The last question before a write: words, bytes, effect, cautions, rescue; the focus is on
    No."""
    request = write_register(1, 0x101, 12)
    dialog = confirm_write(
        [(request, LineSettings.parse("9600-8N1"))],
        practice=False,
        unit="TE-101 Aldermoor AT-10",
        number="2 of 7",
        effect="The unit should reply from 1 (0x01) and answer at 12 (0x0C) at once.",
        free="Unit address 12 (0x0C) was asked in 23 ways at 9600-8N1: no reply.",
        warnings=["Outputs fall back to off while the unit restarts."],
        rescue="Hold the button for five seconds: the unit goes back to address 1.",
    )

    async def ask(pilot: Pilot[Any]) -> None:
        pilot.app.push_screen(dialog)
        await pilot.pause()

    assert snap_compare(**begun(app_at(listed, 5), ask), terminal_size=(80, 24))


def test_prove_with_failures(snap_compare: Compare, listed: Job) -> None:
    """Counts by kind of error with a sign at each that is one, reply times, and what the run
    proves."""
    listed.record("prove", proof_document(proof()))
    assert snap_compare(**begun(app_at(listed, 6)), terminal_size=(80, 24))


def test_handover_preview(snap_compare: Compare, listed: Job) -> None:
    """The bus list before it is written, with what is open and what was not tested."""
    listed.set_state("wizard.papers", {"folder": "/media/usb/handover", "formats": "html, xlsx"})
    assert snap_compare(**begun(app_at(listed, 7)), terminal_size=(80, 24))


def test_survey_map_in_plain_signs_without_colour(
    snap_compare: Compare, listed: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a strict terminal unit, clash and unsure are told apart by ASCII signs alone."""
    monkeypatch.setenv("NO_COLOR", "1")
    listed.set_state("wizard.step", 3)
    app = BusprobeApp(lambda: new_session(listed), encoding="ascii")
    assert snap_compare(**begun(app), terminal_size=(80, 24))

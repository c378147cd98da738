"""Each step once, as pictures, over the sizes of terminals, the sizes of buses, and with colours,
without them and in the plain set of signs: each must be complete and readable there.

What they show comes from the job alone, so that the pictures change only when a screen does.
What holds at every size is in ``test_any_size.py``.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from busprobe.job import Job
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import write_register
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.readdress.dialogs import confirm_write
from tests.wizard.conftest import new_session
from tests.wizard.jobs import fill
from tests.wizard.person import Person

Compare = Callable[..., bool]


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


@pytest.mark.parametrize(
    ("step", "size", "units", "look", "keys"),
    [
        pytest.param(1, (60, 20), 0, "colour", "down", id="port"),
        pytest.param(2, (80, 24), 1, "colour", "tab 6 1 enter - 0 . 3", id="wiring"),
        pytest.param(3, (140, 45), 32, "no colour", "", id="survey"),
        pytest.param(3, (80, 24), 247, "plain", "", id="survey-full-bus-plain"),
        pytest.param(4, (80, 24), 6, "colour", "down", id="identify"),
        pytest.param(5, (80, 24), 6, "colour", "", id="readdress-clash"),
        pytest.param(5, (60, 20), 247, "plain", "end", id="readdress-last-of-247"),
        pytest.param(6, (140, 45), 32, "colour", "down", id="prove"),
        pytest.param(7, (60, 20), 6, "no colour", "slash T E enter", id="handover-filtered"),
    ],
)
def test_a_step(
    snap_compare: Compare,
    job: Job,
    monkeypatch: pytest.MonkeyPatch,
    step: int,
    size: tuple[int, int],
    units: int,
    look: str,
    keys: str,
) -> None:
    if units:
        fill(job, units)
    job.set_state("wizard.papers", {"folder": "/media/usb/handover", "formats": "html, xlsx"})
    job.set_state("wizard.step", step)
    if look != "colour":
        monkeypatch.setenv("NO_COLOR", "1")
    app = BusprobeApp(lambda: new_session(job), encoding="ascii" if look == "plain" else "utf-8")

    async def press(pilot: Pilot[None]) -> None:
        await Person(app, pilot).press(*keys.replace(" - ", " minus ").split())

    assert snap_compare(**begun(app, press), terminal_size=size)


def test_confirm_write(snap_compare: Compare, job: Job) -> None:
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

    fill(job, 6)
    job.set_state("wizard.step", 5)
    app = BusprobeApp(lambda: new_session(job))
    assert snap_compare(**begun(app, ask), terminal_size=(60, 20))

"""Wiring: cautions, the meter form, listening, the hunt."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from busprobe.job import Job, UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import Proof, UnitTally
from busprobe.session.session import Session
from busprobe.session.wiring_record import keep_wiring
from busprobe.wiring.cautions import acknowledgement
from busprobe.wiring.resistance import MeasuredPair, judge_resistance
from busprobe.wiring.voltage import judge_supply
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.common.large_word import drawn
from tests.wizard.conftest import Wizard


async def test_the_cautions_come_once_and_that_they_were_read_is_recorded(
    wizard: Wizard, job: Job
) -> None:
    """Coming to Wiring shows the cautions; Enter puts them off, R says they were read, and then
    they stay away."""
    async with wizard("clean") as person:
        await person.press("escape", "2")
        assert "Before you touch a terminal" in person.screen
        assert "Never open the secondary circuit of a current transformer" in person.screen
        await person.press("enter")
        assert job.latest("cautions") is None
        assert "! Cautions not read yet" in person.screen
        await person.press("exclamation_mark", "r")
        assert "✓ Cautions read" in person.screen
        await person.press("1", "2")
        assert "Before you touch a terminal" not in person.screen
    read = job.latest("cautions")
    assert read is not None
    assert read.document["by"] == "K. Marsh"


async def test_readings_are_judged_as_they_are_typed_and_kept(wizard: Wizard, job: Job) -> None:
    """61 ohm is good, a negative voltage wrong with the next action and its limits, an empty field
    not measured."""
    async with wizard("clean", step=2) as person:
        await person.press("r", "tab")
        assert "All power off, also of the adapter" in person.screen
        await person.write("61")
        assert "✓ good  61.0 Ω fits both terminators of" in person.screen
        assert "\n 61.0 Ω fits both terminators of 120 or 150 Ω." in person.screen
        await person.press("enter")
        await person.write("-0.3")
        assert "✖ wrong  -0.300 V" in person.screen
        assert "Next: Unplug units one by one until the sign turns" in person.screen
        assert "Limits: a receiver needs 0.2 V" in person.screen
        await person.press("enter")
        assert person.screen.count("· not measured") == 2
        assert person.states[1] == "! check"
    kept = job.latest("wiring")
    assert kept is not None
    assert [j["level"] for j in kept.document["judgements"]] == ["good", "wrong"]
    assert "supply at the far unit" in kept.document["skipped"]


async def test_how_terminals_are_marked_changes_what_a_sign_means(wizard: Wizard) -> None:
    """With terminals marked A and B the same voltage is no fault, but tells which wire is D1."""
    async with wizard("clean", step=2) as person:
        await person.press("r")
        person.fill("#reading-idle", "-0.3")
        await person.look()
        assert "✖ wrong  -0.300 V" in person.screen
        await person.press("plus")
        assert "(x) A and B" in person.screen
        assert "✓ good  -0.300 V" in person.screen


async def test_what_was_typed_is_kept_as_its_field_is_left(wizard: Wizard, job: Job) -> None:
    """A crash costs nothing, the record has the judgement, and readings taken elsewhere stay; what
    is emptied goes."""
    keep_wiring(job, [judge_supply(23.9, 24)])
    readings = ["118.0 Ω", "+23.9 V"]
    async with wizard("clean", step=2) as person:
        await person.press("r", "tab")
        await person.write("118")
        await person.press("tab")
        assert _readings(job) == readings
        await person.write("0.3")
    async with wizard(step=2) as person:
        assert "118.0 Ω fits one terminator" in person.screen
        assert "+0.300 V: the pair is biased" in person.screen
        before = len(job.records("wiring"))
        await person.press("tab", "tab", "escape")
        assert len(job.records("wiring")) == before
        person.fill("#reading-idle", "")
        await person.press("tab", "escape")
        person.fill("#reading-resistance", "")
        await person.press("tab", "escape")
    assert _readings(job) == readings[1:]


def _readings(job: Job) -> list[str]:
    """What the record of the step has measured."""
    kept = job.latest("wiring")
    assert kept is not None
    return [judgement["reading"] for judgement in kept.document["judgements"]]


async def test_listening_to_a_sound_pair_finds_nothing_odd(wizard: Wizard, job: Job) -> None:
    """l listens and asks the known units once; where they answer and nobody else talks, that is
    said."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    async with wizard("clean", step=2) as person:
        await person.press("r")
        assert "Not listened to yet" in person.screen
        await person.press("l")
        await person.wait()
        assert "Answered: 11. No echo." in person.screen
        assert "Turnaround: 11 after" in person.screen
        await person.press("escape")
        assert "✓ Nothing odd was heard" in person.screen


async def test_what_is_stuck_is_told_at_once_with_what_to_do(wizard: Wizard, job: Job) -> None:
    """The picture of the pair comes up by itself, likeliest cause first, each with an action; it
    can be seen again."""
    async with wizard("stuck", step=2) as person:
        await person.press("r", "l")
        await person.wait()
        for _ in range(2):
            assert "2. a transmitter is stuck, or the pair is shorted" in person.screen
            assert "→ Take the units off one by one" in person.screen
            await person.press("escape")
            assert "the two wires are swapped at this adapter, or 3 other causes" in person.screen
            await person.press("e")


async def test_failures_along_the_cable_are_shown_without_listening(
    wizard: Wizard, job: Job
) -> None:
    """An endurance run whose far units fail: what they have in common, with the action for the
    likeliest cause."""
    settings = LineSettings.parse("9600-8N1")
    tallies = []
    for place, (address, bad) in enumerate(((11, 0), (12, 0), (21, 9), (31, 9)), start=1):
        job.put_unit(UnitRecord(Place(address, settings), position=place))
        tallies.append(
            UnitTally(Place(address, settings), {Verdict.OK: 100 - bad, Verdict.CRC_BAD: bad})
        )
    run = Proof(tuple(tallies), 1.0, 0.5, 0.0, seconds=100.0, rounds=100)
    job.record("prove", proof_document(run))
    async with wizard("clean", step=2) as person:
        await person.press("r")
        assert "Errors grow along the cable: 0 of 200 in the near half, 18 of 200" in person.screen
        assert person.states[1] == "! check"
        await person.press("e")
        assert "1. terminators are missing or too many" in person.screen
        assert "→ Ask again at half the baud rate" in person.screen


async def test_a_calculation_follows_what_is_typed_and_kept_if_asked(
    wizard: Wizard, job: Job
) -> None:
    """Arrows choose the calculation, Enter goes to its inputs, F2 keeps the result, Escape goes
    back; nothing else is kept."""
    async with wizard("clean", step=2) as person:
        await person.press("r", "c")
        assert "Pull-up and pull-down of at most" in person.screen
        await person.press("down", "down", "enter", *"25", "enter", *"x")
        assert "✖ 'x' is no number" in person.screen
        await person.press("f2")
        assert job.latest("wiring") is None
        await person.press("backspace", "3")
        assert "By the driver's edge: at most 0.59 m." in person.screen
        assert "Formula: 0.1 × rise time" in person.screen
        await person.press("f2", "escape", "escape")
        assert "Terminals marked" in person.screen
    kept = job.latest("wiring")
    assert kept is not None
    assert [(s["sum"], s["given"]) for s in kept.document["sums"]] == [
        ("stub", "3 derivations at one tap, rise time 25 ns")
    ]


async def test_listening_names_another_master_and_asks_nobody(wizard: Wizard) -> None:
    """Where another master talks, that is said first and no request is sent into its business."""
    async with wizard("second-master", step=2) as person:
        await person.press("r", "l")
        await person.wait()
        assert "unsolicited frame" in person.screen
        assert "another master is on the pair" in person.screen
        assert "unit 1 was not asked" in person.screen


async def test_the_hunt_shows_the_moment_a_unit_goes_and_comes_back(
    wizard: Wizard, paced: Session, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Full screen in large letters: HERE with the address, GONE when its wire comes off, HERE
    again; each rings once. All is logged, and the pair that was touched by its digit, which does
    not ring."""
    rings: list[str] = []
    monkeypatch.setattr(BusprobeApp, "bell", lambda _: rings.append("ring"))
    async with wizard("clean", step=2, using=paced) as person:
        await person.press("r", "h")
        person.app.screen.query_one("#field-addresses").value = "11"  # type: ignore[attr-defined]
        await person.strike("enter")
        await person.wait_for("unit 11 answers")
        assert "█" in person.screen
        terminals = paced.terminals
        assert terminals is not None
        unit = next(one.name for one in terminals.units())
        terminals.connect(unit, connected=False)
        await person.wait_for("unit 11 answers no more")
        await person.strike("3")
        await person.wait_for("touched pair 3")
        terminals.connect(unit, connected=True)
        await person.wait_until(
            lambda: person.screen.count("unit 11 answers") >= 3, "it did not come back"
        )
        assert rings == ["ring"] * 3
        as_it_goes = job.latest("hunt")
        assert as_it_goes is not None
        assert len(as_it_goes.document["log"]) == 4
        await person.strike("escape")
        await person.wait()
        assert "2 Wiring" in person.screen
    (kept,) = job.records("hunt")
    assert [line.split("  ")[1] for line in kept.document["log"]][:3] == [
        "unit 11 answers",
        "unit 11 answers no more",
        "touched pair 3",
    ]


async def test_the_hunt_shows_that_a_second_unit_has_joined_an_address(
    wizard: Wizard, paced: Session, tmp_path: Path
) -> None:
    """TWO? in large letters, and no word of a unit that is gone."""
    twins = tmp_path / "twins.toml"
    unit = 'type = "at-10"\naddress = 7\nsettings = "9600-8N1"\nlatency = {}\njitter = 0.0\n'
    twins.write_text(
        f'title = "Twins"\n[[units]]\nname = "a"\n{unit.format(0.012)}'
        f'[[units]]\nname = "b"\nconnected = false\n{unit.format(0.0131)}'
    )
    async with wizard(str(twins), step=2, using=paced) as person:
        await person.press("r", "h")
        person.app.screen.query_one("#field-addresses").value = "7"  # type: ignore[attr-defined]
        await person.strike("enter")
        await person.wait_for("unit 7 answers")
        terminals = paced.terminals
        assert terminals is not None
        terminals.connect("b", connected=True)
        await person.wait_for("unit 7: bytes but no frame")
        await person.look()
        assert drawn("TWO?", 3)[0] in person.screen
        assert "answers no more" not in person.screen
        await person.press("escape")
        assert "2 Wiring" in person.screen


async def test_a_hunt_whose_adapter_is_pulled_out_does_not_look_like_a_lost_unit(
    wizard: Wizard, paced: Session
) -> None:
    """LOST in large letters, with what to do; the screen says nothing of units any more.  When the
    adapter is back the hunt goes on by itself."""
    async with wizard("clean", step=2, using=paced) as person:
        await person.press("r", "h")
        person.app.screen.query_one("#field-addresses").value = "11"  # type: ignore[attr-defined]
        await person.strike("enter")
        await person.wait_for("unit 11 answers")
        paced._connector.segment("virtual:clean").unplug()
        await person.wait_for("the port is lost")
        await person.look()
        assert drawn("LOST", 3)[0] in person.screen
        assert "answers no more" not in person.screen
        paced._connector.segment("virtual:clean").plug_in()
        await person.wait_for("the port is back")
        await person.wait_for("Unit 11 answers now.")
        assert drawn("LOST", 3)[0] not in person.screen
        await person.press("escape")
        assert "2 Wiring" in person.screen
        assert person.app.line_lock.holder == ""


async def test_a_hunt_without_a_port_says_so(wizard: Wizard) -> None:
    async with wizard(step=2) as person:
        await person.press("r", "h")
        assert "No port is open." in person.screen


async def test_a_hunt_for_no_address_says_how_to_write_addresses(wizard: Wizard, job: Job) -> None:
    """Addresses that cannot be read are refused with an example, and nothing starts; units that the
    line's settings cannot reach are not proposed, but named."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    job.put_unit(UnitRecord(Place.parse("13 4800-8N1")))
    async with wizard("clean", step=2) as person:
        await person.press("r", "h")
        assert person.app.screen.query_one("#field-addresses").value == "11"  # type: ignore[attr-defined]
        assert "settings differ: 13." in person.screen
        person.app.screen.query_one("#field-addresses").value = "all"  # type: ignore[attr-defined]
        await person.press("enter")
        assert "'all' is not a set of unit addresses" in person.screen
        assert person.app.line_lock.holder == ""


async def test_a_reading_that_was_kept_by_the_command_stands_in_the_form(
    wizard: Wizard, session: Session
) -> None:
    """What is measured is measured, however it came into the job; a new reading takes its place."""
    session.job.record("cautions", acknowledgement("K. Marsh", datetime.now(UTC)))
    session.keep_wiring([judge_resistance(61.0, MeasuredPair())])
    async with wizard(step=2) as person:
        assert "✓ good  61.0 Ω, as it was kept before" in person.screen
        await person.press("tab", *"5", "enter")
        assert "as it was kept before" not in person.screen
        assert "✖ wrong" in person.screen

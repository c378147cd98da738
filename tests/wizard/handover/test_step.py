"""Hand over: the list before it is written, what is missing, and writing it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from textual.widgets import Input

from busprobe.job import Job, UnitRecord
from busprobe.job.plan import PlannedUnit
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.wizard.common.choice_field import ChoiceField
from busprobe.wizard.common.row_table import RowTable
from tests.wizard.conftest import Wizard, new_session
from tests.wizard.person import Person


async def test_the_list_is_shown_with_what_is_open_before_it_is_written(
    wizard: Wizard, job: Job
) -> None:
    """A clash is marked as open, what nobody looked at as not tested, and nothing is written
    yet."""
    job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), profile="aldermoor-at-10", tag="TE-1"))
    async with wizard(step=7) as person:
        assert "1 listed as units." in person.screen
        assert "X clash" in person.screen
        assert "TE-1" in person.screen
        assert "! " in person.screen
        assert "· not tested:" in person.screen
        assert "Nothing is written yet." in person.screen


async def test_papers_are_written_and_old_ones_replaced_only_when_told(
    wizard: Wizard, job: Job, tmp_path: Path
) -> None:
    """w writes the papers; a second time the old files are kept until somebody says to replace
    them."""
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), profile="aldermoor-at-10"))
    folder = tmp_path / "papers"
    async with wizard(step=7, size=(120, 40)) as person:
        person.fill("#folder", str(folder))
        await person.press("w")
        assert "✓ Written" in person.screen
        assert "bus-list.csv" in person.screen
        await person.press("enter")
        (folder / "bus-list.csv").write_text("notes of a colleague")
        await person.press("w")
        assert "Replace what is there?" in person.screen
        await person.press("enter")
        assert (folder / "bus-list.csv").read_text() == "notes of a colleague"
        await person.press("w", "r")
        assert "✓ Written" in person.screen
    assert "notes" not in (folder / "bus-list.csv").read_text(encoding="utf-8-sig")
    listed = json.loads((folder / "bus-list.json").read_text())
    assert [row["address"] for row in listed["units"] if row["state"] == "unit"] == [12]


async def test_a_format_or_folder_that_cannot_be_is_said(
    wizard: Wizard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An unknown format, no format, no folder and a folder that is a file: a clear sentence, and
    nothing is written."""
    (tmp_path / "file").write_text("")
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    async with wizard(step=7) as person:
        person.fill("#folder", " ")
        await person.press("w")
        assert ["Name a folder" in told.message for told in person.app._notifications] == [True]
        assert not list(here.iterdir()), "an empty name is not the folder of the moment"
        person.fill("#folder", str(tmp_path / "papers"))
        person.fill("#formats", "stone")
        await person.press("w")
        assert "'stone' is no format." in person.screen
        await person.press("enter")
        person.fill("#formats", " , ")
        await person.press("w")
        assert "✓ Written" not in person.screen
        person.fill("#formats", "csv")
        person.fill("#folder", str(tmp_path / "file"))
        await person.press("w")
        assert "cannot be" in person.screen
        assert "Traceback" not in person.screen
    assert not (tmp_path / "papers").exists()


async def test_details_of_the_papers_are_asked_for(wizard: Wizard, job: Job) -> None:
    """d asks for site, segment and tester; the top line and the job follow."""
    async with wizard(step=7) as person:
        await person.press("t", "end", "enter")
        await person.press("end", "!", "enter", "enter", "enter", *"P-7", "enter", "enter", "enter")
        assert "Harrow Mill! · Line A" in person.screen.splitlines()[0]
    assert (job.meta.site, job.meta.project) == ("Harrow Mill!", "P-7")


async def test_gaps_are_asked_for_one_after_the_other_and_mistakes_keep_the_form_open(
    wizard: Wizard, job: Job
) -> None:
    """m lists what is missing; Enter asks for it; what was kept is missing no more."""
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), profile="aldermoor-at-10"))
    async with wizard(step=7) as person:
        await person.press("o")
        assert "Tag missing: 12." in person.screen
        assert "Not noted of the pair: the master" in person.screen
        await go_to(person, "Tag missing")
        await person.press("enter")
        assert "Unit 12 (0x0C) at 9600-8N1" in person.screen
        await person.write("TE-1")
        for name, text in (
            ("position", "1"),
            ("distance_m", "far"),
            ("terminator", "yes"),
            ("supply", "24 V"),
        ):
            enter(person, name, text)
        await person.press("ctrl+s")
        assert "'far' is no length." in person.screen
        enter(person, "distance_m", "12,5")
        await person.press("ctrl+s")
        assert "Tag missing" not in person.screen
        await go_to(person, "Not noted of the pair")
        await person.press("enter")
        enter(person, "cable", "2 x 2 x 0.8")
        enter(person, "keep_free", "9-3")
        await person.press("ctrl+s")
        assert "is not a set of unit addresses" in person.screen
        enter(person, "keep_free", "200-202")
        await person.press("ctrl+s", "escape")
        assert "TE-1" in person.screen
    unit = job.unit(Place.parse("12 9600-8N1"))
    assert unit is not None
    assert (unit.tag, unit.position, unit.distance_m, unit.terminator) == ("TE-1", 1, 12.5, True)
    assert unit.noted == {"supply": "24 V"}
    assert (job.cabling.cable, job.cabling.keep_free) == ("2 x 2 x 0.8", "200-202")


def enter(person: Person, field: str, text: str) -> None:
    """Put text into a field of the form in front, as typing would."""
    asked = person.app.screen.query_one(f"#field-{field}")
    assert isinstance(asked, Input | ChoiceField)
    asked.value = text


async def go_to(person: Person, words: str) -> None:
    """Put the cursor of the list on the gap that begins with `words`."""
    gaps = person.app.screen.query_one("#gaps", RowTable)
    for row in range(gaps.row_count):
        if gaps.row(row)[0].startswith(words):
            gaps.move_cursor(row=row)
            await person.look()
            return
    raise AssertionError(f"no gap '{words}' on:\n{person.screen}")


async def test_every_paper_can_be_read_before_it_is_written(wizard: Wizard, job: Job) -> None:
    """p shows the files and the text of the one under the cursor; nothing is written."""
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), profile="aldermoor-at-10", tag="TE-1"))
    async with wizard(step=7) as person:
        await person.press("f")
        assert "Site: Harrow Mill" in person.screen
        await person.press("down")
        assert "Tag: TE-1" in person.screen
        await person.press("escape")
        assert "Nothing is written yet." in person.screen


async def test_an_earlier_visit_is_compared_and_stands_in_the_papers(
    wizard: Wizard, job: Job, tmp_path: Path
) -> None:
    """e asks for the earlier job and shows what is not as it was; a file that is none is said, and
    nothing changes."""
    with Job.create(tmp_path / "spring.busjob") as earlier:
        earlier.put_unit(UnitRecord(Place.parse("12 9600-8N1"), tag="TE-1", seen="1"))
        earlier.put_unit(UnitRecord(Place.parse("14 9600-8N1"), tag="TE-2", seen="1"))
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), tag="TE-1", seen="2"))
    async with wizard(step=7) as person:
        await person.press("minus")
        enter(person, "path", str(tmp_path / "none.busjob"))
        await person.press("enter")
        assert "there is no such file" in person.screen
        await person.press("escape", "minus")
        enter(person, "path", str(tmp_path / "spring.busjob"))
        await person.press("enter")
        assert "Unit 14 (0x0E) 9600-8N1 TE-2 is not on the later list" in person.screen
        await person.press("escape")
        person.fill("#folder", str(tmp_path / "papers"))
        person.fill("#formats", "markdown")
        await person.press("w")
    assert "TE-2 is not on the later list" in (
        tmp_path / "papers" / "bus-list.md"
    ).read_text().replace("\\", "")


async def test_circuits_of_meters_are_noted_channel_by_channel_and_taken_from_a_list(
    wizard: Wizard, job: Job, tmp_path: Path
) -> None:
    """k lists the channels; Enter notes one, y its direction, n names one, l takes a file, Delete
    asks before."""
    meter = UnitRecord(Place.parse("41 9600-8N1"), profile="brookvale-bm-330", tag="EM-1")
    job.put_unit(meter)
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), tag="EM-2"))

    def noted(address: int) -> list[tuple[str, str, str, bool | None]]:
        unit = job.unit(Place.parse(f"{address} 9600-8N1"))
        assert unit is not None
        return [(one.channel, one.ct, one.load, one.direction_checked) for one in unit.circuits]

    async with wizard(step=7) as person:
        await person.press("t", "down", "down", "enter")
        assert "0 of 3 channels noted" in person.screen
        await person.press("enter", *"CT7")
        enter(person, "load", "chiller")
        await person.press("ctrl+s")
        assert noted(41) == [("L1", "CT7", "chiller", None)]
        await person.press("v")  # the cursor went on to the next channel
        assert noted(41)[1:] == [("L2", "", "", True)]
        await person.press("n")
        enter(person, "address", "99")
        enter(person, "channel", "Main")
        await person.press("ctrl+s")
        assert "There is no unit at '99'" in person.screen
        enter(person, "address", "12")
        await person.press("ctrl+s")
        assert noted(12) == [("Main", "", "", None)]
        listed = tmp_path / "circuits.csv"
        listed.write_text("address,channel,load\n41,L9,pump\n")
        await load(person, listed)
        assert "That did not work" in person.screen
        assert "'L9'" in person.screen
        await person.press("enter")
        listed.write_text("address,channel,load\n41,L1,pump\n")
        await load(person, listed)
        assert noted(41)[0] == ("L1", "CT7", "pump", None)
        await person.press("home", "delete", "k")
        assert noted(12) == [("Main", "", "", None)]
        await person.press("delete", "f")
        assert noted(12) == []
        assert "EM-1" in person.screen
        await person.press("escape")
        assert "Nothing is written yet." in person.screen


async def load(person: Person, path: Path) -> None:
    """Have the list of circuits taken from a file."""
    await person.press("r")
    enter(person, "path", str(path))
    await person.press("ctrl+s")


async def test_the_circuits_of_a_meter_are_a_gap_that_is_asked_for(
    wizard: Wizard, job: Job
) -> None:
    """m names the channels of which nothing is noted; Enter opens the list at that meter, and
    Escape comes back."""
    job.put_unit(UnitRecord(Place.parse("41 9600-8N1"), profile="brookvale-bm-330"))
    async with wizard(step=7) as person:
        await person.press("o")
        await go_to(person, "Circuits not noted: 41 L1, 41 L2, 41 L3.")
        await person.press("enter", "enter")
        assert "channel L1" in person.screen
        enter(person, "load", "pump")
        await person.press("ctrl+s", "escape")
        assert "Circuits not noted: 41 L2, 41 L3." in person.screen
        await person.press("down")
        assert "Direction of current transformers not checked: 41 L1." in person.screen.replace(
            "\n ", " "
        )


async def test_one_key_confirms_a_unit_and_one_all_of_them(wizard: Wizard, job: Job) -> None:
    """What the plan says has a question mark until a person says that it was seen; all at once is
    asked for."""
    plan = (
        PlannedUnit("TE-1", 12, location="Roof", terminator=True),
        PlannedUnit("TE-2", 13),
        PlannedUnit("TE-3", 14),
    )
    for address in (12, 13):
        job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1")))
    async with wizard(step=7, using=new_session(job, plan)) as person:
        assert "TE-1?" in person.screen
        assert "Units are planned" not in person.screen
        await person.press("v")
        assert "TE-1?" not in person.screen
        assert "TE-1" in person.screen
        assert "TE-2?" in person.screen
        first = job.unit(Place.parse("12 9600-8N1"))
        assert first is not None
        assert (first.tag, first.location, first.terminator) == ("TE-1", "Roof", True)
        assert first.confirmed_by == "K. Marsh"
        await person.press("a")
        assert "Were all seen on site?" in person.screen
        assert "K. Marsh" in person.screen
        await person.press("enter")
        assert "TE-2?" in person.screen, "the safe answer confirms nothing"
        await person.press("a", "s")
        assert "TE-2?" not in person.screen
    second = job.unit(Place.parse("13 9600-8N1"))
    assert second is not None
    assert (second.tag, second.confirmed_by) == ("TE-2", "K. Marsh")
    assert len(job.units()) == 2, "a unit that nobody found is not confirmed"


async def test_a_planned_value_stands_beside_its_field_and_not_in_it(
    wizard: Wizard, job: Job
) -> None:
    """Whoever keeps the form has not confirmed what the plan says."""
    job.put_unit(UnitRecord(Place.parse("12 9600-8N1")))
    plan = (PlannedUnit("TE-1", 12, location="Roof"),)
    async with wizard(step=7, using=new_session(job, plan)) as person:
        await person.press("down", "enter")
        assert "planned: TE-1" in person.screen
        enter(person, "supply", "24 V")
        await person.press("ctrl+s")
    unit = job.unit(Place.parse("12 9600-8N1"))
    assert unit is not None
    assert (unit.tag, unit.noted, unit.confirmed_by) == ("", {"supply": "24 V"}, "K. Marsh")


async def test_values_older_than_the_last_move_are_read_again_before_writing(
    wizard: Wizard, session: Session, tmp_path: Path
) -> None:
    """w asks first; r reads what is old and writes; a second time there is nothing to ask."""
    async with wizard("clean", step=7, size=(120, 40)) as person:
        for address in (11, 12):
            session.identify(Place.parse(f"{address} 9600-8N1"))
        moves = BusMoves(session)
        moves.move(moves.prepare_move(Place.parse("12 9600-8N1"), 60), lambda _: True)
        person.fill("#folder", str(tmp_path / "papers"))
        person.fill("#formats", "csv")
        await person.press("w")
        assert "Values of 2 units were read before the last move: 11,60." in person.screen
        assert not (tmp_path / "papers").exists()
        await person.press("r")
        await person.wait_for("✓ Written")
        assert not session.read_before_last_move()
        await person.press("enter", "w")
        assert "Replace what is there?" in person.screen
    points = (tmp_path / "papers" / "point-list.csv").read_text(encoding="utf-8-sig")
    assert "not tested" not in points

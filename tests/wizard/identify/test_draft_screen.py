"""Describing a unit that no profile knows: typed from its data sheet, watched, compared, saved,
recognised."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from busprobe.errors import UsageError
from busprobe.files.documents import from_document, to_document
from busprobe.job import Job, UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.drafting.interpretations import Way
from busprobe.profiles.loading import load_profile
from busprobe.profiles.registers import Numbering
from busprobe.profiles.schema import PointType, WordOrder
from busprobe.profiles.store import own_folder
from busprobe.session.session import Session
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.identify.draft_form import by_label, completed, slug
from busprobe.wizard.identify.draft_sheet import Sheet
from tests.wizard.conftest import Wizard
from tests.wizard.person import Person

WAY = Way(3, -1, PointType.FLOAT32, WordOrder.CDAB, 1.0)


@pytest.fixture(autouse=True)
def folders(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The technician's own folder is under the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))


def type_line(person: Person, line: str) -> None:
    """Put a line into the entry line, as typing would."""
    person.app.screen.query_one("#draft-entry", Input).value = line


async def add(person: Person, *lines: str) -> None:
    """Type lines, and wait until the unit was looked at for the last one."""
    for line in lines:
        type_line(person, line)
        await person.press("enter")
    await person.wait_until(lambda: "…" not in person.screen, "The unit was not looked at")
    await person.look()


async def test_from_a_data_sheet_to_a_unit_that_is_recognised(
    wizard: Wizard, job: Job, session: Session
) -> None:
    """The sheet counts from 1 and does not say in which order a float comes; the display settles
    it; nothing is written to the unit."""
    job.put_unit(UnitRecord(Place.parse("5 9600-8N1")))
    async with wizard("generic", step=4) as person:
        await person.press("d")
        await add(person, "31 Wind m/s =6.4", "Direction 33 deg")
        assert "! alike" in person.screen
        assert "03: 30 float32 CDAB" in person.screen
        assert "Numbering is off by one" in person.screen
        await person.press("down", "down", "enter", "enter")
        assert "✓ chosen" in person.screen
        assert "Two registers read alike: more lines may tell which" in person.screen
        await person.press("ctrl+s")
        assert "wheal-tamsin-wt-5" in person.screen
        await person.press("ctrl+s")
        assert "✓ Saved" in person.screen
        await person.press("enter")
        await person.wait()
        assert "Wheal Tamsin WT-5" in person.screen
        assert "03: 30 (0x001E) 31" in person.screen
    unit = job.unit(Place.parse("5 9600-8N1"))
    assert unit is not None
    assert (unit.profile, unit.match) == ("wheal-tamsin-wt-5", 0.82)
    made = load_profile(own_folder() / "wheal-tamsin-wt-5.toml")
    assert [(p.name, p.at.wire) for p in made.points] == [("Wind", 30), ("Direction", 32)]
    assert not job.writes()


async def test_what_was_typed_is_there_again_and_a_mistake_is_said_at_the_line(
    wizard: Wizard, job: Job
) -> None:
    """Closed and opened again, edited, removed; a line that is not clear stays to be mended."""
    job.put_unit(UnitRecord(Place.parse("6 9600-8N1")))
    async with wizard("generic", step=4) as person:
        await person.press("d")
        await add(person, "11 Temperature degC", "12 Sun W/m2")
        await person.press("escape")
        await person.wait()
        await person.press("d")
        await person.wait_for("04: 12 int16")
        type_line(person, "Phase 1 20")
        await person.press("enter")
        assert "! 1 and 20 could each be the register" in person.screen
        await person.press("escape", "down", "up", "backspace")
        type_line(person, "11 Module degC =-3.2")
        await person.press("enter")
        await person.wait_for("✓ agrees")
        await person.press("down", "down", "delete")
        assert "Sun" not in person.screen
        await person.press("escape")
        assert person.app.focused is person.app.screen.query_one("#draft-entry")
        await person.press("f1")
        assert "Type one line for each value" in person.screen


def test_a_sheet_is_kept_and_gives_the_same_again() -> None:
    sheet = (
        Sheet().with_line("31 Wind m/s x0.1").with_line("5 Flow scale@6 0=off").taking("Wind", WAY)
    )
    sheet = sheet.saying(
        {"maker": "Glenmoss", "address_register": "0x101", "address_function": "6"}
    )
    again = from_document(Sheet, json.loads(json.dumps(to_document(sheet))))
    assert again == sheet
    assert again.notes.fields["readdress"] == {
        "register": 0x101,
        "function": 6,
        "effect": "not-stated",
    }
    assert again.taking("Wind", WAY).chosen == {}
    assert again.with_line("32 Wind", replacing="Wind").chosen == {}
    assert again.without("Wind").line("Flow") == "5 Flow scale@6:exponent 0=off"
    assert from_document(Sheet, {}) == Sheet()


def test_a_name_is_on_the_list_once_and_half_a_delivery_is_a_mistake() -> None:
    sheet = Sheet().with_line("31 Wind")
    with pytest.raises(UsageError, match="'wind' is on the list already"):
        sheet.with_line("32 wind")
    with pytest.raises(UsageError, match="70000 is no register"):
        sheet.with_line("70000 Gusts")
    assert sheet.with_line("32 wind", replacing="Wind").points[0]["register"] == 32
    assert sheet.saying({"delivery_settings": "9600-8N1"}).notes.fields["factory"] == {
        "settings": "9600-8N1"
    }


def test_counting_goes_round_and_skips_what_the_numbers_cannot_be() -> None:
    sheet = Sheet().with_line("31 Wind")
    counted = [sheet := sheet.counted_otherwise() for _ in range(3)]
    assert [one.numbering for one in counted] == [Numbering.WIRE, Numbering.ONE_BASED, None]
    assert Sheet().with_line("40031 Wind").counted_otherwise().numbering is Numbering.WIRE


def test_the_form_for_saving_takes_what_is_typed_in_the_trade() -> None:
    """Function codes with a nought before them; no short name; mistakes called as the form calls
    the fields."""
    given = {
        "maker": "Glenmoss",
        "model": "G-9",
        "id": "",
        "address_register": "101",
        "address_function": "06",
    }
    assert Sheet().saying(given).notes.fields["readdress"] == {
        "register": 101,
        "function": 6,
        "effect": "not-stated",
    }
    assert completed(given)["id"] == "glenmoss-g-9"
    assert completed({**given, "id": "mine"})["id"] == "mine"
    assert by_label("factory.settings is missing") == "'Line settings at delivery' is missing"


def test_short_names_come_of_whatever_a_unit_says() -> None:
    assert slug("Wheal Tamsin WT-5") == "wheal-tamsin-wt-5"
    assert slug("=1+1\\x1b [red]") == "1-1-x1b-red"
    assert slug("\u202e") == ""


async def test_a_unit_that_is_not_read_any_more_is_said_so_and_read_again(
    wizard: Wizard, job: Job, session: Session
) -> None:
    """The adapter is pulled: what is shown is called old until the port is open again and F5 has
    the unit back."""
    job.put_unit(UnitRecord(Place.parse("5 9600-8N1")))
    segment = session._connector.segment("virtual:generic")
    async with wizard("generic", step=4) as person:
        await person.press("d")
        await add(person, "33 Direction deg")
        segment.unplug()
        await person.wait_for("is gone or has been closed")
        await person.press("enter")
        assert "these values are old ones: F5 reads again." in person.screen
        segment.plug_in()
        session.open("virtual:generic")
        await person.press("f5")
        await person.wait_until(
            lambda: "old ones" not in person.screen, "The unit is not read again"
        )


def test_the_whole_screen_at_80_columns(
    snap_compare: Callable[..., bool], session: Session, job: Job
) -> None:
    """Entry, values, ways, remarks, what to do and keys; a value that the display settles and one
    that is open.

    None of the unit's registers moves, so the picture is the same however often it was looked at.
    """
    job.put_unit(UnitRecord(Place.parse("4 9600-8N1")))
    job.set_state("wizard.step", 4)
    session.open("virtual:generic", LineSettings.parse("9600-8N1"))
    app = BusprobeApp(lambda: session)

    async def describe(pilot: Pilot[None]) -> None:
        person = Person(app, pilot)
        await person.begin()
        await person.press("d")
        await add(person, "3 Length =65", "90 Humidity %", "2 Model id")
        type_line(person, "20 Energy kWh u32")
        await person.look()
        person.hold_cursors()

    assert snap_compare(app, terminal_size=(80, 24), run_before=describe)


async def test_what_the_display_contradicts_is_saved_only_after_a_question(
    wizard: Wizard, job: Job
) -> None:
    job.put_unit(UnitRecord(Place.parse("5 9600-8N1")))
    kept = own_folder() / "wheal-tamsin-wt-5.toml"
    async with wizard("generic", step=4) as person:
        await person.press("d")
        await add(person, "33 Direction U16 =4711")
        await person.press("ctrl+s", "ctrl+s")
        assert "Save it all the same?" in person.screen
        assert "nothing reads like 4711" in person.screen
        await person.press("k")
        assert not kept.exists()
        await person.press("ctrl+s", "ctrl+s", "s")
        assert "✓ Saved" in person.screen
        assert kept.exists()

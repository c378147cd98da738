"""Identify: what each unit is, what it reads, and what a person notes of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from busprobe.job import Job, UnitRecord
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.wizard.identify.words import of_store, reasons, register
from tests.job.readings import reading
from tests.wizard.conftest import Wizard

HOSTILE = "[bold red]AT-10[/] \\x1b[2J"
"""What `busprobe.text` makes of an identity with screen markup and a terminal escape."""


READING = reading(
    "Temperature",
    text="812.0 °C",
    plausible=False,
    register=1,
    type="int16",
    unit="°C",
    scale=0.1,
    registers=(8120,),
    value=812.0,
)


async def test_all_units_are_asked_and_read_in_engineering_units(wizard: Wizard, job: Job) -> None:
    """a asks every unit: maker and model, match in per cent, values with unit and verdict, register
    in both forms."""
    for address in (11, 21):
        job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1")))
    async with wizard("clean", step=4) as person:
        assert person.screen.count("not identified") == 2
        await person.press("a")
        await person.wait()
        assert "Aldermoor Instruments AT-10" in person.screen
        assert "Brookvale Metering BM-330" in person.screen
        assert "Temperature" in person.screen
        assert "°C" in person.screen
        assert "✓ plausible" in person.screen
        assert "04: 1 (0x0001)" in person.screen
        await person.press("e")
        assert "Server id is 'AT-10', as expected." in person.screen
        await person.press("escape", "down")
        assert "Voltage" in person.screen
        assert person.states[3] == "✓ done"


async def test_a_value_outside_its_plausible_range_is_marked(wizard: Wizard, job: Job) -> None:
    """An implausible reading has its own sign and word."""
    job.put_unit(
        UnitRecord(
            Place.parse("11 9600-8N1"), profile="aldermoor-at-10", match=0.9, readings=(READING,)
        )
    )
    async with wizard("clean", step=4) as person:
        assert "812.0 °C" in person.screen
        assert "! implausible" in person.screen


async def test_a_clash_is_not_identified_but_sent_to_readdress(wizard: Wizard, job: Job) -> None:
    """Two units at one address: nothing is claimed of them; the screen says where to go."""
    job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
    async with wizard("clash", step=4) as person:
        assert "Two or more units answer here at once" in person.screen
        assert person.states[3] == "! check"
        assert "Readdress (5)" in person.next_line
        await person.press("d", "y")
        assert ["More than one unit" in told.message for told in person.app._notifications] == [
            True,
            True,
        ]
        assert len(person.app.screen_stack) == 1


async def test_text_of_a_unit_is_shown_as_it_is(wizard: Wizard, job: Job) -> None:
    """Markup and escapes in what a unit says change nothing on the screen."""
    job.put_unit(
        UnitRecord(
            Place.parse("11 9600-8N1"), identity={"product": HOSTILE}, notes=("[red]note[/red]",)
        )
    )
    async with wizard("clean", step=4) as person:
        assert "[bold red]AT-10[/]" in person.screen
        assert "[red]note[/red]" in person.screen


async def test_tag_location_and_place_are_noted_with_the_unit(wizard: Wizard, job: Job) -> None:
    """t asks for the three; they are in the list and in the job."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    async with wizard("clean", step=4) as person:
        await person.press("t")
        await person.write("TE-101")
        await person.press("enter")
        await person.write("Panel 2")
        await person.press("enter")
        await person.write("3")
        await person.press("enter")
        assert "TE-101" in person.screen
    unit = job.unit(Place.parse("11 9600-8N1"))
    assert unit is not None
    assert (unit.tag, unit.location, unit.position) == ("TE-101", "Panel 2", 3)


def test_without_having_asked_no_reasons_are_made_up() -> None:
    assert "has not been asked since" in reasons(
        UnitRecord(Place.parse("11 9600-8N1"), profile="aldermoor-at-10"), None, None, load_all([])
    )


def test_profile_files_that_are_broken_or_replaced_are_told(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("id = 1")
    (tmp_path / "corran-cd-2.toml").write_bytes(
        (shipped_folder() / "corran-cd-2.toml").read_bytes()
    )
    store = load_all([shipped_folder(), tmp_path])
    assert (
        of_store(store)
        == "Profile files: 1 cannot be used, 1 taken in place of another. e tells which."
    )
    assert "in place of" in reasons(UnitRecord(Place.parse("11 9600-8N1")), None, None, store)
    assert of_store(load_all([shipped_folder()])) == ""


def test_a_register_is_shown_as_the_data_sheet_counts_it_too() -> None:
    counted = replace(READING, function=4, register=52, sheet_register=30053)
    assert register(counted) == "04: 52 (0x0034) 30053"
    assert register(replace(READING, function=3, register=7)) == "03: 7 (0x0007)"


async def test_it_is_said_how_sure_it_is_what_to_mind_and_which_models_there_are(
    wizard: Wizard, job: Job
) -> None:
    """A unit that follows SunSpec: how far the second-best is, the caution of its profile, its
    models."""
    job.put_unit(UnitRecord(Place.parse("3 9600-8N1")))
    async with wizard("generic", step=4) as person:
        await person.press("a")
        await person.wait()
        assert "SunSpec unit, models at 40000 fits with 0.70 of 1;" in person.screen
        assert "! Caution 1 of 2" in person.screen
        assert "It follows SunSpec from register 40000 on: models 1, 64901." in person.screen
        await person.press("e", *["pagedown"] * 3)
        assert "64901 at register 40070, 2 long" in person.screen


async def test_a_mute_unit_is_given_its_profile_by_hand(wizard: Wizard, job: Job) -> None:
    """It is read by that profile from then on, and nobody claims that the unit itself said so."""
    job.put_unit(UnitRecord(Place.parse("6 9600-8N1")))
    async with wizard("generic", step=4) as person:
        await person.press("y")
        await person.write("no-such")
        await person.press("enter")
        assert "There is no such profile." in person.screen
        await person.press("ctrl+u")
        await person.write("garnmoor-lk-2")
        await person.press("enter")
        await person.wait()
        assert "chosen by hand" in person.screen
    unit = job.unit(Place.parse("6 9600-8N1"))
    assert unit is not None
    assert (unit.profile, unit.match) == ("garnmoor-lk-2", None)

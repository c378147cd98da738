"""Survey: the form, the map, the findings, pausing, stopping, going on."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from busprobe.job import Job
from busprobe.line.place import Place
from busprobe.session.recorded_survey import RecordedSurvey
from busprobe.session.session import Session
from busprobe.survey.events import Event, FirstPassOver
from busprobe.survey.findings import Finding
from busprobe.wizard.identify.step import IdentifyStep
from busprobe.wizard.survey.address_map import AddressMap
from busprobe.wizard.survey.step import SurveyStep
from tests.wizard.conftest import Wizard
from tests.wizard.person import Person


async def surveyed(person: Person, settings: str = "9600-8N1", addresses: str = "1-60") -> None:
    """Survey part of the pair and wait for the end."""
    person.fill("#survey-settings", settings)
    person.fill("#survey-addresses", addresses)
    await person.press("s")
    await person.wait()


def start_and_pause(person: Person) -> None:
    """Start a survey and pause it before it sends anything."""
    step = person.app.query_one(SurveyStep)
    step.action_start()
    step.action_pause()


def _sign(rows: list[str], address: int) -> str:
    """The sign of an address on a screen of 80 columns: 25 a row, two cells each."""
    row, column = divmod(address, 25)
    return rows[6 + row][5 + 2 * column]


async def test_the_form_says_what_it_will_ask_and_how_long_that_takes(wizard: Wizard) -> None:
    """Before anything is sent the screen names settings, addresses and the time; a mistake in a
    field is named."""
    async with wizard("clean", step=3) as person:
        assert "Will ask addresses 1-247 at 32 settings, about" in person.screen
        person.fill("#survey-settings", "9600-8N1")
        await person.look()
        assert "Will ask addresses 1-247 at 9600-8N1, about" in person.screen
        person.fill("#survey-addresses", "0")
        await person.look()
        assert "'0' is not a set of unit addresses" in person.screen
        await person.press("s")
        assert person.app.line_lock.holder == ""


async def test_the_map_and_the_list_show_every_unit_where_it_is(wizard: Wizard) -> None:
    """After a survey all six units are on the map and in the list, silence is a dash, what was not
    asked a dot."""
    async with wizard("clean", step=3) as person:
        await surveyed(person)
        rows = person.screen.splitlines()
        assert rows[4].startswith(" ✓ 6 found")
        assert [_sign(rows, at) for at in (11, 12, 21, 31, 41, 51)] == ["●"] * 6
        assert [_sign(rows, at) for at in (10, 13, 60)] == ["-"] * 3
        assert [_sign(rows, at) for at in (61, 100, 247)] == ["·"] * 3
        assert "31 9600-8N1 ● DX-8" in person.words
        assert person.states[2] == "✓ done"
        assert "Enter go to Identify (4)." in person.next_line


@pytest.mark.usefixtures("pausing")
async def test_a_unit_has_its_name_in_survey_and_identify_from_when_it_is_found(
    wizard: Wizard,
) -> None:
    """Its values are read when the search is over; until then Identify is not done."""
    async with wizard("clean", step=3) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "11-12")
        await person.press("s")
        await person.wait_for("11 9600-8N1 ● AT-10")
        person.app.query_one(SurveyStep).action_pause()
        person.app.query_one(AddressMap).cursor = 11
        await person.press("e")
        assert "It says: product AT-10" in person.screen
        assert "Profile aldermoor-at-10, match" in person.screen
        assert "Server id is 'AT-10', as expected." in person.screen
        await person.press("escape", "4")
        assert "Aldermoor Instruments AT-10" in person.screen
        assert "°C" not in person.screen
        assert person.states[3] != "✓ done"
        person.app.query_one(SurveyStep).action_pause()
        await person.wait()
        await person.look()
        assert "°C" in person.screen
        assert person.states[3] == "✓ done"
        await person.press("e")
        assert "aldermoor-at-10: 85 %" in person.screen


@pytest.fixture
def held_after_first_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    """Surveys pause when they have told that the first pass is over, so that one can answer."""
    passed_on = RecordedSurvey.__iter__

    def hold(run: RecordedSurvey) -> Iterator[Event]:
        for event in passed_on(run):
            if isinstance(event, FirstPassOver):
                run.pause()
            yield event

    monkeypatch.setattr(RecordedSurvey, "__iter__", hold)


async def go_on(person: Person) -> None:
    """Pause once more, and go on."""
    await person.press("space", "space")
    await person.wait()


TWO_SETTINGS = "9600-8N1,38400-8N1"


@pytest.mark.usefixtures("held_after_first_pass")
async def test_after_the_first_pass_the_step_says_what_was_found_and_what_the_rest_costs(
    wizard: Wizard, job: Job
) -> None:
    """Nobody answers: the search goes on to its end."""
    async with wizard("clean", step=3) as person:
        person.fill("#survey-settings", TWO_SETTINGS)
        person.fill("#survey-addresses", "1-60")
        await person.press("s")
        await person.wait_for("6 found in 0:")
        assert "To be sure that there are no others: about" in person.words
        assert "k: only at the settings found, about" in person.words
        assert "It goes on by itself; k searches less." in person.next_line
        await go_on(person)
        assert "all settings and addresses were searched" in person.screen
        assert "To be sure" not in person.screen
    record = job.latest_survey()
    assert record is not None
    assert record.complete


@pytest.mark.parametrize(
    ("choice", "not_asked", "ended"),
    [
        (("enter",), {"38400-8N1"}, None),
        (("down", "enter"), {"9600-8N1", "38400-8N1"}, "enough"),
        (("escape",), set(), None),
    ],
)
@pytest.mark.usefixtures("held_after_first_pass")
async def test_k_searches_less_after_the_first_pass(
    wizard: Wizard,
    job: Job,
    choice: tuple[str, ...],
    not_asked: set[str],
    ended: str | None,
) -> None:
    """Whatever is chosen, the units found are named and read."""
    async with wizard("clean", step=3) as person:
        person.fill("#survey-settings", TWO_SETTINGS)
        person.fill("#survey-addresses", "1-60")
        await person.press("s")
        await person.wait_for("6 found in 0:")
        await person.press("k")
        assert "Search only at the line settings of the units found" in person.screen
        await person.press(*choice)
        await go_on(person)
    record = job.latest_survey()
    assert record is not None
    assert {untested["settings"] for untested in record.document["untested"]} == not_asked
    assert record.document["ended"] == ended
    assert [bool(unit.readings) for unit in job.units()] == [True] * 6


async def test_how_many_are_connected_is_asked_first_and_ends_the_search(wizard: Wizard) -> None:
    async with wizard("clean", step=3) as person:
        assert person.screen.splitlines()[3].startswith(" How many ?")
        assert "First type how many are connected, if known (Tab)." in person.next_line
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-60")
        person.fill("#survey-expect", "2")
        await person.press("s")
        await person.wait()
        assert "! 2 found in" in person.screen
        assert "as many as expected, others were not searched for." in person.screen


async def test_a_clash_is_marked_and_its_evidence_is_one_key_away(wizard: Wizard) -> None:
    """Two units at address 1: an X on the map with the word clash, the raw replies on e, and what
    to do."""
    async with wizard("clash", step=3) as person:
        await surveyed(person)
        assert "1 9600-8N1 X clash" in person.words
        assert "Address 1 (0x01): X clash at 9600-8N1" in person.screen
        assert person.states[2] == "! check"
        await person.press("e")
        assert "Address 1 (0x01): evidence" in person.screen
        assert "clash at 9600-8N1" in person.screen
        assert "Read" in person.screen
        await person.press("escape", "right", "e")
        assert "Nothing was found here: silent." in person.screen


async def test_the_rail_shows_a_survey_that_goes_on_behind_another_step(
    wizard: Wizard, paced: Session
) -> None:
    """A paused survey says so on the rail from every step; p goes on with it to the end."""
    async with wizard("clean", step=3, using=paced) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-30")
        start_and_pause(person)
        await person.press("6")
        assert person.states[2] == "▸ paused"
        await person.press("3", "space")
        await person.wait()
        assert "3 found" in person.screen


async def test_a_stopped_survey_keeps_what_it_found_and_can_go_on(
    wizard: Wizard, paced: Session, job: Job
) -> None:
    """x stops: the rest is 'not tested'. s asks, and g goes on to the end with nothing lost."""
    async with wizard("clean", step=3, using=paced) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-30")
        start_and_pause(person)
        await person.press("x")
        await person.wait()
        assert "not everything was asked, the rest is 'not tested'" in person.screen
        assert "Not tested: 9600-8N1" in person.screen
        await person.press("s")
        assert "Go on where the last survey ended?" in person.screen
        await person.press("g")
        await person.wait()
        assert "✓ 3 found" in person.screen
    record = job.latest_survey()
    assert record is not None
    assert record.complete
    assert {unit.address for unit in job.units()} == {11, 12, 21}


async def test_another_master_stops_the_survey_unless_somebody_says_go_on(wizard: Wizard) -> None:
    """The survey hears another master and waits; Enter stops it with nothing asked."""
    async with wizard("second-master", step=3) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-5")
        await person.press("s")
        await person.wait_for("! Another master is on this pair")
        await person.strike("enter")
        await person.wait()
        assert "the rest is 'not tested'" in person.screen


async def test_an_adapter_pulled_out_ends_the_survey_in_words(wizard: Wizard, job: Job) -> None:
    """Nobody sees a traceback: the failure is said, the findings are kept, the rest is not
    tested."""
    async with wizard("clean", step=3) as person:
        person.app.session._connector.segment("virtual:clean").unplug()
        await surveyed(person)
        assert "not everything was asked" in person.screen
        assert "Traceback" not in person.screen
    record = job.latest_survey()
    assert record is not None
    assert record.document["failure"]


@pytest.fixture
def pausing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Surveys pause when they have found the first unit, so that something can be done then."""
    keep = RecordedSurvey._keep
    found: list[Finding] = []

    def keep_and_pause(run: RecordedSurvey, finding: Finding) -> None:
        keep(run, finding)
        found.append(finding)
        if len(found) == 1:
            run.pause()

    monkeypatch.setattr(RecordedSurvey, "_keep", keep_and_pause)


@pytest.mark.usefixtures("pausing")
async def test_units_found_so_far_are_read_while_the_survey_is_held_and_then_it_goes_on(
    wizard: Wizard, job: Job
) -> None:
    """Identify has the line in between; the survey loses nothing by it. Nothing else is let in."""
    async with wizard("clean", step=3) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-50")
        await person.press("s")
        await person.wait_for("11 9600-8N1 ● AT-10")
        await person.press("6", "s")
        assert "The line is in use: the survey is running." in person.screen
        await person.press("escape")
        survey = person.app.query_one(SurveyStep)
        person.app.query_one(IdentifyStep).action_read_all()
        assert (person.app.line_lock.holder, survey.progress) == ("identification", "held")
        await person.wait()
        assert person.states[2] == "✓ done"
    record = job.latest_survey()
    assert record is not None
    assert record.complete
    assert {unit.address for unit in job.units()} == {11, 12, 21, 31, 41}
    known = job.unit(Place.parse("11 9600-8N1"))
    assert known is not None
    assert known.profile == "aldermoor-at-10"


@pytest.mark.usefixtures("pausing")
async def test_a_survey_stopped_while_units_are_read_ends_when_the_line_is_back(
    wizard: Wizard,
) -> None:
    """Both pieces of work end, one after the other."""
    async with wizard("clean", step=3) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-50")
        await person.press("s")
        await person.wait_for("11 9600-8N1 ● AT-10")
        person.app.query_one(IdentifyStep).action_read_all()
        person.app.query_one(SurveyStep).action_stop()
        await person.wait()
        assert "the rest is 'not tested'" in person.screen

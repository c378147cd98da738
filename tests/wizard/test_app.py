"""The frame around the steps: rail, keys, who has the line, leaving."""

from __future__ import annotations

from collections.abc import Iterator
from inspect import getfile
from pathlib import Path

import pytest
from textual.binding import Binding
from textual.css.model import SelectorType
from textual.css.stylesheet import Stylesheet
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input

from busprobe.errors import FileError
from busprobe.job import Job, UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.session.session import Session
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.common.actions import OF_STEP
from busprobe.wizard.common.step import Around
from busprobe.wizard.common.theme import DARK
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.steps import all_steps
from tests.wizard.conftest import Wizard, new_session
from tests.wizard.person import Person


async def test_a_new_job_starts_at_port_with_seven_steps_to_do(wizard: Wizard) -> None:
    """A person sees all seven steps, none begun, the job's place, and what to do first."""
    async with wizard() as person:
        head = person.screen.splitlines()
        assert "Harrow Mill · Line A" in head[0]
        assert "no port open" in head[0]
        titles = ("Port", "Wiring", "Survey", "Identify", "Readdress", "Prove", "Hand over")
        assert all(f"{number} {title}" in head[1] for number, title in enumerate(titles, start=1))
        assert person.rail.count("· to do") == 7
        assert "Enter open /dev/ttyUSB0. Or choose another one." in person.next_line


async def test_every_step_says_practice_or_real_bus_by_the_port_that_is_open(
    wizard: Wizard, session: Session, real_port: str
) -> None:
    """Nothing is said before there is a port; then the kind stands on every step, also when the
    terminal is narrow."""
    async with wizard(size=(60, 20)) as person:
        assert "PRACTICE" not in person.screen.splitlines()[0]
        assert "REAL BUS" not in person.screen.splitlines()[0]
        session.open(real_port)
        for step in "3456721":
            await person.press("escape", step)
            assert "REAL BUS" in person.screen.splitlines()[0]


async def test_a_practice_job_says_so_with_and_without_an_open_port(
    wizard: Wizard, session: Session
) -> None:
    async with wizard("clean", step=3, size=(60, 20)) as person:
        assert "PRACTICE" in person.screen.splitlines()[0]
        session.close()
        await person.press("4")
        assert "PRACTICE" in person.screen.splitlines()[0]


async def test_digits_go_to_steps_but_are_digits_in_a_field(wizard: Wizard) -> None:
    """A digit shows its step; typed into a field it stays there, and Escape makes it a key
    again."""
    async with wizard() as person:
        await person.press("3")
        assert "Addresses 1-247" in person.screen
        await person.press("tab")
        assert isinstance(person.app.focused, Input)
        await person.press("2")
        assert person.app.current == 3
        assert person.app.focused.value.endswith("2")
        assert "Esc Leave the field" in person.screen.splitlines()[-1]
        await person.press("escape", "2")
        assert person.app.current == 2


async def test_what_is_typed_right_after_tab_goes_into_the_field(
    wizard: Wizard, session: Session
) -> None:
    """Typed faster than the screen follows, digits are no step keys and letters no names of
    actions."""
    async with wizard("clean", step=3) as person:
        await person.burst(*["tab"] * 3, *"1-60")
        assert person.app.query_one("#survey-addresses", Input).value == "1-60"
        assert person.app.current == 3
        await person.burst("shift+tab", *"s", "tab", *"2")
        assert person.app.query_one("#survey-settings", Input).value == "s"
        assert person.app.query_one("#survey-addresses", Input).value == "2"
        assert not person.app.line_lock.holder
        assert session.is_open


async def test_a_fast_correction_deletes_what_it_was_to_delete(wizard: Wizard) -> None:
    """12, Backspace, 3 is 13, however fast."""
    async with wizard("clean", step=3) as person:
        await person.burst(*["tab"] * 3, *"12", "backspace", *"3", "left", "9")
        assert person.app.query_one("#survey-addresses", Input).value == "193"


async def test_what_is_typed_at_once_goes_into_the_form_that_a_key_opens(wizard: Wizard) -> None:
    """Also into the field that Enter or an arrow leads to."""
    async with wizard(step=7) as person:
        await person.burst(
            "t", "end", "enter", *"ab", "enter", *"cd", "down", *"ef", "up", "end", *"g"
        )
        got = [field.value for field in person.app.screen.query(Input)]
        assert got[:3] == ["ab", "cdg", "ef"]
        assert person.app.current == 7


async def test_a_meter_form_takes_a_burst_of_readings(wizard: Wizard) -> None:
    async with wizard(step=1) as person:
        await person.burst("2", "r", "tab", *"61", "down", *"0.3", "enter", *"5")
        readings = [
            field.value for field in person.app.screen.query(".reading-input").results(Input)
        ]
        assert [text for text in readings if text] == ["61", "0.3", "5"]


async def test_ctrl_c_copies_what_is_selected_and_never_leaves_from_a_field(
    wizard: Wizard,
) -> None:
    async with wizard(step=3) as person:
        await person.press("tab", "tab", "home", "shift+end", "ctrl+c")
        assert not person.app._exit
        assert person.app.clipboard == "common"
        await person.press("right", "ctrl+c")
        assert not person.app._exit
        await person.press("escape", "ctrl+c")
        assert not person.app._exit
        assert "q leaves" in [*person.app._notifications][-1].message


async def test_a_notice_is_closed_by_enter_and_escape_and_its_letters_reach_nothing(
    wizard: Wizard, session: Session
) -> None:
    """A second c after the help closed the port."""
    async with wizard("clean") as person:
        for key in ("enter", "escape"):
            await person.press("f1", "c", "z", "q")
            assert "Help: Port" in person.screen
            assert session.is_open
            await person.press(key)
            assert "Help: Port" not in person.screen
        assert session.is_open


async def test_what_was_typed_in_a_form_survives_escape(wizard: Wizard, job: Job) -> None:
    """Ctrl+Z brings it back, and says so beforehand; what was kept is not offered again."""
    async with wizard(step=7) as person:
        await person.press("t", "end", "enter")
        first = person.app.screen.query(Input).first()
        first.value = "Lower Weir"
        await person.press("escape", "t", "end", "enter")
        first = person.app.screen.query(Input).first()
        assert first.value == "Harrow Mill"
        assert "Ctrl+Z brings back what was typed" in person.screen
        await person.press("ctrl+z")
        assert first.value == "Lower Weir"
        await person.press("ctrl+s")
        assert job.meta.site == "Lower Weir"
        await person.press("t", "end", "enter")
        assert "Ctrl+Z" not in person.screen


async def test_leaving_asks_while_a_form_is_filled_in(wizard: Wizard) -> None:
    async with wizard(step=7) as person:
        await person.press("t", "end", "enter")
        person.app.screen.query(Input).first().value = "Lower Weir"
        await person.press("ctrl+q")
        assert not person.app._exit
        assert "Leave?" in person.screen
        await person.press("s", "escape", "q")
        assert person.app._exit


def test_no_letter_has_two_meanings() -> None:
    """Whatever is bound to a letter anywhere in the wizard is bound to the meaning that the letter
    has in the table of actions."""
    all_steps()
    letters = {verb.key: verb.label for verb in Verb if len(verb.key) == 1}
    assert len(letters) == len([verb for verb in Verb if len(verb.key) == 1])
    assert len({verb.key for verb in Verb}) == len(Verb)
    bound = [
        (widget.__name__, binding)
        for widget in _all_kinds_of(Widget)
        if widget.__module__.startswith("busprobe.")
        for binding in widget.__dict__.get("BINDINGS", ())
    ] + [("BusprobeApp", binding) for binding in BusprobeApp.BINDINGS]
    assert len(bound) > 60
    for where, binding in bound:
        assert isinstance(binding, Binding)
        for key in binding.key.split(","):
            if len(key) == 1 and not key.isdecimal():
                assert (where, letters.get(key)) == (where, binding.description)


def test_each_action_of_the_table_can_be_done_in_its_step() -> None:
    steps = {step.TITLE: step for step in all_steps()}
    assert steps.keys() == OF_STEP.keys()
    for title, actions in OF_STEP.items():
        assert len({action.verb for action in actions}) == len(actions)
        for action in actions:
            assert callable(getattr(steps[title], f"action_{action.name}"))


def test_each_screen_explains_itself() -> None:
    all_steps()
    screens = [each for each in _all_kinds_of(Screen) if each.__module__.startswith("busprobe.")]
    assert len(screens) > 10
    for screen in screens:
        assert (
            screen.__name__ in ("_StepScreen", "Dialog") or len(getattr(screen, "HELP", "")) > 40
        ), screen


async def test_f1_explains_what_is_in_front_and_closes_it_again(wizard: Wizard) -> None:
    """In a step, a form, a question and a screen of its own; what was behind it is there again."""
    async with wizard("clean", step=5, size=(80, 24)) as person:
        for keys, behind in (
            ((), "Wanted"),
            (("j",), "JOURNAL"),
            (("escape", "equals_sign"), "Show the changes"),
            (("escape", "6", "c"), "Polling table"),
            (("escape", "7", "t"), "What is to be noted?"),
            (("escape", "2", "exclamation_mark"), "Before you touch"),
            (("escape", "c"), "Arithmetic"),
        ):
            await person.press(*keys)
            assert behind in person.screen
            await person.press("f1")
            assert "Help" in person.screen
            assert person.screen.count("Help: ") <= 1
            await person.press("f1")
            assert behind in person.screen
            assert "Keys here" not in person.screen
            assert "Keys of this step" not in person.screen


async def test_all_actions_are_in_one_list_to_search_and_are_done_in_their_step(
    wizard: Wizard,
) -> None:
    """? and Ctrl+P open it, also from a field; each action has its key and a sentence."""
    async with wizard("clean", step=1, size=(100, 90)) as person:
        await person.press("question_mark")
        for step, actions in OF_STEP.items():
            for action in actions[:2]:
                assert f"{step}: {action.verb.label}" in person.screen
        await person.press("escape", "tab", "ctrl+p")
        await person.burst(*"jour", "enter")
        assert person.app.current == 5
        assert "JOURNAL" in person.screen
        await person.press("escape", "ctrl+p")
        await person.burst(*"wiring drop", "enter")
        assert "Before you touch" in person.screen  # one thing at a time
        await person.press("r", "ctrl+p", *"wiring drop", "enter")
        assert "Arithmetic" in person.screen
        await person.press("escape", "ctrl+p", *"no such thing", "enter")
        assert "All actions" in person.screen


async def test_an_action_that_cannot_be_done_now_says_so(wizard: Wizard) -> None:
    async with wizard("clean", step=1) as person:
        await person.press("ctrl+p")
        await person.burst(*"stop before", "enter")
        await person.look()
        assert person.app.current == 5
        assert "Not possible now" in [*person.app._notifications][-1].message


async def test_next_and_back_work_inside_a_field(wizard: Wizard) -> None:
    """Ctrl+N and Ctrl+B turn the page wherever the focus is, and stop at both ends."""
    async with wizard(step=7) as person:
        await person.press("tab")
        assert isinstance(person.app.focused, Input)
        await person.press("ctrl+n")
        assert person.app.current == 7
        await person.press("ctrl+b")
        assert person.app.current == 6


async def test_each_step_explains_itself_and_its_keys(wizard: Wizard) -> None:
    """F1 shows what the step is for, every key it has, and the signs of the rail; Escape closes
    it."""
    async with wizard("clean", step=7, size=(100, 80)) as person:
        for number in (7, 6, 5, 4, 3, 1, 2):
            await person.press("escape", str(number))
            if number == 2:
                await person.press("r")  # the cautions come first
            await person.press("f1")
            said = person.screen
            assert f"Help: {person.app.step.TITLE}" in said
            for binding in person.app.step.BINDINGS:
                words = getattr(binding, "tooltip", "") or getattr(binding, "description", "")
                assert words[:30] in said
            assert "▸ doing" in said
            await person.press("escape")
            assert "Help:" not in person.screen


async def test_the_keys_fit_into_80_columns(wizard: Wizard) -> None:
    """The last line shows all keys of the step, down to the last one, at 80 columns."""
    async with wizard("clean", step=7) as person:
        for number in (7, 6, 5, 4, 3, 1, 2):
            await person.press("escape", str(number))
            assert person.app.current == number
            if number == 2:
                await person.press("r")
            assert person.screen.splitlines()[-1].rstrip().endswith("q Quit")


async def test_behind_a_dialog_only_keys_that_work_there_are_offered(wizard: Wizard) -> None:
    """Neither the keys of the step nor q for leaving do anything in a dialog; F1 and F9 do."""
    async with wizard("clean", step=5) as person:
        await person.press("f1")
        assert person.screen.splitlines()[-1].strip() == "F1 Help F9 Hands"
        await person.press("escape")
        assert person.screen.splitlines()[-1].rstrip().endswith("q Quit")


async def test_the_step_looked_at_last_is_shown_again(wizard: Wizard, job: Job) -> None:
    """After a restart the wizard opens where it was left."""
    async with wizard() as person:
        await person.press("6")
    again = BusprobeApp(lambda: new_session(job))
    async with again.run_test(size=(80, 24)) as pilot:
        await Person(again, pilot).begin()
        assert again.current == 6


async def test_work_that_needs_the_line_says_that_no_port_is_open(wizard: Wizard) -> None:
    """Without a port a survey does not start; the screen says where to open one."""
    async with wizard(step=3) as person:
        await person.press("s")
        assert "No port is open yet." in person.screen
        assert "step 1, Port" in person.screen
        await person.press("enter")
        assert "▸ doing" not in person.rail


async def test_a_second_use_of_the_line_is_refused_in_words(wizard: Wizard, paced: Session) -> None:
    """While the survey has the line, an endurance run says that, and the top line shows who has
    it."""
    async with wizard("clean", step=3, using=paced) as person:
        person.fill("#survey-settings", "9600-8N1")
        await person.press("s", "space", "6", "s")
        assert "The line is in use: the survey is running." in person.screen
        await person.press("enter")
        assert "▸ the survey" in person.screen.splitlines()[0]
        await person.press("3", "x")
        await person.wait()
        assert "▸" not in person.screen.splitlines()[0]


async def test_leaving_asks_only_while_something_runs(wizard: Wizard, paced: Session) -> None:
    """q asks while the survey runs; Stay goes on with it, Stop it and leave ends it cleanly with
    its findings kept."""
    async with wizard("clean", step=3, using=paced) as person:
        person.fill("#survey-settings", "9600-8N1")
        await person.press("s", "space", "q")
        assert "The survey is still running on the line." in person.screen
        await person.press("s")
        assert person.app.line_lock.holder == "the survey"
        await person.press("ctrl+q")
        await person.press("l")
        await person.wait()
        assert not person.app.is_running or person.app._exit
    record = person.app.session.job.latest_survey()
    assert record is not None
    assert record.ended is not None
    assert not record.complete


async def test_leaving_at_rest_leaves_at_once(wizard: Wizard) -> None:
    """With nothing running q needs no second key."""
    async with wizard() as person:
        await person.press("q")
        assert person.app._exit


async def test_a_fault_of_the_program_is_no_finding_and_no_traceback(
    wizard: Wizard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If busprobe itself breaks, the screen says so in words where the result would have been, and
    goes on."""
    async with wizard("clean", step=1) as person:

        def broken(seconds: float) -> None:
            raise ZeroDivisionError("a slip")

        monkeypatch.setattr(person.app.session, "listen", broken)
        await person.press("escape", "l")
        await person.look()
        await person.wait_for(
            "busprobe itself has a fault: listening ended with ZeroDivisionError: a slip"
        )
        assert "Traceback" not in person.screen
        await person.press("enter")
        assert person.app.line_lock.holder == ""


async def test_hands_are_offered_only_at_a_practice_segment(wizard: Wizard) -> None:
    """F9 takes a virtual unit off the pair and puts it back; without a virtual segment the key is
    not there."""
    async with wizard() as person:
        assert "F9" not in person.screen
        person.app.session.open("virtual:clean", LineSettings.parse("9600-8N1"))
        await person.press("f9", "enter")
        assert "- taken off" in person.screen
        terminals = person.app.session.terminals
        assert terminals is not None
        assert [unit.connected for unit in terminals.units()].count(False) == 1
        await person.press("enter", "plus")
        assert "- taken off" not in person.screen
        assert "X swapped" in person.screen


async def test_light_and_dark_can_be_switched(wizard: Wizard) -> None:
    """F8 turns the screen light for bright sun, with the same signs and words."""
    async with wizard() as person:
        before = person.screen
        await person.press("f8")
        assert not person.app.current_theme.dark
        assert person.screen == before


async def test_the_top_line_follows_the_width_also_behind_a_dialog(wizard: Wizard) -> None:
    """The terminal is made wider and narrower with a dialog in front: the port stays at the right
    edge."""
    async with wizard(step=7) as person:
        await person.press("t", "end", "enter")
        for width in (120, 80, 60):
            await person.resize(width, 24)
            top = person.screen.splitlines()[0]
            assert top.rstrip().endswith("no port open")
            assert len(top.rstrip()) == width - 2
        await person.press("escape")
        assert person.screen.splitlines()[0] == top


def test_the_app_is_what_its_steps_need_around_them() -> None:
    """The types hold the two against each other; the names are there at run time."""
    needed: type[Around] = BusprobeApp
    names = [name for name in vars(Around) if not name.startswith("_")]
    assert names == ["step", "cut_off", "go_to", "do_proposed", "explain", "claim_line"]
    assert all(
        callable(getattr(needed, name)) or isinstance(vars(needed)[name], property)
        for name in names
    )


def test_the_style_sheet_names_only_widgets_that_there_are() -> None:
    """A widget that was renamed would lose its colours, and a hunt is read by its colour."""
    all_steps()  # with them everything is imported that is ever shown, but for what F9 shows
    sheet = Stylesheet(variables=DARK.to_color_system().generate())
    sheet.read(Path(getfile(BusprobeApp)).with_name("wizard.tcss"))
    sheet.parse()
    named = {
        selector.name
        for rule in sheet.rules
        for selectors in rule.selector_set
        for selector in selectors.selectors
        if selector.type is SelectorType.TYPE
    }
    assert {"Dialog", "KeyBar", "RowTable"} <= named
    assert named <= {each.__name__ for each in _all_kinds_of(Widget)}


def _all_kinds_of(widget: type[Widget]) -> Iterator[type[Widget]]:
    yield widget
    for each in widget.__subclasses__():
        yield from _all_kinds_of(each)


async def test_a_strict_terminal_gets_plain_signs_on_every_step(wizard: Wizard, job: Job) -> None:
    """Nothing but ASCII is drawn, as long as before; a question mark is left for what is unsure and
    for the key that lists all actions."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1"), profile="aldermoor-at-10"))
    for size in ((60, 20), (80, 24), (140, 45)):
        async with wizard("clean", size=size, encoding="ascii") as person:
            for number in "3456721":
                await person.press("escape", number)
                assert person.screen.isascii(), person.screen
                marks = person.screen.replace("? unsure", "").replace("? Al", "")
                marks = marks.replace("How many ?", "")
                assert "?" not in marks, person.screen
            assert "> " in person.next_line or person.next_line.startswith(" >")


async def test_what_nobody_has_handled_ends_the_wizard_with_its_words_and_no_traceback(
    wizard: Wizard, job: Job
) -> None:
    job.set_state("wizard.wanted", 7)
    app: BusprobeApp | None = None
    with pytest.raises(FileError):
        async with wizard("clean", step=5) as person:
            app = person.app
            await person.press("5")
    assert app is None or isinstance(app.failure, FileError)

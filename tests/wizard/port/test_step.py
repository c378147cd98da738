"""Port: what a person sees before, while and after a port is opened."""

from __future__ import annotations

from dataclasses import replace

import pytest
from textual.widgets import Input

from busprobe.job import Job
from busprobe.line.settings import LineSettings
from busprobe.session.session import Session
from busprobe.wizard.common.choice_field import ChoiceField
from busprobe.wizard.port.step import PortStep
from tests.wizard.conftest import ADAPTER, Wizard


async def test_adapters_and_practice_segments_are_listed_with_what_tells_them_apart(
    wizard: Wizard,
) -> None:
    """The list shows device and description; the line below it all of it: USB id, serial number,
    latency timer."""
    async with wizard() as person:
        assert "/dev/ttyUSB0 Serial adapter" in person.words
        assert "USB 1209:0001, no. A1B2, latency timer 16 ms" in person.screen
        assert "virtual:clash" in person.screen
        await person.press("down")
        assert "as the factory made them; none is connected yet" in person.words


async def test_a_quiet_port_is_opened_listened_to_and_asked_for_its_echo(
    wizard: Wizard, job: Job
) -> None:
    """Typed name, Enter: open, quiet, no echo; the step is done and the next one named; digits are
    keys again."""
    async with wizard() as person:
        person.fill("#port-name", "virtual:clean")
        await person.press("tab", "tab", "enter", "y")
        await person.wait()
        assert "✓ Open  virtual:clean. Quiet for 3.0 s." in person.screen
        assert "This adapter does not echo." in person.screen
        assert person.states[0] == "✓ done"
        assert "virtual:clean 9600-8N1" in person.screen.splitlines()[0]
        await person.press("7")
        assert person.app.current == 7
    assert job.meta.port == "virtual:clean"
    heard = job.latest("listening")
    assert heard is not None
    assert heard.document["other_master"] is False


async def test_a_port_that_opens_late_leaves_the_keys_to_the_step_gone_to(
    wizard: Wizard, session: Session
) -> None:
    """Whoever has gone on meanwhile keeps the keys of that step, not the one that closes the
    port."""
    async with wizard("clean", step=5) as person:
        person.app.query_one(PortStep).post_message(PortStep.Opened(session.listen(3.0), None))
        await person.look()
        assert person.states[0] == "✓ done"
        assert "p Propose" in person.screen.splitlines()[-1]


async def test_an_adapter_that_echoes_is_named(wizard: Wizard) -> None:
    """On the segment with an echoing adapter the screen says so."""
    async with wizard("echo") as person:
        await person.press("escape", "l")
        await person.wait()
        assert "gives back what it sends (echo)" in person.screen


async def test_a_port_that_does_not_open_says_why_and_what_to_do_and_stays(wizard: Wizard) -> None:
    """A wrong device, a wrong scenario and a wrong setting each give one clear sentence; nothing is
    open."""
    async with wizard() as person:
        for port, settings, said in (
            ("/dev/no-such-port", "9600-8N1", "✖"),
            ("", "9600-8N1", "No port was chosen"),
        ):
            person.fill("#port-name", port)
            person.fill("#port-settings", settings)
            person.app.query_one("#port-name").focus()
            await person.press("enter")
            await person.wait()
            assert said in person.screen, port
            assert "Traceback" not in person.screen
            assert not person.app.session.is_open
            assert person.app.current == 1
        person.app.query_one("#port-name").focus()


async def test_a_new_job_is_made_a_practice_job_only_by_a_yes(
    wizard: Wizard, session: Session
) -> None:
    """A virtual segment that was chosen by a slip leaves the job free for a real bus."""
    async with wizard() as person:
        person.fill("#port-name", "virtual:clean")
        person.app.query_one("#port-name").focus()
        await person.press("enter")
        assert "Practise in this job?" in person.screen
        await person.press("enter")
        assert session.practice is None
        await person.press("enter", "y")
        await person.wait()
        assert session.practice is True
        assert "/dev/ttyUSB0" not in person.screen
        assert "busprobe wizard --job" in person.screen


async def test_a_scenario_that_there_is_not_leaves_the_job_as_it_was(
    wizard: Wizard, session: Session
) -> None:
    async with wizard() as person:
        person.fill("#port-name", "virtual:nowhere")
        person.app.query_one("#port-name").focus()
        await person.press("enter", "y")
        await person.wait()
        assert "There is no scenario 'nowhere'" in person.screen
        assert session.practice is None


async def test_in_a_practice_job_a_real_port_is_refused_and_the_open_one_stays(
    wizard: Wizard, session: Session, real_port: str
) -> None:
    async with wizard("clean") as person:
        person.fill("#port-name", real_port)
        person.app.query_one("#port-name").focus()
        await person.press("enter")
        await person.wait()
        assert "This is a practice job (virtual:clean). It opens no real port." in person.screen
        assert session.line.name == "virtual:clean"


async def test_in_the_job_of_a_real_bus_no_virtual_segment_is_offered_or_opened(
    wizard: Wizard, session: Session, real_port: str
) -> None:
    session.open(real_port)
    async with wizard() as person:
        assert "virtual:" not in person.screen
        person.fill("#port-name", "virtual:clean")
        person.app.query_one("#port-name").focus()
        await person.press("enter")
        await person.wait()
        assert "It opens no virtual segment." in person.screen
        assert session.line.name == real_port


async def test_another_master_must_be_answered_before_going_on(wizard: Wizard, job: Job) -> None:
    """Somebody else asks units on this pair: the wizard says whom, and Enter closes the port; going
    on is recorded."""
    async with wizard() as person:
        for answer, stays_open in (("enter", False), ("g", True)):
            person.fill("#port-name", "virtual:second-master")
            person.app.query_one("#port-name").focus()
            await person.press("enter")
            if not stays_open:
                await person.press("y")  # the first time it becomes a practice job
            await person.wait()
            assert "! Another master is on this pair" in person.screen
            assert "with function" in person.screen
            await person.press(answer)
            assert person.app.session.is_open is stays_open
            decision = job.latest("other master")
            assert decision is not None
            assert decision.document["went_on"] is stays_open
        assert person.states[0] == "! check"


async def test_a_port_can_be_closed_for_another_program(wizard: Wizard) -> None:
    """c closes the port; the step is to do again."""
    async with wizard("clean") as person:
        await person.press("escape", "z")
        assert "The port is closed." in person.screen
        assert "no port open" in person.screen.splitlines()[0]
        assert not person.app.session.is_open


async def test_a_port_that_is_open_already_counts_as_done(wizard: Wizard) -> None:
    async with wizard("clean") as person:
        assert person.states[0] == "✓ done"


async def test_another_port_is_opened_only_after_asking_while_one_is_open(
    wizard: Wizard, session: Session
) -> None:
    """Enter keeps the open one; the same port is opened anew unasked."""
    async with wizard("clean") as person:
        person.fill("#port-name", "virtual:echo")
        person.app.query_one("#port-name").focus()
        await person.press("enter")
        assert "Open virtual:echo instead?" in person.screen
        await person.press("enter")
        assert session.line.name == "virtual:clean"
        await person.press("enter", "o")
        await person.wait()
        assert session.line.name == "virtual:echo"
        person.fill("#port-name", "virtual:echo")
        person.app.query_one("#port-name").focus()
        await person.press("enter")
        await person.wait()
        assert "instead?" not in person.screen
        assert session.line.name == "virtual:echo"


async def test_a_port_named_at_the_start_is_opened_and_listened_to_before_anything_else(
    wizard: Wizard, session: Session
) -> None:
    """The wizard begins at Port whatever step was looked at last; a practice job needs no yes,
    since it was asked for by name."""
    async with wizard(step=6, port="virtual:clean") as person:
        await person.wait()
        assert person.app.current == 1
        assert "✓ Open  virtual:clean. Quiet for 3.0 s." in person.screen
        assert session.practice is True
        assert str(session.line.settings) == "9600-8N1"
        assert person.app.query_one("#port-name", Input).value == "virtual:clean"


async def test_a_port_named_at_the_start_that_does_not_open_says_why(wizard: Wizard) -> None:
    settings = LineSettings.parse("19200-8E1")
    async with wizard(port="/dev/no-such-port", settings=settings) as person:
        await person.wait()
        assert "✖" in person.screen
        assert person.states[0] == "! check"
        assert person.app.query_one("#port-settings", ChoiceField).value == "19200-8E1"


async def test_a_port_that_is_built_in_is_not_opened_by_enter(
    wizard: Wizard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another device may be at it: it is on the list, and chosen by hand."""
    built_in = replace(ADAPTER, device="/dev/ttyS0", usb_id="")
    monkeypatch.setattr("busprobe.wizard.port.step.ports", lambda: (built_in,))
    async with wizard() as person:
        assert "/dev/ttyS0" in person.words
        assert person.app.query_one("#port-name", Input).value == ""
        assert "Plug the adapter in and press r, or choose a port." in person.next_line

"""The whole job by Enter at each proposal, counted in keys, and by the mouse alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.job import Job
from busprobe.job.endurance_bound import EnduranceBound, keep_bound
from busprobe.session.session import Session
from busprobe.wizard.common.step import StepName
from tests.wizard.conftest import Wizard
from tests.wizard.person import Person
from tests.wizard.readdress.test_step import cut_off

FEW_KEYS = 12


class Walk:
    """A person who does what the next line proposes, and counts the keys."""

    def __init__(self, person: Person) -> None:
        self._person = person
        self.keys = 0

    async def press(self, *keys: str) -> None:
        """Press keys and wait for what they begin."""
        self.keys += len(keys)
        await self._person.press(*keys)
        await self._person.wait()

    async def follow(self, *proposed: str) -> None:
        """Enter at each proposal, which is to be the one that is named."""
        for words in proposed:
            assert f"→ Enter {words}" in self._person.next_line
            await self.press("enter")


@pytest.fixture
def with_port(job: Job, session: Session) -> Session:
    """A session whose job has a port that can be opened; a part of the addresses is searched at
    one line setting, and the run is short, since all of
    them take longer than a test."""
    job.set_meta(port="virtual:clean")
    keep_bound(job, EnduranceBound(25.0, 0.1))
    return session


async def test_a_clean_bus_is_walked_to_its_bus_list_and_documents_in_few_keys(
    wizard: Wizard, with_port: Session, tmp_path: Path
) -> None:
    """Nothing but Enter, each time for what the next line says."""
    async with wizard(using=with_port) as person:
        person.fill("#survey-settings", "9600-8N1")
        person.fill("#survey-addresses", "1-60")
        person.fill("#folder", str(tmp_path / "handover"))
        walk = Walk(person)
        await walk.follow(
            "open virtual:clean",
            "go to Survey (3)",
            "start the survey",
            "go to Identify (4)",
            "go to Readdress (5)",
            "go to Prove (6)",
            "poll all units",
            "go to Hand over (7)",
        )
        assert "6 listed as units." in person.screen
        assert person.app.current == StepName.HAND_OVER.number
        await walk.follow("write the documents (w)")
        assert "✓ Written" in person.screen
        await walk.press("enter")
        assert walk.keys <= FEW_KEYS
        assert person.states[2:] == ["✓ done", "✓ done", "· to do", "✓ done", "✓ done"]
    assert (tmp_path / "handover").is_dir()


async def test_after_a_crash_one_key_opens_the_port_and_the_next_asks_what_is_true(
    wizard: Wizard, with_port: Session, job: Job
) -> None:
    """Whatever step was looked at last, the wizard begins where something is not known."""
    cut_off(job)
    async with wizard(step=7, using=with_port) as person:
        assert person.app.current == StepName.READDRESS.number
        walk = Walk(person)
        await walk.follow("open virtual:clean", "verify both addresses (v)")
        assert walk.keys == 2
    assert job.unfinished_writes() == ()


async def test_the_next_line_is_done_by_a_click(wizard: Wizard, with_port: Session) -> None:
    """The mouse alone opens the port and goes on."""
    async with wizard(using=with_port) as person:
        await person.click("#next")
        await person.wait()
        assert with_port.is_open
        await person.click("#next")
        assert person.app.current == StepName.SURVEY.number

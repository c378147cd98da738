"""A full disk while a unit is moved: the wizard stays on what it saw until that is kept
somewhere."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.widgets import Input

from busprobe.job import Job
from busprobe.virtual.adapter import VirtualPort
from tests.job.full_disk import fill, make_room
from tests.wizard.conftest import Wizard
from tests.wizard.person import Person
from tests.wizard.readdress.test_step import flat, known, want


@pytest.fixture
def full_at_write(job: Job, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The disk is full as soon as a write leaves."""
    send = VirtualPort.send

    def filling(port: VirtualPort, data: bytes) -> float:
        if data[1] in (6, 16):
            fill(job)
        return send(port, data)

    monkeypatch.setattr(VirtualPort, "send", filling)
    yield
    make_room(job)


async def moved(person: Person) -> None:
    await want(person, 33)
    await person.press("m")
    await person.wait_for("Write to the unit?")
    await person.press("w")
    await person.wait_for("Not stored")


@pytest.mark.usefixtures("full_at_write")
async def test_it_is_asked_until_there_is_room(wizard: Wizard, job: Job) -> None:
    known(job, 11)
    async with wizard("clean", step=5) as person:
        await moved(person)
        assert "the disk is full" in flat(person)
        assert "answers alone now" in flat(person)
        for key in ("escape", "enter", "r", "q", "ctrl+q"):
            await person.press(key)
            assert "✖ Not stored" in person.screen
            assert job.unfinished_writes()
        make_room(job)
        await person.press("r")
        assert "Not stored" not in person.screen
        assert [unit.address for unit in job.units()] == [33]
        assert job.unfinished_writes() == ()


@pytest.mark.usefixtures("full_at_write")
async def test_it_can_be_copied_elsewhere(wizard: Wizard, job: Job, tmp_path: Path) -> None:
    known(job, 11)
    async with wizard("clean", step=5) as person:
        await moved(person)
        await person.press("c")
        await person.press("escape")
        assert "✖ Not stored" in person.screen
        await person.press("c")
        field = person.app.screen.query_one(Input)
        field.value = str(tmp_path / "nowhere" / "out.txt")
        await person.press("enter")
        assert "It cannot be written there" in flat(person)
        field.value = str(tmp_path / "out.txt")
        await person.press("enter")
        assert "Not stored" not in person.screen
        kept = (tmp_path / "out.txt").read_text(encoding="utf-8")
        assert "verified  11 → 33 at 9600-8N1." in kept
        assert "Sent 0B 06 01 01 00 21" in kept
        assert "Enter verify both addresses (v)" in person.next_line
        make_room(job)
        await person.press("v")
        await person.wait()
        assert [unit.address for unit in job.units()] == [33]


async def test_the_steps_can_be_looked_at_on_a_full_disk(wizard: Wizard, job: Job) -> None:
    known(job, 11)
    async with wizard("clean", step=5) as person:
        fill(job)
        for key in "1346":
            await person.press(key)
        assert person.app.current == 6
        make_room(job)

"""The line of keys: what solves the problem first, the keys of the app always, nothing that does
not fit."""

from __future__ import annotations

import pytest

from busprobe.job import Job, UnitRecord
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.wizard.common.actions import OF_STEP
from busprobe.wizard.common.key_bar import KeyBar
from tests.wizard.conftest import Wizard


def last_line(screen: str) -> str:
    return screen.splitlines()[-1].strip()


async def test_on_a_clash_the_key_that_solves_it_stands_first(wizard: Wizard, job: Job) -> None:
    async with wizard("clash", step=5) as person:
        assert last_line(person.screen).startswith("p Propose")
        job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
        await person.press("4", "5")
        person.app._read_job()
        await person.look()
        assert last_line(person.screen).startswith("i Isolate p Propose")
    async with wizard("clash", step=7, using=person.app.session) as person:
        assert last_line(person.screen).startswith("o Open w Write")


@pytest.mark.parametrize("width", [60, 80, 140, 200])
async def test_keys_of_the_app_are_always_in_sight_and_no_key_is_cut(
    wizard: Wizard, width: int
) -> None:
    async with wizard("clean", step=7, size=(width, 24)) as person:
        for step in "7654312":
            await person.press("escape", step)
            if step == "2":
                await person.press("r")
            line = last_line(person.screen)
            assert line.endswith("F1 Help ? All F9 Hands q Quit")
            assert len(line) <= width
            own = line.removesuffix(" F1 Help ? All F9 Hands q Quit")
            labels = {
                f"{action.verb.written} {action.verb.label}"
                for action in OF_STEP[person.app.step.TITLE]
            }
            for label in sorted(labels, key=len, reverse=True):
                own = own.replace(label, "")
            assert own.strip() in ("", "…"), line
            if width == 200:
                assert "…" not in line


async def test_a_click_on_a_key_is_the_key(wizard: Wizard) -> None:
    async with wizard("clean", step=5) as person:
        at = last_line(person.screen).index("F1 Help")
        await person.click(KeyBar, offset=(at + 4, 0))
        assert "Help: Readdress" in person.screen

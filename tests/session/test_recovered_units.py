"""What a recovery finds and finishes on units that need more than a write: a save that is owed, and
registers of their own to be asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.job.journal import Result, Role, Row
from busprobe.job.records import UnitRecord
from busprobe.readdress.procedure import Procedure
from tests.profiles.making import profile
from tests.session.test_known_after_moves import STORE, Site, at, site_with

SAVING = Procedure.from_profile(STORE.profiles["garnmoor-lk-2"])
MUTE = profile(
    points=[{"name": "Level", "function": 3, "register": 1000, "type": "float32"}],
    readdress={"register": 1010, "function": 6, "readable": False},
)
"""Of a unit that answers nothing but its registers from 1000 on."""
SCENARIO = """
title = "A transmitter that wants a save, and a unit that answers next to nothing"

[types.mute]
maker = "Glenmoss Works"
model = "G-1"
settings = "9600-8N1"
functions = [3, 6]
errors = "silence"
holding = [{ name = "level", at = 1000, type = "float32", value = 3.5 }]
readdress = { at = 1010, functions = [6], readable = false }

[[units]]
name = "transmitter"
type = "lk-2"
address = 1

[[units]]
name = "mute"
type = "mute"
address = 9
"""


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with site_with(tmp_path, SCENARIO) as made:
        yield made


def test_a_save_that_is_owed_ends_the_move_and_the_list_knows(site: Site) -> None:
    """Killed right after the address was written; a power cycle would lose it."""
    site.killed(1, 11, SAVING)
    (found,) = site.moves.recover()
    assert (found.row, site.where["transmitter"]) == (Row.PENDING, 1)
    (left,) = site.moves.unfinished_steps()
    assert left.names == "save, relock"
    assert site.moves.finish(left, lambda _: True).row is Row.FINISHED
    assert site.where["transmitter"] == 11
    assert site.listed == [11]
    assert site.moves.unfinished_steps() == ()
    site.segment.power_cycle()
    assert site.checked() == [Row.KEPT]


def test_a_save_that_is_owed_and_declined_stays_owed(site: Site) -> None:
    site.killed(1, 11, SAVING)
    site.moves.recover()
    (left,) = site.moves.unfinished_steps()
    assert site.moves.finish(left, lambda _: False).row is Row.NOT_CONFIRMED
    assert site.moves.unfinished_steps() == (left,)
    site.segment.power_cycle()
    assert site.checked() == [Row.NOT_ACCEPTED]
    steps = [step for left in site.moves.unfinished_steps() for step in left.steps]
    assert Role.SAVE not in [step.role for step in steps]


@pytest.mark.parametrize(("moment", "there"), [("before", 9), ("after", 6)])
def test_a_unit_that_answers_far_registers_only_is_found_by_them(
    site: Site, moment: str, there: int
) -> None:
    site.session.store = replace(STORE, profiles={**STORE.profiles, MUTE.id: MUTE})
    site.job.put_unit(UnitRecord(place=at(9), profile=MUTE.id))
    store = site.session.store
    site.killed(9, 6, Procedure.from_profile(MUTE), moment)
    site.session.store = store
    (found,) = site.moves.recover()
    assert site.where["mute"] == there
    assert (found.result is Result.VERIFIED) == (there == 6), found.why
    assert found.row is (Row.FOUND_CHANGED if there == 6 else Row.UNDECIDED)
    assert site.listed == [there]

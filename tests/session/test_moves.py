"""Moves of a whole bus in a session: what the job says afterwards is what is on the pair, and moves
can be undone."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.errors import RefusedError, UsageError
from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, Row, WriteIntent
from busprobe.job.plan import PlannedUnit, keep_plan
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.batch import BatchFinished
from busprobe.readdress.journal import recorded_outcome
from busprobe.readdress.move import Prepared
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import RECORD, BusMoves
from busprobe.session.session import Session
from busprobe.virtual.segment import Segment

AT_9600 = LineSettings.parse("9600-8N1")
STORE = load_all([shipped_folder()])
SENSOR = Procedure.from_profile(STORE.profiles["aldermoor-at-10"])


class OnSite:
    """A session on a virtual segment whose units have all been identified."""

    def __init__(self, job: Job, scenario: str) -> None:
        connector = Connector()
        self.segment: Segment = connector.segment(f"virtual:{scenario}")
        self.session = Session(job, STORE, connector=connector)
        self.session.open(f"virtual:{scenario}", AT_9600)
        self.job = job
        for unit in self.segment.units:
            self.session.identify(Place(unit.address, unit.settings))
        self.moves = BusMoves(self.session)

    def plan(self, *entries: PlannedUnit) -> None:
        keep_plan(self.job, entries)
        self.session.plan = entries

    def run(self, wishes: Mapping[int, int] | None = None, *, cycle: bool = True) -> BatchFinished:
        """Carry out the plan of the bus, or what is wished; every move is confirmed."""
        return self.carry_out(self.moves.plan_addresses(wishes=wishes).moves, cycle=cycle)

    def carry_out(self, moves: tuple[Move, ...], *, cycle: bool = True) -> BatchFinished:
        def power_cycle(_: tuple[Outcome, ...]) -> bool:
            if cycle:
                self.segment.power_cycle()
            return cycle

        *_, finished = self.moves.carry_out(moves, confirm=lambda _: True, power_cycle=power_cycle)
        assert isinstance(finished, BatchFinished)
        return finished

    @property
    def listed(self) -> set[tuple[int, str]]:
        return {(unit.address, str(unit.settings)) for unit in self.job.units()}

    @property
    def true(self) -> set[tuple[int, str]]:
        return {(unit.address, str(unit.settings)) for unit in self.segment.units}


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    with Job.create(tmp_path / "site.busjob") as opened:
        yield opened


def test_a_plan_of_the_bus_is_carried_out_and_the_list_is_true(job: Job) -> None:
    """Six procedures in one go, a swap of two among them.

    The unit that forgets is found out by the power cycle; it comes back onto another, which is not
    called proven then.
    """
    site = OnSite(job, "procedures")
    site.plan(
        PlannedUnit("RY-1", 1, profile="hathermere-hp-4", location="Panel A", position=1),
        PlannedUnit("PT-1", 2, profile="garnmoor-lk-2", position=2),
        PlannedUnit("LT-1", 31, profile="ivelbeck-iv-6", position=3),
        PlannedUnit("VS-1", 41, profile="corran-cd-2", position=4),
        PlannedUnit("IO-1", 51, profile="dunmere-dx-8", position=5),
        PlannedUnit("TE-1", 61, profile="aldermoor-at-10", position=6),
    )
    # Only a person can say which unit is which: by their types these fit where they are not.
    finished = site.run(wishes={2: 1, 1: 2, 3: 31, 4: 41, 5: 51, 6: 61})
    assert [outcome.result for outcome in finished.outcomes].count(Result.NOT_VERIFIED) == 2
    assert {unit.name: unit.address for unit in site.segment.units} == {
        "ry-201": 1,
        "pt-201": 2,
        "lt-201": 31,
        "vs-201": 41,
        "io-201": 51,
        "te-201": 1,  # back at its factory address, with another unit
        "fq-201": 7,  # not in the plan
    }
    units = {unit.address: unit for unit in job.units()}
    assert (units[1].tag, units[1].power_cycle_verified) == ("", None)
    (listed,) = (row for row in site.session.bus_list().units if row.address == 1)
    assert (listed.tag_words, listed.location) == ("RY-1 (planned)", "Panel A")
    assert units[31].power_cycle_verified is True
    assert units[61].power_cycle_verified is False
    kept = job.latest(RECORD)
    assert kept is not None
    assert kept.document["power_cycle"] == "done"
    assert len(kept.document["outcomes"]) == len(finished.outcomes) == 7


def test_a_swap_leaves_each_entry_with_its_unit(job: Job) -> None:
    site = OnSite(job, "clean")
    before = {unit.address: unit.identity for unit in job.units()}
    site.run(wishes={11: 31, 31: 11})
    assert site.listed == site.true
    after = {unit.address: unit for unit in job.units()}
    assert (after[31].identity, after[11].identity) == (before[11], before[31])
    assert after[31].power_cycle_verified is True


def test_a_unit_that_has_not_kept_its_address_is_listed_where_it_answers(job: Job) -> None:
    site = OnSite(job, "procedures")
    site.segment.connect("pt-201", connected=False)  # the other unit at the factory address
    job.remove_unit(Place.parse("1 9600-8N1"))
    site.run(wishes={6: 60})
    assert {unit.address for unit in job.units()} >= {60}
    assert (
        site.segment.units[5].address == 1
    )  # a factory address that is neither the old nor the new one
    (lost,) = [unit for unit in job.units() if unit.address == 60]
    assert lost.power_cycle_verified is False
    (write,) = site.moves.unproven() or [recorded_outcome(job.writes()[-1])]
    again = site.moves.verify_again(write)
    assert "a unit answers at unit address 1 (0x01) at 9600-8N1" in again.why
    back = site.moves.verify_again(
        Outcome(Move(Place(1, AT_9600), Place(60, AT_9600), SENSOR), Row.CHANGED, "", "")
    )
    assert back.row is Row.NOT_KEPT
    (there,) = [unit for unit in job.units() if unit.profile == "aldermoor-at-10"]
    assert (there.address, there.previous_address, there.power_cycle_verified) == (1, None, None)
    assert "not kept" in there.notes[-1]


def test_a_declined_power_cycle_is_kept_as_not_done(job: Job) -> None:
    site = OnSite(job, "clean")
    finished = site.run(wishes={11: 13}, cycle=False)
    assert len(finished.unchecked) == 1
    kept = job.latest(RECORD)
    assert kept is not None
    assert kept.document["power_cycle"] == "not done"
    assert {unit.address: unit.power_cycle_verified for unit in job.units()}[13] is None


def test_without_plan_start_or_wish_nothing_is_planned(job: Job) -> None:
    with pytest.raises(UsageError, match="no plan of the bus"):
        OnSite(job, "clean").moves.plan_addresses()


def test_line_settings_are_harmonised_and_the_list_follows(job: Job) -> None:
    site = OnSite(job, "harmonise")
    finished = site.carry_out(site.moves.plan_line_settings(AT_9600).moves)
    assert finished.left == ()
    assert (
        site.true
        == site.listed
        == {(11, "9600-8N1"), (12, "9600-8N1"), (21, "9600-8N1"), (31, "9600-8N1")}
    )
    (changed,) = [unit for unit in job.units() if unit.address == 21]
    assert changed.previous_address is None
    assert "line settings changed from 19200-8N1" in changed.notes[-1]
    assert changed.power_cycle_verified is True


def undo(site: OnSite, number: int) -> Outcome:
    outcome = site.moves.move(site.moves.prepare_undo(number), lambda _: True)
    if outcome.result is Result.WAITING:
        site.segment.power_cycle()
        outcome = site.moves.verify_again(outcome)
    return outcome


@pytest.mark.parametrize("address", [1, 2, 3, 4, 5])
def test_a_move_is_undone_by_the_procedure_of_its_profile(job: Job, address: int) -> None:
    site = OnSite(job, "procedures")
    site.segment.connect("te-201", connected=False)  # which would come back onto another
    before = site.true
    finished = site.run(wishes={address: 45})
    (write,) = [outcome.write for outcome in finished.outcomes]
    assert write is not None
    assert undo(site, write).result is Result.VERIFIED
    assert site.true - {(1, "9600-8N1")} == before - {(1, "9600-8N1"), (6, "9600-8N1")}
    assert site.segment.units[address - 1].address == address
    assert (address, "9600-8N1") in site.listed


def test_a_change_of_line_settings_is_undone(job: Job) -> None:
    site = OnSite(job, "harmonise")
    before = site.true
    moves = tuple(m for m in site.moves.plan_line_settings(AT_9600).moves if m.source.address == 21)
    (outcome,) = site.carry_out(moves).outcomes
    assert outcome.write is not None
    assert undo(site, outcome.write).result is Result.VERIFIED
    assert site.true == site.listed == before


def main_writes(job: Job) -> list[int]:
    return [write.id for write in job.writes() if write.role.moves]


def test_a_move_that_was_built_upon_is_not_undone(job: Job) -> None:
    """Another unit may be at the address by now: the later move has to be undone first."""
    site = OnSite(job, "clean")
    site.run(wishes={11: 13})
    site.run(wishes={13: 14, 12: 13})
    first, second, third = main_writes(job)
    with pytest.raises(RefusedError, match=f"moved on by write {second}"):
        site.moves.prepare_undo(first)
    assert undo(site, third).result is Result.VERIFIED
    assert undo(site, second).result is Result.VERIFIED
    assert undo(site, first).result is Result.VERIFIED
    assert site.true == site.listed
    assert {11, 12} <= {unit.address for unit in site.segment.units}


def test_an_undo_has_the_same_guards(job: Job) -> None:
    """The old address has been given to another unit since."""
    site = OnSite(job, "clean")
    site.run(wishes={11: 13})
    site.run(wishes={12: 11})
    with pytest.raises(RefusedError, match="The bus list has a unit at address 11"):
        site.moves.prepare_undo(main_writes(job)[0])
    assert len(main_writes(job)) == 2


def test_what_is_not_in_the_journal_or_no_move_cannot_be_undone(job: Job) -> None:
    site = OnSite(job, "procedures")
    with pytest.raises(UsageError, match="no write 1"):
        site.moves.prepare_undo(1)
    site.run(wishes={1: 45})
    with pytest.raises(UsageError, match="is the step 'unlock'") as step:
        site.moves.prepare_undo(1)
    assert f"write {main_writes(job)[0]}." in step.value.todo


def test_a_move_that_was_not_verified_cannot_be_undone(job: Job) -> None:
    site = OnSite(job, "clean")
    number = job.intend_write(
        WriteIntent(
            role=Role.ADDRESS,
            source=Place.parse("11 9600-8N1"),
            target=Place.parse("13 9600-8N1"),
            write=RegisterWrite(257, (13,), Function.WRITE_SINGLE_REGISTER),
            request=bytes(8),
            words="Write it.",
        )
    )
    job.conclude_write(number, outcome=Result.NOT_VERIFIED, reply=None, why="Nobody knows.")
    with pytest.raises(RefusedError, match="ended 'not verified'"):
        site.moves.prepare_undo(number)


def test_without_a_profile_a_shared_register_is_not_written(job: Job) -> None:
    """What the write held beside the address is not known to be right any more."""
    site = OnSite(job, "procedures")
    site.run(wishes={2: 45})
    write = main_writes(job)[0]
    for unit in job.units():
        job.remove_unit(unit.place)
    with pytest.raises(RefusedError, match="holds more than the unit address"):
        site.moves.prepare_undo(write)
    prepared = site.moves.prepare_undo(write, STORE.profiles["hathermere-hp-4"])
    assert (prepared.move.source.address, prepared.move.target.address) == (45, 2)


def test_without_a_profile_a_whole_register_is_written_back_with_the_plainer_warning(
    job: Job,
) -> None:
    site = OnSite(job, "clean")
    site.run(wishes={11: 13})
    for unit in job.units():
        job.remove_unit(unit.place)
    prepared: Prepared = site.moves.prepare_undo(main_writes(job)[0])
    assert prepared.by_hand
    assert any("given by hand" in warning for warning in prepared.warnings)


def test_without_a_profile_line_settings_have_no_code(job: Job) -> None:
    site = OnSite(job, "harmonise")
    moves = tuple(m for m in site.moves.plan_line_settings(AT_9600).moves if m.source.address == 21)
    (outcome,) = site.carry_out(moves).outcomes
    for unit in job.units():
        job.remove_unit(unit.place)
    with pytest.raises(RefusedError, match="not known which code"):
        site.moves.prepare_undo(outcome.write or 0)


def test_the_next_start_settles_a_change_of_line_settings_that_was_cut_off(job: Job) -> None:
    """The list follows what recovery has found."""
    site = OnSite(job, "harmonise")
    moves = tuple(m for m in site.moves.plan_line_settings(AT_9600).moves if m.source.address == 21)
    (outcome,) = site.carry_out(moves, cycle=False).outcomes
    row = next(write for write in job.writes() if write.id == outcome.write)
    number = job.intend_write(
        WriteIntent(
            role=row.role,
            source=row.source,
            target=row.target,
            write=row.write,
            request=row.request,
            words=row.words,
        )
    )
    job.remove_unit(Place.parse("21 9600-8N1"))
    site.session.identify(Place.parse("31 19200-8E1"))
    (found,) = site.moves.recover()
    assert (found.write, found.result) == (number, Result.VERIFIED)
    assert (21, "9600-8N1") in site.listed


def test_the_papers_name_what_was_left_of_a_procedure_and_nothing_that_was_acknowledged(
    job: Job,
) -> None:
    """Until somebody sends it; a relock that was acknowledged is no open write."""
    site = OnSite(job, "procedures")
    prepared = site.moves.prepare_move(Place(1, AT_9600), 45)
    whole = replace(
        prepared, steps=prepared.steps[:-1]
    )  # as if the program had ended before the last step
    assert site.moves.move(whole, lambda _: True).result is Result.VERIFIED
    (known,) = site.moves.unfinished_steps()  # the record knows of no other step
    assert (known.steps, known.unlock is None) == ((), False)
    last = prepared.steps[-1]
    with closing(sqlite3.connect(job.path)) as connection:
        connection.execute(
            "INSERT INTO planned_step VALUES (1, 9, ?, ?, ?, ?, ?, NULL, 0)",
            (
                last.role,
                str(last.place),
                last.write.register,
                last.write.function,
                json.dumps(last.write.values),
            ),
        )
        connection.commit()
    (left,) = site.moves.unfinished_steps()
    assert left.words in site.session.bus_list().attention
    assert site.moves.finish(left, lambda _: True).row is Row.FINISHED
    assert not [
        words
        for words in site.session.bus_list().attention
        if "Write" in words or "Not done" in words
    ]


def test_a_place_is_asked_by_all_profiles_and_at_all_settings_that_are_listed_or_planned(
    job: Job,
) -> None:
    site = OnSite(job, "site")
    planned = LineSettings.parse("4800-8N1")
    site.plan(PlannedUnit("X-1", 200, profile="garnmoor-lk-2", settings=planned))
    place = next(iter(sorted(unit.place for unit in job.units())))
    prepared = site.moves.prepare_move(place, 77, SENSOR)
    listed = {unit.settings for unit in job.units()}
    assert set(prepared.settings_asked) == {*listed, planned}
    assert prepared.ways_asked > 7 + 2
    assert str(planned) in prepared.target_words


def test_an_address_that_is_listed_at_other_line_settings_is_refused(job: Job) -> None:
    site = OnSite(job, "site")
    source = next(iter(sorted(unit.place for unit in job.units())))
    other = Place(77, LineSettings.parse("4800-8N1"))
    job.put_unit(replace(job.units()[0], place=other))
    with pytest.raises(RefusedError, match=r"has a unit at address 77 .*4800-8N1"):
        site.moves.prepare_move(source, 77, SENSOR)


def test_a_whole_bus_changes_places_in_one_go_whatever_its_units_need(job: Job) -> None:
    """Unlock and save, a byte of a register, function 6 or 16 only, a reply from the new address,
    address and baud rate in one request, a power cycle: three of them change places in a circle,
    two with each other, one takes the place of another that goes to a free one."""
    site = OnSite(job, "procedures")
    kinds = {unit.address: unit.kind for unit in site.segment.units}
    names = {unit.name: unit.address for unit in site.segment.units}
    wishes = {1: 2, 2: 3, 3: 1, 4: 5, 5: 4, 6: 60, 7: 6}
    assert kinds.keys() == wishes.keys()
    site.segment.unit("te-201").setup._forgets = False  # told of in another test
    finished = site.run(wishes)
    assert finished.left == ()
    assert {outcome.result for outcome in finished.outcomes} == {Result.VERIFIED}
    assert finished.unchecked == ()
    assert {unit.name: unit.address for unit in site.segment.units} == {
        name: wishes[address] for name, address in names.items()
    }
    assert site.listed == site.true
    assert all(unit.power_cycle_verified for unit in job.units())
    # A circle takes one write more than it has units, and no plan does with less.
    assert len(finished.outcomes) == len(wishes) + 2

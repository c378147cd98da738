"""What the program knows after a write, a crash or a changed mind: list, journal and bus say the
same, and no address that a unit may still take is given to another."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event as StopFlag

import pytest

from busprobe.errors import RefusedError
from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, Row
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.claims import claims
from busprobe.readdress.move import Prepared
from busprobe.readdress.one_by_one import BoxEvent, FoundAgain, Lost, Moved, Waiting
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import BoxOrder, BusMoves
from busprobe.session.session import Session
from busprobe.virtual.segment import Segment
from tests.readdress.segment import CuttablePort
from tests.readdress.test_recovery import Killed

AT_9600 = LineSettings.parse("9600-8N1")
STORE = load_all([shipped_folder()])
DRIVE = Procedure.from_profile(STORE.profiles["corran-cd-2"])
BY_HAND = Procedure.by_hand(0x0900, 16)
"""The address register of the drives, as read off a data sheet that says nothing else."""
SCENARIO = """
title = "Two drives that take an address with a power cycle, and a sensor that takes it at once"

[[units]]
name = "drive"
type = "cd-2"
address = 1
settings = "9600-8N1"

[[units]]
name = "other"
type = "cd-2"
address = 9
settings = "9600-8N1"

[[units]]
name = "spare"
type = "cd-2"
address = 9
settings = "9600-8N1"
connected = false

[[units]]
name = "sensor"
type = "at-10"
address = 5
"""


def at(address: int) -> Place:
    return Place(address, AT_9600)


@dataclass
class Site:
    """A job, and a bus with the port through which it is reached; the program may be started
    anew."""

    path: Path
    connector: Connector
    port: str

    def __post_init__(self) -> None:
        self.segment: Segment = self.connector.segment(self.port)
        self.start()

    def start(self) -> None:
        """The program as it starts on the job file."""
        self.job = Job.open_or_create(self.path)
        self.session = Session(self.job, STORE, connector=self.connector)
        line = self.session.open(self.port, AT_9600)
        self.wire = CuttablePort(line._port)  # type: ignore[arg-type]
        line._port = self.wire
        self.moves = BusMoves(self.session)

    def killed(self, source: int, target: int, how: Procedure, moment: str = "after") -> None:
        """The program is killed just `before` the frame of this move leaves, or `after`, and
        started anew."""
        prepared = self.moves.prepare_move(at(source), target, how)
        with pytest.raises(Killed):
            self._killed(prepared, moment)
        self.job.close()
        self.start()

    def _killed(self, prepared: Prepared, moment: str) -> None:
        count = len(self.wire.sent)

        def kill(_: int) -> None:
            if (moment == "before" and self._last_intended()) or (
                moment == "after" and prepared.request.frame in self.wire.sent[count:]
            ):
                raise Killed

        setattr(self.wire, moment, kill)
        self.moves.move(prepared, lambda _: True)

    def _last_intended(self) -> bool:
        """Whether the write of the address is on record and open: its frame is what leaves next."""
        return any(write.outcome is None and write.role.moves for write in self.job.writes())

    def move(self, source: int, target: int, how: Procedure = DRIVE) -> Outcome:
        prepared = self.moves.prepare_move(at(source), target, how)
        return self.moves.move(prepared, lambda _: True)

    def checked(self) -> list[Row]:
        """What a power cycle that was just made shows of all that is not proven."""
        return [self.moves.verify_again(each).row for each in self.moves.unproven()]

    @property
    def listed(self) -> list[int]:
        return [unit.address for unit in self.job.units()]

    @property
    def where(self) -> dict[str, int]:
        """Where the units really are."""
        return {unit.name: unit.address for unit in self.segment.units if unit.connected}


@contextmanager
def site_with(folder: Path, bus: str) -> Iterator[Site]:
    """A new job on a scenario of the test's own."""
    scenario = folder / "bus.toml"
    scenario.write_text(bus)
    made = Site(folder / "site.busjob", Connector(), f"virtual:{scenario}")
    yield made
    made.job.close()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with site_with(tmp_path, SCENARIO) as made:
        yield made


@pytest.mark.parametrize("how", [DRIVE, BY_HAND], ids=["by profile", "by hand"])
def test_an_address_that_a_killed_move_may_still_give_is_not_free(
    site: Site, how: Procedure
) -> None:
    """The unit takes it with a power cycle; its register held it all the time."""
    site.killed(1, 11, how)
    (found,) = site.moves.recover()
    assert (found.row, found.result, found.holds) == (Row.PENDING, Result.WAITING, 11)
    with pytest.raises(RefusedError, match="gave unit address 11"):
        site.moves.prepare_move(at(9), 11, DRIVE)
    site.segment.power_cycle()
    assert site.checked() == [Row.KEPT]
    assert site.where == {"drive": 11, "other": 9, "sensor": 5}
    assert site.listed == [11]
    with pytest.raises(RefusedError, match="bus list has a unit at address 11"):
        site.moves.prepare_move(at(9), 11, DRIVE)


def test_a_write_that_never_left_is_told_by_the_register_and_its_address_is_freed_by_proof(
    site: Site,
) -> None:
    site.killed(1, 11, DRIVE, "before")
    (found,) = site.moves.recover()
    assert (found.row, found.holds) == (Row.UNDECIDED, 1)
    with pytest.raises(RefusedError, match="gave unit address 11"):
        site.moves.prepare_move(at(9), 11, DRIVE)
    site.segment.power_cycle()
    assert site.checked() == [Row.NOT_ACCEPTED]
    assert site.move(9, 11).result is Result.WAITING
    site.segment.power_cycle()
    assert site.checked() == [Row.KEPT]
    assert site.where == {"drive": 1, "other": 11, "sensor": 5}
    assert site.listed == [1, 11]


def test_a_type_that_changes_at_once_and_holds_its_old_address_has_not_taken_the_write(
    site: Site,
) -> None:
    """By its profile, also after a crash: no power cycle is needed to free the address."""
    site.session.identify(at(5))
    site.killed(5, 15, Procedure.from_profile(STORE.profiles["aldermoor-at-10"]), "before")
    (found,) = site.moves.recover()
    assert found.row is Row.NOT_TAKEN
    assert claims(site.job.writes()) == ()
    assert site.listed == [5]


def test_a_changed_mind_frees_the_first_address(site: Site) -> None:
    assert site.move(1, 11).row is Row.PENDING
    assert site.move(1, 12).row is Row.PENDING
    site.segment.power_cycle()
    assert site.checked() == [Row.KEPT]
    assert site.where["drive"] == 12
    assert site.moves.unproven() == ()
    site.move(9, 11)
    site.segment.power_cycle()
    assert site.checked() == [Row.KEPT]
    assert site.where == {"drive": 12, "other": 11, "sensor": 5}
    assert site.listed == [11, 12]


def test_a_second_unit_at_the_same_place_does_not_free_what_the_first_was_given(
    site: Site,
) -> None:
    """One is taken off while it waits; the next comes to where it was and goes elsewhere."""
    assert site.move(9, 11).row is Row.PENDING
    site.segment.connect("other", connected=False)
    site.segment.connect("spare")
    assert site.move(9, 12).row is Row.PENDING
    site.segment.power_cycle("spare")
    assert site.checked() == [Row.NEITHER, Row.KEPT]
    with pytest.raises(RefusedError, match="gave unit address 11"):
        site.moves.prepare_move(
            at(5), 11, Procedure.from_profile(STORE.profiles["aldermoor-at-10"])
        )


def ignored(site: Site) -> Outcome:
    """A write to a register that the unit does not have."""
    return site.move(1, 11, Procedure.by_hand(0x7000, 16))


def waited(site: Site) -> Outcome:
    return site.move(1, 11, BY_HAND)


def crashed(site: Site) -> Outcome:
    site.killed(1, 11, BY_HAND)
    (found,) = site.moves.recover()
    return found


@pytest.mark.parametrize("written", [waited, crashed, ignored])
def test_every_unit_that_was_written_to_is_on_the_list_of_a_fresh_job(
    site: Site, written: Callable[[Site], Outcome]
) -> None:
    outcome = written(site)
    assert site.listed == [1]
    assert [write.outcome for write in site.job.writes()] == [outcome.result]
    waiting = outcome.result is Result.WAITING
    assert [each.write for each in site.moves.unproven()] == ([1] if waiting else [])
    site.segment.power_cycle()
    assert site.checked() == ([Row.KEPT] if waiting else [])
    assert site.listed == [site.where["drive"]]


def test_a_unit_is_on_the_list_from_the_moment_it_is_written_to(site: Site) -> None:
    """A crash right after the write leaves a list that has it, in a job that knew of nothing."""
    site.killed(1, 11, BY_HAND)
    assert site.listed == [1]
    (unit,) = site.job.units()
    assert unit.seen is not None


def test_a_power_cycle_that_was_none_is_told_by_the_register(site: Site) -> None:
    """The unit kept its supply from elsewhere: nothing is proven, and 11 is not free."""
    site.move(1, 11)
    assert site.checked() == [Row.STILL_PENDING]
    with pytest.raises(RefusedError, match="gave unit address 11"):
        site.moves.prepare_move(at(9), 11, DRIVE)
    site.segment.power_cycle()
    assert site.checked() == [Row.KEPT]


def test_a_unit_keeps_where_it_was_found_and_no_waiting_address_is_its_previous_one(
    tmp_path: Path,
) -> None:
    """A swap goes by way of a third address; every hop is in the journal."""
    site = Site(tmp_path / "site.busjob", Connector(), "virtual:clean")
    for unit in site.segment.units:
        site.session.identify(Place(unit.address, unit.settings))

    def power_cycle(_: tuple[Outcome, ...]) -> bool:
        site.segment.power_cycle()
        return True

    moves = site.moves.plan_addresses(wishes={11: 31, 31: 11}).moves
    for _ in site.moves.carry_out(moves, confirm=lambda _: True, power_cycle=power_cycle):
        pass
    aside = [write for write in site.job.writes() if write.role is Role.ASIDE]
    assert len(aside) == 1
    units = {unit.address: unit for unit in site.job.units()}
    for here, before in ((11, 31), (31, 11)):
        assert (units[here].as_found, units[here].previous_address) == (at(before), before)
        assert units[here].power_cycle_verified is True
    hops = [(w.source.address, w.target.address) for w in site.job.writes() if w.role.moves]
    assert len(hops) == 3
    rows = {row.address: row for row in site.session.bus_list().units}
    assert (rows[11].found_at, rows[31].found_at) == ("31 9600-8N1", "11 9600-8N1")
    site.job.close()


def with_the_list_of_before(site: Site, move: Callable[[], Outcome]) -> Outcome:
    """A job as a program of an earlier version left it that was killed between the conclusion of a
    move and the change of the list."""
    before = site.job.units()
    outcome = move()
    for unit in site.job.units():
        site.job.remove_unit(unit.place)
    for unit in before:
        site.job.put_unit(unit)
    site.job.close()
    site.start()
    return outcome


SENSOR = Procedure.from_profile(STORE.profiles["aldermoor-at-10"])


def noted(site: Site) -> None:
    """The sensor, identified and with what a person noted of it."""
    site.session.identify(at(5))
    site.session.revise_unit(at(5), lambda unit: replace(unit, location="Panel A"))


@pytest.mark.parametrize("surveyed", [False, True])
def test_list_and_journal_at_odds_are_found_and_mended_by_asking(
    site: Site, *, surveyed: bool
) -> None:
    """Also where somebody surveyed in between and the unit is on the list twice."""
    noted(site)
    outcome = with_the_list_of_before(site, lambda: site.move(5, 15, SENSOR))
    if surveyed:
        site.session.identify(at(15))
    assert [write.id for write in site.moves.unfinished()] == [outcome.write]
    told: list[str] = []
    (found,) = site.moves.recover(told.append)
    assert told == ["List and journal do not agree on where the unit of write 1 is."]
    assert found.row is Row.FOUND_CHANGED
    assert site.moves.unfinished() == ()
    (unit,) = site.job.units()
    assert (unit.address, unit.location, unit.as_found) == (15, "Panel A", at(5))
    assert unit.profile == "aldermoor-at-10"
    assert site.moves.move(site.moves.prepare_undo(1), lambda _: True).moved
    assert site.listed == [5]


def test_a_unit_that_is_back_where_the_list_has_it_is_not_called_verified_any_more(
    site: Site,
) -> None:
    noted(site)
    with_the_list_of_before(site, lambda: site.move(5, 15, SENSOR))
    site.segment.unit("sensor").setup.in_use = at(5)
    (found,) = site.moves.recover()
    assert found.row is Row.NOT_KEPT
    assert (site.listed, site.moves.unfinished(), site.moves.unproven()) == ([5], (), ())


def test_a_unit_that_was_found_back_and_is_listed_where_it_was_lost_is_put_right(
    site: Site,
) -> None:
    noted(site)
    site.move(5, 15, SENSOR)
    site.segment.unit("sensor").setup.in_use = at(5)
    (before,) = site.moves.unproven()
    after = with_the_list_of_before(site, lambda: site.moves.verify_again(before))
    assert (after.row, site.listed) == (Row.NOT_KEPT, [15])
    assert len(site.moves.unfinished()) == 1
    site.moves.recover()
    (unit,) = site.job.units()
    assert (unit.address, unit.location) == (5, "Panel A")
    assert site.moves.unfinished() == ()


def test_a_unit_that_was_taken_off_the_list_and_another_at_its_old_place_are_not_at_odds(
    site: Site,
) -> None:
    """The list says less than the journal, and nothing else."""
    noted(site)
    site.move(5, 15, SENSOR)
    site.job.remove_unit(at(15))
    assert site.moves.unfinished() == ()
    site.job.put_unit(UnitRecord(at(5), seen=site.job.now()))
    assert site.moves.unfinished() == ()


def test_a_move_whose_unit_was_surveyed_before_it_was_recovered_keeps_one_entry(
    site: Site,
) -> None:
    noted(site)
    site.killed(5, 15, SENSOR)
    site.session.identify(at(15))
    assert site.listed == [5, 15]
    (found,) = site.moves.recover()
    assert found.row is Row.FOUND_CHANGED
    (unit,) = site.job.units()
    assert (unit.address, unit.location, unit.as_found) == (15, "Panel A", at(5))


def test_a_unit_that_was_gone_right_after_its_write_is_known_of_until_it_is_found(
    site: Site,
) -> None:
    """Taken off the pair at that moment; another of its kind is put where it was."""

    def gone() -> None:
        if site.wire.sent[-1][1] == 16:
            site.segment.connect("other", connected=False)

    site.wire.heard = gone
    assert site.move(9, 11).row is Row.NEITHER
    site.wire.heard = lambda: None
    assert [write.id for write in site.moves.unsettled()] == [1]
    assert site.listed == [9]
    assert any("Write 1 " in words for words in site.session.bus_list().attention)
    site.segment.connect("spare")
    for target in (11, 12):
        with pytest.raises(RefusedError, match="Who answers there now may be another unit"):
            site.moves.prepare_move(at(9), target, DRIVE)
    assert [each.row for each in site.moves.recover(unsettled=True)] == [Row.UNDECIDED]
    with pytest.raises(RefusedError, match="gave unit address 11"):
        site.moves.prepare_move(at(9), 11, DRIVE)
    site.segment.connect("spare", connected=False)
    site.segment.connect("other")
    site.segment.power_cycle("other")
    assert site.checked() == [Row.KEPT]
    assert (site.listed, site.moves.unsettled()) == ([11], ())


def test_the_next_box_settles_the_unit_that_the_last_one_lost(tmp_path: Path) -> None:
    """Its address is neither given to another nor left out; the list has all units in the end."""
    site = Site(tmp_path / "site.busjob", Connector(), "virtual:box")
    first, second = (unit.name for unit in site.segment.units[:2])
    cancel = StopFlag()

    def run() -> Iterator[BoxEvent]:
        order = BoxOrder(AT_9600, 1, 10)
        return site.moves.one_by_one(order, confirm=lambda _: True, cancel=cancel)

    def gone() -> None:
        if site.wire.sent[-1][1] == 6:
            site.segment.connect(first, connected=False)

    site.segment.connect(first)
    site.wire.heard = gone
    for step in run():
        if isinstance(step, Lost):
            cancel.set()
    site.wire.heard = lambda: None
    (lost,) = site.moves.unsettled()
    assert lost.target == at(10)
    cancel.clear()
    told = []
    for step in run():
        told.append(type(step))
        match step:
            case Lost():
                site.segment.connect(first)
            case Waiting(target, _):
                assert target.address == 11
                site.segment.connect(second)
            case Moved():
                cancel.set()
    assert told.index(Lost) < told.index(FoundAgain) < told.index(Waiting) < told.index(Moved)
    assert site.moves.unsettled() == ()
    assert site.listed == [10, 11]
    assert (site.where[first], site.where[second]) == (10, 11)
    site.job.close()

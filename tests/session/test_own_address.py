"""A unit that is named by its service address: which one it is, and what the list says then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from busprobe.errors import RefusedError
from busprobe.job.job import Job
from busprobe.job.journal import Result
from busprobe.job.records import UnitRecord
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store
from busprobe.readdress.procedure import Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.virtual.schema import Scenario, UnitEntry, UnitType
from busprobe.virtual.segment import Segment
from tests.profiles.making import profile

HERE = LineSettings.parse("9600-8N1")
SERVICE = Place(255, HERE)
PROFILE: Profile = profile(
    objects=[{"object": 0x80, "tells": "serial"}],
    fingerprint={"objects": [{"object": 1, "equals": "G-1"}]},
    points=[{"name": "Level", "function": 3, "register": 0, "type": "uint16"}],
    readdress={"register": 20, "function": 6},
)


def unit_type(**fields: Any) -> UnitType:
    usual = {
        "maker": "Glenmoss Works",
        "model": "G-1",
        "settings": "9600-8N1",
        "functions": [3, 6, 43],
        "identification": {"0": "Glenmoss Works", "1": "G-1", "2": "1.0", "0x80": "{serial}"},
        "holding": [{"name": "level", "at": 0, "type": "uint16", "value": 7}],
        "readdress": {"at": 20, "functions": [6]},
        "service_address": 255,
    }
    return UnitType.model_validate({**usual, **fields})


PLAIN = unit_type(service_address=None)
"""The same without a service address."""


class OnSite:
    """A session on a segment of units with and without a service address."""

    def __init__(
        self, job: Job, addresses: Sequence[int], kind: UnitType, plain: Sequence[int] = ()
    ) -> None:
        units = [
            UnitEntry(name=f"u-{a}", type=t, address=a, serial=f"S-{a}")
            for t, each in (("own", addresses), ("plain", plain))
            for a in each
        ]
        types = {"own": kind, "plain": PLAIN}
        scenario = Scenario(title="Service", types=types, units=tuple(units))
        self.segment = Segment(scenario, VirtualClock())

        class Here(Connector):
            def open_line(_, port: str, settings: LineSettings) -> Line:  # noqa: N805
                return Line(self.segment.port(), settings)

        store = Store({PROFILE.id: PROFILE}, {}, ())
        self.session = Session(job, store, connector=Here())
        self.session.open("virtual:here", HERE)
        self.job = job
        self.moves = BusMoves(self.session)

    def listed(self) -> list[int]:
        return [unit.address for unit in self.job.units()]


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    with Job.create(tmp_path / "site.busjob") as opened:
        yield opened


def test_a_unit_named_by_its_service_address_is_moved_from_its_own_and_the_list_follows(
    job: Job,
) -> None:
    site = OnSite(job, [5], unit_type(), plain=[7])
    for address in (5, 7):
        site.session.identify(Place(address, HERE))
    site.session.identify(SERVICE)  # as the command does that is told 255
    prepared = site.moves.prepare_move(SERVICE, 12)
    assert prepared.move.source == Place(5, HERE)
    assert [step.place.address for step in prepared.steps] == [255]
    outcome = site.moves.move(prepared, lambda _: True)
    assert outcome.result is Result.VERIFIED
    assert (site.segment.units[0].address, site.listed()) == (12, [7, 12])
    moved = job.unit(Place(12, HERE))
    assert moved is not None
    assert moved.identity["serial"] == "S-5"


def test_the_list_is_corrected_by_what_the_bus_shows(job: Job) -> None:
    """It was on the list at 9, and somebody has set it to 5 since."""
    site = OnSite(job, [5], unit_type())
    here = UnitRecord(
        Place(9, HERE), tag="LT-9", profile=PROFILE.id, match=1.0, identity={"serial": "S-5"}
    )
    job.put_unit(here)
    prepared = site.moves.prepare_move(SERVICE, 12, _procedure())
    assert prepared.move.source == Place(5, HERE)
    (unit,) = job.units()
    assert (unit.place, unit.tag) == (Place(5, HERE), "LT-9")
    assert any("was on the list at unit address 9" in note for note in unit.notes)


def test_a_unit_at_its_own_address_is_refused_as_the_target(job: Job) -> None:
    site = OnSite(job, [5], unit_type())
    with pytest.raises(RefusedError, match="to keep address 5"):
        site.moves.prepare_move(SERVICE, 5, _procedure())


def test_two_units_that_hear_the_service_address_are_refused(job: Job) -> None:
    site = OnSite(job, [5, 9], unit_type())
    with pytest.raises(RefusedError):
        site.moves.prepare_move(SERVICE, 12, _procedure())
    assert job.writes() == ()


def test_a_register_that_names_the_place_of_another_unit_is_refused(job: Job) -> None:
    """The register that was given says 7, where a unit with another serial number answers."""
    level = unit_type(identification={"0": "Glenmoss Works", "1": "G-2", "2": "1.0"})
    site = OnSite(job, [5], level, plain=[7])
    with pytest.raises(RefusedError, match="another unit, or more than one"):
        site.moves.prepare_move(SERVICE, 12, _procedure(register=0))


@pytest.mark.parametrize("told", [True, False])
def test_where_the_register_cannot_be_read_the_serial_number_tells_or_it_is_refused(
    job: Job, told: bool
) -> None:
    hidden = {"readdress": {"at": 20, "functions": [6], "readable": False}}
    mute = {} if told else {"identification": {}, "functions": [3, 6]}
    site = OnSite(job, [5], unit_type(**hidden, **mute))
    site.session.identify(Place(5, HERE))
    if not told:
        with pytest.raises(RefusedError, match="may be the one on the list at 5"):
            site.moves.prepare_move(SERVICE, 12, _procedure())
        assert job.writes() == ()
        return
    prepared = site.moves.prepare_move(SERVICE, 12, _procedure())
    assert prepared.move.source == Place(5, HERE)


def test_a_unit_that_has_no_other_address_is_moved_from_there(job: Job) -> None:
    """As some come out of their boxes: the register says 255, too."""
    kind = unit_type(
        service_address=None,
        readdress=None,
        holding=[{"name": "level", "at": 0, "type": "uint16", "value": 255}],
    )
    site = OnSite(job, [5], kind)
    site.segment.units[0].setup.in_use = SERVICE
    prepared = site.moves.prepare_move(SERVICE, 12, _procedure(register=0))
    assert prepared.move.source == SERVICE
    assert [step.place.address for step in prepared.steps] == [255]


def _procedure(register: int = 20) -> Procedure:
    return Procedure.by_hand(register, 6)

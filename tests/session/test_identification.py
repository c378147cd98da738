"""What a unit was found to be, kept with its entry in the as-built list."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from busprobe.job import Job, UnitRecord
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.identification import keep_identified
from busprobe.survey.identify import identify
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.profiles.making import profile

SETTINGS = "9600-8N1"
WIND = {
    "name": "Wind",
    "function": 3,
    "register": 30,
    "type": "float32",
    "order": "CDAB",
    "unit": "m/s",
}
BY_REGISTER = profile(id="wt-5", points=[WIND])
BY_OBJECT = profile(
    id="wt-5", points=[WIND], fingerprint={"objects": [{"object": 1, "equals": "WT-5"}]}
)
OTHER = profile(
    id="xy-9", points=[WIND], fingerprint={"objects": [{"object": 1, "equals": "XY-9"}]}
)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    with Job.create(tmp_path / "a.busjob") as made:
        yield made


def kept(job: Job, profiles: Iterable[Profile], by_hand: Profile | None = None) -> UnitRecord:
    """The entry of the weather station after it was identified."""
    line = Line(
        Segment(load_scenario("generic"), VirtualClock()).port(), LineSettings.parse(SETTINGS)
    )
    keep_identified(job, identify(line, 5, profiles, by_hand=by_hand))
    unit = job.unit(Place.parse(f"5 {SETTINGS}"))
    assert unit is not None
    return unit


def test_that_a_unit_was_not_recognised_is_forgotten_once_it_is(job: Job) -> None:
    before = kept(job, [OTHER])
    assert before.not_recognised.startswith("No stored profile fits well enough")
    assert before.not_recognised in before.remarks
    after = kept(job, [BY_OBJECT])
    assert after.profile == "wt-5"
    assert not after.not_recognised
    assert not [note for note in after.remarks if note.startswith("No stored profile fits")]


def test_one_request_and_its_reply_are_kept_as_raw_bytes_until_the_unit_is_moved(job: Job) -> None:
    """Two frames that pymodbus' own framer takes; at its new address nothing of the kind was seen
    yet."""
    request, reply = (bytes.fromhex(frame) for frame in kept(job, [BY_OBJECT]).sample)
    framer = FramerRTU(DecodePDU(is_server=False))
    assert (request[0], reply[0], request[1]) == (5, 5, reply[1])
    assert framer.check_CRC(request[:-2], int.from_bytes(request[-2:], "big"))
    assert framer.handleFrame(reply, 5, 0)[1] is not None
    assert (
        job.move_unit(
            Place.parse(f"5 {SETTINGS}"), Place.parse(f"9 {SETTINGS}"), how_set="register 1"
        ).sample
        == ()
    )


def test_a_place_where_nobody_answers_is_not_put_on_the_list(job: Job) -> None:
    line = Line(
        Segment(load_scenario("generic"), VirtualClock()).port(), LineSettings.parse(SETTINGS)
    )
    found = keep_identified(job, identify(line, 99, [OTHER]))
    assert "No reply." in found.notes
    assert job.units() == ()


def test_what_a_person_says_it_is_gives_its_values_and_no_more(job: Job) -> None:
    """Its points are read; the match stays open, for the unit itself did not say so."""
    job.put_unit(UnitRecord(Place.parse(f"5 {SETTINGS}"), profile="wt-5"))
    unit = kept(job, [BY_REGISTER], BY_REGISTER)
    assert (unit.profile, unit.match) == ("wt-5", None)
    assert [(reading.name, reading.register) for reading in unit.readings] == [("Wind", 30)]


def test_it_is_said_where_a_unit_gives_none_of_the_values_a_person_expects(job: Job) -> None:
    strange = profile(id="ab-1", points=[{**WIND, "register": 900}])
    unit = kept(job, [strange], strange)
    assert any("It gives none of the values of" in note for note in unit.notes)


def test_what_a_person_says_is_not_read_where_the_unit_says_otherwise(job: Job) -> None:
    unit = kept(job, [OTHER], OTHER)
    assert unit.readings == ()
    assert any(
        "as was said by hand: what it says of itself contradicts that" in note
        for note in unit.notes
    )


@pytest.mark.parametrize(("known", "holds"), [(True, "serial"), (False, "object 0x80")])
def test_identity_holds_the_makers_own_objects(job: Job, known: bool, holds: str) -> None:
    """As what the profile says they are; otherwise as the objects that they are."""
    line = Line(
        Segment(load_scenario("site"), VirtualClock()).port(), LineSettings.parse("4800-8N1")
    )
    profiles = load_all([shipped_folder()]).profiles.values() if known else ()
    keep_identified(job, identify(line, 10, profiles))
    unit = job.unit(Place.parse("10 4800-8N1"))
    assert unit is not None
    assert [name for name, text in unit.identity.items() if text == "FQ-1166"] == [holds]

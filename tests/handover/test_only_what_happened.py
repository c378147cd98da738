"""The documents say what happened on the bus and on site, and nothing else: all on the virtual
segment, with a plan of the bus."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event

import pytest

from busprobe.handover.files import EXPORTERS
from busprobe.handover.table import NOT_TESTED
from busprobe.handover.tables.acceptance import FAIL, NOT_COMPLETE, PASS, acceptance_table
from busprobe.job.job import Job
from busprobe.job.journal import Role
from busprobe.job.plan import PlannedUnit
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.procedure import Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.wiring.hunt import HuntRound
from busprobe.wizard.common.unit_form import noted_unit
from tests.job.conftest import quick_disk

__all__ = ["quick_disk"]

AT = LineSettings.parse("9600-8N1")
PLAN = (
    PlannedUnit("TE-101", 11, "Panel A", "aldermoor-at-10", AT, 1, 4.0, terminator=True),
    PlannedUnit("TE-102", 12, "Panel B", "aldermoor-at-10", AT, 2, 18.5, terminator=False),
    PlannedUnit("EM-101", 21, "Panel C", "brookvale-bm-330", AT, 3, 40.0, terminator=True),
)
CHECK = "Units are as planned"


@pytest.fixture
def session(tmp_path: Path, quick_disk: None) -> Iterator[Session]:
    """Three of the six units of the segment are planned, and were at their places from the
    start."""
    with Job.create(tmp_path / "a.busjob", site="Mill", segment="Line A", tester="R. Vale") as job:
        made = Session(job, load_all([shipped_folder()]), plan=PLAN, connector=Connector())
        made.open("virtual:clean", AT)
        for planned in PLAN:
            made.look_again(Place(planned.address, AT))
        yield made
        made.close()


def identify(session: Session, *addresses: int) -> None:
    for address in addresses:
        session.identify(Place(address, AT))


def documents(session: Session) -> dict[str, str]:
    """Every file of every format that is text."""
    return {
        name: content.decode("utf-8-sig")
        for exporter in EXPORTERS.values()
        for name, content in exporter(session.papers()).items()
        if not name.endswith(".xlsx")
    }


def units(session: Session) -> dict[str, dict[str, str]]:
    """The rows of the list of units, by address, as a spreadsheet has them."""
    rows = csv.DictReader(io.StringIO(documents(session)["bus-list.csv"], newline=""))
    return {row["Address"]: row for row in rows}


def planned_check(session: Session) -> tuple[str, str]:
    (row,) = (row for row in acceptance_table(session.papers()).rows if row[0] == CHECK)
    return str(row[3]), str(row[4])


def test_a_plan_alone_is_told_of_each_unit_as_planned(session: Session) -> None:
    """Nobody has been at the units: tag, place, metres and terminator are the plan's."""
    identify(session, 11)
    for address, planned in (("11", PLAN[0]), ("12", PLAN[1]), ("21", PLAN[2])):
        row = units(session)[address]
        assert row["Tag"] == f"{planned.tag} (planned)"
        assert row["Location"] == f"{planned.location} (planned)"
        assert row["Position on cable"] == f"{planned.position} (planned)"
        assert row["Cable from master m"] == f"{planned.distance_m:g} (planned)"
        fitted = "yes" if planned.terminator else "no"
        assert row["Terminator fitted"] == f"{fitted} (planned)"
        assert (row["Confirmed on site UTC"], row["Confirmed by"]) == ("not noted", "")
    segment = documents(session)["segment.csv"]
    assert "11 TE-101 (planned), 21 EM-101 (planned)" in segment


def test_no_document_has_a_planned_tag_or_place_without_saying_so(session: Session) -> None:
    """Labels are made to be fitted, and a description of a thing is made to be used: only these
    name a tag before anybody has seen it."""
    identify(session, 11, 12, 21)
    for name, text in documents(session).items():
        if name.endswith(".td.json") or "labels" in name or name == "bus-list.json":
            continue
        for words in ("TE-101", "Panel A"):
            told = [text[m.start() : m.start() + 40] for m in re.finditer(words, text)]
            bare = [each for each in told if "planned" not in each[: len(words) + 13]]
            assert not bare, (name, bare)


def test_a_planned_terminator_is_none_that_was_seen(session: Session) -> None:
    """Three terminators in a plan are no fault of the bus, and none in the drawing."""
    page = documents(session)["bus-list.html"]
    assert ">T</text>" not in page
    assert ">T?</text>" in page


def test_one_key_confirms_a_unit_with_who_and_when(session: Session) -> None:
    session.confirm([Place(11, AT)])
    row = units(session)["11"]
    assert (row["Tag"], row["Terminator fitted"]) == ("TE-101", "yes")
    assert (row["Cable from master m"], row["Position on cable"]) == ("4.0", "1")
    assert row["Confirmed by"] == "R. Vale"
    assert row["Confirmed on site UTC"].endswith("Z")
    assert units(session)["12"]["Tag"] == "TE-102 (planned)"
    session.confirm([Place(each, AT) for each in (11, 12, 21)])
    assert "(planned)" not in documents(session)["bus-list.csv"]


def test_what_a_person_noted_counts_and_the_rest_stays_planned(session: Session) -> None:
    session.note_unit(Place(11, AT), noted_unit(location="Roof"))
    row = units(session)["11"]
    assert (row["Location"], row["Tag"]) == ("Roof", "TE-101 (planned)")
    assert row["Confirmed by"] == "R. Vale"


def test_as_planned_names_what_is_missing_until_nothing_is(session: Session) -> None:
    assert planned_check(session) == (
        "type not identified at 11-12,21; tag not confirmed at 11-12,21",
        NOT_COMPLETE,
    )
    identify(session, 11, 12, 21)
    assert planned_check(session) == ("tag not confirmed at 11-12,21", NOT_COMPLETE)
    assert units(session)["11"]["Plan"] == "not complete: tag not confirmed"
    session.confirm([Place(11, AT), Place(12, AT)])
    assert planned_check(session) == ("2 as planned; tag not confirmed at 21", NOT_COMPLETE)
    session.confirm([Place(21, AT)])
    assert planned_check(session) == ("3 as planned", PASS)
    session.note_unit(Place(21, AT), noted_unit(tag="EM-7"))
    assert planned_check(session) == ("2 as planned; not so at 21", FAIL)
    assert units(session)["21"]["Plan"] == "planned with tag EM-101"


def test_a_unit_of_another_serial_number_is_not_as_planned(session: Session) -> None:
    session.note_unit(Place(21, AT), noted_unit(serial="BM-88120"))
    other = Session(
        session.job,
        session.store,
        plan=(PlannedUnit("EM-101", 21, serial="BM-1"),),
        connector=Connector(),
    )
    assert units(other)["21"]["Plan"] == "planned with serial number BM-1"
    assert NOT_TESTED != planned_check(other)[1] == FAIL


# -- as found and as left, and when


def found_and_left(session: Session) -> dict[str, dict[str, str]]:
    rows = csv.DictReader(io.StringIO(documents(session)["found-and-left.csv"], newline=""))
    return {row["Address left"]: row for row in rows}


def swap(session: Session, one: int, other: int) -> None:
    moves = BusMoves(session)
    planned = moves.plan_addresses(wishes={one: other, other: one})
    assert len(planned.moves) == 3, "one of them has to wait somewhere"
    for _ in moves.carry_out(planned.moves, confirm=lambda _: True, power_cycle=lambda _: False):
        pass


def test_units_stand_as_found_beside_as_left_and_where_they_waited_does_not_show(
    session: Session,
) -> None:
    """A swap goes round by an address at which one unit waits: it is neither found nor left."""
    identify(session, 11, 12, 21)
    swap(session, 12, 21)
    identify(session, 12, 21)
    rows = found_and_left(session)
    assert set(rows) == {"11", "12", "21"}
    meter, probe, still = rows["12"], rows["21"], rows["11"]
    assert (meter["Address found"], probe["Address found"]) == ("21", "12")
    assert (meter["Changed"], still["Changed"]) == ("address", "")
    assert meter["Line settings found"] == meter["Line settings left"] == "9600-8N1"
    (waited,) = {write.target.address for write in session.job.writes() if write.role is Role.ASIDE}
    cells = {cell for row in rows.values() for cell in row.values()}
    assert str(waited) not in cells
    assert "AT-10" in probe["Identity found"], "as the type of the scenario says itself"
    assert meter["Identity found"] == meter["Identity left"]
    assert meter["Firmware found"] == meter["Firmware left"]


def test_what_nobody_asked_before_a_move_is_not_told_as_found(session: Session) -> None:
    """A register by hand moves a unit that nobody has identified."""
    identify(session, 11)
    moves = BusMoves(session)
    profile = session.store.profiles["aldermoor-at-10"]
    prepared = moves.prepare_move(Place(12, AT), 60, Procedure.from_profile(profile))
    moves.move(prepared, lambda _: True)
    identify(session, 60)
    row = found_and_left(session)["60"]
    assert (row["Identity found"], row["Firmware found"]) == (NOT_TESTED, NOT_TESTED)
    assert "AT-10" in row["Identity left"]
    assert row["Changed"] == "address"


def test_every_value_says_when_it_was_read_and_one_older_than_the_last_move_is_told(
    session: Session,
) -> None:
    identify(session, 11, 12, 21)
    begun = session.job.now()
    assert not session.read_before_last_move()
    swap(session, 12, 21)
    assert session.read_before_last_move() == (Place(11, AT), Place(12, AT), Place(21, AT))
    (told,) = (words for words in session.papers().not_tested if "Values were last read" in words)
    assert told.endswith("11, 12, 21.")
    moved = session.job.now()
    identify(session, 11, 12, 21)
    assert not session.read_before_last_move()
    points = csv.DictReader(io.StringIO(documents(session)["point-list.csv"], newline=""))
    read = [row["Read UTC"] for row in points]
    assert read
    assert min(read) >= moved > begun


def seen(session: Session, address: int) -> str:
    (row,) = (row for row in session.bus_list().units if row.address == address)
    return row.seen or ""


def test_last_seen_is_the_last_valid_reply_of_any_kind(session: Session) -> None:
    """Polls of a run, of a trial, of a hunt and of listening count; silence does not."""
    identify(session, 11, 12, 21)
    segment = session._connector.segment("virtual:clean")
    segment.connect("te-102", connected=False)
    silent = seen(session, 12)

    def hunted() -> None:
        cancel = Event()
        for event in session.hunt((11, 12), cancel):
            if isinstance(event, HuntRound):
                cancel.set()

    kinds: tuple[Callable[[], object], ...] = (
        lambda: [*session.prove(rounds=1)],
        lambda: [*session.try_polling(1)],
        hunted,
        lambda: session.listen_and_ask(0.1),
    )
    for kind in kinds:
        before = session.job.now()
        kind()
        assert seen(session, 11) >= before
        assert seen(session, 12) == silent


def test_a_run_of_a_few_rounds_is_too_short_to_say(session: Session) -> None:
    identify(session, 11, 12, 21)
    for _ in session.prove(rounds=20):
        pass
    for _ in session.try_polling(3):
        pass
    (row,) = (row for row in acceptance_table(session.papers()).rows if row[0] == "Endurance run")
    assert row[4] == "too short to say"
    notes = csv.DictReader(io.StringIO(documents(session)["polling-notes.csv"], newline=""))
    told = {note["What"]: note for note in notes}
    computed, measured = told["Whole cycle, computed"], told["Whole cycle, measured"]
    assert float(measured["Value"]) == pytest.approx(float(computed["Value"]), rel=0.2)
    assert float(told["Host delay a request, measured"]["Value"]) == 0, "time is simulated"

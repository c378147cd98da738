"""What a job says of its pair: failures by place and time, and the record of the wiring step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.handover.tables.papers import wiring_table
from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.profiles.store import Store
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import EVIDENCE_KEPT, FailedReply, Proof, UnitTally
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.session.wiring_record import failure_patterns, keep_wiring, run_counts
from busprobe.wiring.calculations import stub
from busprobe.wiring.causes import Cause
from busprobe.wiring.error_distribution import PollCounts
from busprobe.wiring.resistance import judge_resistance
from busprobe.wiring.voltage import judge_idle
from busprobe.wiring.wire_names import Labels

SLOW, FAST = LineSettings.parse("9600-8N1"), LineSettings.parse("19200-8N1")
PLACES = (11, 12, 21, 31, 41, 51)


def unit(address: int, settings: LineSettings, *failures: float, polls: int = 100) -> UnitTally:
    """A unit with CRC errors at these seconds; only the first are kept with their moments, as in a
    run."""
    kept = tuple(FailedReply(at, "CRC bad", "") for at in failures[:EVIDENCE_KEPT])
    bad = len(failures)
    return UnitTally(
        Place(address, settings), {Verdict.OK: polls - bad, Verdict.CRC_BAD: bad}, evidence=kept
    )


def proof(*units: UnitTally) -> Proof:
    return Proof(units, 1.0, 0.5, 0.0, seconds=100.0, rounds=100)


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    with Job.create(tmp_path / "plant.busjob") as job:
        session = Session(job, Store({}, {}, ()), connector=Connector())
        session.open("virtual:clean", SLOW)
        yield session
        session.close()


def survey(session: Session) -> None:
    for _ in session.survey([SLOW], range(10, 60)):
        pass
    for position, address in enumerate(PLACES, start=1):
        known = session.job.unit(Place(address, SLOW))
        assert known is not None
        session.job.put_unit(replace(known, position=position))


def test_counts_of_a_proof_and_when_they_failed() -> None:
    run = run_counts(proof(unit(11, SLOW, 3.0, 50.0), unit(12, SLOW, 7.0), unit(21, FAST)))
    assert run.tallies == {
        (11, 9600): PollCounts(100, 2),
        (12, 9600): PollCounts(100, 1),
        (21, 19200): PollCounts(100, 0),
    }
    assert (run.period.seconds, run.period.rounds) == (100.0, 100)
    assert [(each.seconds, each.address) for each in run.period.failures] == [
        (3.0, 11),
        (7.0, 12),
        (50.0, 11),
    ]


def test_time_is_watched_only_until_a_failure_is_left_out() -> None:
    """The eleventh failure of unit 11 has no moment: from the tenth on nothing is known of when."""
    run = run_counts(
        proof(unit(11, SLOW, *(2.0 * n for n in range(1, 30))), unit(12, SLOW, 15.0, 90.0))
    )
    assert (run.period.seconds, run.period.rounds) == (20.0, 20)
    assert max(each.seconds for each in run.period.failures) < 20.0
    assert {each.address for each in run.period.failures} == {11, 12}


def test_an_empty_proof_counts_nothing() -> None:
    run = run_counts(Proof((), 1.0, 0.5, 0.0))
    assert (run.tallies, run.period.rounds, run.period.failures) == ({}, 0, ())


def test_nothing_strikes_the_eye_in_a_new_job(session: Session) -> None:
    assert failure_patterns(session.job) == ()
    survey(session)
    assert failure_patterns(session.job) == ()


def test_a_cable_that_breaks_between_two_surveys_is_seen_in_cable_order(session: Session) -> None:
    """The far half of the units answered this morning, and does not any more."""
    survey(session)
    assert session.terminals is not None
    for name in ("io-101", "fm-101", "cq-101"):
        session.terminals.connect(name, connected=False)
    survey(session)
    (observation,) = failure_patterns(session.job)
    assert (
        "All units from 31 on along the cable are silent, those up to 21 answer."
        in observation.seen
    )
    assert [hint.cause for hint in observation.hints] == [Cause.BROKEN_WIRE, Cause.NO_SUPPLY]


def test_runs_at_two_baud_rates_are_compared(session: Session) -> None:
    """The same units, sound at 9600, failing at 19200."""
    for settings, failures in ((SLOW, ()), (FAST, (20.0, 40.0, 45.0, 80.0))):
        session.job.record(
            "prove",
            proof_document(proof(unit(11, settings, *failures), unit(12, settings, *failures))),
        )
    assert [o.hints[0].cause for o in failure_patterns(session.job)] == [Cause.REFLECTIONS]


def test_the_wizards_step_keeps_readings_and_what_was_heard_in_one_document(
    session: Session,
) -> None:
    """Measured, judged, heard and skipped, in the job; what is not tried again stays."""
    survey(session)
    assert session.terminals is not None
    session.terminals.swap("io-101")
    keep_wiring(session.job, [judge_resistance(61.0), judge_idle(None, Labels.SIGN)])
    heard = session.listen_and_ask(2.0)
    assert [reply.request.address for reply in heard.evidence.replies if reply.present] == [
        11,
        12,
        21,
        41,
        51,
    ]
    record = session.job.latest("wiring")
    listening = session.job.latest("listening")
    assert record is not None
    assert listening is not None
    assert [j["reading"] for j in record.document["judgements"]] == ["61.0 Ω"]
    assert [o["seen"] for o in record.document["observations"]] == [
        "No reply from unit 31, while others answered."
    ]
    assert "A-B idle voltage" in record.document["skipped"]
    assert listening.document["other_master"] is False
    assert listening.document["words"] == "Quiet for 2.0 s at 9600-8N1."
    after = keep_wiring(session.job, [judge_idle(0.3, Labels.SIGN)])
    assert len(after["judgements"]) == 2  # type: ignore[arg-type]
    assert after["observations"] == record.document["observations"]


def test_patterns_and_calculations_reach_the_wiring_table(
    session: Session,
) -> None:
    """What failures have in common, with its actions, and what was calculated, with formula and
    source."""
    for position, address in enumerate(PLACES, start=1):
        session.job.put_unit(UnitRecord(Place(address, SLOW), position=position))
    far = [unit(address, SLOW, *range(9)) for address in PLACES[3:]]
    session.job.record(
        "prove",
        proof_document(proof(*(unit(address, SLOW) for address in PLACES[:3]), *far)),
    )
    session.keep_wiring(calculations=(stub(25),))
    rows = wiring_table(session.bus_list()).rows
    place, *_ = [row for row in rows if row[0] == "failures by place and time"]
    (calculation,) = [row for row in rows if row[0] == "Longest stub"]
    assert "Errors grow along the cable" in str(place[1])
    assert "Ask again at half the baud rate" in str(place[4])
    assert calculation[1:3] == ("1 derivation at one tap, rise time 25 ns", "reckoned")
    assert "0.1 × rise time" in str(calculation[5])


def test_where_nobody_is_known_unit_1_is_asked(session: Session) -> None:
    heard = session.listen_and_ask(1.0)
    assert {reply.request.address for reply in heard.evidence.replies} == {1}
    assert session.listen_and_ask(1.0, asking=()).evidence.replies == []

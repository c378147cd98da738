from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest

from busprobe.handover.bus_list import (
    BusList,
    JournalEntry,
    JournalRow,
    ProofSummary,
    SegmentSheet,
    StepSheet,
    SurveySheet,
    UnitRow,
)
from busprobe.handover.comparison import Comparison, DifferenceKind
from busprobe.handover.visits import ADAPTER, ENOUGH, compare
from busprobe.job.journal import Result
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove import proof as proving
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import UnitTally
from tests.handover.hostile import EMPTY, proof_of

SETTINGS = "9600-8N1"
BEFORE = UnitRow(
    number=1,
    state=EntryKind.UNIT,
    address=12,
    settings=SETTINGS,
    position=1,
    tag="TT-12",
    maker="Garnet Sensing",
    model="GS-1",
    serial="00451",
    revision="1.4",
    identity_source="said by the unit",
    says_itself=True,
    seen="2026-03-02T09:00:00.000Z",
)
NOW = replace(BEFORE, seen="2026-09-02T09:00:00.000Z")


def surveyed(*settings: str, addresses: str = "1-247", complete: bool = True) -> SegmentSheet:
    survey = SurveySheet(
        "", "", complete, "COM7", settings or (SETTINGS,), addresses, 1.0, False, False, 0, ()
    )
    return replace(EMPTY.segment, survey=survey, adapter="USB serial adapter")


def visit(*units: UnitRow, segment: SegmentSheet | None = None) -> BusList:
    return replace(EMPTY, segment=segment or surveyed(), units=units)


def written(number: int, old: int, new: int, outcome: Result = Result.VERIFIED) -> JournalRow:
    entry = JournalEntry("", outcome, None, "")
    return JournalRow(
        number=number,
        intended=f"2026-09-0{number}",
        tester="",
        kind="readdress",
        from_address=old,
        to_address=new,
        settings=SETTINGS,
        words="",
        request="",
        outcome=outcome,
        conclusions=(entry,),
    )


def found(comparison: Comparison) -> list[tuple[str, int | None, int | None]]:
    return [(str(one.kind), one.address_before, one.address_now) for one in comparison.differences]


def test_the_same_bus_does_not_differ() -> None:
    assert compare(visit(BEFORE), visit(NOW)).differences == ()


def test_missing_needs_a_complete_survey_that_asked_there() -> None:
    """No reply is not no unit, and no question is not even no reply."""
    assert found(compare(visit(BEFORE), visit())) == [("missing", 12, None)]
    for segment in (
        surveyed("19200-8E1"),
        surveyed(addresses="20-30"),
        surveyed(complete=False),
        replace(EMPTY.segment, survey=None),
    ):
        assert found(compare(visit(BEFORE), visit(segment=segment))) == [
            ("not looked for", 12, None)
        ]


def test_a_unit_that_a_later_survey_did_not_find_again_is_missing() -> None:
    """It stays on the list, seen at the earlier visit only; a job that is a mere copy tells
    nothing."""
    asked_then = surveyed()
    assert asked_then.survey is not None
    later = replace(asked_then, survey=replace(asked_then.survey, begun="2026-09-02T08:00:00.000Z"))
    asked = compare(visit(BEFORE), visit(BEFORE, segment=later))
    assert found(asked) == [("missing", 12, None)]
    assert "did not answer in its last complete survey" in asked.differences[0].words
    assert not any("not checked again" in words for words in asked.not_compared)
    assert compare(visit(BEFORE), visit(NOW, segment=later)).differences == ()
    assert later.survey is not None
    unfinished = replace(later, survey=replace(later.survey, complete=False))
    for segment in (asked_then, unfinished):
        untouched = compare(visit(BEFORE), visit(BEFORE, segment=segment))
        assert untouched.differences == ()
        assert any("not checked again" in words for words in untouched.not_compared)


def test_a_unit_that_answered_no_poll_of_a_later_run_is_missing() -> None:
    """All polls silent, in a run that the earlier visit did not know."""
    verdicts = {Verdict.SILENT: 5}

    def run(verdicts: dict[Verdict, int], made: str) -> ProofSummary:
        tally = UnitTally(Place(12, LineSettings.parse(SETTINGS)), verdicts)
        document = proof_document(proving.Proof((tally,), 1.0, 0.5, 0.0))
        return ProofSummary(1, 5, {}, StepSheet(made, document))

    dead = replace(visit(BEFORE), proof=run(verdicts, NOW.seen or ""))
    (one,) = compare(visit(BEFORE), dead).differences
    assert (one.kind, one.address_now) == (DifferenceKind.MISSING, None)
    assert "answered none of the 5 polls" in one.words
    assert compare(dead, dead).differences == ()
    once = replace(dead, proof=run({Verdict.SILENT: 4, Verdict.OK: 1}, NOW.seen or ""))
    assert compare(visit(BEFORE), once).differences == ()


def test_extra_says_whether_it_was_looked_for_before() -> None:
    (one,) = compare(visit(), visit(NOW)).differences
    assert (one.kind, one.address_now) == (DifferenceKind.EXTRA, 12)
    assert "though a complete survey asked there" in one.words
    (other,) = compare(visit(segment=surveyed(complete=False)), visit(NOW)).differences
    assert "no complete survey asked there" in other.words


@pytest.mark.parametrize("unknown", [{}, {"serial": ""}])
def test_a_unit_with_its_serial_number_or_its_tag_has_moved(unknown: dict[str, str]) -> None:
    before, now = replace(BEFORE, **unknown), replace(NOW, address=20, **unknown)  # type: ignore[arg-type]
    assert found(compare(visit(before), visit(now))) == [("moved", 12, 20)]


def test_serial_numbers_count_more_than_tags() -> None:
    """Two units of one type whose tags were swapped have swapped places."""
    other = replace(BEFORE, address=13, tag="TT-13", serial="00452")
    now = (
        replace(NOW, address=13, tag="TT-13"),
        replace(other, address=12, tag="TT-12", seen=NOW.seen),
    )
    assert found(compare(visit(BEFORE, other), visit(*now))) == [
        ("moved", 12, 13),
        ("moved", 13, 12),
    ]


def test_a_unit_without_a_name_is_followed_along_the_journal() -> None:
    bare = UnitRow(number=1, state=EntryKind.UNIT, address=1, settings=SETTINGS)
    now = replace(visit(replace(bare, address=30)), journal=(written(1, 1, 20), written(2, 20, 30)))
    assert found(compare(visit(bare), now)) == [("moved", 1, 30)]
    failed = replace(now, journal=(written(1, 1, 30, Result.NOT_VERIFIED),))
    assert found(compare(visit(bare), failed)) == [("missing", 1, None), ("extra", None, 30)]


def test_writes_that_the_earlier_visit_knew_move_nobody_again() -> None:
    bare = UnitRow(number=1, state=EntryKind.UNIT, address=1, settings=SETTINGS)
    journal = (written(1, 1, 30),)
    before = replace(visit(bare), journal=journal)
    assert found(compare(before, replace(visit(replace(bare, address=30)), journal=journal))) == [
        ("missing", 1, None),
        ("extra", None, 30),
    ]


def test_of_a_box_of_units_only_the_first_was_there_before() -> None:
    bare = UnitRow(number=1, state=EntryKind.UNIT, address=1, settings=SETTINGS)
    boxed = (replace(bare, address=11), replace(bare, address=12))
    now = replace(visit(*boxed), journal=(written(1, 1, 11), written(2, 1, 12)))
    assert found(compare(visit(bare), now)) == [("moved", 1, 11), ("extra", None, 12)]


def test_another_device_at_the_same_place_was_exchanged() -> None:
    (one,) = compare(visit(BEFORE), visit(replace(NOW, serial="00999"))).differences
    assert one.kind is DifferenceKind.EXCHANGED
    assert "serial no. 00451" in one.words
    assert "serial no. 00999" in one.words
    other_model = replace(NOW, serial="", model="GS-2")
    assert found(compare(visit(BEFORE), visit(other_model))) == [("exchanged", 12, 12)]


def test_a_name_from_a_profile_does_not_contradict_the_units_own() -> None:
    by_profile = replace(NOW, serial="", model="GS One", says_itself=False)
    assert compare(visit(BEFORE), visit(by_profile)).differences == ()


def test_another_revision_is_other_firmware() -> None:
    assert found(compare(visit(BEFORE), visit(replace(NOW, revision="1.5")))) == [
        ("firmware", 12, 12)
    ]
    unknown = compare(visit(BEFORE), visit(replace(NOW, revision="")))
    assert unknown.differences == ()
    assert "Revision, known of one visit only: 12 TT-12." in unknown.not_compared


def test_other_line_settings_are_told_also_without_a_name() -> None:
    bare = UnitRow(number=1, state=EntryKind.UNIT, address=12, settings=SETTINGS)
    now = visit(replace(bare, settings="19200-8E1"), segment=surveyed(SETTINGS, "19200-8E1"))
    assert found(compare(visit(bare), now)) == [("settings", 12, 12)]


def test_a_different_device_at_other_settings_is_no_change_of_settings() -> None:
    other = replace(NOW, settings="19200-8E1", tag="", serial="00999")
    assert found(compare(visit(replace(BEFORE, tag="")), visit(other))) == [
        ("missing", 12, None),
        ("extra", None, 12),
    ]


def test_another_place_along_the_cable_and_another_state_are_told() -> None:
    assert found(compare(visit(BEFORE), visit(replace(NOW, position=3)))) == [("moved", 12, 12)]
    assert found(compare(visit(BEFORE), visit(replace(NOW, position=None)))) == []
    assert found(compare(visit(BEFORE), visit(replace(NOW, state=EntryKind.CLASH)))) == [
        ("state", 12, 12)
    ]


@pytest.mark.parametrize(
    ("milliseconds", "adapter", "slower"),
    [
        (12.0, "USB serial adapter", False),
        (12.3, "USB serial adapter", False),
        (16.0, "USB serial adapter", True),
        (16.0, "another one", False),
        (12.4 + 1000 * ADAPTER + 1, "another one", True),
        (16.0, "", False),
        (2.0, "USB serial adapter", False),
    ],
)
def test_slower_means_half_take_longer_than_nearly_all_did(
    milliseconds: float, adapter: str, slower: bool
) -> None:
    """Before: 12.0 to 12.4 ms.  Another adapter, or one not known to be the same, may add 16 ms by
    itself.

    A tenth of a millisecond more is slower than all before, and nothing that a master would notice.
    """
    before = replace(visit(BEFORE), proof=proof_of(12, milliseconds=12.0))
    segment = replace(surveyed(), adapter=adapter)
    now = replace(visit(NOW, segment=segment), proof=proof_of(12, milliseconds=milliseconds))
    comparison = compare(before, now)
    assert [one.kind for one in comparison.differences] == (
        [DifferenceKind.SLOWER] if slower else []
    )
    assert comparison.not_compared == ()


def test_too_few_replies_or_other_settings_say_nothing_of_times() -> None:
    before = replace(visit(BEFORE), proof=proof_of(12, milliseconds=12.0))
    few = replace(visit(NOW), proof=proof_of(12, milliseconds=500.0, replies=ENOUGH - 1))
    comparison = compare(before, few)
    assert comparison.differences == ()
    assert comparison.not_compared == (
        f"Reply times, for want of {ENOUGH} replies in an endurance run of each visit: 12 TT-12.",
    )
    moved = replace(
        visit(replace(NOW, settings="19200-8E1")), proof=proof_of(12, milliseconds=500.0)
    )
    assert (
        "Reply times, since the line settings changed: 12 TT-12."
        in compare(before, moved).not_compared
    )


def test_a_unit_nobody_looked_at_again_is_said_not_compared() -> None:
    same = compare(visit(BEFORE), visit(BEFORE))
    assert "Anything: not checked again since the earlier visit: 12 TT-12." in same.not_compared


def test_jobs_of_different_segments_come_with_a_warning() -> None:
    other = visit(NOW, segment=replace(surveyed(), segment="Hall 3"))
    assert any(
        "name different segments" in words for words in compare(visit(BEFORE), other).not_compared
    )


def test_entries_that_cannot_be_told_apart_are_paired_by_place() -> None:
    """A tag or number that two entries share names neither of them."""
    numbers = count(12)
    before = tuple(replace(BEFORE, address=next(numbers)) for _ in range(3))
    now = tuple(replace(unit, seen=NOW.seen) for unit in before)
    assert compare(visit(*before), visit(*now)).differences == ()


def test_reserved_addresses_are_nobody() -> None:
    reserved = UnitRow(number=2, state="reserved", address=1)
    assert compare(visit(BEFORE, reserved), visit(NOW)).differences == ()


def test_visits_the_wrong_way_round_are_pointed_out() -> None:
    """Only where job and units both say so: a job that goes on after the other was begun is no
    mistake."""
    spring = visit(BEFORE, segment=replace(surveyed(), created="2026-03-02T08:00:00.000Z"))
    autumn = visit(NOW, segment=replace(surveyed(), created="2026-09-02T08:00:00.000Z"))
    words = [said for said in compare(autumn, spring).not_compared if "wrong way round" in said]
    assert words == [
        "The earlier visit was begun 2026-09-02T08:00:00.000Z, after the later one,"
        " 2026-03-02T08:00:00.000Z: they seem to be the wrong way round."
    ]
    again = visit(NOW, segment=spring.segment)
    for before, now in (
        (spring, autumn),
        (spring, spring),
        (replace(autumn, units=(BEFORE,)), again),
    ):
        assert not any("wrong way round" in said for said in compare(before, now).not_compared)

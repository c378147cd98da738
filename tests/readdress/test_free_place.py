"""Is the new place free?  On the virtual segment, with units that answer next to nothing or sit at
other line settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.readdress.guards import Ways
from busprobe.readdress.move import Prepared, execute, prepare
from busprobe.readdress.procedure import Move, Procedure
from busprobe.survey.probes import Probe
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry, UnitType
from busprobe.virtual.segment import Segment
from tests.profiles.making import profile
from tests.readdress.bench import Book, yes
from tests.readdress.segment import profile_of

OLD, NEW = 9, 6
HERE, ELSEWHERE = LineSettings.parse("9600-8N1"), LineSettings.parse("19200-8E1")

MUTE_PROFILE: Profile = profile(
    points=[{"name": "Level", "function": 3, "register": 1000, "type": "float32"}]
)
"""Of a unit that answers nothing but its registers from 1000 on."""


def mute_type(**fields: Any) -> UnitType:
    usual = {
        "maker": "Glenmoss Works",
        "model": "G-1",
        "settings": "9600-8N1",
        "functions": [3],
        "errors": "silence",
        "holding": [{"name": "level", "at": 1000, "type": "float32", "value": 3.5}],
    }
    return UnitType.model_validate({**usual, **fields})


def segment(other: UnitType, more: Sequence[UnitEntry] = (), **entry: Any) -> tuple[Segment, Line]:
    """A sensor at `OLD`, a unit of the type `other`, at `NEW` unless told otherwise, and `more`."""
    units = (
        UnitEntry(name="te", type="at-10", address=OLD),
        UnitEntry.model_validate({"name": "other", "type": "other", "address": NEW, **entry}),
        *more,
    )
    types = {**shipped_types(), "other": other}
    made = Segment(Scenario(title="Two units", types=types, units=units), VirtualClock())
    return made, Line(made.port(), HERE)


def move() -> Move:
    how = Procedure.from_profile(profile_of("at-10"))
    return Move(Place(OLD, HERE), Place(NEW, HERE), how)


WAYS = Ways.of([profile_of("at-10"), MUTE_PROFILE])


@pytest.mark.parametrize("latency", [0.012, 0.5, 0.9])
def test_a_unit_that_answers_only_registers_of_a_known_profile_is_no_free_place(
    latency: float,
) -> None:
    _, line = segment(mute_type(latency=latency))
    with pytest.raises(RefusedError, match=r"6 \(0x06\) at 9600-8N1 is not free"):
        prepare(line, move(), ways=WAYS)


@pytest.mark.parametrize(
    "bits",
    [
        {"functions": [1], "coils": [True]},
        {"functions": [2], "discrete_inputs": [False, True]},
    ],
)
def test_a_unit_with_coils_or_inputs_alone_is_no_free_place_even_without_a_profile(
    bits: dict[str, Any],
) -> None:
    _, line = segment(mute_type(holding=[], **bits))
    with pytest.raises(RefusedError, match="is not free"):
        prepare(line, move())


def test_a_unit_at_other_line_settings_is_no_free_place_where_these_are_in_use() -> None:
    _, line = segment(shipped_types()["at-10"], settings="19200-8E1")
    with pytest.raises(RefusedError, match=r"6 \(0x06\) at 19200-8E1 is not free"):
        prepare(line, move(), ways=Ways.of([], [HERE, ELSEWHERE]))
    prepared = prepare(line, move())
    assert prepared.settings_asked == (HERE,)


def test_what_was_asked_is_counted_by_what_was_sent() -> None:
    made, line = segment(mute_type())
    made.connect("other", connected=False)
    prepared = prepare(line, move(), ways=Ways.of([profile_of("at-10"), MUTE_PROFILE], [ELSEWHERE]))
    assert prepared.settings_asked == (HERE, ELSEWHERE)
    # Seven kinds of probes, coils and inputs; two points, two registers of the fingerprint and the
    # address register of one profile, a point of the other; what is asked twice counts once.
    distinct = {reply.request.frame for reply in prepared.target.replies}
    assert prepared.ways_asked == len(distinct) >= 7 + 2 + 4
    assert f"in {prepared.ways_asked} ways" in prepared.target_words
    assert "9600-8N1 and 19200-8E1" in prepared.target_words
    assert "Not asked" in prepared.target_words


def test_the_unit_is_not_taken_for_another_at_its_own_settings_while_these_are_changed() -> None:
    made, line = segment(mute_type())
    made.connect("other", connected=False)
    target = Place(OLD, ELSEWHERE)
    how = Procedure(5, codes=((HERE, 1), (ELSEWHERE, 2)), profile="any")
    settings_move = Move(Place(OLD, HERE), target, how)
    prepared = prepare(line, settings_move, ways=Ways.of([], [HERE, ELSEWHERE]))
    assert prepared.settings_asked == (ELSEWHERE,)


def test_a_mute_unit_connected_while_the_question_is_on_screen_is_noticed() -> None:
    made, line = segment(mute_type())
    made.connect("other", connected=False)

    def connect(_: Prepared) -> bool:
        made.connect("other")
        return True

    book = Book()
    outcome = execute(line, prepare(line, move(), ways=WAYS), book, connect)
    assert (outcome.row, book.writes) == (Row.GUARD, [])


@pytest.mark.parametrize("latency", [0.012, 0.05])
def test_an_answer_that_the_moved_unit_cannot_give_is_a_clash(latency: float) -> None:
    """The other unit is connected when the frame has left, so that no guard could see it."""
    made, line = segment(mute_type(latency=latency))
    made.connect("other", connected=False)
    book = Book()
    intend = book.intend_write

    def connect_then_intend(*args: Any) -> int:
        made.connect("other")
        return intend(*args)

    book.intend_write = connect_then_intend  # type: ignore[method-assign]
    outcome = execute(line, prepare(line, move(), ways=WAYS), book, yes)
    assert made.unit("te").address == NEW
    assert outcome.result is Result.NOT_VERIFIED
    assert outcome.row in (Row.NOT_ALONE, Row.UNCLEAR)
    assert outcome.why


def test_the_moved_unit_alone_passes_its_own_questions() -> None:
    made, line = segment(mute_type())
    made.connect("other", connected=False)
    outcome = execute(line, prepare(line, move(), ways=WAYS), Book(), yes)
    assert (outcome.row, outcome.result) == (Row.CHANGED, Result.VERIFIED)


@pytest.mark.parametrize("connects", [False, True])
def test_a_unit_that_answers_one_register_alone_is_moved_and_verified_by_it(
    connects: bool,
) -> None:
    """A second one that is connected right after the write is seen at the old place."""
    how = {"functions": [3, 6], "readdress": {"at": 2000, "functions": [6]}}
    second = UnitEntry(name="second", type="other", address=OLD, connected=False)
    made, line = segment(mute_type(**how), address=OLD, more=[second])
    made.connect("te", connected=False)

    def report(words: str) -> None:
        if words.startswith("Looking who answers at the old") and connects:
            made.connect("second")

    procedure = Procedure.by_hand(2000, 6)
    prepared = prepare(line, replace(move(), procedure=procedure), ways=WAYS)
    outcome = execute(line, prepared, Book(), yes, report)
    assert made.unit("other").address == NEW
    assert outcome.result is (Result.NOT_VERIFIED if connects else Result.VERIFIED)
    assert outcome.row is (Row.BOTH if connects else Row.CHANGED)


def test_another_identity_at_the_new_place_is_a_clash() -> None:
    """The moved unit was taken off and another connected at its new place."""
    made, line = segment(shipped_types()["dx-8"])
    made.connect("other", connected=False)
    book = Book()
    intend = book.intend_write

    def exchange(*args: Any) -> int:
        made.connect("te", connected=False)
        made.connect("other")
        return intend(*args)

    book.intend_write = exchange  # type: ignore[method-assign]
    outcome = execute(line, prepare(line, move(), ways=WAYS), book, yes)
    assert (outcome.row, outcome.result) == (Row.NOT_ALONE, Result.NOT_VERIFIED)


def test_probes_that_were_asked_anyhow_are_not_asked_twice() -> None:
    made, line = segment(mute_type())
    made.connect("other", connected=False)
    plain = prepare(line, move(), ways=Ways((Probe.parse("function 3, register 0"),)))
    assert plain.ways_asked == 7

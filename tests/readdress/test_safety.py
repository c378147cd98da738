"""Whatever units and hands do: no write with two units at the source or one at the target, and
nothing false is said.

What no probe can tell apart is left out: units whose replies are alike to the bit and fall exactly
together, units that answer nothing but writes, and units slower than the longest wait.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.readdress.move import Prepared, execute, prepare
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Procedure
from tests.readdress.bench import (
    ADDRESS_REGISTER,
    SAVE,
    Bench,
    Book,
    FakeUnit,
    checked,
    line_to,
    move,
)

OLD, NEW = 1, 12


@st.composite
def units(draw: st.DrawFn) -> list[FakeUnit]:
    """Up to four units, the first always at the source, most others where they matter."""
    count = draw(st.sampled_from((1, 1, 1, 2, 2, 3, 4)))
    serials = draw(st.lists(st.integers(1, 0xFFFF), min_size=count, max_size=count, unique=True))
    return [
        FakeUnit(
            address=OLD if index == 0 else draw(st.sampled_from((OLD, NEW, 5, 6))),
            serial=serial,
            latency=draw(st.sampled_from((0.004, 0.01, 0.0105, 0.03, 0.2, 0.6, 0.9))),
            effect=draw(st.sampled_from(("at once", "power cycle"))),
            reply_from=draw(st.sampled_from(("old", "new", "none"))),
            exception=draw(st.sampled_from((None, None, None, 2, 4))),
            deaf=draw(st.booleans()) and draw(st.booleans()),
            forgets=draw(st.booleans()) and draw(st.booleans()),
            stays=draw(st.booleans()) and draw(st.booleans()),
            restart=draw(st.sampled_from((0.0, 0.0, 3.0, 8.0))),
            volatile=draw(st.booleans()),
            lands=draw(st.sampled_from((None, None, None, 18, 5))),
            connected=index == 0 or draw(st.booleans()),
        )
        for index, serial in enumerate(serials)
    ]


procedures = st.builds(
    Procedure,
    st.just(ADDRESS_REGISTER),
    st.sampled_from((6, 16)).map(lambda function: Procedure.by_hand(0, function).function),
    effect=st.sampled_from(
        [None, *(effect for effect in Effect if effect is not Effect.NOT_STATED)]
    ),
    reply_from=st.sampled_from((None, *ReplyFrom)),
    save=st.sampled_from((None, SAVE)),
    profile=st.just("bench-unit"),
)


def is_true(outcome: Outcome, bench: Bench) -> bool:
    """Whether what the outcome says of the two addresses is so."""
    at_old, at_new = len(bench.at(OLD)), len(bench.at(NEW))
    match outcome.row:
        case Row.CHANGED | Row.REPLY_LOST | Row.CHANGED_ALTHOUGH_REFUSED | Row.KEPT:
            return (at_old, at_new) == (0, 1)
        case Row.PENDING | Row.UNHEARD | Row.UNIT_REFUSED | Row.NOT_ACCEPTED | Row.NOT_KEPT:
            return (at_old, at_new) == (1, 0)
        case Row.BOTH:
            return at_old > 0 and at_new > 0
        case Row.NEITHER:
            return at_old == at_new == 0
        case _:
            return outcome.result is not Result.VERIFIED


@given(units(), procedures, st.lists(st.integers(0, 3), max_size=2), st.booleans())
@settings(max_examples=150, deadline=None)
def test_no_write_is_ever_sent_where_it_would_not_be_safe(
    hanging: list[FakeUnit], procedure: Procedure, hands: list[int], echo: bool
) -> None:
    bench, book = Bench(*hanging, echo=echo), Book()
    line = line_to(bench)

    def confirm(_: Prepared) -> bool:
        for index in hands:  # units are put on and taken off while the question is on the screen
            if index < len(hanging):
                hanging[index].connected = not hanging[index].connected
        bench.clock.sleep_until(bench.clock.now() + 5)
        return True

    try:
        prepared = prepare(line, move(OLD, NEW, procedure))
    except RefusedError:
        assert bench.writes == []
        return
    outcome = execute(line, prepared, book, confirm)
    assert bench.unsafe == []
    assert bench.writes.count(prepared.request.frame) == (
        0 if outcome.result is Result.REFUSED else 1
    )
    assert is_true(outcome, bench), outcome
    assert book.unfinished == []
    if outcome.result in (Result.VERIFIED, Result.WAITING):
        for unit in hanging:
            unit.power_cycle()
        again = checked(line, outcome)
        assert is_true(again, bench), again

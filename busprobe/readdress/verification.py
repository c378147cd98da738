"""What answers at the two places of a move, asked so that a unit which restarts meanwhile cannot
mislead; and where else a lost unit may be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.modbus import framing
from busprobe.modbus.addresses import FIRST, LAST
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Request
from busprobe.readdress.guards import Ways, is_heard, is_silent
from busprobe.readdress.procedure import Move
from busprobe.readdress.same_unit import by_question, contradictions, question
from busprobe.survey.close_look import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Kind
from busprobe.survey.probes import LADDER, Probe

_OWN_POINTS = 4
"""Points of the moved unit for which its old place is asked once more."""

_TRIES = 3
"""How often an answer of another unit has to come to be believed."""

_PAUSE = 0.25
"""Seconds between two looks for a unit that restarts (common practice)."""


def look_at_both(
    line: Line,
    move: Move,
    waits: Waits,
    *,
    patience: float,
    old_taken: bool = False,
    further: Sequence[Probe] = (),
) -> tuple[Examination, Examination]:
    """What answers at the old and the new place, asked again until that is clear or `patience`
    seconds are over.

    Both silent is not clear, since a unit may be restarting; it is only believed of looks begun
    after `patience`.  For the same reason the place that is silent has to be asked after the other
    one has answered.  Where the old place is `old_taken` by another unit now, an answer from there
    says nothing of this one.  `further` probes are for a unit that answers none of the usual ones.
    """
    end = line.clock.now() + patience
    while True:
        begun = line.clock.now()
        at_new = _at(line, move.target, waits, further)
        at_old = _at(line, move.source, waits, further)
        clear = at_new.kind is not Kind.SILENT
        if not clear and not old_taken and at_old.kind is not Kind.SILENT:
            at_new = _at(line, move.target, waits, further)
            clear = at_new.kind is Kind.SILENT
        if (clear and Kind.UNSURE not in (at_old.kind, at_new.kind)) or begun >= end:
            return at_old, at_new
        line.clock.sleep_until(line.clock.now() + _PAUSE)


def answers_of_others(
    line: Line, move: Move, before: Examination, at_new: Examination, ways: Ways, waits: Waits
) -> tuple[Reply, ...]:
    """Answers that a unit which went to its new place cannot have given: another unit shares one of
    its two places.

    `before` is what it answered at its old place, `at_new` what is answered at the new one.  In so
    far as these are not asked at every look, what it never answered is asked at the new place, and
    what it did answer at the old one.
    """
    known = by_question(before.replies)
    found = [*contradictions(before.replies, at_new.replies)]
    line.apply(move.target.settings)
    for probe in ways.further:
        request = probe.request(move.target.address)
        earlier = known.get(question(request), ())
        if earlier and not any(reply.valid for reply in earlier):
            found += _repeatedly(line, request, waits, _not_a_refusal)
    line.apply(move.source.settings)
    for request in _own_points(before, move)[:_OWN_POINTS]:
        found += _repeatedly(line, request, waits, is_heard)
    return tuple(found)


def _repeatedly(
    line: Line, request: Request, waits: Waits, odd: Callable[[Reply], bool]
) -> tuple[Reply, ...]:
    """The reply to `request` if it is `odd` each time: a lone damaged reply proves nothing."""
    for _ in range(_TRIES):
        reply = judge(request, line.exchange(request, waits))
        if not odd(reply):
            return ()
    return (reply,)


def _not_a_refusal(reply: Reply) -> bool:
    """Whether more came than one exception, or nothing, to what a unit does not answer."""
    if reply.exception is None:
        return is_heard(reply)
    outside = (reply.exchange.leftover, reply.stray_before, reply.stray_after)
    return any(len(data) >= framing.SHORTEST for data in outside)


def _own_points(before: Examination, move: Move) -> list[Request]:
    """What the unit answered before beside the probes of every look, to be asked at its old
    place."""
    answered = dict.fromkeys(Probe.of(reply.request) for reply in before.replies if reply.valid)
    return [probe.request(move.source.address) for probe in answered if probe not in LADDER]


def _at(line: Line, place: Place, waits: Waits, further: Sequence[Probe] = ()) -> Examination:
    """What answers at `place`; "silent" is told by what was heard: adapter junk is, a lone damaged
    reply is not."""
    line.apply(place.settings)
    seen = examine(line, place.address, waits=waits, repeats=1, further=further)
    if seen.kind in (Kind.UNIT, Kind.CLASH):
        return seen
    return replace(seen, kind=Kind.SILENT if is_silent(seen) else Kind.UNSURE)


def unexpected_places(line: Line, move: Move) -> tuple[Place, ...]:
    """Where else a unit answers that could be the one that was lost: by a misread address or code,
    or as new."""
    if not move.changes_settings:
        places = [
            Place(address, move.source.settings) for address in lookalikes(move.target.address)
        ]
    else:
        places = [Place(move.target.address, settings) for settings, _ in move.procedure.codes]
    if move.procedure.factory is not None:
        places.append(move.procedure.factory)
    unexpected = (
        place for place in dict.fromkeys(places) if place not in (move.source, move.target)
    )
    return tuple(place for place in unexpected if _at(line, place, CLOSE_LOOK).kind is Kind.UNIT)


def lookalikes(address: int) -> tuple[int, ...]:
    """Addresses that `address` becomes when its number is misread: decimal for hex, hex for
    decimal, bits mirrored.

    All three are common practice: "set 20, found at 32", and switches whose bit order is the other
    way round.
    """
    readings = {int(str(address), 16), int(f"{address:08b}"[::-1], 2)}
    if f"{address:x}".isdecimal():
        readings.add(int(f"{address:x}"))
    return tuple(sorted(a for a in readings - {address} if FIRST <= a <= LAST))

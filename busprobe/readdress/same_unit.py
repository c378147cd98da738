"""Is it the same unit that answers at two places?  Told by what it says of itself, and by what it
answers at all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Function, Request
from busprobe.survey.verdict import identities


def question(request: Request) -> bytes:
    """What is asked, whoever is.  A unit may refuse two registers and give one, so that only what
    was asked in just the same way can be compared."""
    return request.frame[1:-2]


def by_question(replies: Iterable[Reply]) -> Mapping[bytes, Sequence[Reply]]:
    """Replies to the same question together."""
    known: dict[bytes, list[Reply]] = {}
    for reply in replies:
        known.setdefault(question(reply.request), []).append(reply)
    return known


def contradictions(before: Iterable[Reply], after: Iterable[Reply]) -> tuple[Reply, ...]:
    """Replies of `after` that the unit of `before` cannot have given: values where it never gave
    any, or another identity than it always told."""
    known = by_question(before)
    return tuple(
        reply
        for reply in after
        if reply.valid and _contradicts(reply, known.get(question(reply.request), ()))
    )


def _contradicts(reply: Reply, earlier: Sequence[Reply]) -> bool:
    never = all(was.refused or not was.exchange.received for was in earlier)
    said = {_says(was) for was in earlier if was.valid}
    return bool(earlier) and (never or (len(said) == 1 and _says(reply) not in said))


def _says(reply: Reply) -> object:
    """What a unit says of itself, the address in its frame left out; None for what it measures."""
    if reply.request.function is Function.REPORT_SERVER_ID:
        return reply.frame[1:-2]
    return next(iter(identities([reply])), None)

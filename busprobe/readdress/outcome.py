"""What became of a move: decided by what answers at both addresses afterwards, one row of a table
for each case.

"Acknowledged" is not "changed": units acknowledge and do nothing until a power cycle, change and
never acknowledge, or acknowledge from the new address (common practice).  "Changed" is not "kept":
only a power cycle shows that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from busprobe.errors import RefusedError
from busprobe.line.place import Place
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict, exception_name
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.readdress.procedure import Move
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Kind
from busprobe.text import hex_bytes

FORMAT = "busprobe.readdress/1"
"""Format name of the outcome's document."""

_IN_PROGRESS = 5
"""Exception "acknowledge": accepted, takes long (MODBUS Application Protocol V1.1b3, section 7)."""


class Result(StrEnum):
    """The four ways a move can end, by the words of the readdress document."""

    VERIFIED = "verified"
    WAITING = "waiting for power cycle"
    NOT_VERIFIED = "not verified"
    REFUSED = "refused"
    """By us: the address was not written."""


class Answer(StrEnum):
    """What came back on the write itself."""

    FROM_OLD = "acknowledged"
    FROM_NEW = "acknowledged from the new address"
    EXCEPTION = "exception"
    UNCLEAR = "not understood"
    NONE = "no reply"
    UNKNOWN = "not on record"
    """The program ended before it could note a reply."""


class Row(StrEnum):
    """A row of the outcome table."""

    CHANGED = "changed"
    REPLY_LOST = "changed, reply lost"
    CHANGED_ALTHOUGH_REFUSED = "changed, although an exception came"
    FOUND_CHANGED = "found changed"
    PENDING = "pending"
    UNHEARD = "write not heard or ignored"
    UNIT_REFUSED = "refused by the unit"
    BOTH = "both addresses answer"
    NEITHER = "neither address answers"
    UNCLEAR = "not clear who answers"
    KEPT = "kept over a power cycle"
    KEPT_WITH_ANOTHER = "kept over a power cycle, with another unit at the old place"
    NOT_ACCEPTED = "not accepted"
    NOT_KEPT = "not kept"
    UNDECIDED = "write perhaps never sent"
    STEP_FAILED = "a step before the write failed"
    PORT_FAILED = "port failed"
    FINISHED = "procedure finished"
    NOT_FINISHED = "procedure not finished"
    NOT_CONFIRMED = "not confirmed"
    GUARD = "not safe"


_TABLE: dict[Row, tuple[Result, str, str]] = {
    Row.CHANGED: (
        Result.VERIFIED,
        "The write was acknowledged; {new} answers alone now and {old} is silent.",
        "Power-cycle the unit once and check again, to prove that the {what} is stored.",
    ),
    Row.REPLY_LOST: (
        Result.VERIFIED,
        (
            "No sound reply to the write came, but {new} answers alone now and {old} is silent: the"
            " reply was lost, or the unit sent none."
        ),
        "Power-cycle the unit once and check again, to prove that the {what} is stored.",
    ),
    Row.CHANGED_ALTHOUGH_REFUSED: (
        Result.VERIFIED,
        "An exception came ({exception}), yet {new} answers alone now and {old} is silent.",
        "Power-cycle the unit and check again before you rely on it; read its other settings too.",
    ),
    Row.FOUND_CHANGED: (
        Result.VERIFIED,
        (
            "What came back on the write is not on record, but {new} answers alone now and {old} is"
            " silent: the {what} has changed."
        ),
        "Power-cycle the unit once and check again, to prove that the {what} is stored.",
    ),
    Row.PENDING: (
        Result.WAITING,
        (
            "{new} is silent and {old} still answers: the unit has not taken the new {what} into"
            " use yet."
        ),
        "Switch the unit off and on again, then check both.",
    ),
    Row.UNHEARD: (
        Result.NOT_VERIFIED,
        (
            "No sound reply to the write came; {old} still answers and {new} is silent: the unit"
            " did not hear the write or ignored it."
        ),
        (
            "Check for a write lock on the unit (switch, menu, password) and the other write"
            " function in its data sheet; do not simply repeat the write."
        ),
    ),
    Row.UNIT_REFUSED: (
        Result.NOT_VERIFIED,
        (
            "The unit refused the write with exception {exception}; {old} still answers and {new}"
            " is silent."
        ),
        "{advice}",
    ),
    Row.BOTH: (
        Result.NOT_VERIFIED,
        (
            "Both {old} and {new} answer: there are two units, or one that answers at more than one"
            " place."
        ),
        (
            "Stop here: disconnect units until one is left, count them, and see where each answers"
            " alone."
        ),
    ),
    Row.NEITHER: (
        Result.NOT_VERIFIED,
        (
            "Neither {old} nor {new} answers: the unit may be restarting, or has taken something"
            " else than was meant.{elsewhere}"
        ),
        (
            "Give it ten seconds and check again; then switch it off and on; then survey the pair"
            " at all line settings."
        ),
    ),
    Row.UNCLEAR: (
        Result.NOT_VERIFIED,
        "What answers is not clear (at {old}: {at_old}; at {new}: {at_new}).",
        (
            "Survey both and look at the raw replies; if two units overlap, take units off until"
            " one is left."
        ),
    ),
    Row.KEPT: (
        Result.VERIFIED,
        "After the power cycle {new} answers alone and {old} is silent: the {what} is stored.",
        "Label the unit.",
    ),
    Row.KEPT_WITH_ANOTHER: (
        Result.VERIFIED,
        (
            "After the power cycle {new} answers alone, and one unit answers at {old}, where"
            " another is known to be by now: the {what} is stored."
        ),
        "Label the unit.",
    ),
    Row.NOT_ACCEPTED: (
        Result.NOT_VERIFIED,
        (
            "After the power cycle {old} still answers and {new} is silent: the unit did not accept"
            " the new {what}."
        ),
        (
            "Look in the data sheet for a lock, a save command or another register; make sure that"
            " the unit really was without power."
        ),
    ),
    Row.NOT_KEPT: (
        Result.NOT_VERIFIED,
        (
            "After the power cycle {old} answers again and {new} is silent: the new {what} was not"
            " stored."
        ),
        (
            "Look in the data sheet for a save command; check that the supply does not sag while"
            " the unit stores it."
        ),
    ),
    Row.UNDECIDED: (
        Result.NOT_VERIFIED,
        (
            "{old} answers and {new} is silent: the write never left, or the unit did not take it,"
            " or not yet."
        ),
        (
            "Nothing is lost: the move can be prepared again.  If this type of unit changes only"
            " after a power cycle, switch it off and on first."
        ),
    ),
    Row.STEP_FAILED: (
        Result.NOT_VERIFIED,
        "{step}",
        (
            "Correct what the data sheet says about this step, then prepare the move again; the"
            " unit may still be unlocked."
        ),
    ),
    Row.PORT_FAILED: (
        Result.NOT_VERIFIED,
        (
            "The port failed while the move was under way: {step} Whether the unit got the write is"
            " not known."
        ),
        (
            "Reconnect the adapter and open the port again; the move is then looked into by asking"
            " both places."
        ),
    ),
    Row.FINISHED: (
        Result.VERIFIED,
        "What was left of the procedure is done: {step}",
        "Power-cycle the unit once and check again, to prove that its settings are stored.",
    ),
    Row.NOT_FINISHED: (
        Result.NOT_VERIFIED,
        "The procedure is still not finished.  {step}",
        "Look up in the data sheet how this step is done, and check the unit by hand.",
    ),
    Row.NOT_CONFIRMED: (Result.REFUSED, "The write was not confirmed; nothing was sent.", ""),
    Row.GUARD: (Result.REFUSED, "{step}", "{advice}"),
}
"""Result, what was seen, and the next action for each row."""

_ADVICE = {
    1: (
        "The unit has no such function code, or is in the wrong state: try the other write function"
        " of its data sheet."
    ),
    2: "The unit has no such register: check the data sheet's numbering, or a lock on the unit.",
    3: (
        "The unit does not take this value: check the range of addresses it allows, or a lock on"
        " the unit."
    ),
    4: "The unit is probably locked: check its switch, menu or password.",
    6: "The unit is busy: wait a little and prepare the move again.",
}
"""What to do about an exception on the write of an address (common practice)."""


_READ_OTHERWISE = (
    "the same number or code, read differently, or a unit that is as from the factory."
)


def answer_of(reply: Reply, new: int) -> Answer:
    """What the reply to a write says of it; `new` is the address the unit was to take."""
    if reply.sound or reply.exception == _IN_PROGRESS:
        return Answer.FROM_OLD
    if reply.verdict is Verdict.SILENT or reply.exception in GATEWAY_EXCEPTIONS:
        return Answer.NONE
    if reply.exception is not None:
        return Answer.EXCEPTION
    if reply.verdict is Verdict.FOREIGN and reply.address == new and _repeats(reply):
        return Answer.FROM_NEW
    return Answer.UNCLEAR


def _repeats(reply: Reply) -> bool:
    """Whether the reply says what was written: function code, register, and the value (6) or the
    count (16)."""
    return reply.frame[1:6] == reply.request.frame[1:6]


def row_after_write(
    answer: Answer,
    at_old: Kind,
    at_new: Kind,
    *,
    effect: Effect | None = None,
    reply_from: ReplyFrom | None = None,
) -> Row:
    """The row for what answers after a write; `effect` and `reply_from` are what the procedure says
    of the unit."""
    match at_old, at_new:
        case Kind.SILENT, Kind.UNIT:
            if answer is Answer.EXCEPTION:
                return Row.CHANGED_ALTHOUGH_REFUSED
            if answer is Answer.UNKNOWN:
                return Row.FOUND_CHANGED
            return Row.CHANGED if answer in (Answer.FROM_OLD, Answer.FROM_NEW) else Row.REPLY_LOST
        case Kind.UNIT, Kind.SILENT:
            if answer is Answer.EXCEPTION:
                return Row.UNIT_REFUSED
            if answer is Answer.UNKNOWN:
                return Row.UNDECIDED
            as_expected = effect is Effect.AFTER_POWER_CYCLE and reply_from is ReplyFrom.NONE
            return (
                Row.PENDING
                if answer in (Answer.FROM_OLD, Answer.FROM_NEW) or as_expected
                else Row.UNHEARD
            )
        case Kind.SILENT, Kind.SILENT:
            return Row.NEITHER
        case Kind.UNIT, Kind.UNIT:
            return Row.BOTH
        case _:
            return Row.UNCLEAR


def row_after_power_cycle(
    before: Result, at_old: Kind, at_new: Kind, *, old_taken: bool = False
) -> Row:
    """The row for what answers after a power cycle of a unit whose move had ended with `before`.

    Where another unit is known to have `old_taken`, the old place, who answers there is no evidence
    against the move; but if nobody answers at the new place, nobody can tell which of the two it
    is.
    """
    match at_old, at_new:
        case Kind.UNIT, Kind.UNIT if old_taken:
            return Row.KEPT_WITH_ANOTHER
        case Kind.UNIT, Kind.SILENT if old_taken:
            return Row.UNCLEAR
        case Kind.SILENT, Kind.UNIT:
            return Row.KEPT
        case Kind.UNIT, Kind.SILENT:
            return Row.NOT_KEPT if before is Result.VERIFIED else Row.NOT_ACCEPTED
        case _:
            return row_after_write(Answer.UNKNOWN, at_old, at_new)


@dataclass(frozen=True)
class Outcome:
    """How a move ended, with what it was told by."""

    move: Move
    row: Row
    why: str
    """What was seen, in one sentence."""
    todo: str
    """The next action; empty where there is none."""
    request: bytes = b""
    """The frame that was sent or, where refused, would have been; empty where it never came to one.
    """
    reply: bytes | None = None
    """All that came back on it; None if nothing did."""
    at_old: Examination | None = None
    """What answered at the old address afterwards."""
    at_new: Examination | None = None
    """What answered at the new address afterwards."""
    write: int | None = None
    """The write's number in the journal; None if none was intended."""
    from_record: bool = False
    """Whether the request is only known from the journal: if it left, and what came back, nobody
    noted."""
    power_cycled: bool = False
    """Whether this was told after a power cycle; otherwise that is not tested."""

    @property
    def result(self) -> Result:
        """Which of the four ways it ended."""
        return _TABLE[self.row][0]

    @property
    def moved(self) -> bool:
        """Whether the unit was seen at its new place; finishing a procedure says nothing of
        that."""
        return self.result is Result.VERIFIED and self.row is not Row.FINISHED

    @property
    def word(self) -> str:
        """How it ended, for people."""
        return str(self.row if self.row in (Row.FINISHED, Row.NOT_FINISHED) else self.result)

    def document(self) -> dict[str, Any]:
        """The ``busprobe.readdress/1`` document."""
        return {
            "format": FORMAT,
            "from": self.move.old,
            "to": self.move.new,
            "settings": str(self.move.settings),
            "to_settings": str(self.move.target.settings),
            "outcome": str(self.result),
            "request": hex_bytes(self.request),
            "reply": None if self.reply is None else hex_bytes(self.reply),
            "why": self.why,
            "todo": self.todo,
            "power_cycle": str(self.row) if self.power_cycled else "not tested",
        }


def refusal(move: Move, error: RefusedError, request: bytes = b"") -> Outcome:
    """The outcome of a move that a guard refused."""
    return Outcome(move, Row.GUARD, f"{error.what} {error.means}".strip(), error.todo, request)


def ended(
    move: Move, row: Row, *, step: str = "", request: bytes = b"", write: int | None = None
) -> Outcome:
    """The outcome of `row` in its words, where nobody had to be asked for it."""
    why, todo = sentences(move, row, step=step)
    return Outcome(move, row, why, todo, request, write=write)


def sentences(
    move: Move,
    row: Row,
    *,
    at_old: Examination | None = None,
    at_new: Examination | None = None,
    exception: int | None = None,
    step: str = "",
    elsewhere: Sequence[Place] = (),
) -> tuple[str, str]:
    """What was seen and what to do next for `row`, with the numbers of this move filled in."""
    _, why, todo = _TABLE[row]
    found = " or ".join(place.words for place in elsewhere)
    facts = {
        "what": move.what,
        "old": move.name(move.source),
        "new": move.name(move.target),
        "at_old": at_old.kind if at_old else "not asked",
        "at_new": at_new.kind if at_new else "not asked",
        "exception": "" if exception is None else exception_name(exception),
        "advice": _ADVICE.get(exception or 0, "Look the exception up in the unit's data sheet."),
        "step": step,
        "elsewhere": f"  But somebody answers at {found}: {_READ_OTHERWISE}" if found else "",
    }
    return _sentence(why.format_map(facts)), todo.format_map(facts)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]

"""What became of a move: decided by what answers at both addresses afterwards, one row of a table
for each case.

"Acknowledged" is not "changed": units acknowledge and do nothing until a power cycle, change and
never acknowledge, or acknowledge from the new address (common practice).  "Changed" is not "kept":
only a power cycle shows that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from busprobe.errors import FileError, RefusedError
from busprobe.files.documents import to_document
from busprobe.job.journal import Result, Row
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict, exception_name
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.readdress.procedure import Move
from busprobe.readdress.words import (
    ADVICE,
    LOCKED,
    READ_OTHERWISE,
    RESULT_WORDS,
    ROW_WORDS,
    SENTENCES,
)
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Kind
from busprobe.text import hex_bytes

FORMAT: Final = "busprobe.readdress/1"
"""Format name of the outcome's document."""

_IN_PROGRESS = 5
"""Exception "acknowledge": accepted, takes long (MODBUS Application Protocol V1.1b3, section 7)."""


class WriteAnswer(Enum):
    """What came back on the write itself."""

    FROM_OLD = auto()
    FROM_NEW = auto()
    EXCEPTION = auto()
    UNCLEAR = auto()
    NONE = auto()
    UNKNOWN = auto()
    """The program ended before it could note a reply."""


class ReadBack(Enum):
    """What the register tells that was written, read once more afterwards."""

    NEW = auto()
    """It holds what was written: the unit takes that with its next power cycle, if not before."""
    OLD = auto()
    """It holds what it held before."""
    OTHER_REGISTER = auto()
    """It holds what was written, and it held another number than the unit's address before."""
    NOTHING = auto()
    """It was not read, or holds neither."""


RESULTS: Mapping[Row, Result] = {
    Row.CHANGED: Result.VERIFIED,
    Row.REPLY_LOST: Result.VERIFIED,
    Row.CHANGED_ALTHOUGH_REFUSED: Result.VERIFIED,
    Row.FOUND_CHANGED: Result.VERIFIED,
    Row.PENDING: Result.WAITING,
    Row.UNHEARD: Result.NOT_VERIFIED,
    Row.UNIT_REFUSED: Result.NOT_VERIFIED,
    Row.NOT_TAKEN: Result.NOT_VERIFIED,
    Row.OTHER_REGISTER: Result.NOT_VERIFIED,
    Row.BOTH: Result.NOT_VERIFIED,
    Row.POWER_CYCLED: Result.ACKNOWLEDGED,
    Row.NOT_ALONE: Result.NOT_VERIFIED,
    Row.NEITHER: Result.NOT_VERIFIED,
    Row.UNCLEAR: Result.NOT_VERIFIED,
    Row.KEPT: Result.VERIFIED,
    Row.KEPT_WITH_ANOTHER: Result.VERIFIED,
    Row.NOT_ACCEPTED: Result.NOT_VERIFIED,
    Row.STILL_PENDING: Result.WAITING,
    Row.NOT_KEPT: Result.NOT_VERIFIED,
    Row.UNDECIDED: Result.NOT_VERIFIED,
    Row.STEP_FAILED: Result.NOT_VERIFIED,
    Row.PORT_FAILED: Result.NOT_VERIFIED,
    Row.FINISHED: Result.VERIFIED,
    Row.NOT_FINISHED: Result.NOT_VERIFIED,
    Row.NOT_CONFIRMED: Result.REFUSED,
    Row.GUARD: Result.REFUSED,
}
"""How a move ends, by the row of the outcome table."""


def answer_of(reply: Reply, new: int) -> WriteAnswer:
    """What the reply to a write says of it; `new` is the address the unit was to take."""
    if reply.valid or reply.exception == _IN_PROGRESS:
        return WriteAnswer.FROM_OLD
    if reply.verdict is Verdict.SILENT or reply.exception in GATEWAY_EXCEPTIONS:
        return WriteAnswer.NONE
    if reply.exception is not None:
        return WriteAnswer.EXCEPTION
    if reply.verdict is Verdict.FOREIGN and reply.address == new and _repeats(reply):
        return WriteAnswer.FROM_NEW
    return WriteAnswer.UNCLEAR


def _repeats(reply: Reply) -> bool:
    """Whether the reply says what was written: function code, register, and the value (6) or the
    count (16)."""
    return reply.frame[1:6] == reply.request.frame[1:6]


def row_after_write(
    answer: WriteAnswer,
    at_old: Kind,
    at_new: Kind,
    *,
    effect: Effect | None = None,
    reply_from: ReplyFrom | None = None,
    register: ReadBack = ReadBack.NOTHING,
) -> Row:
    """The row for what answers after a write; `effect` and `reply_from` are what the procedure says
    of the unit, `register` what the one that answers at the old place has in it."""
    match at_old, at_new:
        case Kind.SILENT, Kind.UNIT:
            if answer is WriteAnswer.EXCEPTION:
                return Row.CHANGED_ALTHOUGH_REFUSED
            if answer is WriteAnswer.UNKNOWN:
                return Row.FOUND_CHANGED
            return (
                Row.CHANGED
                if answer in (WriteAnswer.FROM_OLD, WriteAnswer.FROM_NEW)
                else Row.REPLY_LOST
            )
        case Kind.UNIT, Kind.SILENT:
            if register is ReadBack.NEW:
                return Row.PENDING
            if register is ReadBack.OTHER_REGISTER:
                return Row.OTHER_REGISTER
            if answer is WriteAnswer.EXCEPTION:
                return Row.UNIT_REFUSED
            acknowledged = answer in (WriteAnswer.FROM_OLD, WriteAnswer.FROM_NEW)
            if register is ReadBack.OLD and effect is Effect.AT_ONCE and not acknowledged:
                return Row.NOT_TAKEN
            if answer is WriteAnswer.UNKNOWN:
                return Row.UNDECIDED
            as_expected = effect is Effect.AFTER_POWER_CYCLE and reply_from is ReplyFrom.NONE
            return Row.PENDING if acknowledged or as_expected else Row.UNHEARD
        case Kind.SILENT, Kind.SILENT:
            return Row.NEITHER
        case Kind.UNIT, Kind.UNIT:
            return Row.BOTH
        case _:
            return Row.UNCLEAR


def row_after_power_cycle(
    before: Result,
    at_old: Kind,
    at_new: Kind,
    *,
    old_taken: bool = False,
    register: ReadBack = ReadBack.NOTHING,
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
        case Kind.UNIT, Kind.SILENT if before is Result.VERIFIED:
            return Row.NOT_KEPT
        case Kind.UNIT, Kind.SILENT:
            return Row.STILL_PENDING if register is ReadBack.NEW else Row.NOT_ACCEPTED
        case _:
            return row_after_write(WriteAnswer.UNKNOWN, at_old, at_new)


@dataclass(frozen=True)
class NotStored:
    """That the journal could not take what became of a move."""

    writes: tuple[int, ...]
    """Numbers of the writes in the journal that have no conclusion because of it."""
    error: FileError
    """Why not, and what to do."""


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
    written: int | None = None
    """What was, or was to be, written to the register; None where that is not known."""
    held: int | None = None
    """What the register held before the write; None where it was not read."""
    awaited: int | None = None
    """What an earlier write to the unit left in that register; None if there was none."""
    holds: int | None = None
    """What it held afterwards; None where it was not read."""
    from_record: bool = False
    """Whether the request is only known from the journal: if it left, and what came back, nobody
    noted."""
    power_cycled: bool = False
    """Whether this was told after a power cycle; otherwise that is not tested."""
    not_stored: NotStored | None = None
    """Where the journal could not take it: whoever shows the outcome has the only copy."""

    @property
    def result(self) -> Result:
        """Which of the four ways it ended."""
        return RESULTS[self.row]

    @property
    def moved(self) -> bool:
        """Whether the unit was seen at its new place; finishing a procedure says nothing of
        that."""
        return self.result is Result.VERIFIED and self.row is not Row.FINISHED

    @property
    def word(self) -> str:
        """How it ended, for people."""
        return self.row_words if self.of_unfinished_steps else RESULT_WORDS[self.result]

    @property
    def row_words(self) -> str:
        """The row of the outcome table, for people."""
        return ROW_WORDS[self.row]

    @property
    def of_unfinished_steps(self) -> bool:
        """Whether it is that of the rest of a procedure, sent later."""
        return self.row in (Row.FINISHED, Row.NOT_FINISHED)

    @property
    def recorded_why(self) -> str:
        """The row and what was seen, as the journal keeps it."""
        return f"{self.row_words}: {self.why}"

    def document(self) -> dict[str, Any]:
        """The ``busprobe.readdress/1`` document."""
        return to_document(self.published)

    @property
    def published(self) -> ReaddressDocument:
        """The fields of its document."""
        return ReaddressDocument(
            **places(self.move),
            outcome=self.result,
            request=hex_bytes(self.request),
            reply=None if self.reply is None else hex_bytes(self.reply),
            why=self.why,
            todo=self.todo,
            power_cycle=self.row_words if self.power_cycled else "not tested",
            stored=self.not_stored is None,
        )


def read_back(sent: Outcome, holds: int | None) -> ReadBack:
    """What the register that was written tells, which `holds` this now."""
    if holds is None:
        return ReadBack.NOTHING
    if holds == sent.written:
        # A register that is shared, or that holds a code, was compared before it was written.
        move = sent.move
        plain = not move.changes_settings and sent.written == move.target.address
        expected = (None, move.source.address, sent.written, sent.awaited)
        return ReadBack.OTHER_REGISTER if plain and sent.held not in expected else ReadBack.NEW
    return ReadBack.OLD if holds == sent.held else ReadBack.NOTHING


@dataclass(frozen=True, kw_only=True)
class MoveDocument:
    """The two places of a move, as documents have them."""

    from_: Annotated[int, Field(alias="from")]
    to: int
    settings: LineSettings
    to_settings: LineSettings


@dataclass(frozen=True, kw_only=True)
class ReaddressDocument(MoveDocument):
    """How one move ended; what ``busprobe readdress --json`` prints."""

    format: Literal["busprobe.readdress/1"] = FORMAT
    outcome: Result
    request: str
    """The frame in hex pairs; empty where none was made."""
    reply: str | None
    why: str
    todo: str
    power_cycle: str
    """What a power cycle showed, or that it was not tested."""
    stored: bool
    """Whether the journal has it."""


def places(move: Move) -> dict[str, Any]:
    """The fields of a `MoveDocument`."""
    return {
        "from_": move.source.address,
        "to": move.target.address,
        "settings": move.source.settings,
        "to_settings": move.target.settings,
    }


def refusal(move: Move, error: RefusedError, request: bytes = b"") -> Outcome:
    """The outcome of a move that a guard refused."""
    return Outcome(move, Row.GUARD, f"{error.what} {error.means}".strip(), error.todo, request)


def outcome_unseen(
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
    held: int | None = None,
) -> tuple[str, str]:
    """What was seen and what to do next for `row`, with the numbers of this move filled in."""
    why, todo = SENTENCES[row]
    found = " or ".join(place.words for place in elsewhere)
    facts = {
        "what": move.what,
        "old": move.name(move.source),
        "new": move.name(move.target),
        "at_old": at_old.kind if at_old else "not asked",
        "at_new": at_new.kind if at_new else "not asked",
        "exception": "" if exception is None else exception_name(exception),
        "advice": _advice(move, exception),
        "step": step,
        "held": "not known" if held is None else f"{held}, 0x{held:04X}",
        "elsewhere": f"  But a unit answers at {found}: {READ_OTHERWISE}" if found else "",
    }
    return _sentence(why.format_map(facts)), todo.format_map(facts)


def _advice(move: Move, exception: int | None) -> str:
    """What to do about an exception on the write."""
    if exception is not None and exception == move.procedure.locked_exception:
        return LOCKED
    return ADVICE.get(exception or 0, "Look the exception up in the unit's data sheet.")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]

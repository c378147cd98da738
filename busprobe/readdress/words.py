"""What is said of moves and writes: every sentence of the outcome table, and names for people.

Nothing is decided by these words; `busprobe.readdress.outcome` and the journal decide by rows,
results and roles.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from busprobe.job.journal import Result, Role, Row, WriteRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms

RESULT_WORDS: Mapping[Result, str] = {
    Result.VERIFIED: "verified",
    Result.WAITING: "waiting for power cycle",
    Result.NOT_VERIFIED: "not verified",
    Result.REFUSED: "refused",
    Result.ACKNOWLEDGED: "acknowledged",
    Result.NOT_ACKNOWLEDGED: "not acknowledged",
}
"""What became of a write, in short."""

ROW_WORDS: Mapping[Row, str] = {
    Row.CHANGED: "changed",
    Row.REPLY_LOST: "changed, reply lost",
    Row.CHANGED_ALTHOUGH_REFUSED: "changed, although an exception came",
    Row.FOUND_CHANGED: "found changed",
    Row.PENDING: "pending",
    Row.UNHEARD: "write not heard or ignored",
    Row.UNIT_REFUSED: "refused by the unit",
    Row.NOT_TAKEN: "not taken",
    Row.OTHER_REGISTER: "another register",
    Row.BOTH: "both addresses answer",
    Row.POWER_CYCLED: "switched off and on since",
    Row.NOT_ALONE: "another unit at the new place",
    Row.NEITHER: "neither address answers",
    Row.UNCLEAR: "not clear who answers",
    Row.KEPT: "kept over a power cycle",
    Row.KEPT_WITH_ANOTHER: "kept over a power cycle, with another unit at the old place",
    Row.NOT_ACCEPTED: "not accepted",
    Row.STILL_PENDING: "still pending after a power cycle",
    Row.NOT_KEPT: "not kept",
    Row.UNDECIDED: "write perhaps never sent",
    Row.STEP_FAILED: "a step before the write failed",
    Row.PORT_FAILED: "port failed",
    Row.FINISHED: "procedure finished",
    Row.NOT_FINISHED: "procedure not finished",
    Row.NOT_CONFIRMED: "not confirmed",
    Row.GUARD: "not safe",
}
"""Each row of the outcome table in short."""

_ROLE_WORDS: Mapping[Role, str] = {
    Role.ADDRESS: "readdress",
    Role.ASIDE: "readdress",
    Role.SETTINGS: "line settings",
    Role.UNLOCK: "unlock",
    Role.SAVE: "save",
    Role.RELOCK: "relock",
    Role.RESTORE: "restore",
}

SENTENCES: Mapping[Row, tuple[str, str]] = {
    Row.CHANGED: (
        "The write was acknowledged; {new} answers alone now and {old} is silent.",
        "Power-cycle the unit once and check again, to prove that the {what} is stored.",
    ),
    Row.REPLY_LOST: (
        (
            "No valid reply to the write, but {new} answers alone now and {old} is silent: the"
            " reply was lost, or the unit sent none."
        ),
        "Power-cycle the unit once and check again, to prove that the {what} is stored.",
    ),
    Row.CHANGED_ALTHOUGH_REFUSED: (
        "An exception came ({exception}), yet {new} answers alone now and {old} is silent.",
        "Power-cycle the unit and check again before you rely on it; read its other settings too.",
    ),
    Row.FOUND_CHANGED: (
        (
            "What came back on the write is not on record, but {new} answers alone now and {old} is"
            " silent: the {what} has changed."
        ),
        "Power-cycle the unit once and check again, to prove that the {what} is stored.",
    ),
    Row.PENDING: (
        (
            "{new} is silent and {old} still answers: the unit has not taken the new {what} into"
            " use yet."
        ),
        "Switch the unit off and on again, then check both.",
    ),
    Row.UNHEARD: (
        (
            "No valid reply to the write; {old} still answers and {new} is silent: the unit"
            " did not receive the write or ignored it."
        ),
        (
            "Check for a write lock on the unit (switch, menu, password) and the other write"
            " function in its data sheet; do not simply repeat the write."
        ),
    ),
    Row.UNIT_REFUSED: (
        (
            "The unit refused the write with exception {exception}; {old} still answers and {new}"
            " is silent."
        ),
        "{advice}",
    ),
    Row.NOT_TAKEN: (
        (
            "{old} still answers, {new} is silent, and the register still holds what it held"
            " before: this type changes at once, so the unit did not take the write."
        ),
        (
            "Check for a write lock on the unit (switch, menu, password) and the other write"
            " function in its data sheet; then prepare the move again."
        ),
    ),
    Row.OTHER_REGISTER: (
        (
            "{old} still answers and {new} is silent; the register took the value, but it did not"
            " hold the {what} before: it is probably another setting of the unit."
        ),
        (
            "Write back what the register held before ({held}), and look up the register of the"
            " {what} in the data sheet of this very unit."
        ),
    ),
    Row.BOTH: (
        (
            "Both {old} and {new} answer: there are two units, or one that answers at more than one"
            " place."
        ),
        (
            "Stop here: disconnect units until one is left, count them, and see where each answers"
            " alone."
        ),
    ),
    Row.POWER_CYCLED: (
        "The unit was switched off and on since it was unlocked, which locks it again.",
        "Check that it answers where it should.",
    ),
    Row.NOT_ALONE: (
        (
            "{new} answers and {old} is silent, but an answer came that the moved unit cannot give:"
            " another unit is at the new place.  {step}"
        ),
        (
            "Stop here: disconnect units until one is left, count them, and see where each answers"
            " alone."
        ),
    ),
    Row.NEITHER: (
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
        "What answers is not clear (at {old}: {at_old}; at {new}: {at_new}).",
        (
            "Survey both and look at the raw replies; if two units overlap, take units off until"
            " one is left."
        ),
    ),
    Row.KEPT: (
        "After the power cycle {new} answers alone and {old} is silent: the {what} is stored.",
        "Label the unit.",
    ),
    Row.KEPT_WITH_ANOTHER: (
        (
            "After the power cycle {new} answers alone, and one unit answers at {old}, where"
            " another is known to be by now: the {what} is stored."
        ),
        "Label the unit.",
    ),
    Row.NOT_ACCEPTED: (
        (
            "After the power cycle {old} still answers and {new} is silent: the unit did not accept"
            " the new {what}."
        ),
        (
            "Look in the data sheet for a lock, a save command or another register; make sure that"
            " the unit really was without power."
        ),
    ),
    Row.STILL_PENDING: (
        (
            "After the power cycle {old} still answers and {new} is silent, but the register holds"
            " the new {what}: the unit was not without power, or has a switch that decides."
        ),
        (
            "Look for a switch of the {what} on the unit; make sure that it really is without power"
            " for ten seconds, then check again."
        ),
    ),
    Row.NOT_KEPT: (
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
        "{step}",
        (
            "Correct what the data sheet says about this step, then prepare the move again; the"
            " unit may still be unlocked."
        ),
    ),
    Row.PORT_FAILED: (
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
        "What was left of the procedure is done: {step}",
        "Power-cycle the unit once and check again, to prove that its settings are stored.",
    ),
    Row.NOT_FINISHED: (
        "The procedure is still not finished.  {step}",
        "Look up in the data sheet how this step is done, and check the unit by hand.",
    ),
    Row.NOT_CONFIRMED: ("The write was not confirmed; nothing was sent.", ""),
    Row.GUARD: ("{step}", "{advice}"),
}
"""What was seen, and the next action, for each row of the outcome table."""

ADVICE = {
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


LOCKED = (
    "By its profile the unit says so while it is locked: check the step that unlocks it, its"
    " switch, menu or password."
)
"""What to do about the exception that a profile knows for a locked unit."""

READ_OTHERWISE = "the same number or code, read differently, or a unit that is as from the factory."


def free_place_words(address: int, ways: int, settings: Sequence[LineSettings]) -> str:
    """In how many ways an address was asked, at which line settings, and what was not asked."""
    return (
        f"Unit address {both_forms(address)} was asked in {ways} ways at"
        f" {' and '.join(map(str, settings))}: no reply.  Not asked: other line settings, registers"
        " that no profile in use names."
    )


def role_words(role: Role, source: Place, target: Place) -> str:
    """What a write of the move from `source` to `target` is for."""
    if role is Role.UNDO:
        role = Role.ADDRESS if source.settings == target.settings else Role.SETTINGS
    return _ROLE_WORDS[role]


def write_words(write: WriteRecord) -> str:
    """What a write is for, with the new line settings where its move changes these."""
    words = role_words(write.role, write.source, write.target)
    if write.source.settings == write.target.settings:
        return words
    return f"{words} to {write.target.settings}"

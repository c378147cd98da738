"""Steps of a procedure that were never sent, or never acknowledged: told from the record alone.

A program that is killed after the write of an address leaves a unit that forgets the address with
its supply, or that stays unlocked.  The whole procedure is on record from its first frame on, so
what is missing of it can be named later and sent by `busprobe.readdress.finishing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.readdress.journal import WriteOnRecord
from busprobe.readdress.outcome import Result, Row
from busprobe.readdress.procedure import Move, Procedure, RegisterWrite
from busprobe.readdress.recorded import moves_on_record, of_one_move
from busprobe.readdress.steps import MAIN, Role, Step, journal_kind

PROCEDURE = "readdress procedure"
"""The name under which a procedure is kept in the job."""

ACKNOWLEDGED = "acknowledged"
"""The outcome on record of a further step that the unit has acknowledged."""

_MISSING = {
    Role.SAVE: "the {what} is not stored for sure and may be lost with the supply",
    Role.RELOCK: "the unit may still be unlocked",
}
"""What it means that a step is open."""


@dataclass(frozen=True)
class OpenSteps:
    """What is left of one procedure."""

    write: int
    """Number in the journal of its first write."""
    move: Move
    place: Place
    """Where the unit was when it was last told."""
    steps: tuple[Step, ...]
    """Never sent or never acknowledged, in order."""

    @property
    def names(self) -> str:
        """The steps by their names."""
        return ", ".join(step.role for step in self.steps)

    @property
    def words(self) -> str:
        """What is open and what that means, in one sentence."""
        means = (_MISSING[step.role].format(what=self.move.what) for step in self.steps)
        return f"Not done at {self.place.words}: {self.names}.  {'; '.join(means).capitalize()}."


def procedure_document(write: int, move: Move, steps: Sequence[Step]) -> dict[str, Any]:
    """A procedure as JSON can say it; `write` is the number of its first write in the journal."""
    return {
        "first_write": write,
        "from": move.old,
        "to": move.new,
        "settings": str(move.settings),
        "to_settings": str(move.target.settings),
        "steps": [
            {
                "role": str(step.role),
                "settings": str(step.place.settings),
                "address": step.place.address,
                "register": step.write.register,
                "values": list(step.write.values),
                "function": int(step.write.function),
            }
            for step in steps
        ],
    }


def open_steps(
    writes: Sequence[WriteOnRecord], procedures: Iterable[Mapping[str, Any]]
) -> tuple[OpenSteps, ...]:
    """What is left of each procedure on record; a unit whose move is not looked into yet is left to
    the recovery."""
    found = (_left_of(document, writes) for document in procedures)
    return tuple(left for left in found if left is not None and left.steps)


def _left_of(document: Mapping[str, Any], writes: Sequence[WriteOnRecord]) -> OpenSteps | None:
    first = document["first_write"]
    begun = next((write for write in writes if write.id == first), None)
    if begun is None:
        return None
    steps = tuple(_step(entry) for entry in document["steps"])
    made = _move(document, steps)
    mine = [
        write for write in writes if write.id >= first and of_one_move(write) == of_one_move(begun)
    ]
    main = next((write for write in mine if write.kind.startswith(MAIN)), None)
    if any(write.outcome is None for write in mine):
        return None
    verified = (
        main is not None and main.outcome == Result.VERIFIED
    )  # otherwise a save would store what was before
    place = made.target if verified else made.source
    later = (write for write in writes if write.id > (main or begun).id)
    if any(move.source == place for _, move in moves_on_record(later)):
        return None  # the unit was taken up again, with a whole procedure of its own
    done = {write.kind for write in mine if write.outcome == ACKNOWLEDGED}
    sent = {write.kind for write in mine}

    def is_open(step: Step) -> bool:
        kind = journal_kind(step.role, made)
        if step.role in (*MAIN, Role.UNLOCK) or kind in done:
            return False
        if step.role is Role.SAVE:
            return verified and not _kept(main)
        return journal_kind(Role.UNLOCK, made) in sent

    return OpenSteps(first, made, place, tuple(step for step in steps if is_open(step)))


def _move(document: Mapping[str, Any], steps: Sequence[Step]) -> Move:
    main = next(step.write for step in steps if step.role in MAIN)
    settings, wanted = (
        LineSettings.parse(document["settings"]),
        LineSettings.parse(document["to_settings"]),
    )
    procedure = Procedure(main.register, main.function)
    return Move(
        settings,
        document["from"],
        document["to"],
        procedure,
        None if wanted == settings else wanted,
    )


def _step(entry: Mapping[str, Any]) -> Step:
    place = Place(entry["address"], LineSettings.parse(entry["settings"]))
    write = RegisterWrite(entry["register"], tuple(entry["values"]), Function(entry["function"]))
    return Step(Role(entry["role"]), place, write)


def _kept(main: WriteOnRecord | None) -> bool:
    """Whether a power cycle has shown since that the unit has stored what was written."""
    return main is not None and any(
        conclusion.why.startswith(Row.KEPT) for conclusion in main.conclusions
    )

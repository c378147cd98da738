"""A move made ready: the guards run on the wire, the frames put together, everything that has to be
shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from busprobe.line.line import Line
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.requests import Request
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.profiles.registers import AddressPart
from busprobe.readdress import guards
from busprobe.readdress.procedure import Move
from busprobe.readdress.steps import MAIN, Step, steps
from busprobe.survey.close_look import CLOSE_LOOK, Examination

Report = Callable[[str], None]
"""Told in one sentence what is being done."""

GENERAL_RESCUE = (
    "Give it ten seconds, switch it off and on, then survey the pair at all line settings with only"
    " this unit on it; its data sheet says how to go back to factory settings."
)

UNSEEN = (
    "Units that are off or set otherwise were not seen, and identical ones can answer as one: if"
    " there may be more than one, count them first."
)
"""What no guard can see."""


@dataclass(frozen=True)
class Prepared:
    """A move that passed its guards, with everything that is to be shown before it is confirmed."""

    move: Move
    steps: tuple[Step, ...]
    """The exact frames in the order in which they will be sent."""
    source: Examination
    """What answered at the old place."""
    target: Examination
    """The silence at the new one."""
    expectation: str
    """What is going to happen if all is well."""
    cautions: tuple[str, ...]
    """What the write may move, switch or stop, by the profile, and why the register may be the
    wrong one."""
    doubts: tuple[str, ...]
    """What else the technician has to weigh: what was odd, and what guards cannot see."""
    rescue: str
    """What to do if the unit should be lost."""

    @property
    def request(self) -> Request:
        """The one write that the move is about."""
        return next(step.request for step in self.steps if step.role in MAIN)

    @property
    def warnings(self) -> tuple[str, ...]:
        """All that the technician has to weigh."""
        return (*self.cautions, *self.doubts)

    @property
    def words(self) -> str:
        """All that will be sent, in plain words."""
        return " ".join(step.request.words for step in self.steps)

    @property
    def by_hand(self) -> bool:
        """Whether no profile stands behind the register."""
        return self.move.procedure.profile is None


def prepare(line: Line, move: Move, report: Report = lambda _: None) -> Prepared:
    """Run all guards on the wire; raises `RefusedError` with the reason, `PortError` if the port
    fails.

    Nothing is written.  Takes about ten seconds, most of them spent waiting for replies at the new
    place; whoever wants to stop it does so with `Line.stopped_by`.
    """
    guards.check_move(move)
    line.apply(move.settings)
    report("Listening for anybody else on the pair.")
    remarks = guards.check_quiet(line)
    report(f"Looking who answers at {move.source.words}.")
    source = guards.check_source(line, move.source)
    holds = guards.read_register(line, move, CLOSE_LOOK)
    guards.check_register(move, holds)
    frames = steps(move, holds)
    report(f"Making sure that {move.target.words} is free.")
    target = guards.check_target(line, move.target)
    return Prepared(
        move=move,
        steps=frames,
        source=source,
        target=target,
        expectation=_expectation(move) + _kept_part(move, holds),
        cautions=(*move.procedure.cautions, *_warnings(move, holds)),
        doubts=(UNSEEN, *remarks, *source.notes),
        rescue=move.procedure.rescue or GENERAL_RESCUE,
    )


def _expectation(move: Move) -> str:
    how = move.procedure
    there = move.name(move.target).removeprefix("unit ")
    if how.effect is None:
        return (
            f"The unit should answer at {there} afterwards, at once or after a power cycle; nothing"
            " is known of how this type replies."
        )
    moment = {
        Effect.AT_ONCE: "at once",
        Effect.AFTER_SAVE: "once that is saved",
        Effect.AFTER_POWER_CYCLE: "after a power cycle",
    }[how.effect]
    reply = {
        ReplyFrom.OLD: f"reply from {both_forms(move.old)} and ",
        ReplyFrom.NEW: f"reply from {both_forms(move.new)} and ",
        ReplyFrom.NONE: "not reply to the write and ",
        None: "",
    }[how.reply_from]
    return f"The unit should {reply}answer at {there} {moment}."


def _kept_part(move: Move, holds: int | None) -> str:
    """What a register that other settings share holds before and after, so that anybody can see
    that they stay."""
    how = move.procedure
    value = how.value(move.target)
    if how.part is AddressPart.WHOLE or holds is None or value is None:
        return ""
    after = how.part.put(holds, value)
    return (
        f"  Register {how.register} (0x{how.register:04X}) goes from 0x{holds:04X} to"
        f" 0x{after:04X}: only {how.part.words} changes."
    )


def _warnings(move: Move, holds: int | None) -> tuple[str, ...]:
    how = move.procedure
    register = f"{how.register} (0x{how.register:04X})"
    expected = how.value(move.source)
    warnings = []
    if how.profile is None:
        warnings.append(
            f"Register {register} was given by hand.  If it does not hold the unit address, this"
            " write changes something else: a set point, an output, a limit.  Compare it with the"
            " data sheet of this very unit."
        )
    if holds is None:
        warnings.append(
            f"The unit does not let register {register} be read, so it could not be checked."
        )
    elif how.part.read(holds) == how.value(move.target):
        warnings.append(
            f"Register {register} holds {holds} (0x{holds:04X}) already, just what is to be"
            " written: an earlier write may be waiting for a save or a power cycle, or it is not"
            " the right register."
        )
    elif how.part.read(holds) != expected:
        warnings.append(
            f"Register {register} holds {holds} (0x{holds:04X}) now, not the unit address"
            f" {both_forms(move.old)}: it is probably not the right register."
        )
    return tuple(warnings)

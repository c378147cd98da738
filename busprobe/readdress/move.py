"""One guarded move: prepared and shown, confirmed, on record, written once, and told by what answers afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from busprobe.errors import PortError, RefusedError
from busprobe.line.exchange import Echo, Waits
from busprobe.line.line import Line
from busprobe.modbus.addresses import FIRST, LAST, both_forms
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Request
from busprobe.profiles.schema import Effect, ReplyFrom
from busprobe.readdress import guards
from busprobe.readdress.journal import Journal
from busprobe.readdress.outcome import (
    Answer,
    Outcome,
    Result,
    Row,
    answer_of,
    refusal,
    row_after_power_cycle,
    row_after_write,
    sentences,
)
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.steps import Role, Step, steps
from busprobe.survey.examine import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Kind

__all__ = ["Move", "Outcome", "Prepared", "Procedure", "Result", "Row", "execute", "prepare", "verify_again"]

Report = Callable[[str], None]
"""Told in one sentence what is being done."""

WRITE_WAITS = Waits(reply=1.0, after=0.12)
"""The standard's typical response time for the write itself (V1.02 section 2.4.1), and time for a second reply."""

RESTART = 10.0
"""Seconds a unit may take to restart with a new address (common practice: 5 to 10)."""

POWER_UP = 30.0
"""Seconds after power comes back until a unit that does not answer counts as lost (common practice)."""

_PAUSE = 0.25
"""Seconds between two looks for a unit that restarts (common practice)."""

_GENERAL_RESCUE = (
    "If the unit answers nowhere afterwards: give it ten seconds, switch it off and on, then survey the pair at all "
    "line settings with only this unit on it; its data sheet says how to go back to factory settings."
)


@dataclass(frozen=True)
class Prepared:
    """A move that passed its guards, with everything that is to be shown before it is confirmed."""

    move: Move
    steps: tuple[Step, ...]
    """The exact frames in the order in which they will be sent."""
    source: Examination
    """What answered at the old address."""
    target: Examination
    """The silence at the new one."""
    expectation: str
    """What is going to happen if all is well."""
    warnings: tuple[str, ...]
    """What the technician has to weigh: cautions of the profile, a register given by hand, what guards cannot see."""
    rescue: str
    """What to do if the unit should be lost."""

    @property
    def request(self) -> Request:
        """The one write of the address."""
        return next(step.request for step in self.steps if step.role is Role.ADDRESS)

    @property
    def words(self) -> str:
        """All that will be sent, in plain words."""
        return " ".join(step.request.words for step in self.steps)

    @property
    def by_hand(self) -> bool:
        """Whether no profile stands behind the register."""
        return self.move.procedure.profile is None


def prepare(line: Line, move: Move, report: Report = lambda _: None) -> Prepared:
    """Run all guards on the wire; raises `RefusedError` with the reason, `PortError` if the port fails.

    Nothing is written.  Takes about ten seconds, most of them spent waiting for replies at the new address.
    """
    guards.check_addresses(move)
    line.apply(move.settings)
    report("Listening for anybody else on the pair.")
    remarks = guards.check_quiet(line)
    report(f"Looking who answers at unit address {both_forms(move.old)}.")
    source = guards.check_source(line, move)
    holds = guards.read_register(line, move, CLOSE_LOOK)
    guards.check_register(move, holds)
    report(f"Making sure that unit address {both_forms(move.new)} is free.")
    target = guards.check_target(line, move.new)
    return Prepared(
        move=move,
        steps=steps(move, holds),
        source=source,
        target=target,
        expectation=_expectation(move),
        warnings=(*move.procedure.cautions, *_warnings(move, holds), *remarks, *source.notes),
        rescue=move.procedure.rescue or _GENERAL_RESCUE,
    )


def execute(
    line: Line,
    prepared: Prepared,
    journal: Journal,
    confirm: Callable[[Prepared], bool],
    report: Report = lambda _: None,
) -> Outcome:
    """Ask `confirm`, look once more, write once, and tell the outcome by what answers at both addresses.

    The write's intent is on record before its bytes leave, its conclusion right after.  If the port fails in between,
    the outcome says so and the write stays open on record, for `busprobe.readdress.recovery`.  Raises `PortError` if
    the port fails before anything was written, and whatever the journal raises.
    """
    move = prepared.move
    frame = prepared.request.frame
    if not confirm(prepared):
        why, todo = sentences(move, Row.NOT_CONFIRMED)
        return Outcome(move, Row.NOT_CONFIRMED, why, todo, frame)
    line.apply(move.settings)
    report("Looking once more at both addresses.")
    try:
        # However short ago the guards passed: a unit may have been put on the pair meanwhile.
        guards.check_source(line, move, repeats=1)
        guards.check_target(line, move.new, reply_wait=guards.SHORT_WAIT)
    except RefusedError as error:
        return refusal(move, error, frame)
    run = _Run(line, prepared, journal, report)
    try:
        return run.carry_out()
    except PortError as error:
        why, todo = sentences(move, Row.PORT_FAILED, step=error.what)
        return Outcome(move, Row.PORT_FAILED, why, todo, frame, write=run.write)


def verify_again(
    line: Line,
    move: Move,
    *,
    before: Result,
    journal: Journal | None = None,
    write: int | None = None,
    report: Report = lambda _: None,
) -> Outcome:
    """Tell what answers after a power cycle; `before` is the result the move had ended with.

    Waits up to `POWER_UP` seconds for somebody to answer.  With `journal` and the `write`'s number in it, the
    conclusion is added to the record.  Raises `PortError` if the port fails.
    """
    line.apply(move.settings)
    report("Looking at both addresses after the power cycle.")
    at_old, at_new = look(line, move, CLOSE_LOOK, patience=POWER_UP)
    row = row_after_power_cycle(before, at_old.kind, at_new.kind)
    outcome = told(line, move, row, at_old, at_new)
    outcome = replace(outcome, write=write, power_cycled=True)
    if journal is not None and write is not None:
        journal.conclude_write(write, outcome=str(outcome.result), reply=None, why=outcome.why)
    return outcome


def look(line: Line, move: Move, waits: Waits, *, patience: float) -> tuple[Examination, Examination]:
    """What answers at the old and the new address, asked again until that is clear or `patience` seconds are over.

    Both silent is not clear, since a unit may be restarting; it is only believed of looks begun after `patience`.  For
    the same reason the address that is silent has to be asked after the other one has answered.
    """
    end = line.clock.now() + patience
    while True:
        begun = line.clock.now()
        at_new = _as_heard(examine(line, move.new, waits=waits, repeats=1))
        at_old = _as_heard(examine(line, move.old, waits=waits, repeats=1))
        clear = at_new.kind is not Kind.SILENT
        if not clear and at_old.kind is not Kind.SILENT:
            at_new = _as_heard(examine(line, move.new, waits=waits, repeats=1))
            clear = at_new.kind is Kind.SILENT
        if (clear and Kind.UNSURE not in (at_old.kind, at_new.kind)) or begun >= end:
            return at_old, at_new
        line.clock.sleep_until(line.clock.now() + _PAUSE)


def _as_heard(seen: Examination) -> Examination:
    """`seen` with "silent" told by what was heard: adapter junk is silence, a lone damaged reply is not."""
    if seen.kind in (Kind.UNIT, Kind.CLASH):
        return seen
    return replace(seen, kind=Kind.SILENT if guards.is_silent(seen) else Kind.UNSURE)


def told(
    line: Line,
    move: Move,
    row: Row,
    at_old: Examination,
    at_new: Examination,
    *,
    request: bytes = b"",
    reply: Reply | None = None,
) -> Outcome:
    """The outcome of `row` in its words; a unit that answers nowhere is looked for where a misread number leads."""
    elsewhere: tuple[int, ...] = ()
    if row is Row.NEITHER:
        elsewhere = tuple(a for a in lookalikes(move.new) if a != move.old and examine(line, a).kind is Kind.UNIT)
    why, todo = sentences(
        move, row, at_old=at_old, at_new=at_new, exception=reply.exception if reply else None, elsewhere=elsewhere
    )
    received = reply.exchange.received if reply else b""
    return Outcome(move, row, why, todo, request, received or None, at_old, at_new)


def lookalikes(address: int) -> tuple[int, ...]:
    """Addresses that `address` becomes when its number is misread: decimal for hex, hex for decimal, bits mirrored.

    All three are common practice: "set 20, found at 32", and switches whose bit order is the other way round.
    """
    readings = {int(str(address), 16), int(f"{address:08b}"[::-1], 2)}
    if f"{address:x}".isdecimal():
        readings.add(int(f"{address:x}"))
    return tuple(sorted(a for a in readings - {address} if FIRST <= a <= LAST))


class _Run:
    """The writing part of one move."""

    def __init__(self, line: Line, prepared: Prepared, journal: Journal, report: Report) -> None:
        self._line = line
        self._prepared = prepared
        self._move = prepared.move
        self._journal = journal
        self._report = report
        self._waits = replace(CLOSE_LOOK, reply=guards.known_wait(prepared.source))
        self._remarks: list[str] = []
        self.write: int | None = None
        """Number of the address write in the journal, once it is there."""

    def carry_out(self) -> Outcome:
        """Send the steps and tell the outcome."""
        move, how = self._move, self._move.procedure
        listed = self._prepared.steps
        at = [step.role for step in listed].index(Role.ADDRESS)
        for step in listed[:at]:
            if not self._further(step):
                why, todo = sentences(move, Row.STEP_FAILED, step=f"{self._remarks[-1]} The address was not written.")
                return Outcome(move, Row.STEP_FAILED, why, todo, listed[at].request.frame)
        self._report("Writing the new address.")
        self.write, reply = self._send(listed[at])
        answer = Answer.UNCLEAR if self._is_echo(reply) else answer_of(reply, move.new)
        if answer in (Answer.FROM_OLD, Answer.FROM_NEW) or how.reply_from is ReplyFrom.NONE:
            for step in listed[at + 1 :]:
                if not (self._reaches(step) and self._further(step)):
                    break
        self._report("Looking who answers at the old and the new address.")
        at_old, at_new = look(self._line, move, self._waits, patience=RESTART)
        row = row_after_write(answer, at_old.kind, at_new.kind, effect=how.effect, reply_from=how.reply_from)
        outcome = told(self._line, move, row, at_old, at_new, request=listed[at].request.frame, reply=reply)
        outcome = replace(outcome, why=" ".join((outcome.why, *self._remarks)), write=self.write)
        self._journal.conclude_write(
            self.write, outcome=str(outcome.result), reply=outcome.reply, why=f"{outcome.row}: {outcome.why}"
        )
        return outcome

    def _further(self, step: Step) -> bool:
        """Send one of the further steps and record what became of it; whether it was acknowledged."""
        self._report(step.request.words)
        number, reply = self._send(step)
        received = reply.exchange.received or None
        if reply.sound:
            self._journal.conclude_write(number, outcome="acknowledged", reply=received, why=reply.words)
            return True
        self._remarks.append(f"The step '{step.role}' was not acknowledged: {reply.words}.")
        self._journal.conclude_write(number, outcome="not acknowledged", reply=received, why=reply.words)
        return False

    def _send(self, step: Step) -> tuple[int, Reply]:
        """Put the intent on record, send the frame once, and give the unit its time."""
        move, line = self._move, self._line
        number = self._journal.intend_write(
            kind=str(step.role),
            from_address=move.old,
            to_address=move.new,
            settings=str(move.settings),
            request=step.request.frame,
            words=step.request.words,
        )
        if step.role is Role.ADDRESS:
            self.write = number  # known even if the port fails in the next line
        reply = judge(step.request, line.exchange(step.request, WRITE_WAITS))
        line.clock.sleep_until(line.clock.now() + move.procedure.wait)
        return number, reply

    def _is_echo(self, reply: Reply) -> bool:
        """Whether an adapter that echoed before may have echoed what now looks like the reply to function 6."""
        looks = (*self._prepared.source.replies, *self._prepared.target.replies)
        echoing = any(earlier.exchange.echo is Echo.FULL for earlier in looks)
        return echoing and reply.request.mirrored and reply.exchange.echo is Echo.NONE

    def _reaches(self, step: Step) -> bool:
        """Whether the unit, and it alone, is where a further step would be sent."""
        at_old, at_new = look(self._line, self._move, self._waits, patience=RESTART)
        there, other = (at_old, at_new) if step.request.address == self._move.old else (at_new, at_old)
        if there.kind is Kind.UNIT and other.kind is Kind.SILENT:
            return True
        self._remarks.append(
            f"The step '{step.role}' was not sent, since the unit does not answer alone at "
            f"{both_forms(step.request.address)}."
        )
        return False


def _expectation(move: Move) -> str:
    how = move.procedure
    if how.effect is None:
        return (
            f"The unit should answer at {both_forms(move.new)} afterwards, at once or after a power cycle; nothing "
            "is known of how this type replies."
        )
    moment = {
        Effect.AT_ONCE: "at once",
        Effect.AFTER_SAVE: "once that is saved",
        Effect.AFTER_POWER_CYCLE: "after a power cycle",
    }[how.effect]
    reply = {
        ReplyFrom.OLD: f"reply from {both_forms(move.old)}",
        ReplyFrom.NEW: f"reply from {both_forms(move.new)}",
        ReplyFrom.NONE: "not reply to the write",
        None: "reply from either address",
    }[how.reply_from]
    return f"The unit should {reply} and answer at {both_forms(move.new)} {moment}."


def _warnings(move: Move, holds: int | None) -> tuple[str, ...]:
    how = move.procedure
    register = f"{how.register} (0x{how.register:04X})"
    warnings = []
    if how.profile is None:
        warnings.append(
            f"Register {register} was given by hand.  If it does not hold the unit address, this write changes "
            "something else: a set point, an output, a limit.  Compare it with the data sheet of this very unit."
        )
    if holds is None:
        warnings.append(f"The unit does not let register {register} be read, so it could not be checked.")
    elif how.part.read(holds) != move.old:
        warnings.append(
            f"Register {register} holds {holds} (0x{holds:04X}) now, not the unit address {both_forms(move.old)}: it "
            "is probably not the right register."
        )
    return (
        *warnings,
        "Units that are switched off or set otherwise were not seen, and identical units can answer as one: if more "
        "than one may be on the pair, count them first.",
    )

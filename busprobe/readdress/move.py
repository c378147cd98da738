"""One guarded move, or the rest of one: prepared and shown, confirmed, on record, written once, and
told by what answers afterwards."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from threading import Event as StopFlag

from busprobe.errors import FileError, PortError, RefusedError
from busprobe.job.journal import ProcedureStep, Role, Row
from busprobe.line.echo import Echo
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Request
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.profiles.registers import AddressPart
from busprobe.readdress import guards
from busprobe.readdress.journal import Journal, concluded
from busprobe.readdress.outcome import (
    Outcome,
    ReadBack,
    WriteAnswer,
    answer_of,
    outcome_unseen,
    read_back,
    refusal,
    row_after_power_cycle,
    row_after_write,
    sentences,
)
from busprobe.readdress.procedure import Move, procedure_steps
from busprobe.readdress.verification import answers_of_others, look_at_both, unexpected_places
from busprobe.readdress.words import free_place_words, role_words
from busprobe.readdress.write_sequence import RESTART, Report, WriteSequence
from busprobe.survey.close_look import CLOSE_LOOK, Examination
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Probe

POWER_UP = 30.0
"""Seconds after power comes back until a unit that does not answer counts as lost (common
practice)."""

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
    """A move that passed its guards, or what is left of its procedure, with everything that is to
    be shown before it is confirmed."""

    move: Move
    steps: tuple[ProcedureStep, ...]
    """The exact frames in the order in which they will be sent."""
    source: Examination
    """What answered where the unit is: for a move, at its old place."""
    target: Examination
    """The silence at the other place of the move."""
    elsewhere: tuple[Examination, ...]
    """The silence at the new address at other line settings in use."""
    ways: guards.Ways
    """How the silent place was asked, and is again right before and after the write."""
    reached: tuple[Place, ...]
    """Where the frames go, service addresses too: all of it has to reach this unit alone."""
    expectation: str
    """What is going to happen if all is well."""
    cautions: tuple[str, ...]
    """What the write may move, switch or stop, by the profile, and why the register may be the
    wrong one."""
    doubts: tuple[str, ...]
    """What else the technician has to weigh: what was odd, and what guards cannot see."""
    rescue: str
    """What to do if the unit should be lost."""
    held: int | None = None
    """What the register that is written holds now; None if the unit does not say."""
    awaited: int | None = None
    """What an earlier write to the unit left in that register; None if there was none."""
    first_write: int | None = None
    """Number in the journal of the first write of its procedure, where that was sent before and
    only the rest of it is left."""

    @property
    def place(self) -> Place:
        """Where the unit is."""
        return Place(self.source.address, self.source.settings)

    @property
    def request(self) -> Request:
        """The one write that the move is about, or else the first that is left."""
        main = (step.request for step in self.steps if step.role.moves)
        return next(main, self.steps[0].request)

    @property
    def warnings(self) -> tuple[str, ...]:
        """All that the technician has to weigh."""
        return (*self.cautions, *self.doubts)

    @property
    def words(self) -> str:
        """All that will be sent, in plain words."""
        return " ".join(step.request.words for step in self.steps)

    @property
    def ways_asked(self) -> int:
        """In how many ways the new place was asked: requests that differ."""
        return len({reply.request.frame for reply in self.target.replies})

    @property
    def settings_asked(self) -> tuple[LineSettings, ...]:
        """Line settings at which the new address was asked."""
        return tuple(look.settings for look in (self.target, *self.elsewhere))

    @property
    def target_words(self) -> str:
        """How the new place was asked, and what was not."""
        return free_place_words(self.target.address, self.ways_asked, self.settings_asked)

    @property
    def by_hand(self) -> bool:
        """Whether no profile stands behind the register."""
        return self.move.procedure.profile is None


def prepare(
    line: Line,
    move: Move,
    report: Report = lambda _: None,
    ways: guards.Ways = guards.Ways(),  # noqa: B008 - frozen
    *,
    awaited: int | None = None,
    free: guards.FreePlace | None = None,
) -> Prepared:
    """Run all guards on the wire, asking both places in all `ways`; raises `RefusedError` with the
    reason, `PortError` if the port fails.

    `awaited` is what an earlier write to the unit left in the register; a new place that was found
    `free` a moment ago is not asked in full once more.  Nothing is written.  Takes
    about 15 seconds, most of them spent waiting for replies at the new place, and five more for
    each further line setting; whoever wants to stop it does so with `Line.stopped_by`.
    """
    guards.check_move(move)
    report("Listening for anybody else on the pair.")
    remarks = guards.check_quiet(line, move.source.settings)
    report(f"Looking who answers at {move.source.words}.")
    reached = (move.procedure.reached_at(move.source),)
    source = guards.check_source(line, move.source, further=ways.further, reached=reached)
    block = guards.read_registers_of(line, move, CLOSE_LOOK)
    holds = block[move.procedure.about] if block else None
    guards.check_register(move, holds, awaited)
    frames = procedure_steps(move, block)
    if free is None:
        report(f"Making sure that {move.target.words} is free.")
        free = guards.check_free(line, move.source, move.target, ways)
    return Prepared(
        move=move,
        steps=frames,
        source=source,
        target=free.target,
        elsewhere=free.elsewhere,
        ways=ways,
        reached=reached,
        expectation=_expectation(move) + _kept_part(move, holds),
        cautions=(*move.procedure.cautions, *_warnings(move, holds)),
        doubts=(UNSEEN, *remarks, *source.notes),
        rescue=move.procedure.rescue or GENERAL_RESCUE,
        held=holds,
        awaited=awaited,
    )


def execute(
    line: Line,
    prepared: Prepared,
    journal: Journal,
    confirm: Callable[[Prepared], bool],
    report: Report = lambda _: None,
    stop: StopFlag | None = None,
) -> Outcome:
    """Ask `confirm`, look once more, send each step once, and tell the outcome by what answers at
    both addresses.

    The write's intent is on record before its bytes leave, its conclusion right after.  If the port
    fails in between, the outcome says so and the write stays open on record, for
    `busprobe.readdress.recovery`.  Raises `PortError` if the port fails before anything was
    written, `StoppedError` if `stop` is set before (afterwards it changes nothing, since what
    became of a write has to be told).  A journal that cannot be written is told by the outcome:
    refused before the first frame, `not_stored` after the write.  The outcome of the rest of a
    procedure is that of the rest, not of the move: where the unit is does not change.
    """
    move = prepared.move
    frame = prepared.request.frame
    if not confirm(prepared):
        return outcome_unseen(move, Row.NOT_CONFIRMED, request=frame)
    own = guards.own_probes(prepared.source)
    report("Looking once more at both places.")
    try:
        # However short ago the guards passed: a unit may have been put on the pair meanwhile.  The
        # source comes last, so that a unit that dozes off between requests is awake for the write.
        silent = Place(prepared.target.address, prepared.target.settings)
        with line.stopped_by(stop):
            again = prepared.ways.once_more
            guards.check_target(line, silent, again, reply_wait=guards.SHORT_WAIT)
            guards.check_source(
                line, prepared.place, repeats=1, further=own, reached=prepared.reached
            )
    except RefusedError as error:
        return refusal(move, error, frame)
    sequence = WriteSequence(
        line,
        move,
        prepared.steps,
        waits=replace(CLOSE_LOOK, reply=guards.known_wait(prepared.source)),
        journal=journal,
        report=report,
        own=own,
        held=prepared.held,
        first_write=prepared.first_write,
    )
    try:
        if prepared.first_write is not None:
            return _rest_sent(prepared, sequence)
        return _written(line, prepared, sequence, journal, report)
    except PortError as error:
        return outcome_unseen(
            move, Row.PORT_FAILED, step=error.what, request=frame, write=sequence.write
        )
    except FileError as error:  # an intent that is not on disk is not sent
        if sequence.begun:
            said = f"{error.what} The {move.what} was not written."
            return outcome_unseen(move, Row.STEP_FAILED, step=said, request=frame)
        means = "What is not on record first is not sent; nothing was written."
        return refusal(move, RefusedError(error.what, means=means, todo=error.todo), frame)


def verify_again(
    line: Line,
    before: Outcome,
    *,
    old_taken: bool = False,
    journal: Journal,
    report: Report = lambda _: None,
    further: Sequence[Probe] = (),
) -> Outcome:
    """Tell what answers after a power cycle; `before` is how the move had ended.

    `old_taken` says that another unit is known to be at the old place by now; `further` probes are
    for a unit that may answer none of the usual ones.  Waits up to `POWER_UP` seconds for somebody
    to answer.  The conclusion is added to the write of `before`, if there is one.  Raises
    `PortError` if the port fails.
    """
    move = before.move
    report(
        f"Looking at {move.name(move.source)} and at {move.name(move.target)} after the power"
        " cycle."
    )
    at_old, at_new = look_at_both(
        line, move, CLOSE_LOOK, patience=POWER_UP, old_taken=old_taken, further=further
    )
    register, holds = (
        (ReadBack.NOTHING, None)
        if old_taken
        else what_register_tells(line, before, at_old, at_new, CLOSE_LOOK)
    )
    row = row_after_power_cycle(
        before.result, at_old.kind, at_new.kind, old_taken=old_taken, register=register
    )
    outcome = outcome_seen(line, before, row, at_old, at_new, holds=holds)
    outcome = replace(outcome, power_cycled=True)
    return concluded(journal, outcome, () if outcome.write is None else (outcome.write,))


def what_register_tells(
    line: Line, sent: Outcome, at_old: Examination, at_new: Examination, waits: Waits
) -> tuple[ReadBack, int | None]:
    """What the register of a unit that still answers at its old place alone says of the write that
    was `sent`, and what it holds."""
    if (at_old.kind, at_new.kind) != (Kind.UNIT, Kind.SILENT) or sent.written is None:
        return ReadBack.NOTHING, None
    line.apply(sent.move.source.settings)
    holds = guards.read_register(line, sent.move, waits)
    return read_back(sent, holds), holds


def outcome_seen(
    line: Line,
    sent: Outcome,
    row: Row,
    at_old: Examination,
    at_new: Examination,
    *,
    reply: Reply | None = None,
    holds: int | None = None,
    others: Sequence[Reply] = (),
) -> Outcome:
    """The outcome of `row` in its words for the write that was `sent`; a unit that answers at
    neither place is looked for elsewhere.  `others` are answers of another unit."""
    why, todo = sentences(
        sent.move,
        row,
        at_old=at_old,
        at_new=at_new,
        exception=reply.exception if reply else None,
        step=f"{others[0].request.words} {others[0].words}" if others else "",
        elsewhere=unexpected_places(line, sent.move) if row is Row.NEITHER else (),
        held=sent.held,
    )
    received = reply.exchange.received if reply else b""
    return replace(
        sent,
        row=row,
        why=why,
        todo=todo,
        reply=received or None,
        at_old=at_old,
        at_new=at_new,
        holds=holds,
        power_cycled=False,
    )


def _written(
    line: Line, prepared: Prepared, sequence: WriteSequence, journal: Journal, report: Report
) -> Outcome:
    """Send the steps and tell the outcome."""
    move, how, listed = prepared.move, prepared.move.procedure, prepared.steps
    at = next(index for index, step in enumerate(listed) if step.role.moves)
    frame = prepared.request.frame
    for step in listed[:at]:
        if not sequence.send_further(step):
            said = f"{sequence.remarks[-1]} The {move.what} was not written."
            failed = outcome_unseen(move, Row.STEP_FAILED, step=said, request=frame)
            return replace(failed, not_stored=sequence.not_stored)
    report(f"Writing the new {move.what}.")
    write, reply = sequence.send(listed[at])
    answer = (
        WriteAnswer.UNCLEAR if _is_echo(prepared, reply) else answer_of(reply, move.target.address)
    )
    if answer in (WriteAnswer.FROM_OLD, WriteAnswer.FROM_NEW) or how.reply_from is ReplyFrom.NONE:
        for step in listed[at + 1 :]:
            if not (sequence.reaches(step) and sequence.send_further(step)):
                break
    report(f"Looking who answers at the old and the new {move.what}.")
    at_old, at_new = look_at_both(
        line, move, sequence.waits, patience=RESTART, further=sequence.own
    )
    others: tuple[Reply, ...] = ()
    if (at_old.kind, at_new.kind) == (Kind.SILENT, Kind.UNIT):
        others = answers_of_others(
            line, move, prepared.source, at_new, prepared.ways, sequence.waits
        )
    sent = Outcome(
        move,
        Row.UNDECIDED,
        "",
        "",
        frame,
        write=write,
        written=listed[at].write.value,
        held=prepared.held,
        awaited=prepared.awaited,
    )
    register, holds = what_register_tells(line, sent, at_old, at_new, sequence.waits)
    row = row_after_write(
        answer,
        at_old.kind,
        at_new.kind,
        effect=how.effect,
        reply_from=how.reply_from,
        register=register,
    )
    row = Row.NOT_ALONE if others else row
    outcome = outcome_seen(line, sent, row, at_old, at_new, reply=reply, holds=holds, others=others)
    outcome = replace(outcome, why=" ".join((outcome.why, *sequence.remarks)))
    earlier = () if sequence.not_stored is None else sequence.not_stored.writes
    return concluded(journal, outcome, (write, *earlier))


def _rest_sent(prepared: Prepared, sequence: WriteSequence) -> Outcome:
    """Send what is left of a procedure, up to a step that is not acknowledged."""
    move, last = prepared.move, prepared.steps[-1]
    for step in prepared.steps:
        if not (sequence.reaches(step) and sequence.send_further(step)):
            break
        if step.role is Role.RESTORE:
            sequence.read_back(step)
    at = sequence.found()
    awaited = {last.place} & {move.source, move.target} or {prepared.place}
    if last.role is Role.SAVE and move.source in awaited:
        awaited.add(move.target)  # the save may have taken it there
    if at is None or at not in awaited:
        sequence.remarks.append(f"The unit does not answer alone at {last.place.words}.")
    row = Row.NOT_FINISHED if at is None or sequence.remarks else Row.FINISHED
    names = ", ".join(role_words(step.role, move.source, move.target) for step in prepared.steps)
    where = "" if at is None else f"{names}.  The unit answers alone at {at.words}."
    said = " ".join(sequence.remarks) or where
    return replace(outcome_unseen(move, row, step=said), not_stored=sequence.not_stored)


def _is_echo(prepared: Prepared, reply: Reply) -> bool:
    """Whether an adapter that echoed before may have echoed what now looks like the reply to
    function 6."""
    looks = (*prepared.source.replies, *prepared.target.replies)
    echoing = any(earlier.exchange.echo is Echo.FULL for earlier in looks)
    return echoing and reply.request.mirrored and reply.exchange.echo is Echo.NONE


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
        ReplyFrom.OLD: f"reply from {both_forms(move.source.address)} and ",
        ReplyFrom.NEW: f"reply from {both_forms(move.target.address)} and ",
        ReplyFrom.NONE: "not reply to the write and ",
        None: "",
    }[how.reply_from]
    return f"The unit should {reply}answer at {there} {moment}."


def _kept_part(move: Move, holds: int | None) -> str:
    """What a register that other settings share holds before and after, so that anybody can see
    that they stay."""
    how = move.procedure
    value = how.value(move.target)
    alone = how.part is AddressPart.WHOLE and not how.together
    if alone or holds is None or value is None:
        return ""
    after = how.part.put(holds, value)
    words = (
        f"  Register {how.register} (0x{how.register:04X}) goes from 0x{holds:04X} to 0x{after:04X}"
    )
    if how.part is not AddressPart.WHOLE:
        words += f": only {how.part.words} changes"
    if how.together:
        words += "; the other registers of the request are written as they are"
    return f"{words}."


def _warnings(move: Move, holds: int | None) -> tuple[str, ...]:
    how = move.procedure
    register = f"{how.register} (0x{how.register:04X})"
    warnings = []
    if how.service_address is not None:
        warnings.append(
            f"The writes go to address {both_forms(how.service_address)}: every unit of this type"
            " on the pair takes them."
        )
    if how.profile is None:
        warnings.append(
            f"Register {register} was given by hand.  If it does not hold the unit address, this"
            " write changes something else: a set point, an output, a limit.  Compare it with the"
            " data sheet of this very unit."
        )
    if not how.readable:
        warnings.append(f"Register {register} can only be written, so it could not be checked.")
    elif holds is None:
        warnings.append(
            f"The unit does not let register {register} be read, so it could not be checked."
        )
    elif holds == how.overwrites:
        warnings.append(
            f"Register {register} holds {holds} (0x{holds:04X}) and not the unit address"
            f" {both_forms(move.source.address)}.  You have chosen to overwrite it."
        )
    elif how.part.read(holds) != how.value(move.source):
        warnings.append(
            f"Register {register} holds {holds} (0x{holds:04X}), which an earlier write left there:"
            " the unit may be waiting for a save or a power cycle."
        )
    return tuple(warnings)

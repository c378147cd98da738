"""The guards of a move: what has to be true on the pair before anything is written.

Each guard either passes or raises `RefusedError` with the reason and with what would make the move
safe.  Guards only read.  What they cannot see stays a risk that the technician is told of: a unit
that is off, or identical units whose replies fall exactly together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, WriteRecord
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import HIGHEST_ADDRESS, Place
from busprobe.line.settings import LineSettings
from busprobe.modbus import framing
from busprobe.modbus.addresses import FIRST, LAST, both_forms, format_addresses
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.modbus.traffic import valid_frames
from busprobe.profiles.registers import AddressPart
from busprobe.profiles.schema import Profile
from busprobe.readdress.journal import recorded_moves, verified_after
from busprobe.readdress.procedure import Move
from busprobe.readdress.same_unit import contradictions
from busprobe.survey.close_look import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Kind
from busprobe.survey.probes import BITS, LADDER, Probe, probes_of
from busprobe.text import hex_bytes

LISTENING = 2.0
"""Seconds of listening for another master before anything is sent; shorter than many a polling
cycle, so all exchanges of the guards are watched for foreign traffic too."""

SHORT_WAIT = 0.3
"""Seconds for each probe of a look that repeats an earlier, longer one."""

_ONCE_MORE = 4
"""Further probes of a look that repeats an earlier, longer one."""

_OWN = 2
"""Probes of its own with which a unit is asked that answers none of the usual ones."""

_TRIES = 3
"""Reads of the address register before it counts as unreadable."""

_JUNK = b"\x00\xff"
"""What adapters and a missing bias put on the pair (common practice); no unit's reply."""


_SHARED = "The rest of the register is another setting, and a blind write would change it."

_WRITTEN_WRONG = {
    (True, False): _SHARED,
    (True, True): _SHARED,
    (False, True): (
        "The profile does not fit this unit, and codes of line settings differ from maker to maker."
    ),
    (False, False): (
        "It is probably another register, and the write would change something else: a set point,"
        " an output, a limit.  Or an earlier write, not made in this job, waits for a power cycle."
    ),
}
"""What it means to write a register that does not hold what it should, by whether it is shared and
whether it holds a code."""


class RegisterDiffersError(RefusedError):
    """The register to be written can be read and holds something else than the unit's place: the
    write would overwrite that."""

    def __init__(self, move: Move, holds: int) -> None:
        procedure = move.procedure
        self.register = procedure.register
        """Zero-based address of the register."""
        self.holds = holds
        """What it holds."""
        super().__init__(
            f"Register {self.register} (0x{self.register:04X}) holds {holds} (0x{holds:04X});"
            f" {procedure.part.words} should be {_expected_words(move)}.",
            means=_WRITTEN_WRONG[procedure.part is not AddressPart.WHOLE, bool(procedure.codes)],
            todo="Check the register and its layout in the data sheet of this very unit.",
        )


@dataclass(frozen=True)
class Ways:
    """How a place is asked whether a unit is there: some answer next to nothing."""

    further: tuple[Probe, ...] = BITS
    """Asked after the probes that every address is asked with."""
    settings: tuple[LineSettings, ...] = ()
    """Line settings in use on this segment: the address has to be free at all of them."""

    @classmethod
    def of(cls, profiles: Iterable[Profile], settings: Iterable[LineSettings] = ()) -> Ways:
        """By coils, inputs and the registers of `profiles`, the likeliest first."""
        return cls((*BITS, *probes_of(profiles)), tuple(dict.fromkeys(settings)))

    @property
    def once_more(self) -> Ways:
        """The likeliest of them, for a look that repeats an earlier one."""
        return replace(self, further=self.further[:_ONCE_MORE], settings=())


def check_move(move: Move) -> None:
    """Refuse what needs no wire to be refused: broadcasts, reserved or impossible targets, a move
    to where it is."""
    old, new = move.source.address, move.target.address
    if old == 0:
        raise RefusedError(
            "Address 0 is the broadcast: every unit on the pair would take the new address.",
            means="All of them would share it afterwards.",
            todo="Find the address that the unit has itself, with only that unit on the pair.",
        )
    if not FIRST <= old <= HIGHEST_ADDRESS:
        raise RefusedError(
            f"{old} is not a unit address.", todo=f"Give one from {FIRST} to {LAST}."
        )
    if not FIRST <= new <= LAST:
        raise RefusedError(
            f"{new} is not an address a unit may have.",
            means="0 is the broadcast and 248 to 255 are reserved.",
            todo=f"Choose one from {FIRST} to {LAST}.",
        )
    if move.source == move.target:
        raise RefusedError(
            f"The unit is to keep address {both_forms(old)} and {move.source.settings}.",
            todo="Nothing has to be written; go on.",
        )
    if move.changes_settings and old != new:
        raise RefusedError(
            "Address and line setting are to change with one write.",
            means=(
                "If the unit then answered nowhere, it could not be told which of the two failed."
            ),
            todo="Change the address first and the line setting last.",
        )
    if new not in move.procedure.addresses:
        raise RefusedError(
            f"The profile {move.procedure.profile} does not allow address {both_forms(new)}.",
            means=f"It allows {format_addresses(move.procedure.addresses)}.",
            todo="Choose one of these.",
        )


def check_quiet(line: Line, settings: LineSettings) -> tuple[str, ...]:
    """Listen and refuse if anybody else is talking; return remarks on stray bytes."""
    line.apply(settings)
    heard = line.listen(LISTENING).data
    frames = valid_frames(heard)
    if frames:
        raise RefusedError(
            f"Another device is sending: {frames[0].words} was heard without a request.",
            means="A write could collide with another master's request.",
            todo="Stop or disconnect the other master, then prepare the move again.",
        )
    if len(heard) >= framing.SHORTEST:
        raise RefusedError(
            f"{len(heard)} bytes were received without a request: {hex_bytes(heard[:16])}.",
            means=(
                "Another master at other line settings, or a noisy pair: a write could be damaged."
            ),
            todo=("Find the sender first: listen at other line settings, check bias and wiring."),
        )
    return (f"{len(heard)} stray bytes were received without a request.",) if heard else ()


def check_source(
    line: Line,
    place: Place,
    *,
    repeats: int = 3,
    further: Sequence[Probe] = (),
    reached: Iterable[Place] = (),
) -> Examination:
    """Refuse unless one unit answers at `place`, and cleanly, and what goes to the places that are
    to be `reached`, which may be service addresses, reaches it and it alone.

    The `further` probes show what else this unit can answer, and a second one that is silent on the
    usual.
    """
    line.apply(place.settings)
    seen = examine(line, place.address, repeats=repeats, further=further)
    late = line.listen(
        CLOSE_LOOK.reply
    ).data  # a second, slower unit may not have answered anything yet
    where = f"unit address {both_forms(place.address)}"
    remarks = " ".join(seen.notes)
    if seen.foreign:
        raise RefusedError(
            f"Another device is sending: {seen.foreign[0].words} was received in between.",
            means="A write could collide with another master's request.",
            todo="Stop or disconnect the other master, then prepare the move again.",
        )
    match seen.kind:
        case Kind.SILENT:
            raise RefusedError(
                f"No reply from {where} at {place.settings}.",
                means="Without a reply now, the outcome of the write could not be verified.",
                todo="Check power, wiring, address and line settings, or survey the pair.",
            )
        case Kind.CLASH:
            raise RefusedError(
                f"Two or more units answer at {where}.",
                means=f"All of them would take the new address. {remarks}",
                todo="Take all but one of them off the pair.",
            )
        case Kind.UNSURE:
            raise RefusedError(
                f"It is not clear which unit answers at {where}.",
                means=remarks,
                todo=(
                    "Take the other units off the pair until one answers cleanly, or mend its"
                    " connection."
                ),
            )
    odd = [
        reply
        for reply in seen.replies
        if not reply.valid and reply.exception is None and is_heard(reply)
    ]
    if odd or not seen.clean:
        raise RefusedError(
            f"The unit at {where} does not answer cleanly: {odd[0].words if odd else remarks}",
            means="On such a pair a write could be damaged, and its outcome not be told.",
            todo=(
                "Mend the connection, or disconnect the other units, until all replies are valid."
            ),
        )
    if len(late) >= framing.SHORTEST:
        raise RefusedError(
            f"After the unit at {where} had answered everything, more came:"
            f" {hex_bytes(late[:16])}.",
            means="A second, slower unit shares its address, or another device is sending.",
            todo="Take the other units off the pair, or stop the other master.",
        )
    for other in reached:
        if other != place and contradictions(seen.replies, check_source(line, other).replies):
            raise RefusedError(
                f"The unit at {other.words} is not the one at {place.words}.",
                means="The write goes to the service address, and would change another unit.",
                todo="Take all units but the one to be moved off the pair.",
            )
    return seen


def check_target(
    line: Line, place: Place, ways: Ways, *, reply_wait: float = CLOSE_LOOK.reply
) -> Examination:
    """Refuse unless `place` is silent: asked in all `ways`, `reply_wait` seconds for each of the
    usual probes."""
    line.apply(place.settings)
    waits = replace(CLOSE_LOOK, reply=reply_wait)
    seen = examine(line, place.address, waits=waits, further=ways.further)
    if is_silent(seen):
        return seen
    what = [frame.words for frame in seen.foreign] or [
        reply.words for reply in seen.replies if is_heard(reply)
    ]
    raise RefusedError(
        f"Unit address {both_forms(place.address)} at {place.settings} is not free: {what[0]}.",
        means="Two units would share it after the move, or as soon as both have the same settings.",
        todo=(
            "Choose another place, or move the unit that is there first; if you know that none is"
            " there, find out what was heard."
        ),
    )


@dataclass(frozen=True)
class FreePlace:
    """A new place of which nothing was heard when it was asked in full."""

    target: Examination
    """The silence there."""
    elsewhere: tuple[Examination, ...]
    """The silence at its address at other line settings in use."""


def check_free(line: Line, source: Place, target: Place, ways: Ways) -> FreePlace:
    """Refuse unless the new address of the unit at `source` is silent at all line settings in use,
    asked in full."""
    places = (Place(target.address, settings) for settings in ways.settings)
    elsewhere = tuple(
        check_target(line, place, ways, reply_wait=SHORT_WAIT)
        for place in places
        if place not in (source, target)
    )
    return FreePlace(check_target(line, target, ways), elsewhere)


def own_probes(source: Examination) -> tuple[Probe, ...]:
    """What a unit has to be asked that answers none of the usual probes; empty for all others."""
    answered = dict.fromkeys(Probe.of(reply.request) for reply in source.replies if reply.present)
    return () if answered.keys() & {*LADDER} else tuple(answered)[:_OWN]


def read_register(line: Line, move: Move, waits: Waits) -> int | None:
    """What the register that a move changes holds now; None if the unit does not say, or the
    profile knows that it cannot."""
    return next(iter(_read(line, move, move.procedure.register, 1, waits)), None)


def read_registers_of(line: Line, move: Move, waits: Waits) -> tuple[int, ...]:
    """What all registers hold that the request of a move writes; empty as for `read_register`."""
    registers = move.procedure.registers
    return _read(line, move, registers[0], len(registers), waits)


def _read(line: Line, move: Move, first: int, count: int, waits: Waits) -> tuple[int, ...]:
    if not move.procedure.readable:
        return ()
    request = read_registers(move.source.address, Function.READ_HOLDING_REGISTERS, first, count)
    for _ in range(_TRIES):
        reply = judge(request, line.exchange(request, waits))
        if reply.valid:
            return reply.registers
        if reply.exception is not None:
            break
    return ()


def check_register(move: Move, value: int | None, awaited: int | None = None) -> None:
    """Refuse to write a register that can be read and does not hold what the unit's place says: it
    is another one.

    `awaited` is what an earlier write to the unit left in it.  Raises `RegisterDiffersError`, which
    can be overridden by `Procedure.overwrites`; `RefusedError` where a register that is shared with
    another setting cannot be read.
    """
    procedure = move.procedure
    if value is None:
        if procedure.part is not AddressPart.WHOLE or procedure.together:
            raise RefusedError(
                f"Register {procedure.register} (0x{procedure.register:04X}) cannot be read;"
                f" {procedure.part.words} should be {_expected_words(move)}.",
                means=_WRITTEN_WRONG[True, False],
                todo="Check the register and its layout in the data sheet.",
            )
        return
    if procedure.part.read(value) != procedure.value(move.source) and value not in (
        awaited,
        procedure.overwrites,
    ):
        raise RegisterDiffersError(move, value)


def _expected_words(move: Move) -> str:
    """What the part of the register should hold that a move is about."""
    if not move.procedure.codes:
        return f"the unit address {both_forms(move.source.address)}"
    code = move.procedure.value(move.source)
    return f"the code for {move.source.settings}" + ("" if code is None else f", {code}")


def doubts_of_return(
    writes: Sequence[WriteRecord], kept: Iterable[Place], move: Move
) -> tuple[str, ...]:
    """What to weigh where the new place was another unit's until lately: units that forget come
    back to it.

    `kept` are the places of units that were seen there after a power cycle.
    """
    proven = set(kept)
    return tuple(
        f"Until write {write.id}, {move.target.words} was another unit's, now at"
        f" {made.target.words} and not yet checked after a power cycle: if it forgets its new"
        " address, it comes back and clashes."
        for write, made in recorded_moves(writes)
        if write.outcome is Result.VERIFIED
        and made.source == move.target
        and made.target not in proven
        and made.target != move.source
        and not any(later.source == made.target for _, later in verified_after(writes, write.id))
    )


def known_wait(source: Examination) -> float:
    """Seconds after which a unit whose replies were timed before can be called silent."""
    latency = source.latency
    return min(
        CLOSE_LOOK.reply, max(SHORT_WAIT, 3 * latency.maximum if latency else CLOSE_LOOK.reply)
    )


def is_silent(seen: Examination) -> bool:
    """Whether nothing was heard at an address that could come from a unit, however damaged."""
    return not seen.foreign and not any(map(is_heard, seen.replies))


def is_heard(reply: Reply) -> bool:
    """Whether bytes came back that are more than adapter junk or a gateway's word that nobody is
    there."""
    if reply.exception in GATEWAY_EXCEPTIONS:
        return False
    heard = (reply.exchange.leftover, reply.exchange.received)
    return any(len(data) >= framing.SHORTEST or data.strip(_JUNK) for data in heard)

"""From what was heard to what may be wrong: observations, each with the causes it fits.

The evidence is bytes.  Nothing is known of voltages here, and an address that did not answer may
still have a unit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from busprobe.line.echo import Echo
from busprobe.line.exchange import Heard
from busprobe.line.line_errors import LineErrors
from busprobe.modbus.replies import Reply, Verdict
from busprobe.text import hex_bytes
from busprobe.wiring import byte_patterns
from busprobe.wiring.causes import Cause, Hint, Observation, observed
from busprobe.wiring.evidence import (
    LineEvidence,
    bytes_altered,
    has_ones_added,
    is_quiet,
    is_short,
    lacks_tail,
)
from busprobe.wiring.wording import agree, counted, share, units

_BUSY = 0.05
"""Share of the line's capacity above which idle bytes are a stream that does not end, as of a stuck
line."""

_ALWAYS = 0.9
"""Share of replies with junk above which the adapter may be at work; a floating pair is irregular.
"""

_SEVERAL = 3
"""Exchanges, or bytes of one, that are too many to be turned over alike by chance."""

_ENOUGH = 5
"""Sound replies without a fault that make bias the only explanation of junk around them."""


def diagnose(evidence: LineEvidence) -> tuple[Observation, ...]:
    """All that strikes the eye in `evidence`, the gravest first; empty if nothing does."""
    return tuple(observation for look in _LOOKS for observation in look(evidence))


def _other_master(evidence: LineEvidence) -> Iterator[Observation]:
    if evidence.frames:
        count = len(evidence.frames)
        yield observed(
            f"{counted(count, 'unsolicited frame')} {agree(count, 'was', 'were')} received,"
            f" first {evidence.frames[0].words}.",
            Cause.OTHER_MASTER,
        )
    foreign = [reply for reply in evidence.replies if reply.verdict is Verdict.FOREIGN]
    if foreign:
        causes = [Cause.SLOW_UNIT, Cause.OTHER_MASTER, Cause.UNIT_SET_OTHERWISE]
        if evidence.frames:
            causes.sort(key=lambda cause: cause is not Cause.OTHER_MASTER)
        yield observed(
            f"{counted(len(foreign), 'reply', 'replies')} came from an address that was not asked:"
            f" asked {foreign[0].request.address}, answered as {foreign[0].address}.",
            *causes,
        )


def _late(evidence: LineEvidence) -> Iterator[Observation]:
    late = evidence.late
    if late:
        at = units({reply.request.address for reply in late})
        causes = [Cause.SLOW_UNIT, Cause.OTHER_MASTER]
        if evidence.frames:
            causes.reverse()
        yield observed(
            f"{counted(len(late), 'valid reply', 'valid replies')} from {at} answered an earlier"
            " request, after its timeout.",
            *causes,
        )


def _idle_bytes(evidence: LineEvidence) -> Iterator[Observation]:
    if (
        evidence.idle is None
        or not evidence.idle.data
        or evidence.frames
        or not evidence.idle.seconds
    ):
        return
    data = evidence.idle.data
    seen = (
        f"{counted(len(data), 'byte')} but no frame in {evidence.idle.seconds:.1f} s without a"
        " request"
    )
    seen += f": {_sample(data)}."
    seen += _by_receiver(evidence.idle)
    if not evidence.others_talk and any(data[index] == 0 for index in evidence.idle.bad):
        yield observed(
            seen,
            Cause.MISSING_BIAS,
            Cause.STUCK,
            Cause.REVERSED_BIAS,
            Cause.NOISE,
            Cause.WRONG_BAUD,
        )
    elif not evidence.others_talk and byte_patterns.single_pulses(data):
        yield observed(seen, Cause.MISSING_BIAS, Cause.NOISE, Cause.SWAPPED_AT_ADAPTER)
    elif (
        set(data) == {0} and evidence.settings.wire_time(len(data)) > _BUSY * evidence.idle.seconds
    ):
        yield observed(
            seen, Cause.STUCK, Cause.REVERSED_BIAS, Cause.SWAPPED_AT_ADAPTER, Cause.WRONG_BAUD
        )
    else:
        yield observed(seen, *_causes_of_garbage(data, evidence.settings.baud))


def _echo(evidence: LineEvidence) -> Iterator[Observation]:
    altered = [reply for reply in evidence.replies if has_ones_added(reply)]
    if altered:
        many = all(bytes_altered(reply) >= _SEVERAL for reply in altered)
        yield observed(
            f"Our own bytes came back with ones added: sent {hex_bytes(altered[0].request.frame)},"
            f" heard {_sample(altered[0].exchange.received)}.",
            Cause.ADAPTER_TOO_SLOW,
            *(() if many or _throughout(altered, evidence) else (Cause.NOISE,)),
        )
    cut = [reply for reply in evidence.replies if lacks_tail(reply)]
    if cut:
        yield observed(
            f"Our own bytes came back without their end: sent {hex_bytes(cut[0].request.frame)},"
            f" heard {_sample(cut[0].exchange.received)}.",
            Cause.ADAPTER_LETS_GO,
            *(() if _throughout(cut, evidence) else (Cause.NOISE, Cause.BYTES_LOST)),
        )


def _turn_round(evidence: LineEvidence) -> Iterator[Observation]:
    cut = evidence.cut
    if not cut:
        return
    at = {reply.request.address for reply, _ in cut}
    lost = max(_differing(reply.exchange.received, frame) for reply, frame in cut)
    heard = sum(reply.request.address in at and not is_quiet(reply) for reply in evidence.replies)
    causes = [Cause.ADAPTER_HOLDS_ON, Cause.UNIT_DRIVES_LATE]
    damaged = [reply for reply in evidence.damaged if not is_short(reply)]
    if damaged or len(cut) < heard / 2:  # a bit turned over in the first bytes looks the same
        causes.insert(0 if len(damaged) > len(cut) else len(causes), Cause.NOISE)
    yield observed(
        f"{counted(len(cut), 'reply', 'replies')} from {units(at)} "
        f"{agree(len(cut), 'lacks or garbles', 'lack or garble')} up to "
        f"{counted(lost, 'byte')} at the front; with {agree(lost, 'it', 'these')} put back "
        f"{agree(len(cut), 'it is', 'they are')} valid.",
        *causes,
    )


def _junk(evidence: LineEvidence) -> Iterator[Observation]:
    sound = [reply for reply in evidence.replies if reply.present]
    junk = [reply.stray_before + reply.stray_after for reply in sound]
    touched = [bytes_ for bytes_ in junk if bytes_]
    if not touched:
        return
    idle_too = bool(evidence.idle and evidence.idle.data and not evidence.frames)
    always_alike = len(sound) > 1 and len(set(junk)) == 1 and len(junk[0]) == 1
    causes = [Cause.MISSING_BIAS]
    if always_alike:
        causes.insert(0, Cause.ADAPTER_GLITCH)
    elif not (idle_too and len(sound) >= _ENOUGH and len(touched) < _ALWAYS * len(sound)):
        causes.append(Cause.ADAPTER_GLITCH)
    if evidence.damaged or not all(byte_patterns.single_pulses(bytes_) for bytes_ in touched):
        causes.append(Cause.NOISE)
    if evidence.others_talk:
        causes.insert(0, Cause.OTHER_MASTER)
    yield observed(
        f"{share(len(touched), len(sound), 'reply', 'replies')}"
        f" {agree(len(touched), 'has', 'have')} stray bytes around a valid frame, such as"
        f" {hex_bytes(touched[0][:8])}{'; bytes come without a request too' if idle_too else ''}.",
        *causes,
    )


def _flags(evidence: LineEvidence) -> Iterator[Observation]:
    clean = [
        reply
        for reply in evidence.replies
        if reply.present and not reply.stray_before and not reply.stray_after
    ]
    flagged = sum(bool(reply.exchange.bad_bytes) for reply in clean) + evidence.flagged_frames
    frames = len(clean) + len(evidence.frames)
    if flagged > max(1, frames / 2):
        yield observed(
            f"{flagged} frames have a right CRC, yet the receiver flags bytes in them.",
            Cause.WRONG_FORMAT,
        )
    elif flagged:
        yield observed(
            f"{share(flagged, frames, 'frame')} with a right CRC {agree(flagged, 'has', 'have')}"
            " bytes that the receiver flags.",
            Cause.NOISE,
            Cause.REFLECTIONS,
            Cause.MISSING_BIAS,
            Cause.WRONG_FORMAT,
        )


def _counts(evidence: LineEvidence) -> Iterator[Observation]:
    """What the system counted where no byte tells of it."""
    idle = evidence.idle
    if idle is not None and idle.errors is not None and idle.errors.on_wire and not idle.data:
        yield observed(
            f"No byte came in {idle.seconds:.1f} s without a request, yet the system counted"
            f" {idle.errors.words}.",
            Cause.STUCK,
            Cause.MISSING_BIAS,
            Cause.REVERSED_BIAS,
            Cause.NOISE,
        )
    unmarked = [r for r in evidence.replies if r.present and not r.exchange.bad_bytes]
    errors = [e for r in unmarked if (e := r.exchange.errors) is not None and e.on_wire]
    if errors:
        causes = [Cause.NOISE, Cause.ADAPTER_GLITCH, Cause.MISSING_BIAS]
        causes.insert(
            0 if len(errors) > max(1, len(unmarked) / 2) else len(causes), Cause.WRONG_FORMAT
        )
        yield observed(
            f"In {share(len(errors), len(unmarked), 'exchange')} with a valid reply the system"
            f" counted {sum(errors, LineErrors()).words}.",
            *causes,
        )
    if evidence.lost:
        yield observed(
            f"The system says that it lost {counted(evidence.lost, 'character')}.", Cause.BYTES_LOST
        )


def _silence(evidence: LineEvidence) -> Iterator[Observation]:
    asked = {reply.request.address for reply in evidence.replies}
    quiet = {
        a
        for a in asked - evidence.present
        if all(is_quiet(r) for r in evidence.replies if r.request.address == a)
    }
    if evidence.present:
        missing = quiet & set(evidence.expected)
        if missing:
            yield observed(
                f"No reply from {units(missing)}, while others answered.",
                Cause.NO_SUPPLY,
                Cause.UNIT_SET_OTHERWISE,
                Cause.SWAPPED_AT_UNIT,
                Cause.BROKEN_WIRE,
                Cause.UNKNOWN_REQUEST,
                Cause.SLOW_UNIT,
                Cause.ADAPTER_HOLDS_ON,
            )
        return
    spaces = sum(reply.exchange.received.startswith(b"\x00") for reply in evidence.replies)
    if spaces > len(evidence.replies) / 2:
        yield observed(
            "No valid reply; a 00 came right after"
            f" {share(spaces, len(evidence.replies), 'request')}.",
            Cause.SWAPPED_AT_ADAPTER,
            Cause.STUCK,
            Cause.ADAPTER_GLITCH,
            Cause.REVERSED_BIAS,
        )
    elif asked and quiet == asked:
        echoed = any(reply.exchange.echo is Echo.FULL for reply in evidence.replies)
        causes = [
            Cause.UNIT_SET_OTHERWISE,
            Cause.WRONG_BAUD,
            Cause.NO_SUPPLY,
            Cause.SWAPPED_AT_ADAPTER,
            Cause.BROKEN_WIRE,
            Cause.STUCK,
        ]
        if len(asked) == 1:  # nobody else was asked who might have answered
            causes += [Cause.SWAPPED_AT_UNIT, Cause.UNKNOWN_REQUEST, Cause.SLOW_UNIT]
        yield observed(
            f"No reply from {units(asked)}"
            f"{'; our own bytes came back, so the adapter does send.' if echoed else '.'}",
            *causes,
            Cause.ADAPTER_HOLDS_ON,
            *(() if echoed else (Cause.ADAPTER_LETS_GO,)),
        )


def _damage(evidence: LineEvidence) -> Iterator[Observation]:
    if not evidence.damaged:
        return
    by_unit = Counter(reply.request.address for reply in evidence.damaged)
    data = b"".join(reply.exchange.received for reply in evidence.damaged)
    others = evidence.present - by_unit.keys()
    count = len(evidence.damaged)
    seen = (
        f"{share(count, len(evidence.replies), 'reply', 'replies')} {agree(count, 'is', 'are')}"
        f" damaged, at {units(by_unit)}: {_sample(data)}."
    )
    causes: list[Cause | Hint]
    if (
        byte_patterns.times_too_fast(data)
        or byte_patterns.complement_like(data)
        or set(data) == {0}
    ):
        causes = list(_causes_of_garbage(data, evidence.damaged[0].exchange.settings.baud))
    elif len(by_unit) == 1 and others:
        causes = [Cause.CLASH, Cause.UNIT_ITSELF]
    elif len(by_unit) == 1:
        causes = [Cause.CLASH, Cause.NOISE, Cause.REFLECTIONS, Cause.UNIT_ITSELF]
    else:
        causes = [Cause.NOISE, Cause.REFLECTIONS, Cause.MISSING_BIAS, Cause.CLASH]
    if all(is_short(reply) for reply in evidence.damaged):  # the rest of it may have been drowned
        cut = {reply.request.address for reply, _ in evidence.cut}
        causes.insert(0 if by_unit.keys() <= cut else len(causes), Cause.ADAPTER_HOLDS_ON)
    if evidence.others_talk:
        causes.insert(0, Cause.OTHER_MASTER)
    yield observed(seen, *causes)


def _throughout(some: Sequence[Reply], evidence: LineEvidence) -> bool:
    """Whether `some` are nearly all exchanges, and several: the adapter's own fault, where noise
    comes and goes."""
    return len(some) >= max(_SEVERAL, _ALWAYS * len(evidence.replies))


_LOOKS = (
    _other_master,
    _late,
    _idle_bytes,
    _echo,
    _silence,
    _turn_round,
    _damage,
    _junk,
    _flags,
    _counts,
)


def _causes_of_garbage(data: bytes, baud: int) -> tuple[Cause | Hint, ...]:
    """What bytes without a frame look like."""
    ratio = byte_patterns.times_too_fast(data)
    if ratio is not None:
        slower = Hint(Cause.WRONG_BAUD, f"a device sends at about {baud // ratio} baud")
        if byte_patterns.complement_like(data, too_fast=True):
            return (slower, Cause.SWAPPED_AT_ADAPTER)
        return (slower, Cause.MISSING_BIAS) if byte_patterns.single_pulses(data) else (slower,)
    if byte_patterns.complement_like(data):
        return (Cause.SWAPPED_AT_ADAPTER, Cause.WRONG_BAUD, Cause.NOISE)
    if set(data) == {0}:
        lowest = Hint(
            Cause.WRONG_BAUD, f"a device sends at less than {baud // byte_patterns.FASTEST} baud"
        )
        return (lowest, Cause.STUCK, Cause.SWAPPED_AT_ADAPTER, Cause.REVERSED_BIAS)
    return (Cause.WRONG_BAUD, Cause.WRONG_FORMAT, Cause.NOISE, Cause.MISSING_BIAS)


def _differing(received: bytes, frame: bytes) -> int:
    """How many bytes at the front of `frame` are not at the same distance from the end of
    `received`."""
    same = 0
    while same < len(received) and same < len(frame) and received[-1 - same] == frame[-1 - same]:
        same += 1
    return len(frame) - same


def _by_receiver(idle: Heard) -> str:
    """What the receiver says of idle bytes, where it does."""
    words = ""
    if idle.bad:
        spaces = sum(idle.data[index] == 0 for index in idle.bad)
        flagged = agree(len(idle.data), "it", f"{len(idle.bad)} of them")
        breaks = agree(len(idle.data), "", f"{spaces} ")
        words += f" The receiver flags {flagged}"
        words += f", {breaks}as a break or a 00 without a stop bit." if spaces else "."
    if idle.errors:
        words += f" The system counted {idle.errors.words}."
    return words


def _sample(data: bytes) -> str:
    """The first bytes of `data`."""
    return hex_bytes(data[:12]) + (" …" if len(data) > 12 else "")

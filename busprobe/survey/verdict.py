"""One unit, several, or noise?  A pure judgement of the exchanges with one address.

What two units at one address look like follows from the wire: where their replies overlap, a
space (0) of either wins, so what both say alike survives (address, function code, count) and the
rest does not; where they do not overlap, one reply follows the other.  Noise corrupts at random,
and all replies.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from busprobe.modbus import framing
from busprobe.modbus.identification import identification_page
from busprobe.modbus.replies import Reply, Verdict, expected_length
from busprobe.modbus.requests import Function
from busprobe.modbus.traffic import Frame
from busprobe.survey import words
from busprobe.survey.collision import overlaps
from busprobe.survey.findings import Kind, Remark, RemarkKind, ReplyLatency
from busprobe.survey.interference import (
    BAD,
    OVERLONG,
    answer,
    bytes_missing_at_start,
    can_answer,
    extra_frames,
    fits,
    foreign_frames,
    has_stray_bytes,
    holds_request,
    is_altered_echo,
    is_damaged,
    is_silence,
    is_start_cut_off,
    is_unexplained,
    other_frames,
    stray_bytes,
)
from busprobe.survey.late_replies import LATE_FOR

_BUSY = (5, 6)
"""Exceptions that a lone unit may give now and then: acknowledge and busy (V1.1b3 section 7)."""
_FIXED_LENGTH = (
    Function.READ_COILS,
    Function.READ_DISCRETE_INPUTS,
    Function.READ_HOLDING_REGISTERS,
    Function.READ_INPUT_REGISTERS,
    Function.DIAGNOSTICS,
)
"""Functions whose reply length is known from the request."""
_COMMON_CODES = (1, 2)
"""Exceptions for a function or register that a unit does not have."""
_FEW_BITS = 3
"""Wrong bits in a short reply that a noisy bus explains."""
_SEVERAL = 3
"""How often a pattern has to be seen to count."""

_ENOUGH_SOUND = 6
"""Valid replies it takes to say that a unit's replies come through."""
_LOSSY = 0.15
"""Share of unanswered requests that a sleepy unit does not explain."""
_SLOW = 0.2
"""Seconds of a latency that is told of."""
_MANY = 8
"""How many replies a statement about their distribution needs."""


@dataclass(frozen=True)
class Analysis:
    """What the exchanges with one address amount to."""

    kind: Kind
    remarks: tuple[Remark, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """The remarks in plain words."""
        return tuple(map(words.remark, self.remarks))


def analyse(replies: Sequence[Reply], *, noisy: bool, shared: bool = False) -> Analysis:
    """Judge all exchanges with one address; `noisy` says that bytes were heard without a
    request, `shared` that another master asks this address, too."""
    lossy = _is_lossy(replies)
    heard = [r for r in replies if not is_silence(r)]
    # Where others ask on the same bus, their frames pass by too, whole or in pieces, and prove
    # nothing.
    undisturbed = (
        not shared and not foreign_frames(replies) and not any(map(holds_request, replies))
    )
    # Where the adapter alters its own echo, that cannot be told from a corrupted reply each time.
    echoes = sum(is_altered_echo(r) for r in replies if not r.request.mirrored)
    corrupted_tell = undisturbed and not noisy and not lossy and echoes < _SEVERAL
    signs = (
        *_SIGNS_IN_VALID_REPLIES,
        *(_SIGNS_IN_FRAMES if undisturbed else ()),
        *(_SIGNS_IN_CORRUPTED if corrupted_tell else ()),
    )
    for sign in signs:
        found = sign(replies)
        if found is not None:
            return Analysis(Kind.CLASH, (found, *_remarks(replies)))
    present = [r for r in heard if r.present]
    asked_enough = len(replies) > len(present) + _SEVERAL
    if asked_enough and [r.verdict for r in present] == [Verdict.NOT_CONFORMING]:
        # noise makes one right CRC in 65536, and what else passes by may be for any unit
        present = []
    theirs = sum(
        holds_request(r) for r in replies if r.verdict not in (Verdict.OK, Verdict.EXCEPTION)
    )
    swapped = [r for r in heard if r.verdict is Verdict.CRC_SWAPPED]
    if present:
        remarks = [*_remarks(replies)]
        if noisy:
            remarks.append(Remark(RemarkKind.NOISY))
        if lossy:
            remarks.append(Remark(RemarkKind.LOSSY))
        doubt: Remark | None = None
        if theirs and len(present) <= 3 * theirs:
            doubt = Remark(RemarkKind.SAID_TO_OTHER_MASTER)
        elif len(present) == 1 and asked_enough:
            doubt = Remark(RemarkKind.ONE_REPLY, (len(replies),))
        elif not lossy and _damaged_beyond_noise(replies):
            cut_often = sum(map(is_start_cut_off, heard)) >= _SEVERAL
            doubt = Remark(
                RemarkKind.DAMAGED_AND_CUT_OFF if cut_often else RemarkKind.DAMAGED_BEYOND_NOISE
            )
        elif not noisy and not lossy:
            doubt = _identity_corrupted(replies)
        if doubt is not None:
            return Analysis(Kind.UNSURE, (doubt, *remarks))
        return Analysis(Kind.UNIT, tuple(remarks))
    if len(swapped) > 1:
        return Analysis(Kind.UNIT, (Remark(RemarkKind.CRC_SWAPPED), *_remarks(replies)))
    cut = sum(is_start_cut_off(r) for r in heard)
    if cut >= _SEVERAL and 4 * cut >= 3 * len(heard):
        return Analysis(Kind.UNIT, (Remark(RemarkKind.ALL_STARTS_CUT_OFF),))
    if any(extra_frames(replies)):
        remark = Remark(RemarkKind.SAID_TO_OTHER_MASTER if theirs else RemarkKind.LATE_REPLY)
        return Analysis(Kind.UNSURE, (remark, *_remarks(replies)))
    return _unsure_or_silent(heard, noisy, 2 if asked_enough else 1)


def _unsure_or_silent(heard: Sequence[Reply], noisy: bool, heads_needed: int) -> Analysis:
    """No valid frame of the asked address that can be believed."""
    other = _other_address(heard)
    if other is not None:
        asked = heard[0].request.address
        return Analysis(Kind.UNSURE, (Remark(RemarkKind.OTHER_ADDRESS, (asked, other)),))
    if any(r.verdict is Verdict.EXCEPTION for r in heard):
        return Analysis(Kind.SILENT, (Remark(RemarkKind.GATEWAY),))
    heads = [r for r in heard if r.verdict in (Verdict.CRC_BAD_HEAD_OK, Verdict.CRC_SWAPPED)]
    if len(heads) >= heads_needed:
        return Analysis(Kind.UNSURE, (Remark(RemarkKind.WRONG_CRC, (len(heads),)),))
    if sum(is_unexplained(r) for r in heard) >= _SEVERAL and not noisy:
        return Analysis(Kind.UNSURE, (Remark(RemarkKind.NEVER_A_FRAME),))
    return Analysis(Kind.SILENT, (Remark(RemarkKind.STRAY_BYTES),) if heard else ())


def _by_request(replies: Iterable[Reply]) -> Sequence[Sequence[Reply]]:
    """The replies to each request, in order."""
    groups: defaultdict[bytes, list[Reply]] = defaultdict(list)
    for reply in replies:
        groups[reply.request.frame].append(reply)
    return list(groups.values())


def _other_address(heard: Sequence[Reply]) -> int | None:
    """The address under which a unit answers what this one is asked, whatever that is.

    Another master's exchanges also pass by, but its requests are heard before the replies, and it
    does not ask for what we happen to ask for.
    """
    functions: defaultdict[int, set[int]] = defaultdict(set)
    for reply in heard:
        frame = Frame(reply.frame) if reply.verdict is Verdict.FOREIGN else None
        if frame is not None and not reply.stray_before and fits(frame, reply.request):
            functions[frame.address].add(frame.function)
    return next((address for address, asked in functions.items() if len(asked) >= _SEVERAL), None)


def _two_frames(replies: Sequence[Reply]) -> Remark | None:
    """A whole reply that no request is waiting for: a lone unit, however late, answers each request
    once."""
    unanswered: list[Reply] = []
    for reply, extra in zip(replies, extra_frames(replies), strict=True):
        unanswered = [r for r in unanswered if reply.exchange.started - r.exchange.sent < LATE_FOR]
        if reply.present:
            # It may be late, too, in place of the one that this request waits for.
            mine = can_answer(Frame(reply.frame), reply.request)
            answered = (
                reply
                if mine
                else next(
                    (r for r in unanswered if can_answer(Frame(reply.frame), r.request)), reply
                )
            )
            unanswered = [r for r in (*unanswered, reply) if r is not answered]
        for frame in extra:
            late = next((r for r in unanswered if can_answer(frame, r.request)), None)
            if late is None:
                return Remark(RemarkKind.TWO_REPLIES)
            unanswered.remove(late)
        if not reply.present:
            unanswered.append(reply)
    return None


def _without_late(replies: Iterable[Reply]) -> Iterator[Reply]:
    """The replies less those that may be late ones to an earlier request without a reply."""
    waiting: list[Reply] = []
    for reply in replies:
        waiting = [r for r in waiting if reply.exchange.started - r.exchange.sent < LATE_FOR]
        late = None
        if reply.present:
            frame = Frame(reply.frame)
            late = next((r for r in waiting if can_answer(frame, r.request)), None)
        if late is not None:
            waiting.remove(late)
        if late is not None or not reply.present:
            waiting.append(reply)
        else:
            yield reply


def identities(replies: Iterable[Reply]) -> Counter[tuple[str | None, ...]]:
    """What was said in reply to identification requests, and how often; one unit says one thing to
    each."""
    said: Counter[tuple[str | None, ...]] = Counter()
    for reply in replies:
        if reply.valid and reply.request.function is Function.READ_DEVICE_IDENTIFICATION:
            objects = identification_page(reply).objects
            said["43/14", *(objects.get(number) for number in range(3))] += 1
        elif reply.valid and reply.request.function is Function.REPORT_SERVER_ID:
            said["17", reply.frame.hex()] += 1
    return said


def _two_identities(replies: Sequence[Reply]) -> Remark | None:
    """One address, two names, each said more than once: a server id may hold something that
    changes."""
    repeated = Counter(what for (what, *_), count in identities(replies).items() if count > 1)
    if any(count > 1 for count in repeated.values()):
        return Remark(RemarkKind.TWO_IDENTITIES)
    return None


def _yes_and_no(replies: Sequence[Reply]) -> Remark | None:
    """The same request answered, refused and answered again."""
    prompt = _without_late(replies)
    own = (r for r in prompt if r.present and r.exception not in _BUSY and not holds_request(r))
    for group in _by_request(own):
        if sum(one.valid is not other.valid for one, other in pairwise(group)) >= _SEVERAL:
            return Remark(RemarkKind.ANSWERED_AND_REFUSED)
    return None


def _too_long(replies: Sequence[Reply]) -> Remark | None:
    """More bytes than one reply has, time and again, with no other address in them."""
    count = sum(_is_too_long(reply) for reply in replies)
    if count >= _SEVERAL:
        return Remark(RemarkKind.TOO_LONG, (count,))
    return None


def _is_too_long(reply: Reply) -> bool:
    length = expected_length(reply.request)
    if reply.request.function not in _FIXED_LENGTH or length is None or foreign_frames([reply]):
        return False
    if reply.verdict is Verdict.CRC_BAD_HEAD_OK:
        return stray_bytes(answer(reply)) >= length + OVERLONG
    return has_stray_bytes(reply)


def _some_always_corrupted(replies: Sequence[Reply]) -> Remark | None:
    """Some requests are always answered validly, one is answered each time and never validly.

    Noise does not read requests; two units do, and where they say the same at the same time it
    comes through.
    """
    groups = _by_request(replies)
    answered = [r for group in groups if any(r.present for r in group) for r in group]
    if sum(r.present for r in answered) < _ENOUGH_SOUND or 6 * sum(
        is_damaged(r) for r in answered
    ) > len(answered):
        return None
    for group in groups:
        corrupted = sum(is_damaged(r) and not is_start_cut_off(r) for r in group)
        if (
            corrupted > _SEVERAL
            and corrupted == len(group)
            and group[0].request.function in _FIXED_LENGTH
        ):
            return Remark(RemarkKind.SOME_ALWAYS_CORRUPTED)
    return None


def _identity_corrupted(replies: Sequence[Reply]) -> Remark | None:
    """Asked who it is it never answers validly, and all else it does: where twins differ, their
    replies collide."""
    short = [r for r in replies if r.request.function in _FIXED_LENGTH and not is_silence(r)]
    if len(short) < _ENOUGH_SOUND or 6 * sum(map(is_damaged, short)) > len(short):
        return None
    for group in _by_request(r for r in replies if r.request.function not in _FIXED_LENGTH):
        if len(group) >= _SEVERAL and all(map(is_damaged, group)):
            return Remark(RemarkKind.IDENTITY_CORRUPTED, (int(group[0].request.function),))
    return None


def _colliding(replies: Sequence[Reply]) -> Remark | None:
    """Corrupted replies that are, bit for bit, what two refusals, or two replies alike, make when
    one comes a little later."""
    corrupted = [r for r in replies if _may_be_colliding(r)]
    if len(corrupted) < _SEVERAL:
        return None
    whole: defaultdict[bytes, set[bytes]] = defaultdict(set)
    for reply in replies:
        if reply.present and len(reply.frame) <= 2 * framing.EXCEPTION_BYTES:
            whole[reply.request.frame].add(reply.frame)
    refused = alike = 0
    for reply in corrupted:
        request = reply.request
        bodies = (
            bytes((request.address, request.function | framing.EXCEPTION_FLAG, code))
            for code in _COMMON_CODES
        )
        refusals = [body + framing.crc(body) for body in bodies]
        settings, received = reply.exchange.settings, reply.exchange.received
        if any(
            received in overlaps(one, other, settings) for one in refusals for other in refusals
        ):
            refused += 1
        else:
            alike += any(received in overlaps(one, one, settings) for one in whole[request.frame])
    if refused + alike >= _SEVERAL:
        what = RemarkKind.COLLIDING_REFUSALS if refused >= alike else RemarkKind.COLLIDING_REPLIES
        return Remark(what, (refused + alike,))
    return None


def _may_be_colliding(reply: Reply) -> bool:
    """Whether the bits of the first byte allow it: a second sender can only take ones away."""
    received, address = reply.exchange.received, reply.request.address
    short = reply.request.function in _FIXED_LENGTH and len(received) <= 2 * framing.EXCEPTION_BYTES
    return short and is_damaged(reply) and received[0] | address == address


def _corrupted_after_valid_start(replies: Sequence[Reply]) -> Remark | None:
    """The first byte comes through and what follows hardly ever does, each time in another way.

    Noise is no respecter of first bytes: if it spares six of seven of them, it spares two of five
    whole refusals (5 bytes, 0.85 to the fifth power).  A second unit that begins a little later
    does just this.
    """
    short = [r for r in replies if r.request.function in _FIXED_LENGTH and not is_silence(r)]
    bad = [r for r in short if r.verdict in BAD and len(r.exchange.received) >= framing.SHORTEST]
    if len(bad) < _MANY or 4 * len(bad) < 3 * len(short):
        return None
    begins = sum(r.exchange.received[0] == r.request.address for r in bad)
    ways = [len({r.exchange.received for r in group}) for group in _by_request(bad)]
    if begins >= 0.85 * len(bad) and max(ways) >= _SEVERAL:
        return Remark(RemarkKind.CORRUPTED_AFTER_VALID_START, (len(short), len(bad)))
    return None


_Test = Callable[[Sequence[Reply]], Remark | None]
_SIGNS_IN_VALID_REPLIES: tuple[_Test, ...] = (_two_identities, _yes_and_no)
_SIGNS_IN_FRAMES: tuple[_Test, ...] = (_two_frames,)
_SIGNS_IN_CORRUPTED: tuple[_Test, ...] = (
    _too_long,
    _some_always_corrupted,
    _corrupted_after_valid_start,
    _colliding,
)


def _is_lossy(replies: Sequence[Reply]) -> bool:
    """Whether requests that are answered at other times go without: noise corrupts them too, a
    second unit does not."""
    groups = [[is_silence(r) for r in group] for group in _by_request(replies)]
    silent = [quiet for group in groups if not all(group) for quiet in group]
    return len(silent) >= _MANY and silent.count(True) > _LOSSY * len(silent)


def _damaged_beyond_noise(replies: Sequence[Reply]) -> bool:
    """Whether there are many damaged replies and most differ from what would be valid by more than
    noise explains."""
    valid: dict[bytes, set[bytes]] = defaultdict(set)
    for reply in replies:
        if reply.present:
            valid[reply.request.frame].add(reply.frame)
    damaged = [r for r in replies if is_damaged(r) and r.request.function in _FIXED_LENGTH]
    beyond = 0
    for reply in damaged:
        received = reply.exchange.received
        known = valid[reply.request.frame]
        if known:
            beyond += not any(_bits_apart(received, frame) <= _FEW_BITS for frame in known)
        else:
            beyond += len(received) not in (framing.EXCEPTION_BYTES, expected_length(reply.request))
    heard = sum(not is_silence(r) for r in replies)
    return len(damaged) >= _SEVERAL and 4 * len(damaged) > heard and 2 * beyond > len(damaged)


def _bits_apart(one: bytes, other: bytes) -> int:
    """Bits in which two byte strings differ; a byte missing or too many counts two."""
    differing = sum((a ^ b).bit_count() for a, b in zip(one, other, strict=False))
    return differing + 2 * abs(len(one) - len(other))


def _remarks(replies: Sequence[Reply]) -> Iterator[Remark]:
    """What the technician should know beside who is there."""
    present = [r for r in replies if r.present]
    damaged = sum(is_damaged(r) for r in replies)
    if damaged:
        yield Remark(RemarkKind.DAMAGED, (damaged, len(replies)))
    stray = [r for r in present if (r.stray_before or r.stray_after) and not other_frames(r)]
    if stray:
        yield Remark(RemarkKind.STRAY_BYTES_AROUND, (len(stray), len(present)))
    # Noise corrupts bytes, the first ones too; it does not take them away.
    cut = sum(bool(bytes_missing_at_start(r)) for r in replies)
    if cut >= _SEVERAL and 2 * cut > damaged:
        yield Remark(RemarkKind.STARTS_CUT_OFF, (cut,))
    odd = [r for r in present if r.verdict is Verdict.NOT_CONFORMING and not holds_request(r)]
    if odd:
        yield Remark(RemarkKind.NOT_CONFORMING, (len(odd),))
    if (
        present
        and is_silence(replies[0])
        and any(r.request.frame == replies[0].request.frame for r in present)
    ):
        yield Remark(RemarkKind.FIRST_REQUEST_MISSED)
    if present and all(r.exception == 1 for r in present):
        yield Remark(RemarkKind.REFUSES_EVERYTHING)
    latency = ReplyLatency.of(present)
    if latency is not None and latency.maximum > _SLOW:
        yield Remark(RemarkKind.SLOW, (round(1000 * latency.maximum),))

"""The registers of a unit that no profile describes: what it gives, and how its values move.

A profile is drafted from that.  Reads only.  A unit refuses a request, or stays silent on it, for
one register that it lacks or for more registers than it gives at a time (common practice, below the
125 of V1.1b3 section 6.3); which of the two it was shows by the parts.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field, replace

from busprobe.errors import RefusedError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, read
from busprobe.profiles.drafting.draft import Seen, to_read
from busprobe.profiles.drafting.notes import Notes
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.profiles.read_requests import Block, Registers
from busprobe.profiles.registers import OF_BITS
from busprobe.profiles.schema import Profile
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify

PATIENT = Waits(reply=0.6)
"""How long a reply is waited for; a caller that knows the unit to be slower waits longer."""

_TRIES = 2
_MOST_SILENCES = 20
"""Requests that may stay unanswered before no more parts are tried: each costs the reply wait
twice."""
_ENOUGH_SILENT = 4
"""Single registers that have to stay unanswered before a function code is taken to be unknown to
the unit."""
_ILLEGAL_FUNCTION = 1
_SHORTEST_WAIT = 0.3
"""Seconds that a reply is waited for at least."""
_REMEMBERED = 8
"""Looks before the present one that still count."""
_LOOKS = 3
"""Looks of an observation that is not ended before."""
_BETWEEN = 1.0
"""Seconds between them, for values to move."""


@dataclass
class RegisterReader:
    """One unit's registers, read as they are asked for."""

    line: Line
    address: int
    """Unit address."""
    waits: Waits = PATIENT
    registers: dict[tuple[int, int], int] = field(default_factory=dict)
    """Function code and wire address to the value read last."""
    longest: int = 0
    """Registers of the longest request that was answered."""
    too_long: int | None = None
    """Registers of the shortest request that was refused although the unit gives each part of it.
    """
    silent: list[Block] = field(default_factory=list)
    """What was not answered when it was asked last: nothing is known of it."""
    _once_given: set[tuple[int, int]] = field(default_factory=set)
    _unknown: set[int] = field(default_factory=set)
    """Function codes that the unit does not have."""
    _silences: int = 0

    def read(self, blocks: Iterable[Block]) -> None:
        """Read `blocks`, in parts where the unit refuses the whole; raises `PortError` if the port
        fails."""
        self._silences = 0
        for block in blocks:
            if block.function in self._unknown:
                continue
            reply = self._ask(block)
            if reply.exception == _ILLEGAL_FUNCTION:
                self._unknown.add(block.function)
            else:
                self._settle(block, reply)

    def refresh(self, wanted: Collection[tuple[int, int]]) -> None:
        """Read once more those of the `wanted` registers that were given, in as few requests as it
        takes.

        What is not given this time is no longer among the registers: an old value is not passed off
        as a new one. Raises `PortError` if the port fails.
        """
        self._silences = 0
        most = self.most or MOST_REGISTERS
        runs = (run for run in _runs(self._once_given) if not set(run.keys).isdisjoint(wanted))
        for block in (part for run in runs for part in _split(run, most)):
            for key in block.keys:
                self.registers.pop(key, None)
            reply = self._ask(block)
            self.silent = [other for other in self.silent if other != block]
            if reply.valid or reply.refused:
                self._settle(block, reply)
            else:
                self.silent.append(block)

    @property
    def most(self) -> int | None:
        """Registers of the longest request it takes; None where no request was refused for its
        length alone."""
        return None if self.too_long is None else self.longest

    def given(self) -> tuple[Block, ...]:
        """The unbroken runs of registers that the unit gave."""
        return tuple(_runs(self.registers))

    def _settle(self, block: Block, reply: Reply) -> None:
        """Take what came for `block`; where it was refused, halve it until each register is given
        or refused."""
        if reply.valid:
            self._take(block, reply)
            return
        silent = not reply.refused
        if silent:
            self._silences += 1
        if (
            block.count == 1
            or self._silences >= _MOST_SILENCES
            or (silent and self._is_unknown(block.function))
        ):
            if silent:
                self.silent.append(block)
            return
        half = block.count // 2
        parts = (
            Block(block.function, block.register, half),
            Block(block.function, block.register + half, block.count - half),
        )
        for part in parts:
            self._settle(part, self._ask(part))
        if (
            block.function not in OF_BITS
            and block.count > self.longest
            and self.registers.keys() >= set(block.keys)
        ):
            self._find_length(block)

    def _is_unknown(self, function: int) -> bool:
        """Whether the unit has only ever been silent on a function code, asked for single registers
        too.

        It most likely does not know it, and each further part would cost the reply wait in vain.
        """
        singles = sum(block.function == function and block.count == 1 for block in self.silent)
        return singles >= _ENOUGH_SILENT and not any(
            known == function for known, _ in self._once_given
        )

    def _find_length(self, block: Block) -> None:
        """The longest request that is answered within `block`, all of whose registers are there."""
        self.too_long = min(self.too_long or block.count, block.count)
        while self.too_long - self.longest > 1:
            part = Block(block.function, block.register, (self.too_long + self.longest) // 2)
            reply = self._ask(part)
            if reply.valid:
                self._take(part, reply)
            else:
                self.too_long = part.count

    def _take(self, block: Block, reply: Reply) -> None:
        self.registers.update(block.answered(reply.registers))
        if block.function not in OF_BITS:
            self.longest = max(self.longest, block.count)
        self._once_given.update(block.keys)

    def _ask(self, block: Block) -> Reply:
        request = read(self.address, Function(block.function), block.register, block.count)
        for _ in range(_TRIES):
            reply = judge(request, self.line.exchange(request, self.waits))
            if reply.present:
                break
        return reply


def _runs(keys: Iterable[tuple[int, int]]) -> list[Block]:
    """The unbroken runs of registers, given by function code and wire address."""
    runs: list[Block] = []
    for function, register in sorted(keys):
        if runs and (runs[-1].function, runs[-1].register + runs[-1].count) == (function, register):
            runs[-1] = Block(function, runs[-1].register, runs[-1].count + 1)
        else:
            runs.append(Block(function, register, 1))
    return runs


def _split(run: Block, most: int) -> Iterator[Block]:
    """`run` in blocks of at most so many registers."""
    for start in range(0, run.count, most):
        yield Block(run.function, run.register + start, min(most, run.count - start))


@dataclass(frozen=True)
class Observed:
    """What a unit showed."""

    identified: Identified
    seen: Seen
    given: tuple[Block, ...]
    """The unbroken runs of registers that it gave."""


class Watch:
    """One unit looked at again and again, beside notes that may grow meanwhile."""

    def __init__(self, line: Line, address: int, profiles: Iterable[Profile] = ()) -> None:
        """Ask the unit at `address`, at the line's present settings, what it is.

        Raises `RefusedError` where not just one unit answers, and `PortError` if the port fails.
        """
        self.identified = found = identify(line, address, profiles)
        if found.examination.kind is not Kind.UNIT:
            raise RefusedError(
                f"Nothing can be drafted at address {both_forms(address)}: {found.notes[0]}",
                todo="See with 'busprobe survey' who answers there, and at which line settings.",
            )
        latency = found.examination.latency
        # A unit known to be quick is not waited for longer than it takes: some are silent where
        # others refuse.
        waits = (
            replace(PATIENT, reply=max(_SHORTEST_WAIT, 2 * latency.maximum)) if latency else PATIENT
        )
        self._reader = RegisterReader(line, address, waits)
        self._asked: set[tuple[int, int]] = set()
        self._earlier: deque[Registers] = deque(maxlen=_REMEMBERED)

    def look(self, notes: Notes) -> Observed:
        """Read the registers of `notes`: once more those that were given before, and those not yet
        asked for.

        Raises `PortError` if the port fails.
        """
        wanted = to_read(notes)
        self._reader.refresh({key for block in wanted for key in block.keys} & self._asked)
        self._reader.read(block for block in wanted if not self._asked.issuperset(block.keys))
        self._asked.update(key for block in wanted for key in block.keys)
        reader, found = self._reader, self.identified
        registers = dict(reader.registers)  # the reader goes on with its own
        seen = Seen(
            registers,
            tuple(self._earlier),
            tuple(reader.silent),
            frozenset(self._asked),
            reader.most,
            found.objects or {},
            found.server_id,
            found.descriptions,
        )
        self._earlier.append(registers)
        return Observed(found, seen, reader.given())


def observe(line: Line, address: int, notes: Notes, profiles: Iterable[Profile] = ()) -> Observed:
    """Look at the unit at `address`, at the line's present settings, a few times; raises what
    `Watch` does."""
    watch = Watch(line, address, profiles)
    for _ in range(_LOOKS - 1):
        watch.look(notes)
        line.clock.sleep_until(line.clock.now() + _BETWEEN)
    return watch.look(notes)

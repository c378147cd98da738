"""Reading registers of a unit that nobody knows: what it refuses as a whole is narrowed down to what it gives.

Reads only.  A unit refuses a request, or stays silent on it, for one register that it lacks or for more registers than
it gives at a time (common practice, below the 125 of V1.1b3 section 6.3); which of the two it was shows by the parts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.profiles.plan import Block

PATIENT = Waits(reply=0.6)
"""How long a reply is waited for; whoever knows the unit to be slower waits longer."""

_TRIES = 2
_MOST_SILENCES = 20
"""Requests that may stay unanswered before no more parts are tried: each costs the reply wait twice."""
_ILLEGAL_FUNCTION = 1
_REFUSALS = (1, 2, 3)
"""Exceptions that say a unit does not give what was asked (V1.1b3 section 7)."""


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
    """Registers of the shortest request that was refused although the unit gives each part of it."""
    silent: list[Block] = field(default_factory=list)
    """What was not answered at all: nothing is known of it."""
    _silences: int = 0

    def read(self, blocks: Iterable[Block]) -> None:
        """Read `blocks`, in parts where the unit refuses the whole; raises `PortError` if the port fails."""
        unknown: set[int] = set()
        for block in blocks:
            if block.function in unknown:
                continue
            reply = self._ask(block)
            if reply.exception == _ILLEGAL_FUNCTION:
                unknown.add(block.function)
            else:
                self._settle(block, reply)

    @property
    def most(self) -> int | None:
        """Registers of the longest request it takes; None where no request was refused for its length alone."""
        return None if self.too_long is None else self.longest

    def given(self) -> tuple[Block, ...]:
        """The unbroken runs of registers that the unit gave."""
        runs: list[Block] = []
        for function, register in sorted(self.registers):
            if runs and (runs[-1].function, runs[-1].register + runs[-1].count) == (function, register):
                runs[-1] = Block(function, runs[-1].register, runs[-1].count + 1)
            else:
                runs.append(Block(function, register, 1))
        return tuple(runs)

    def _settle(self, block: Block, reply: Reply) -> None:
        """Take what came for `block`; where it was refused, halve it until each register is given or refused."""
        if reply.sound:
            self.registers.update(block.answered(reply.registers))
            self.longest = max(self.longest, block.count)
            return
        silent = reply.exception not in _REFUSALS
        if silent:
            self._silences += 1
        if block.count == 1 or self._silences >= _MOST_SILENCES:
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
        if block.count > self.longest and self.registers.keys() >= set(block.keys):
            self._find_length(block)

    def _find_length(self, block: Block) -> None:
        """The longest request that is answered within `block`, all of whose registers are there."""
        self.too_long = min(self.too_long or block.count, block.count)
        while self.too_long - self.longest > 1:
            part = Block(block.function, block.register, (self.too_long + self.longest) // 2)
            reply = self._ask(part)
            if reply.sound:
                self.registers.update(part.answered(reply.registers))
                self.longest = part.count
            else:
                self.too_long = part.count

    def _ask(self, block: Block) -> Reply:
        request = read_registers(self.address, Function(block.function), block.register, block.count)
        for _ in range(_TRIES):
            reply = judge(request, self.line.exchange(request, self.waits))
            if reply.present:
                break
        return reply

"""A small pair of wires with units that can be readdressed in every way met with, in simulated
time.

The virtual segment is the true test bench for waveforms; this one is for behaviour of units that
scenarios do not describe, and for a port that dies at a given byte.  Overlapping replies are
wrecked where they overlap.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from busprobe.errors import PortError
from busprobe.job.journal import Conclusion, Result, Role, Row, WriteIntent, WriteRecord
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.framing import crc, is_valid
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.registers import AddressPart
from busprobe.readdress.move import Prepared, verify_again
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.words import write_words

SETTINGS = LineSettings.parse("9600-8N1")
ADDRESS_REGISTER, BAUD_REGISTER, UNLOCK_REGISTER, SAVE_REGISTER = 100, 101, 200, 201


@dataclass
class FakeUnit:
    """One unit; its fields say how it behaves."""

    address: int
    serial: int = 1
    latency: float = 0.01
    functions: tuple[int, ...] = (6, 16)
    part: AddressPart = AddressPart.WHOLE
    effect: str = "at once"
    """``at once``, ``save`` or ``power cycle``."""
    saves: bool = False
    """Whether it has a save register although a new address holds at once."""
    reply_from: str = "old"
    password: int | None = None
    """Value that unlocks it through the unlock register."""
    volatile: bool = False
    exception: int | None = None
    """Exception it gives to a write of its address."""
    deaf: bool = False
    """Whether writes of its address do nothing and get no reply."""
    forgets: bool = False
    """Whether it acknowledges a write of its address and does nothing, ever."""
    restart: float = 0.0
    """Seconds of silence after a new address; `inf` for ever, or until a power cycle."""
    stays: bool = False
    """Whether it goes on answering at the old address too."""
    lands: int | None = None
    """The address it takes in fact, whatever was written."""
    readable: bool = True
    """Whether the register of the address can be read."""
    other: int = 0x03
    """What the other half of a shared register holds."""
    settings: LineSettings = SETTINGS
    baud_codes: tuple[int, ...] = (4800, 9600, 19200)
    """Baud rates by the code in the baud register."""
    connected: bool = True
    ready_at: float = 0.0

    def __post_init__(self) -> None:
        self.answers_at = {self.address}
        self.stored = self.address
        self.pending: int | None = None
        self.pending_settings = self.settings
        self.locked = self.password is not None

    def power_cycle(self) -> None:
        """Off and on again."""
        if self.pending is not None and self.effect == "power cycle":
            self.stored = self.pending
        self.address, self.pending = self.stored, None
        self.answers_at = {self.address}
        self.settings = self.pending_settings
        self.ready_at = 0.0
        self.locked = self.password is not None

    def hear(self, frame: bytes, at: float) -> tuple[float, bytes] | None:
        """The reply's start and bytes, None if it keeps silent."""
        if frame[0] not in self.answers_at or at < self.ready_at:
            return None
        address, pdu = self._answer(frame[0], frame[1:-2], at)
        return (
            None
            if pdu is None
            else (at + self.latency, bytes((address,)) + pdu + crc(bytes((address,)) + pdu))
        )

    def _answer(self, asked: int, pdu: bytes, at: float) -> tuple[int, bytes | None]:
        function = pdu[0]
        if function == 3:
            register, count = struct.unpack(">HH", pdu[1:5])
            words = [self._holds(n) for n in range(register, register + count)]
            if None in words:
                return asked, bytes((0x83, 2))
            return asked, struct.pack(
                f">BB{count}H", 3, 2 * count, *(w for w in words if w is not None)
            )
        if function == 17:
            return asked, struct.pack(">BBHB", 17, 3, self.serial, 0xFF)
        if function in self.functions:
            register = int.from_bytes(pdu[1:3], "big")
            value = int.from_bytes(pdu[3:5] if function == 6 else pdu[6:8], "big")
            reply = pdu[:5]
            if register == UNLOCK_REGISTER and self.password is not None:
                self.locked = value != self.password
                return asked, reply
            if register == SAVE_REGISTER and (self.effect == "save" or self.saves):
                if self.pending is not None:
                    self.stored = self.pending
                    self._take(self.pending, at)
                return asked, reply
            if register == BAUD_REGISTER:
                return self._resettled(asked, self.part.read(value), reply, at)
            if register == ADDRESS_REGISTER:
                return self._readdressed(asked, value, reply, at)
        return asked, bytes((function | 0x80, 2 if function in (3, 6, 16) else 1))

    def _resettled(
        self, asked: int, code: int, reply: bytes, at: float
    ) -> tuple[int, bytes | None]:
        if self.deaf:
            return asked, None
        if self.exception is not None or code >= len(self.baud_codes):
            return asked, bytes((reply[0] | 0x80, self.exception or 3))
        self.pending_settings = replace(self.settings, baud=self.baud_codes[code])
        if self.effect == "at once":
            self.settings = self.pending_settings
            self.ready_at = at + self.latency + self.restart
        return asked, reply if self.reply_from == "old" else None

    def _readdressed(
        self, asked: int, value: int, reply: bytes, at: float
    ) -> tuple[int, bytes | None]:
        if self.deaf:
            return asked, None
        if self.locked or self.exception is not None:
            return asked, bytes((reply[0] | 0x80, self.exception or 4))
        new = self.lands or self.part.read(value)
        if not self.forgets:
            self.pending = new
            if self.effect == "at once":
                if not self.volatile:
                    self.stored = new
                self._take(new, at)
        match self.reply_from:
            case "old":
                return asked, reply
            case "new":
                return new, reply
            case _:
                return asked, None

    def _take(self, new: int, at: float) -> None:
        self.address, self.pending = new, None
        self.answers_at = {new, *(self.answers_at if self.stays else ())}
        self.ready_at = at + self.latency + self.restart

    def _holds(self, register: int) -> int | None:
        if register < 2:
            return self.serial
        if register == BAUD_REGISTER and self.readable:
            code = self.baud_codes.index(self.settings.baud)
            return self.part.put(self.other << 8 | self.other, code)
        if register == ADDRESS_REGISTER and self.readable:
            return self.part.put(self.other << 8 | self.other, self.address)
        return None


def _overlapped(first: bytes, second: bytes, late: int) -> bytes:
    """What is heard of two replies, one `late` characters after the other: a space (0) of either
    wins."""
    length = max(len(first), late + len(second))
    one, other = first.ljust(length, b"\xff"), (b"\xff" * late + second).ljust(length, b"\xff")
    return bytes(a & b for a, b in zip(one, other, strict=True))


class Bench:
    """A `busprobe.line.port.Port` with units behind it."""

    name = "bench"

    def __init__(self, *units: FakeUnit, echo: bool = False) -> None:
        self.clock = VirtualClock()
        self.units = list(units)
        self.echo = echo
        self.sent: list[bytes] = []
        self.unsafe: list[bytes] = []
        """Writes of an address that were sent with other than one unit at the source or any at the
        target."""
        self.before_send: Callable[[bytes], None] = lambda _: None
        """May raise `PortError`: the bytes never leave."""
        self.after_send: Callable[[bytes], None] = lambda _: None
        """May raise `PortError`: the bytes have left."""
        self.mangle: Callable[[bytes], bytes] = lambda data: data
        """What becomes of a reply on its way."""
        self.chatter: list[tuple[float, bytes]] = []
        """Bytes of somebody else, with the time at which they are there."""
        self._coming: list[tuple[float, bytes]] = []

    def apply(self, settings: LineSettings) -> None:
        self.settings = settings

    def close(self) -> None:
        pass

    def at(self, address: int) -> list[FakeUnit]:
        """Connected units that answer at `address`, whether or not they are ready."""
        return [unit for unit in self.units if unit.connected and address in unit.answers_at]

    @property
    def writes(self) -> list[bytes]:
        """All writes that left, in order."""
        return [frame for frame in self.sent if frame[1] in (6, 16)]

    def send(self, data: bytes) -> float:
        self.before_send(data)
        self._guard(data)
        self.sent.append(data)
        end = self.clock.now() + self.settings.wire_time(len(data))
        if self.echo:
            self._coming.append((end, data))
        if is_valid(data):
            hearing = [
                unit for unit in self.units if unit.connected and unit.settings == self.settings
            ]
            answers = [answer for unit in hearing if (answer := unit.hear(data, end))]
            self._coming.extend(self._on_the_wire(answers))
        self.after_send(data)
        return end

    def receive(self, until: float) -> Chunk | None:
        self._coming.extend(self.chatter)
        self.chatter = []
        self._coming.sort()
        if self._coming and self._coming[0][0] <= max(until, self.clock.now()):
            at, data = self._coming.pop(0)
            self.clock.sleep_until(at)
            return Chunk(at, data)
        self.clock.sleep_until(until)
        return None

    def _on_the_wire(self, answers: Iterable[tuple[float, bytes]]) -> list[tuple[float, bytes]]:
        """Replies with the times of their ends; one that overlaps another is wrecked together with
        it."""
        merged: list[tuple[float, float, bytes]] = []
        for start, data in sorted(answers):
            end = start + self.settings.wire_time(len(data))
            if merged and start < merged[-1][1]:
                first, last, other = merged.pop()
                if start - first < self.settings.bit_time / 2 and data == other:
                    merged.append((first, last, other))  # identical twins, exactly together
                else:
                    late = round((start - first) / self.settings.character_time)
                    wreck = _overlapped(other, data, late)
                    merged.append((first, max(last, end), wreck))
            else:
                merged.append((start, end, data))
        return [(end, mangled) for _, end, data in merged if (mangled := self.mangle(data))]

    def _guard(self, data: bytes) -> None:
        if data[1] in (6, 16) and int.from_bytes(data[2:4], "big") == ADDRESS_REGISTER:
            value = int.from_bytes(data[4:6] if data[1] == 6 else data[7:9], "big")
            units = self.at(data[0])
            target = units[0].part.read(value) if units else value
            if len(units) != 1 or self.at(target):
                self.unsafe.append(data)


@dataclass
class Book:
    """A journal in memory."""

    lines: list[str] = field(default_factory=list)
    writes: list[WriteRecord] = field(default_factory=list)
    """All writes, in order, as a job would give them back."""

    def intend_write(self, intent: WriteIntent, /) -> int:
        number = len(self.writes) + 1
        given = {**vars(intent), "move": intent.move or number}
        record = WriteRecord(id=number, intended="", tester="", **given)
        self.writes.append(record)
        self.lines.append(f"intend {write_words(record)}")
        return number

    def conclude_write(
        self, write: int, outcome: Result, /, *, reply: bytes | None, why: str
    ) -> None:
        self._conclude(write, Conclusion("", outcome, None, reply, why))

    def conclude_move(self, outcome: Outcome, writes: Sequence[int], /) -> None:
        for write in writes:
            said = Conclusion(
                "",
                outcome.result,
                outcome.row,
                outcome.reply,
                outcome.recorded_why,
                outcome.holds,
            )
            self._conclude(write, said)

    def _conclude(self, number: int, said: Conclusion) -> None:
        write = self.writes[number - 1]
        self.writes[number - 1] = replace(write, conclusions=(*write.conclusions, said))
        self.lines.append(f"conclude {write_words(write)}: {said.outcome}")

    @property
    def conclusions(self) -> dict[int, list[tuple[str, bytes | None, str]]]:
        """What was noted of the writes that anything was noted of."""
        return {
            write.id: [(said.outcome, said.reply, said.why) for said in write.conclusions]
            for write in self.writes
            if write.conclusions
        }

    @property
    def unfinished(self) -> list[int]:
        return [write.id for write in self.writes if not write.conclusions]


def recorded_write(
    number: int,
    old: int,
    new: int,
    outcome: Result | None,
    role: Role = Role.ADDRESS,
    *,
    row: Row | None = None,
    held: int | None = None,
    holds: int | None = None,
) -> WriteRecord:
    """A write of a move from one address to another, as the journal gives it back."""
    how = RegisterWrite(ADDRESS_REGISTER, (new,), Function.WRITE_SINGLE_REGISTER)
    return WriteRecord(
        id=number,
        move=number,
        intended="",
        tester="",
        role=role,
        source=Place(old, SETTINGS),
        target=Place(new, SETTINGS),
        write=how,
        request=how.request(old).frame,
        words="",
        held=held,
        conclusions=(() if outcome is None else (Conclusion("", outcome, row, None, "", holds),)),
    )


def line_to(bench: Bench) -> Line:
    return Line(bench, SETTINGS)


def move(old: int = 1, new: int = 12, procedure: Procedure | None = None) -> Move:
    return Move(
        Place(old, SETTINGS),
        Place(new, SETTINGS),
        procedure or Procedure(ADDRESS_REGISTER, profile="bench-unit"),
    )


def checked(line: Line, outcome: Outcome) -> Outcome:
    """What a power cycle that was just made shows of a move; kept nowhere."""
    return verify_again(line, replace(outcome, write=None), journal=Book())


def yes(_: Prepared) -> bool:
    return True


def unplugged(_: bytes) -> None:
    raise PortError("The adapter is gone.", todo="Plug it in again.")


UNLOCK = RegisterWrite(UNLOCK_REGISTER, (4711,))
RELOCK = RegisterWrite(UNLOCK_REGISTER, (0,))
SAVE = RegisterWrite(SAVE_REGISTER, (1,))

"""The requests that are only there to see whether a unit answers.

A unit may stay silent on a register or function code it does not have instead of refusing it
(common practice, against V1.1b3 section 7), so one request is never enough to call an address
silent.

What is about to happen on the wire is told before it does: the caller may hold it or end it there.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain, islice, zip_longest
from typing import Any, TypeVar

from busprobe.errors import UsageError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import (
    Function,
    Request,
    read_bits,
    read_device_identification,
    read_registers,
    report_server_id,
    return_query_data,
)
from busprobe.profiles.schema import Profile

_NAME = re.compile(r"function (\d{1,3})(?:, register (\d{1,5}))?(?:, count (\d{1,3}))?")
_NUMBER = r"(0[xX][0-9a-fA-F]{1,4}|\d{1,5})"
_NAMED = re.compile(rf"([1-4]):{_NUMBER}(?::(\d{{1,2}}))?")
_MOST_AT_ONCE = 16
"""Registers, coils or inputs read by a probe that a person names."""
_UNUSED_REGISTER = 0xFFFF


@dataclass(frozen=True)
class Probe:
    """One kind of probe; the unit address is still open."""

    function: Function
    register: int = 0
    """Zero-based; only where the function reads registers, coils or inputs."""
    count: int | None = None
    """How many of them; None for one or two, by the unit address."""

    @classmethod
    def of(cls, request: Request) -> Probe:
        """The kind of probe that `request` is."""
        plain = cls(request.function)
        if not plain.reads:
            return plain
        plain = cls(request.function, request.register)
        usual = plain.request(request.address).quantity == request.quantity
        return plain if usual else replace(plain, count=request.quantity)

    @property
    def reads(self) -> bool:
        """Whether it reads registers, coils or inputs."""
        return self.function.reads_registers or self.function.reads_bits

    @classmethod
    def parse(cls, text: str) -> Probe:
        """Read what `str` writes; raises ValueError on anything else."""
        match = _NAME.fullmatch(text)
        if match is None:
            raise ValueError(f"'{text}' is no kind of probe")
        count = None if match[3] is None else int(match[3])
        return cls(Function(int(match[1])), int(match[2] or 0), count)

    @classmethod
    def read_as(cls, text: str) -> Probe:
        """Read what a person names: function code and zero-based register, such as 3:40001 or
        4:0x1F40, and perhaps how many, such as 3:0x100:2; raises `UsageError`."""
        match = _NAMED.fullmatch(text.strip())
        if match is not None:
            register = int(match[2], 16 if match[2][:2].lower() == "0x" else 10)
            count = None if match[3] is None else int(match[3])
            if register < _UNUSED_REGISTER and (count is None or 1 <= count <= _MOST_AT_ONCE):
                return cls(Function(int(match[1])), register, count)
        raise UsageError(
            f"'{text}' is no read that a survey can try.",
            todo=(
                "Write FUNCTION:REGISTER, function 1 to 4 and the zero-based register, such as"
                " 3:40001 or 4:0x1F40; add :COUNT, 1 to 16, where so many belong together."
            ),
        )

    def __str__(self) -> str:
        """What it asks for: ``function 3, register 0``, or ``function 3, register 40, count
        2``."""
        return (
            f"function {int(self.function)}"
            + (f", register {self.register}" if self.reads else "")
            + ("" if self.count is None else f", count {self.count}")
        )

    def request(self, address: int) -> Request:
        """The request to `address`.

        Neighbouring addresses are asked for different quantities, so that a stale answer cannot
        pass for a fresh one; and each address for one register and for two, since a unit that has
        but one may be silent on a read of two.  Where a profile says how many registers belong
        together, just these are asked for.
        """
        match self.function:
            case Function.REPORT_SERVER_ID:
                return report_server_id(address)
            case Function.READ_DEVICE_IDENTIFICATION:
                return read_device_identification(address)
            case Function.DIAGNOSTICS:
                return return_query_data(address)
            case _:
                read = read_bits if self.function.reads_bits else read_registers
                return read(address, self.function, self.register, self.quantity(address))

    def quantity(self, address: int) -> int:
        """How many registers, coils or inputs `address` is asked for, where it reads any."""
        return self.count or 1 + (address + self.register + 1 - self.function % 2) % 2


LADDER = (
    Probe(Function.READ_HOLDING_REGISTERS, 0),
    Probe(Function.READ_INPUT_REGISTERS, 0),
    Probe(Function.READ_HOLDING_REGISTERS, 1),
    Probe(Function.READ_INPUT_REGISTERS, 1),
    Probe(Function.REPORT_SERVER_ID),
    Probe(Function.READ_DEVICE_IDENTIFICATION),
    Probe(Function.DIAGNOSTICS),
)
"""All kinds of probes, the likeliest to be answered first."""

LIKELY = LADDER[:2]
"""Probes that nearly every unit answers."""
RARE = LADDER[2:]
"""Probes that only units silent on the first ones need."""


BITS = (Probe(Function.READ_COILS), Probe(Function.READ_DISCRETE_INPUTS))
"""What units with nothing but switched inputs and outputs answer."""

MOST_OF_PROFILES = 16
"""Probes that `probes_of` gives at most: an address without a unit costs a wait for each."""


def probes_of(profiles: Iterable[Profile], limit: int = MOST_OF_PROFILES) -> tuple[Probe, ...]:
    """Reads that units of `profiles` answer even if they are silent on all other registers.

    At most `limit`: the first of each profile, then the second of each, so that `profiles` come
    with the likeliest first.  A value is asked for whole, since a unit may be silent on half of it.
    """
    turns = zip_longest(*(_reads(profile) for profile in profiles))
    return tuple(islice(dict.fromkeys(filter(None, chain.from_iterable(turns))), limit))


def _reads(profile: Profile) -> Iterator[Probe]:
    """The registers of a profile: what it measures, what tells it, what it is set by."""
    for point in profile.points:
        yield Probe(Function(point.function), point.at.wire, point.count)
    for test in profile.fingerprint.registers:
        yield Probe(Function(test.function), test.at.wire, 1)
    if profile.readdress is not None:
        yield Probe(Function.READ_HOLDING_REGISTERS, profile.readdress.at.wire, 1)


MOST_FURTHER = 8
"""Registers of profiles that a survey asks silent addresses for at most."""


@dataclass(frozen=True)
class FurtherProbes:
    """What a survey asks addresses that stay silent on the usual probes, last of all."""

    probes: tuple[Probe, ...] = BITS
    profiles_left_out: int = 0
    """Profiles whose units, where they answer nothing but their own registers, are not asked."""

    @classmethod
    def of(
        cls, profiles: Iterable[Profile], also: Iterable[Probe] = (), *, only_named: bool = False
    ) -> FurtherProbes:
        """`also` what a person names, then coils and inputs, then one register of each of
        `profiles`, which come with the likeliest first, as far as `MOST_FURTHER`.  With
        `only_named` there is nothing but `also`."""
        if only_named:
            return cls(tuple(dict.fromkeys(also)))
        first = list(filter(None, (next(_reads(profile), None) for profile in profiles)))
        asked = tuple(islice(dict.fromkeys(first), MOST_FURTHER))
        left_out = sum(probe not in asked for probe in first)
        return cls(tuple(dict.fromkeys((*also, *BITS, *asked))), left_out)


def in_ladder(probe: Probe, address: int) -> bool:
    """Whether the usual probes ask `address` for just this."""
    usual = replace(probe, count=None)
    return usual in LADDER and usual.quantity(address) == probe.quantity(address)


def ladder(address: int) -> tuple[Request, ...]:
    """One probe of each kind for `address`."""
    return tuple(probe.request(address) for probe in LADDER)


def refused_by_all(address: int) -> Request:
    """A read that practically every unit refuses, so that two units at one address do so with the
    same bytes."""
    return read_registers(address, Function.READ_HOLDING_REGISTERS, _UNUSED_REGISTER, 1)


@dataclass(frozen=True)
class Asking:
    """A request is about to leave."""

    settings: LineSettings
    request: Request
    waits: Waits

    @property
    def address(self) -> int:
        """The unit address asked."""
        return self.request.address


@dataclass(frozen=True)
class LookingQuickly:
    """A request is about to leave whose reply is not waited for."""

    settings: LineSettings
    address: int


@dataclass(frozen=True)
class Listening:
    """Nothing is sent for a while, and whatever comes is gathered."""

    settings: LineSettings
    seconds: float


T = TypeVar("T")

WireStep = Asking | LookingQuickly | Listening
"""One thing done on the wire."""


Ask = Callable[[Line, Request, Waits], Generator[WireStep, None, Reply]]
"""One exchange, told of before; as `ask`."""


def ask(line: Line, request: Request, waits: Waits) -> Generator[WireStep, None, Reply]:
    """One exchange, told of before; raises `PortError` if the port fails."""
    yield Asking(line.settings, request, waits)
    return judge(request, line.exchange(request, waits))


def to_the_end(steps: Generator[Any, None, T]) -> T:
    """Run `steps` through without telling of them; returns what they come to."""
    while True:
        try:
            next(steps)
        except StopIteration as done:
            result: T = done.value
            return result

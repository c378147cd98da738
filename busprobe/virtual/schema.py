"""The schema of a scenario file; the descriptions of the fields are the documentation.

A scenario says which units hang on the pair, how they are set and wired, and what is wrong with the
pair and the adapter.  What follows from that is simulated, never listed here.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
)

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import LAST


def _object_id(value: object) -> int:
    """TOML keys are text: ``"0x80"``."""
    try:
        return int(str(value), 0)
    except ValueError as error:
        raise ValueError(f"'{value}' is not an object id; write a number like 0x80") from error


Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
Address = Annotated[int, Field(strict=True, ge=1, le=LAST)]
Register = Annotated[int, Field(strict=True, ge=0, le=0xFFFF)]
Seconds = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
ObjectId = Annotated[int, BeforeValidator(_object_id), Field(ge=0, le=0xFF)]
Function = Literal[1, 2, 3, 4, 6, 8, 16, 17, 43]


class ScenarioTable(BaseModel):
    """Base of all tables of a scenario: unknown fields are mistakes, nothing changes after
    loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Value(ScenarioTable):
    """One value in one or more registers."""

    name: Name = Field(description="What a unit's own `values` call it.")
    at: Register = Field(description="Zero-based register of its first word.")
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "text"] = Field(
        description="How it is stored."
    )
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = Field(
        default="ABCD", description="Order of its bytes."
    )
    value: int | float | str = Field(
        description=(
            "What it is, in units of measure; in a text '{serial}' stands for the unit's serial"
            " number."
        )
    )
    scale: Annotated[float, Field(gt=0)] = Field(
        default=1.0, description="Value of one count of an integer."
    )
    swing: Annotated[float, Field(ge=0)] = Field(
        default=0.0, description="How far a live value moves either way."
    )
    period: Annotated[float, Field(gt=0)] = Field(
        default=60.0, description="Seconds one such movement takes."
    )
    rate: Number = Field(default=0.0, description="How much a counter gains a second.")
    length: Annotated[int, Field(ge=1, le=64)] = Field(
        default=8, description="Registers that a text takes."
    )
    writable: bool = Field(
        default=False, description="Whether a master may write it (holding registers only)."
    )

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return self.length if self.type == "text" else 2 if "32" in self.type else 1


class RegisterPart(StrEnum):
    """Which part of a register a setting takes."""

    WHOLE = "whole"
    HIGH_BYTE = "high-byte"
    LOW_BYTE = "low-byte"

    def get(self, word: int) -> int:
        """The code in `word`."""
        return {
            RegisterPart.WHOLE: word,
            RegisterPart.HIGH_BYTE: word >> 8,
            RegisterPart.LOW_BYTE: word & 0xFF,
        }[self]

    def put(self, word: int, code: int) -> int:
        """`word` with `code` in this part and the rest as it was."""
        rest = {
            RegisterPart.WHOLE: 0,
            RegisterPart.HIGH_BYTE: 0x00FF,
            RegisterPart.LOW_BYTE: 0xFF00,
        }[self]
        return word & rest | code << (8 if self is RegisterPart.HIGH_BYTE else 0)


class SettingChange(ScenarioTable):
    """What is said in the same way of every change of a setting."""

    functions: tuple[Literal[6, 16], ...] = Field(
        description="Function codes that may write it.", min_length=1
    )
    effect: Literal["at-once", "after-save", "after-power-cycle"] = Field(
        default="at-once", description="When the new one holds."
    )
    reply_from: Literal["old", "new", "none"] = Field(
        default="old",
        description="Which address, or line settings, the reply to the write comes from.",
    )
    restart: Seconds = Field(
        default=0.0, description="Seconds the unit is silent after it has taken a new one."
    )
    readable: bool = Field(default=True, description="Whether its register can be read.")


class AddressChange(SettingChange):
    """How a unit type lets its unit address be changed."""

    at: Register = Field(description="Holding register that holds the unit address.")
    part: RegisterPart = Field(
        default=RegisterPart.WHOLE, description="Part of the register that holds it."
    )
    lowest: Address = Field(
        default=1, description="Lowest address it takes; others are refused with exception 3."
    )
    highest: Address = Field(default=LAST, description="Highest address it takes.")
    volatile: bool = Field(
        default=False, description="Whether the old address is back after a power cycle."
    )


class CodeRegister(ScenarioTable):
    """Where the code of a baud rate, or of a format, is."""

    at: Register = Field(description="Holding register that holds the code.")
    part: RegisterPart = Field(
        default=RegisterPart.WHOLE, description="Part of the register that holds it."
    )
    codes: dict[str, Register] = Field(
        description="Baud rate, or format like 8N1, = code.", min_length=1
    )
    functions: tuple[Literal[6, 16], ...] | None = Field(
        default=None,
        description="Function codes that may write it, where they differ from those of the other.",
        min_length=1,
    )
    effect: Literal["at-once", "after-save", "after-power-cycle"] | None = Field(
        default=None, description="When a new one holds, where it differs from the other."
    )


def _names_parts(pattern: str) -> AfterValidator:
    """A check that all names of codes are part of a line setting."""

    def check(register: CodeRegister) -> CodeRegister:
        for name in register.codes:
            try:
                LineSettings.parse(pattern.format(name))
            except UsageError as error:
                raise ValueError(f"{error.what} {error.todo}") from error
        return register

    return AfterValidator(check)


class LineSettingsChange(SettingChange):
    """How a unit type lets its line settings be changed."""

    baud: Annotated[CodeRegister, _names_parts("{}-8N1")] | None = Field(
        default=None, description="The baud rate, where it can be changed."
    )
    format: Annotated[CodeRegister, _names_parts("9600-{}")] | None = Field(
        default=None, description="Parity and stop bits, where they can be changed."
    )


class Key(ScenarioTable):
    """Registers that have to be given just these values, all by one request."""

    at: Register = Field(description="First holding register; none of them can be read.")
    values: tuple[Register, ...] = Field(
        description="What has to be written.", min_length=1, max_length=8
    )
    functions: tuple[Literal[6, 16], ...] = Field(
        description="Function codes that may write it.", min_length=1
    )

    @property
    def registers(self) -> frozenset[int]:
        """The registers it takes."""
        return frozenset(range(self.at, self.at + len(self.values)))

    def fits(self, words: Mapping[int, int]) -> bool:
        """Whether `words`, by register, are what has to be written."""
        return all(words.get(self.at + n) == value for n, value in enumerate(self.values))


class Lock(Key):
    """A lock before address and line settings: closed after power-up, and by any other values."""

    when_locked: Literal["exception", "ignored"] = Field(
        default="exception",
        description="What a write meets while it is closed; ignored: acknowledged all the same.",
    )
    exception: Literal[1, 2, 3, 4] = Field(
        default=4, description="Exception code that a write meets while it is closed."
    )
    window: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="Seconds after which it closes by itself; left out, it does not."
    )


class UnitType(ScenarioTable):
    """What a device type is like."""

    maker: str = Field(description="Invented maker.")
    model: str = Field(description="Invented model.")
    settings: LineSettings = Field(description="Line settings at delivery.")
    address: Address = Field(default=1, description="Unit address at delivery.")
    service_address: Annotated[int, Field(strict=True, ge=LAST + 1, le=255)] | None = Field(
        default=None, description="Reserved address at which it answers as well as at its own."
    )
    functions: tuple[Function, ...] = Field(description="Function codes it knows.", min_length=1)
    latency: Seconds = Field(
        default=0.012, description="From the end of a request to the start of the reply."
    )
    jitter: Seconds = Field(
        default=0.002, description="How much longer a reply may take, at random."
    )
    errors: Literal["exception", "silence"] = Field(
        default="exception",
        description="What follows an unknown function or register, or a bad value.",
    )
    holding: tuple[Value, ...] = Field(default=(), description="Values in holding registers.")
    input: tuple[Value, ...] = Field(default=(), description="Values in input registers.")
    coils: tuple[bool, ...] = Field(default=(), description="Its coils, from 0 on.")
    discrete_inputs: tuple[bool, ...] = Field(
        default=(), description="Its discrete inputs, from 0 on."
    )
    identification: dict[ObjectId, str] = Field(
        default={},
        description=(
            "Objects of device identification (43/14) by id; '{serial}' as in a text value."
        ),
    )
    server_id: str = Field(default="", description="What function code 17 gives.")
    readdress: AddressChange | None = Field(
        default=None, description="How its address is changed; nothing if it cannot."
    )
    line_settings: LineSettingsChange | None = Field(
        default=None, description="How its line settings are changed; nothing if they cannot."
    )
    lock: Lock | None = Field(
        default=None, description="What has to be written before either is changed."
    )
    save: Key | None = Field(
        default=None,
        description="What has to be written to store either; until then a power cycle undoes them.",
    )
    settings_together: Literal[2, 3] | None = Field(
        default=None,
        description=(
            "Exception code that a write meets which holds some registers of address and line"
            " settings and not all; left out, each can be written alone."
        ),
    )
    startup: Seconds = Field(default=1.5, description="Seconds after power comes until it answers.")


class UnitEntry(ScenarioTable):
    """One unit on the pair.  What is not said is as its type comes from the factory."""

    name: Name = Field(description="What it is called in this scenario, like a tag on the drawing.")
    type: Name = Field(description="Its unit type.")
    serial: str = Field(default="", description="Serial number.", max_length=32)
    address: Address | None = Field(
        default=None, description="Unit address; several units may have the same."
    )
    settings: LineSettings | None = Field(default=None, description="Line settings.")
    latency: Seconds | None = Field(
        default=None, description="From the end of a request to the start of the reply."
    )
    jitter: Seconds | None = Field(
        default=None, description="How much longer a reply may take, at random."
    )
    values: dict[Name, int | float | str] = Field(
        default={}, description="Values that differ from the type's."
    )
    connected: bool = Field(
        default=True, description="Whether it hangs on the pair when the scenario begins."
    )
    swapped: bool = Field(
        default=False, description="Whether the two wires are exchanged at its terminals."
    )
    failsafe: bool = Field(
        default=True, description="Whether its receiver reads a floating pair as mark."
    )
    forgets: bool = Field(
        default=False,
        description=(
            "Whether it loses its memory with its supply, and comes back as from the factory."
        ),
    )
    any_address: bool = Field(
        default=False, description="Whether it answers whatever address is asked."
    )
    replies_as: Address | None = Field(
        default=None, description="The unit address in its replies, where it is not its own."
    )
    also_addresses: tuple[Address, ...] = Field(
        default=(), description="Further unit addresses that it answers at."
    )
    refuses_others: Annotated[int, Field(strict=True, ge=1, le=0x7F)] | None = Field(
        default=None,
        description=(
            "Exception code with which it answers for every address that no unit of the scenario"
            " has, as a gateway does."
        ),
    )
    sleeps_after: Seconds | None = Field(
        default=None,
        description="Seconds of silence after which it dozes: the next request only wakes it.",
    )
    wakes_by: Annotated[int, Field(strict=True, ge=1, le=9)] = Field(
        default=1, description="Requests that it takes to wake it, none of which it answers."
    )
    babbles: bool = Field(
        default=False, description="Whether it sends bytes without a pause, and answers nothing."
    )
    late: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.0, description="How likely a reply comes `late_by` seconds later than others."
    )
    late_by: Seconds = Field(default=0.19, description="See `late`.")
    strength: Annotated[int, Field(ge=1, le=9)] = Field(
        default=1, description="A stronger driver overrules a weaker one where two overlap."
    )
    stuck: Literal["mark", "space"] | None = Field(
        default=None,
        description=(
            "The state in which its driver is stuck, so that it holds the bus and cannot answer."
        ),
    )


class Wires(ScenarioTable):
    """What the pair itself is like."""

    biased: bool = Field(
        default=True, description="Whether bias resistors hold the idle pair at mark."
    )
    float_glitches: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.3,
        description=(
            "Without bias: how likely the pair floats for a moment when a driver turns on, and when"
            " it goes."
        ),
    )
    float_pulses: Annotated[float, Field(ge=0, le=1000)] = Field(
        default=0.5,
        description="Without bias: how many disturbances a second the idle pair picks up.",
    )
    bit_errors: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.0, description="How likely each bit on the pair is turned over."
    )


class Adapter(ScenarioTable):
    """The adapter between the computer and the pair."""

    echo: bool = Field(default=False, description="Whether it gives back all that it sends.")
    glitch: bool = Field(
        default=False, description="Whether it sees a byte 00 each time its own driver lets go."
    )
    swapped: bool = Field(
        default=False, description="Whether the two wires are exchanged at the adapter."
    )
    failsafe: bool = Field(
        default=True, description="Whether its receiver reads a floating pair as mark."
    )
    lump: Seconds = Field(
        default=0.0,
        description="Seconds between hand-overs to the computer; 0 hands over each byte at once.",
    )
    busy: Seconds = Field(
        default=0.0,
        description=(
            "Seconds by which the computer, busy with other things, looks late every other time, at"
            " random."
        ),
    )
    holds_on: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.0, description="Seconds for which it keeps driving the pair after its last bit."
    )
    unplugged_at: Seconds | None = Field(
        default=None, description="Seconds after the start at which it is pulled out."
    )
    strength: Annotated[int, Field(ge=1, le=9)] = Field(default=1, description="As for a unit.")


class Poll(ScenarioTable):
    """One request that another master sends."""

    address: Address
    function: Literal[3, 4] = 3
    at: Register = 0
    count: Annotated[int, Field(ge=1, le=125)] = 1


class OtherMaster(ScenarioTable):
    """Another master that polls on its own."""

    settings: LineSettings = Field(description="Its line settings.")
    period: Annotated[float, Field(gt=0)] = Field(
        description="Seconds from one of its requests to the next."
    )
    polls: tuple[Poll, ...] = Field(description="Its requests, in turn.", min_length=1)
    start: Seconds = Field(default=0.0, description="Seconds after the start at which it begins.")
    jitter: Seconds = Field(
        default=0.0, description="How much later each request may come, at random."
    )
    pause: Seconds = Field(default=0.0, description="Seconds more after each round of its polls.")
    waits_for_silence: Seconds | None = Field(
        default=None,
        description=(
            "Seconds of silence on the pair that it waits for before each request; left out, it"
            " does not care who else is talking."
        ),
    )


class Scenario(ScenarioTable):
    """A segment: what hangs on it and what is wrong with it."""

    title: str = Field(description="What the scenario shows, in one line.")
    site: str = Field(default="", description="Invented place.")
    seed: int = Field(
        default=1, description="Start of all random numbers: the same seed, the same run."
    )
    wires: Wires = Field(default=Wires())
    adapter: Adapter = Field(default=Adapter())
    other_master: OtherMaster | None = None
    types: dict[Name, UnitType] = Field(
        default={}, description="Unit types that are not among the shipped ones."
    )
    units: tuple[UnitEntry, ...] = Field(default=(), description="The units.")

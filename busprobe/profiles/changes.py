"""How a unit is given another address or other line settings, as a profile says it."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Annotated, Literal, TypeVar

from pydantic import BeforeValidator, Field

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.profiles.fields import Addresses, ProfilePart, RegisterNumber, Word
from busprobe.profiles.registers import AddressPart

_Read = TypeVar("_Read")


class Effect(StrEnum):
    """When a new unit address or line setting holds."""

    AT_ONCE = "at-once"
    AFTER_SAVE = "after-save"
    AFTER_POWER_CYCLE = "after-power-cycle"
    NOT_STATED = "not-stated"
    """Nobody says; then nothing is expected of the address that the reply comes from, either."""


class ReplyFrom(StrEnum):
    """Which address the reply to the write of a new unit address comes from."""

    OLD = "old"
    NEW = "new"
    NONE = "none"


class FurtherWrite(ProfilePart):
    """A write that a change needs besides the one that it is about."""

    at: RegisterNumber = Field(
        alias="register",
        description="First holding register written, in the data sheet's own numbering.",
    )
    values: tuple[Word, ...] = Field(
        min_length=1,
        max_length=123,
        description="What is written, register by register; a password may take several.",
    )
    function: Literal[6, 16] = Field(
        default=16, description="Function code that writes it; 6 writes one register."
    )


class Change(ProfilePart):
    """What is said in the same way of every change."""

    function: Literal[6, 16] = Field(
        default=16,
        description="Function code that writes it: 16, or 6 where the unit has only that.",
    )
    effect: Effect = Field(
        default=Effect.AT_ONCE,
        description=(
            "When the change holds: at-once, after-save, after-power-cycle, or not-stated where"
            " the data sheet does not say."
        ),
    )
    wait_s: Annotated[float, Field(ge=0, le=60)] = Field(
        default=0.1,
        description=(
            "Seconds from the write until it answers again; the default lets a memory cell be"
            " written."
        ),
    )
    unlock: FurtherWrite | None = Field(default=None, description="Write that has to come before.")
    unlock_window_s: Annotated[float, Field(gt=0, le=86400)] | None = Field(
        default=None,
        description=(
            "Seconds after which it locks itself again; left out where it stays unlocked or the"
            " data sheet does not say."
        ),
    )
    locked_exception: Annotated[int, Field(strict=True, ge=1, le=255)] | None = Field(
        default=None, description="Exception code with which it refuses the write while locked."
    )
    readable: bool = Field(
        default=True,
        description=(
            "Set false where the register can only be written; then nothing can be compared before"
            " the write."
        ),
    )
    together: tuple[RegisterNumber, ...] = Field(
        default=(),
        max_length=123,
        description=(
            "All registers that one request by function 16 has to hold, in order, where the unit"
            " takes none of them alone; the others are read before and written as they are."
        ),
    )
    save: FurtherWrite | None = Field(
        default=None, description="Write that has to follow, to store the change."
    )
    relock: FurtherWrite | None = Field(
        default=None, description="Write that has to come last, to lock again."
    )
    service_address: Annotated[int, Field(strict=True, ge=248, le=255)] | None = Field(
        default=None,
        description=(
            "Reserved address, 248 to 255, to which all these writes have to go; every unit of the"
            " type takes them there, so only one may be on the bus."
        ),
    )

    @property
    def stated_effect(self) -> Effect | None:
        """When the change holds; None where nobody says."""
        return None if self.effect is Effect.NOT_STATED else self.effect


class Readdress(Change):
    """How the unit is given another unit address."""

    at: RegisterNumber = Field(
        alias="register",
        description="Holding register of the unit address, in the data sheet's own numbering.",
    )
    part: AddressPart = Field(
        default=AddressPart.WHOLE,
        description=(
            "Part of the register that is the address: whole, high-byte or low-byte; the rest is"
            " kept."
        ),
    )
    addresses: Addresses = Field(
        default=ALL, description="Addresses the unit can be given, like 1-247 or 1-99,110."
    )
    reply_from: ReplyFrom = Field(
        default=ReplyFrom.OLD,
        description="Address that the reply to the write comes from: old, new or none (no reply).",
    )


def _baud(value: object) -> int:
    """A baud rate; as a key of a TOML table it is text."""
    return LineSettings.parse(f"{value}-8N1").baud


def _format(value: object) -> str:
    return LineSettings.parse(f"9600-{value}").format


def _usable(read: Callable[[object], _Read]) -> Callable[[object], _Read]:
    def checked(value: object) -> _Read:
        try:
            return read(value)
        except UsageError as error:
            raise ValueError(f"'{value}' is not part of a line setting like 9600-8N1") from error

    return checked


Baud = Annotated[int, BeforeValidator(_usable(_baud))]
Format = Annotated[str, BeforeValidator(_usable(_format))]


class SettingRegister(ProfilePart):
    """Where the code of a setting is, and how its change differs from that of the other one."""

    at: RegisterNumber = Field(
        alias="register",
        description="Holding register of the code, in the data sheet's own numbering.",
    )
    part: AddressPart = Field(
        default=AddressPart.WHOLE, description="Part of the register that is the code."
    )
    function: Literal[6, 16] | None = Field(
        default=None, description="Function code that writes it, where the two settings differ."
    )
    effect: Effect | None = Field(
        default=None, description="When the change holds, where the two settings differ."
    )


class BaudRegister(SettingRegister):
    """Where the code of the baud rate is."""

    codes: dict[Baud, Word] = Field(
        min_length=1,
        description=(
            "Baud rate = code, like { 9600 = 3, 19200 = 4 }; makers number them as they like."
        ),
    )


class FormatRegister(SettingRegister):
    """Where the code of parity and stop bits is."""

    codes: dict[Format, Word] = Field(
        min_length=1, description="Format = code, like { 8N1 = 0, 8E1 = 1 }."
    )


class LineChange(Change):
    """How the unit is given other line settings."""

    baud: BaudRegister | None = Field(
        default=None, description="The baud rate, where it can be changed."
    )
    format: FormatRegister | None = Field(
        default=None, description="Parity and stop bits, where they can be changed."
    )

    def of(self, register: SettingRegister) -> LineChange:
        """The same with what differs for the setting in `register`."""
        own = {"function": register.function, "effect": register.effect}
        return self.model_copy(update={key: how for key, how in own.items() if how is not None})

"""How a unit is given another address or other line settings, as a profile says it."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.profiles.fields import Addresses, Part, RegisterNumber, Word
from busprobe.profiles.registers import AddressPart


class Effect(StrEnum):
    """When a new unit address holds."""

    AT_ONCE = "at-once"
    AFTER_SAVE = "after-save"
    AFTER_POWER_CYCLE = "after-power-cycle"


class ReplyFrom(StrEnum):
    """Which address the reply to the write of a new unit address comes from."""

    OLD = "old"
    NEW = "new"
    NONE = "none"


class FurtherWrite(Part):
    """A write that readdressing needs besides that of the address."""

    at: RegisterNumber = Field(
        alias="register", description="First holding register written, in the data sheet's own numbering."
    )
    values: tuple[Word, ...] = Field(
        min_length=1, max_length=123, description="What is written, register by register; a password may take several."
    )
    function: Literal[6, 16] = Field(default=16, description="Function code that writes it; 6 writes one register.")


class Readdress(Part):
    """How the unit is given another unit address."""

    at: RegisterNumber = Field(
        alias="register", description="Holding register of the unit address, in the data sheet's own numbering."
    )
    function: Literal[6, 16] = Field(
        default=16, description="Function code that writes it: 16, or 6 where the unit has only that."
    )
    part: AddressPart = Field(
        default=AddressPart.WHOLE,
        description="Part of the register that is the address: whole, high-byte or low-byte; the rest is kept.",
    )
    addresses: Addresses = Field(default=ALL, description="Addresses the unit can be given, like 1-247 or 1-99,110.")
    effect: Effect = Field(
        default=Effect.AT_ONCE, description="When the new address holds: at-once, after-save or after-power-cycle."
    )
    reply_from: ReplyFrom = Field(
        default=ReplyFrom.OLD,
        description="Address that the reply to the write comes from: old, new or none (no reply).",
    )
    wait_s: Annotated[float, Field(ge=0, le=60)] = Field(
        default=0.1,
        description="Seconds from the write until it answers again; the default lets a memory cell be written.",
    )
    unlock: FurtherWrite | None = Field(default=None, description="Write that has to come before.")
    save: FurtherWrite | None = Field(default=None, description="Write that has to follow, to store the address.")
    relock: FurtherWrite | None = Field(default=None, description="Write that has to come last, to lock again.")



"""The schema of a profile: everything a technician can write in a profile file.

The descriptions of the fields are the documentation; `busprobe.profiles.data_sheet.field_guide`
prints them.  Mistakes that concern more than one field are found by `busprobe.profiles.checks`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Annotated, Any

from pydantic import Field

from busprobe.modbus.identification import FIRST_OWN_OBJECT
from busprobe.profiles.changes import LineChange, Readdress
from busprobe.profiles.fields import (
    MOST_REGISTERS,
    Name,
    NotNegative,
    Number,
    ProfilePart,
    ReadFunction,
    RegisterNumber,
    Sentence,
    Settings,
    Slug,
    UnitOfMeasure,
)
from busprobe.profiles.fingerprint import Fingerprint
from busprobe.profiles.registers import READ_ONLY, Numbering


class PointType(StrEnum):
    """How the registers of a point are to be read."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    BCD16 = "bcd16"
    BCD32 = "bcd32"
    MAGNITUDE16 = "magnitude16"
    MAGNITUDE32 = "magnitude32"
    BITS = "bits"
    ENUM = "enum"
    BOOL = "bool"
    TEXT = "text"

    @property
    def is_float(self) -> bool:
        """Whether the registers hold an IEEE 754 number."""
        return self in (PointType.FLOAT32, PointType.FLOAT64)

    @property
    def is_signed(self) -> bool:
        """Whether the registers hold a two's complement number."""
        return self in (PointType.INT16, PointType.INT32, PointType.INT64)

    @property
    def is_bcd(self) -> bool:
        """Whether each half byte of the registers is a decimal digit."""
        return self in (PointType.BCD16, PointType.BCD32)

    @property
    def is_magnitude(self) -> bool:
        """Whether the highest bit is the sign of the number in the others."""
        return self in (PointType.MAGNITUDE16, PointType.MAGNITUDE32)

    @property
    def may_be_part(self) -> bool:
        """Whether a point of this type may take some of the bits of its registers."""
        return self in (PointType.UINT16, PointType.UINT32, PointType.UINT64, PointType.ENUM)

    @property
    def is_number(self) -> bool:
        """Whether the value is a quantity: may be scaled, has a unit and a plausible range."""
        return self not in _NO_QUANTITIES

    @property
    def has_length(self) -> bool:
        """Whether a point of this type may say how many registers it takes."""
        return self in (PointType.TEXT, PointType.BITS)

    @property
    def registers(self) -> int:
        """Registers that a value takes unless the point states a length; 0 for text, which has to
        state it.  A bool takes one coil or discrete input."""
        return _REGISTERS[self]


_REGISTERS = {
    PointType.INT16: 1, PointType.UINT16: 1, PointType.INT32: 2, PointType.UINT32: 2,
    PointType.INT64: 4, PointType.UINT64: 4, PointType.FLOAT32: 2, PointType.FLOAT64: 4,
    PointType.BCD16: 1, PointType.BCD32: 2, PointType.MAGNITUDE16: 1, PointType.MAGNITUDE32: 2,
    PointType.BITS: 1, PointType.ENUM: 1, PointType.BOOL: 1, PointType.TEXT: 0,
}  # fmt: skip
_NO_QUANTITIES = (PointType.BITS, PointType.ENUM, PointType.BOOL, PointType.TEXT)


class WordOrder(StrEnum):
    """Order of the bytes of a value as they come off the line; A is the most significant.

    For 64 bits the same letters say the same: whether the registers come in reverse, whether the
    bytes inside them do.
    """

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"

    @property
    def words_reversed(self) -> bool:
        """Whether the least significant register comes first."""
        return self in (WordOrder.CDAB, WordOrder.DCBA)

    @property
    def bytes_reversed(self) -> bool:
        """Whether the less significant byte comes first inside each register, against the
        standard."""
        return self in (WordOrder.BADC, WordOrder.DCBA)


class ScaleMeaning(StrEnum):
    """What a register says of the scale of a value."""

    EXPONENT = "exponent"
    """Signed; the value is multiplied by 10 to its power."""
    FACTOR = "factor"
    """Unsigned; the value is multiplied by it."""
    DIVISOR = "divisor"
    """Unsigned; the value is divided by it."""


class Tells(StrEnum):
    """What a point says of the unit itself."""

    MAKER = "maker"
    MODEL = "model"
    VERSION = "version"
    SERIAL = "serial"

    @property
    def words(self) -> str:
        """In words: ``serial number``."""
        return "serial number" if self is Tells.SERIAL else str(self)


class Factory(ProfilePart):
    """How the unit comes out of its box."""

    address: Annotated[int, Field(strict=True, ge=0, le=255)] = Field(
        description=(
            "Unit address at delivery: 1 to 247, or a reserved one (0, 248 to 255) that some units"
            " use."
        )
    )
    settings: Settings = Field(description="Line settings at delivery, like 9600-8N1.")


class ToldObject(ProfilePart):
    """One of the maker's own identification objects, and what it says of the unit itself."""

    object: Annotated[int, Field(strict=True, ge=FIRST_OWN_OBJECT, le=255)] = Field(
        description="Object id of device identification (43/14), 0x80 or above."
    )
    tells: Tells = Field(description="What it says: maker, model, version or serial (number).")


class ScaleRegister(ProfilePart):
    """Where a unit keeps the scale of a value; it may change while the unit runs."""

    at: RegisterNumber = Field(
        alias="register",
        description=(
            "The register in the data sheet's own numbering; read by the function that reads the"
            " point."
        ),
    )
    means: ScaleMeaning = Field(
        default=ScaleMeaning.EXPONENT,
        description=(
            "exponent (signed: value x 10 to its power), factor (value x it) or divisor (value /"
            " it)."
        ),
    )

    def scale(self, word: int) -> float | None:
        """The scale that the register says; None where it says none: a zero, or a power nobody
        means.

        Exponents go from -10 to 10, and 0x8000 is 'not implemented' (SunSpec `sunssf`; the range
        from memory).
        """
        if self.means is ScaleMeaning.EXPONENT:
            exponent = word - 0x10000 if word & 0x8000 else word
            return float(f"1e{exponent}") if abs(exponent) <= _LARGEST_EXPONENT else None
        if word == 0:
            return None
        return float(word) if self.means is ScaleMeaning.FACTOR else 1 / word


_LARGEST_EXPONENT = 10


class PointRegisters(ProfilePart):
    """Where a value is, and how its registers are to be read."""

    name: Name = Field(description="What it is, as it shall stand in lists; once in a profile.")
    function: ReadFunction = Field(
        description=(
            "Function code that reads it: 1 coils, 2 discrete inputs, 3 holding registers, 4 input"
            " registers."
        )
    )
    at: RegisterNumber = Field(
        alias="register", description="Its first register in the data sheet's own numbering."
    )
    type: PointType = Field(
        description=(
            "int16, uint16, int32, uint32, int64, uint64, float32, float64; bcd16, bcd32 (a decimal"
            " digit in each half byte); magnitude16, magnitude32 (the highest bit is the sign);"
            " bits; enum (one register); text; bool for a coil or a discrete input."
        )
    )
    length: Annotated[int, Field(strict=True, ge=1, le=MOST_REGISTERS)] | None = Field(
        default=None,
        description=(
            "Registers that a text takes, two characters each, or that bits take (1 if not given,"
            " up to 4)."
        ),
    )
    order: WordOrder = Field(
        default=WordOrder.ABCD,
        description=(
            "Order of the bytes as they come: ABCD (high register first, the usual), CDAB (low"
            " register first), BADC (bytes swapped in each register), DCBA (both)."
        ),
    )
    first_bit: Annotated[int, Field(strict=True, ge=0, le=63)] | None = Field(
        default=None,
        description=(
            "Lowest bit of a field of several bits, from 0, where the value does not take its"
            " registers alone; of uint16, uint32, uint64 and enum."
        ),
    )
    bit_count: Annotated[int, Field(strict=True, ge=1, le=63)] | None = Field(
        default=None, description="How many bits such a field has."
    )
    scale: Number = Field(default=1.0, description="Value = raw number x scale + offset.")
    scale_register: ScaleRegister | None = Field(
        default=None,
        description="Register that holds a further scale, where the unit says it itself.",
    )


class PointMeaning(ProfilePart):
    """What a value means, whatever its registers are."""

    offset: Number = Field(default=0.0, description="Added after scaling, in the point's unit.")
    unit: UnitOfMeasure = Field(
        default="", description="Unit of the value after scaling, like °C or kWh."
    )
    plausible_min: Number | None = Field(
        default=None, description="Lowest value that makes sense, in the point's unit."
    )
    plausible_max: Number | None = Field(
        default=None, description="Highest value that makes sense, in the point's unit."
    )
    names: dict[Annotated[int, Field(ge=0, le=0xFFFF)], Name] = Field(
        default={},
        description=(
            "Of an enum or a bool (0 and 1): value = name. Of bits: bit number, from 0, = what it"
            " means when set."
        ),
    )
    no_value: tuple[Annotated[int, Field(strict=True, ge=0, lt=1 << 64)], ...] = Field(
        default=(),
        description=(
            "Codes for 'no value here', as the unsigned number in the registers, like 0x8000 or"
            " 0x7FC00000."
        ),
    )
    overlaps: bool = Field(
        default=False, description="Set true where it reads registers of another point on purpose."
    )
    tells: Tells | None = Field(
        default=None,
        description="What it says of the unit itself: maker, model, version or serial (number).",
    )
    description: Sentence | None = Field(
        default=None, description="What the data sheet says of it, for the handover documents."
    )
    writable: bool | None = Field(
        default=None,
        description=(
            "Whether the data sheet lets a master write it; left out where it does not say. For the"
            " handover documents: nothing here writes it."
        ),
    )
    tolerance: NotNegative | None = Field(
        default=None,
        description=(
            "How far it may be from its display or a reference instrument, in the point's unit."
        ),
    )
    tolerance_percent: NotNegative | None = Field(
        default=None,
        description=(
            "The same in per cent of what is shown there; where both are given they add up."
        ),
    )
    decimals: Annotated[int, Field(strict=True, ge=0, le=9)] | None = Field(
        default=None,
        description=(
            "Digits behind the decimal point that a master shows; left out, those that scale and"
            " offset give."
        ),
    )
    alarm_min: Number | None = Field(
        default=None,
        description="Value below which a master is to raise an alarm, in the point's unit.",
    )
    alarm_max: Number | None = Field(
        default=None,
        description="Value above which a master is to raise an alarm, in the point's unit.",
    )
    constant: bool = Field(
        default=False,
        description=(
            "Set true where it stays the same while the unit runs, like a firmware version: a"
            " master reads it once and does not poll it. What tells something of the unit itself"
            " is taken for constant."
        ),
    )
    channel: Name | None = Field(
        default=None,
        description=(
            "Which of a meter's circuits it belongs to, as the unit calls it: L1, A3, channel 7."
        ),
    )


class Point(PointMeaning, PointRegisters):
    """One value with a unit."""

    @property
    def count(self) -> int:
        """Registers it takes."""
        return (self.type.has_length and self.length) or self.type.registers or 1

    @property
    def last(self) -> int:
        """Wire address of its last register."""
        return self.at.wire + self.count - 1

    @property
    def mask(self) -> int:
        """The bits of its registers that are its own, the most significant register first."""
        if self.first_bit is None or self.bit_count is None:
            return (1 << 16 * self.count) - 1
        return ((1 << self.bit_count) - 1) << self.first_bit

    @property
    def raw_range(self) -> tuple[int, int]:
        """The lowest and the highest number that its registers can hold."""
        bits = 16 * self.count if self.bit_count is None else self.bit_count
        if self.type.is_bcd:
            return 0, 10 ** (4 * self.count) - 1
        if self.type.is_magnitude:
            return 1 - (1 << bits - 1), (1 << bits - 1) - 1
        if self.type.is_signed:
            return -(1 << bits - 1), (1 << bits - 1) - 1
        return 0, (1 << bits) - 1

    @property
    def read_once(self) -> bool:
        """Whether a master reads it once and does not poll it."""
        return self.constant or self.tells is not None

    @property
    def access(self) -> str:
        """``R``, ``R/W``, or empty where nobody said; inputs are read-only.

        Source: MODBUS Application Protocol V1.1b3, section 4.3.
        """
        if self.function in READ_ONLY:
            return "R"
        return {True: WRITABLE, False: "R", None: ""}[self.writable]


WRITABLE = "R/W"
"""Access of a point that a master may write."""


class Limits(ProfilePart):
    """What the unit can take."""

    registers: Annotated[int, Field(strict=True, ge=1, le=MOST_REGISTERS)] = Field(
        default=MOST_REGISTERS, description="Registers it gives in one request."
    )
    gap_s: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.0,
        description=(
            "Seconds of silence it needs before the next request, beyond what the standard asks."
        ),
    )
    response_s: Annotated[float, Field(gt=0, le=10)] | None = Field(
        default=None, description="Seconds until its reply begins, at most, by the data sheet."
    )
    wake_up_s: Annotated[float, Field(ge=0, le=120)] | None = Field(
        default=None,
        description=(
            "Seconds from switching it on, or from the request that wakes it, until it answers."
        ),
    )
    sleeps_after_s: Annotated[float, Field(gt=0)] | None = Field(
        default=None,
        description="Seconds without a request after which it sleeps and needs one to wake up.",
    )


class Profile(ProfilePart):
    """A device type.  Made from a file by `busprobe.profiles.loading.load_profile`, which also
    checks it."""

    id: Slug = Field(
        description=(
            "Lower-case letters, digits and hyphens; also the name of the file, without .toml."
        )
    )
    maker: Name = Field(description="Who makes it.")
    model: Name = Field(description="The type as it stands on the unit.")
    kind: Name = Field(description="What it is in plain words, like 'energy meter, three phases'.")
    numbering: Numbering = Field(
        description=(
            "How the data sheet counts registers: wire (from 0), one-based (from 1), or reference"
            " (five or six digits: 30001 or 300001 for input registers, 40001 or 400001 for holding"
            " registers, 10001 for discrete inputs, 1, meaning 00001, for coils)."
        )
    )
    factory: Factory | None = Field(
        default=None, description="How it is delivered; left out where it is not known."
    )
    generic: bool = Field(
        default=False,
        description=(
            "Set true where it describes units of any maker by an open standard; what names the"
            " type goes before it."
        ),
    )
    fingerprint: Fingerprint = Field(
        default=Fingerprint(),
        description="What tells it from other units; without it a unit is never called recognised.",
    )
    objects: tuple[ToldObject, ...] = Field(
        default=(),
        description="The maker's own identification objects that say something of the unit itself.",
    )
    points: tuple[Point, ...] = Field(default=(), description="The values worth reading.")
    readdress: Readdress | None = Field(
        default=None,
        description="How it is given another unit address; left out where that is done by hand.",
    )
    line_settings: LineChange | None = Field(
        default=None,
        description="How it is given other line settings; left out where that is done by hand.",
    )
    limits: Limits = Field(default=Limits(), description="What it can take.")
    cautions: tuple[Sentence, ...] = Field(
        default=(),
        description=(
            "What a write or a loss of communication may move, switch or stop; shown before any"
            " write."
        ),
    )
    rescue: Sentence | None = Field(
        default=None,
        description=(
            "What brings the unit back if it answers nowhere any more; shown before any write."
        ),
    )

    def __str__(self) -> str:
        return self.model if self.generic else f"{self.maker} {self.model}"


def factories(profiles: Iterable[Profile]) -> tuple[Factory, ...]:
    """How units of `profiles` come out of their boxes, as far as that is known."""
    return tuple(profile.factory for profile in profiles if profile.factory)


def parse_profile(data: Mapping[str, Any]) -> Profile:
    """Make a profile of the tables of its file; raises pydantic's `ValidationError` with all
    mistakes of its fields."""
    return Profile.model_validate(data, context=context_of(data))


def context_of(data: Mapping[str, Any]) -> dict[str, Numbering]:
    """What the parts of a profile need to know of the whole in order to be validated.

    An unusable numbering is reported as its own mistake; until it is mended registers count as on
    the wire.
    """
    stated = data.get("numbering")
    return {"numbering": Numbering(stated) if stated in list(Numbering) else Numbering.WIRE}

"""Notes of what a data sheet says of a unit: an unfinished profile, which a live unit helps to
complete.

The fields are those of a profile, all of them optional but a point's name and register; besides
there is what the unit's display shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError, model_validator

from busprobe.files.toml_file import Found, TomlFile, found_by_pydantic
from busprobe.profiles.fields import MOST_REGISTERS, Name, Number, ProfilePart, ReadFunction
from busprobe.profiles.registers import (
    OF_BITS,
    READ_HOLDING,
    READ_INPUT,
    Numbering,
    Register,
    from_sheet,
)
from busprobe.profiles.schema import (
    Point,
    PointMeaning,
    PointType,
    ScaleMeaning,
    ScaleRegister,
    WordOrder,
)

KIND = "notes"
"""What such a file is called in messages."""

NOTES_ONLY = ("shows", "fixed")
"""The fields of a point that a profile does not have."""


class NotedScale(ProfilePart):
    """Where the unit keeps the scale of a value."""

    number: Annotated[int, Field(strict=True)] = Field(
        alias="register", description="The register in the data sheet's own numbering."
    )
    means: ScaleMeaning = Field(default=ScaleMeaning.EXPONENT, description="As in a profile.")


class NotedPoint(PointMeaning):
    """A value as far as its data sheet is clear about it."""

    name: Name = Field(description="What it is.")
    number: Annotated[int, Field(strict=True)] = Field(
        alias="register", description="Its first register in the data sheet's own numbering."
    )
    function: ReadFunction | None = Field(
        default=None, description="Function code that reads it: 1, 2, 3 or 4."
    )
    type: PointType | None = Field(default=None, description="As in a profile.")
    length: Annotated[int, Field(strict=True, ge=1, le=MOST_REGISTERS)] | None = Field(
        default=None, description="Registers that it takes, whatever its type."
    )
    order: WordOrder | None = Field(default=None, description="As in a profile.")
    scale: Number | None = Field(default=None, description="As in a profile.")
    scale_register: NotedScale | None = Field(default=None, description="As in a profile.")
    shows: Number | Name | None = Field(
        default=None, description="What the unit's own display shows for it now."
    )
    fixed: bool = Field(
        default=False,
        description=(
            "Set true where every unit of the type holds the same, like a type code: it tells the"
            " type."
        ),
    )

    @model_validator(mode="after")
    def _length_fits_type(self) -> NotedPoint:
        if not self.kinds:
            what = self.type or ("state" if self.names else "number")
            raise ValueError(
                f"{self.length} registers hold no {what}; text and bits can take as many"
            )
        return self

    @property
    def kinds(self) -> tuple[PointType, ...]:
        """The types that it can be."""
        if self.type:
            known: tuple[PointType, ...] = (self.type,)
        elif self.function in OF_BITS:
            known = (PointType.BOOL,)
        elif self.names:
            known = (PointType.ENUM, PointType.BITS)
        else:
            # Digits and signs apart from the number are seldom met: only where they are said.
            known = tuple(
                kind
                for kind in PointType
                if kind.is_number and not (kind.is_bcd or kind.is_magnitude)
            )
        return tuple(
            k for k in known if not self.length or k.has_length or k.registers == self.length
        )

    @property
    def registers(self) -> int:
        """Registers it takes; its type has to be known."""
        if self.type is None:
            raise ValueError("the type is not known")
        return (self.type.has_length and self.length) or self.type.registers or 1

    def point(
        self,
        function: int,
        at: Register,
        kind: PointType,
        order: WordOrder,
        scale: float,
        scale_at: Register | None = None,
    ) -> Point:
        """The point that it is if the open questions are answered so."""
        means = self.scale_register.means if self.scale_register else None
        return Point.model_construct(
            name=self.name,
            function=function,
            at=at,
            type=kind,
            length=self.length if kind.has_length else None,
            order=order,
            scale=scale,
            scale_register=scale_at and ScaleRegister.model_construct(at=scale_at, means=means),
            **{name: getattr(self, name) for name in PointMeaning.model_fields},
        )


@dataclass(frozen=True)
class Notes:
    """What is known of a device type before its profile is written."""

    fields: Mapping[str, Any] = field(default_factory=dict)
    """Everything but the points, as a profile file has it."""
    numbering: Numbering | None = None
    """None where neither the data sheet says how it counts nor its numbers do."""
    points: tuple[NotedPoint, ...] = ()
    raw_points: tuple[Mapping[str, Any], ...] = ()
    """The points as they were written, each beside the one of `points`."""

    def at(self, point: NotedPoint) -> Register:
        """Where the data sheet puts `point`; as on the wire where it does not say how it counts."""
        return from_sheet(point.number, self.numbering or Numbering.WIRE)

    def scale_at(self, point: NotedPoint) -> Register | None:
        """Where the data sheet puts the scale of `point`; None where it names no register for
        it."""
        scale = point.scale_register
        return from_sheet(scale.number, self.numbering or Numbering.WIRE) if scale else None

    @property
    def numbering_guessed(self) -> bool:
        """Whether the numbers alone say how the data sheet counts."""
        return self.numbering is not None and "numbering" not in self.fields


def read_notes(path: Path) -> Notes:
    """Read a file of notes; raises `busprobe.errors.FileError` with all mistakes of its points and
    their places.

    Mistakes elsewhere come out when the profile is made of it.
    """
    file = TomlFile.read(path, kind=KIND)
    try:
        return notes(file.data)
    except NotesError as error:
        raise file.error(error.found) from error


class NotesError(ValueError):
    """Notes that cannot be used, with all that is wrong."""

    def __init__(self, found: list[Found]) -> None:
        self.found = found
        super().__init__("; ".join(what for _, what in found))


def notes(data: Mapping[str, Any]) -> Notes:
    """Notes from the tables of their file; raises `NotesError`."""
    found: list[Found] = []
    numbering = None
    if (stated := data.get("numbering")) is not None:
        if stated in list(Numbering):
            numbering = Numbering(stated)
        else:
            found.append((("numbering",), f"should be one of {', '.join(Numbering)}"))
    listed = data.get("points", [])
    if not isinstance(listed, list):
        found.append((("points",), "should be written as [[points]], once for each"))
        listed = []
    if stated is None and looks_like_references(
        raw.get("register") for raw in listed if isinstance(raw, dict)
    ):
        numbering = Numbering.REFERENCE
    points = []
    for index, raw in enumerate(listed):
        try:
            point = NotedPoint.model_validate(raw)
            at = from_sheet(point.number, numbering or Numbering.WIRE)
            if at.function in OF_BITS and point.kinds != (PointType.BOOL,):
                raise ValueError(
                    f"{point.number} is no register reference but that of a coil or a discrete"
                    " input: say function 1 or 2, or the type bool, if that is meant"
                )
            if point.scale_register is not None:
                from_sheet(point.scale_register.number, numbering or Numbering.WIRE)
        except ValidationError as error:
            found += [(("points", index, *place), what) for place, what in found_by_pydantic(error)]
        except ValueError as error:
            found.append((("points", index, "register"), str(error)))
        else:
            points.append(point)
    if found:
        raise NotesError(found)
    fields = {name: value for name, value in data.items() if name != "points"}
    return Notes(fields, numbering, tuple(points), tuple(listed))


def looks_like_references(numbers: Iterable[object]) -> bool:
    """Whether all of `numbers`, at least one, may be references of registers, five or six digits
    (common practice); those of coils look like any small number."""
    listed = tuple(numbers)
    try:
        return all(
            isinstance(n, int)
            and from_sheet(n, Numbering.REFERENCE).function in (READ_HOLDING, READ_INPUT)
            for n in listed
        ) and bool(listed)
    except ValueError:
        return False

"""A profile drafted from what a data sheet says and what a live unit gives.

Nothing here asks a unit: `busprobe.survey.register_reader` reads, this says what to read, weighs
what came, and writes the profile.  What was chosen because it looked plausible says so in the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from busprobe.errors import UsageError
from busprobe.files.toml_file import FieldPath, found_by_pydantic
from busprobe.modbus.identification import FIRST_OWN_OBJECT, object_name
from busprobe.profiles.checks import check
from busprobe.profiles.drafting.choice import Choice, in_one_order, preferring
from busprobe.profiles.drafting.interpretations import (
    Interpretation,
    Way,
    distinct,
    interpretations,
    off_by_one,
    wanted_blocks,
)
from busprobe.profiles.drafting.notes import NOTES_ONLY, NotedPoint, Notes
from busprobe.profiles.drafting.writing import to_toml
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.profiles.read_requests import Block, Registers
from busprobe.profiles.registers import Numbering, Register
from busprobe.profiles.schema import parse_profile
from busprobe.profiles.standards import SelfDescription

_OTHERS = 3
"""Other interpretations that the file mentions beside the chosen one."""
_LONGEST_TEXT = 40
"""Characters of a fingerprint text."""
_SHORTEST_WORD = 3
"""Characters from which the first word of a server id may stand for the type."""
_NAMELESS = {
    "maker": "not known",
    "model": "not known",
    "kind": "drafted at a unit; say here what it is",
}


@dataclass(frozen=True)
class Seen:
    """What a live unit gave."""

    registers: Registers = field(default_factory=dict)
    earlier: tuple[Registers, ...] = ()
    """What it gave in looks before: what is only plausible now and then is not what the registers
    mean."""
    silent: tuple[Block, ...] = ()
    """Requests that were not answered: nothing is known of these registers."""
    asked: frozenset[tuple[int, int]] | None = None
    """Function code and wire address of all it has been asked for; None for all that there is."""
    most_registers: int | None = None
    """Registers of the longest request it takes, where a longer one was refused for its length
    alone."""
    objects: Mapping[int, str] = field(default_factory=dict)
    """Device identification objects, made harmless."""
    server_id: str | None = None
    descriptions: tuple[SelfDescription, ...] = ()


def to_read(notes: Notes) -> tuple[Block, ...]:
    """The registers that tell how the points of `notes` are to be read, each once, joined where
    they touch."""
    wanted = sorted(block for point in notes.points for block in _wanted(notes, point))
    joined: list[Block] = []
    for block in wanted:
        if joined:
            last = joined[-1]
            count = max(last.register + last.count, block.register + block.count) - last.register
            touches = (
                last.function == block.function and block.register <= last.register + last.count
            )
            if touches and count <= MOST_REGISTERS:
                joined[-1] = Block(last.function, last.register, count)
                continue
        joined.append(block)
    return tuple(joined)


@dataclass(frozen=True)
class Draft:
    """What came of it."""

    notes: Notes
    seen: Seen
    choices: tuple[Choice, ...]
    shift: int
    """By how many registers the data sheet's numbering is off, going by all points together."""

    @property
    def numbering(self) -> Numbering:
        """How the profile counts: as the data sheet says, unless counting the other way explains
        its numbers."""
        stated = self.notes.numbering or Numbering.WIRE
        other = {
            (Numbering.WIRE, -1): Numbering.ONE_BASED,
            (Numbering.ONE_BASED, 1): Numbering.WIRE,
        }
        return other.get((stated, self.shift), stated)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the technician should know of it, in a sentence each."""
        found = []
        if self.notes.numbering_guessed:
            found.append(
                "The numbers look like references (30001 is input register 0, 40001 holding"
                " register 0) and are taken so; say how the data sheet counts if that is wrong."
            )
        if self.shift:
            counts = "from 1" if self.shift < 0 else "from 0"
            way = "lower" if self.shift < 0 else "higher"
            found.append(
                f"Numbering is off by one: all points together read best one register {way} than"
                f" the data sheet says, so it seems to count {counts}."
            )
            if "readdress" in self.notes.fields or "line_settings" in self.notes.fields:
                found.append(
                    "The registers that readdress and line_settings write move with it: check them"
                    " first."
                )
        for choice in self.choices:
            if choice.best is None and choice.unasked:
                continue
            if choice.best is None and choice.silent:
                found.append(
                    f"{choice.noted.name}: the unit did not answer, so nothing is known of"
                    f" {choice.at}."
                )
            elif choice.best is None:
                scale = " or not its scale register" if choice.noted.scale_register else ""
                found.append(
                    f"{choice.noted.name}: the unit gives no register at or beside"
                    f" {choice.at}{scale}."
                )
            elif choice.agrees is False:
                found.append(_contradiction(choice, choice.best))
            elif choice.noted.order not in (None, choice.best.point.order) and choice.agrees:
                found.append(
                    f"{choice.noted.name}: the data sheet says that it is in the order"
                    f" {choice.noted.order}, but only {choice.best.point.order} reads"
                    f" {choice.best.reading.text}, like the display."
                )
            elif choice.doubt is not None:
                told = "only the data sheet tells" if choice.agrees else "compare with the display"
                found.append(
                    f"{choice.noted.name}: registers {choice.best.point.at.wire} and"
                    f" {choice.doubt.point.at.wire} read much alike ({choice.best.point.order} and"
                    f" {choice.doubt.point.order}), as halves of neighbours do; {told}."
                )
        if unsettled := ", ".join(choice.noted.name for choice in self.choices if choice.open):
            found.append(
                f"Not settled until the display or the data sheet is compared: {unsettled}."
            )
        if self.seen.most_registers is not None:
            found.append(f"It gives at most {self.seen.most_registers} registers in one request.")
        return tuple(found)

    @property
    def contradictions(self) -> tuple[str, ...]:
        """Where what would be saved is not what the display shows, and nobody chose it, in a
        sentence each."""
        return tuple(
            _contradiction(choice, choice.best)
            for choice in self.choices
            if choice.best is not None and choice.agrees is False and not choice.chosen
        )

    @property
    def itself(self) -> dict[str, str | None]:
        """Maker and model in the unit's own words, as far as a profile can take them."""
        said = self.seen.descriptions
        model = next(
            (d.model for d in said if d.model and d.model != self.seen.server_id), self._type_word
        )
        return {
            "maker": _usable(next((d.maker for d in said if d.maker), None)),
            "model": _usable(model),
        }

    def toml(self, profile_id: str) -> str:
        """The profile file; raises `UsageError` with all that is wrong with what the notes say of
        the unit."""
        data, comments = self._tables(profile_id)
        found = []
        try:
            parse_profile(data)
        except ValidationError as error:
            found += found_by_pydantic(error)
        found += check(data, file_stem=profile_id)
        if found:
            listed = "; ".join(f"{_named(place, data)} {what}" for place, what in found)
            raise UsageError(
                f"These notes do not make a valid profile: {listed}.",
                todo="Correct the notes, then draft again.",
            )
        return to_toml(data, comments)

    def _tables(self, profile_id: str) -> tuple[dict[str, Any], dict[str, list[str]]]:
        known = {key: self.itself.get(key) or instead for key, instead in _NAMELESS.items()}
        data = {"id": profile_id, **known, **self.notes.fields}
        data |= {"id": profile_id, "numbering": str(self.numbering)}
        data.setdefault("fingerprint", self._fingerprint())
        if self.seen.most_registers is not None:
            data["limits"] = {"registers": self.seen.most_registers, **data.get("limits", {})}
        comments = {
            "": [
                "Drafted at a live unit; what was chosen because it looked plausible has to be"
                " checked."
            ]
        }
        comments[""] += [
            f"It says '{text}' in {object_name(number)}; where that is its serial number, write: "
            f'objects = [{{ object = 0x{number:02X}, tells = "serial" }}]'
            for number, text in self.seen.objects.items()
            if number >= FIRST_OWN_OBJECT and "objects" not in self.notes.fields
        ]
        data["points"] = []
        for choice, raw in zip(self.choices, self.notes.raw_points, strict=True):
            if choice.best is None:
                silent = "did not answer for it" if choice.silent else "gave no such register"
                why = "was not asked for it" if choice.unasked else silent
                comments[""].append(f"Left out, since the unit {why}: {choice.noted.name}.")
                continue
            data["points"].append(self._point(choice.best, raw))
            comments[f"points.{len(data['points'])}"] = _why(choice)
        return {key: value for key, value in data.items() if value not in ({}, [])}, comments

    def _point(self, best: Interpretation, raw: Mapping[str, Any]) -> dict[str, Any]:
        point = best.point
        chosen: dict[str, Any] = {
            "name": point.name,
            "function": point.function,
            "register": self._counted(point.at),
            "type": str(point.type),
        }
        if point.count > 1:
            chosen["order"] = str(point.order)
        if point.scale != 1:
            chosen["scale"] = point.scale
        if point.scale_register is not None:
            scale = point.scale_register
            chosen["scale_register"] = {
                "register": self._counted(scale.at),
                "means": str(scale.means),
            }
        said = (*chosen, *NOTES_ONLY, *(() if point.type.has_length else ("length",)))
        rest = {key: value for key, value in raw.items() if key not in said}
        return {**chosen, **rest}

    def _counted(self, at: Register) -> int:
        """The number of a register in the profile: where the whole numbering is off, that is put
        right."""
        return {Numbering.WIRE: at.wire, Numbering.ONE_BASED: at.wire + 1}.get(
            self.numbering, at.sheet
        )

    def _fingerprint(self) -> dict[str, Any]:
        """What every unit of the type will say and hold in the same way."""
        registers = [
            {
                "function": choice.best.point.function,
                "register": self._counted(choice.best.point.at) + place,
                "equals": word,
                "meaning": choice.noted.name,
            }
            for choice in self.choices
            if choice.noted.fixed and choice.best is not None
            for place, word in enumerate(choice.best.reading.registers)
        ]
        said = self._said_by_all()
        return {**said, "registers": registers} if registers else said

    def _said_by_all(self) -> dict[str, Any]:
        """What the unit says of itself, as far as every unit of the type will say the same."""
        objects = [
            {"object": number, "equals" if len(text) < _LONGEST_TEXT else "starts_with": text}
            for number in (0, 1)
            if (text := _usable(self.seen.objects.get(number))) is not None
        ]
        if objects:
            return {"objects": objects}
        return {"server_id": {"starts_with": self._type_word}} if self._type_word else {}

    @property
    def _type_word(self) -> str | None:
        """What a server id begins with; behind it there often is a serial number or a version."""
        said = _usable(self.seen.server_id)
        word = said and said.split(" ")[0]
        return word if word and len(word) >= _SHORTEST_WORD else said


def draft(notes: Notes, seen: Seen, chosen: Mapping[str, Way] | None = None) -> Draft:
    """Weigh what a unit gave for each point of `notes`; `chosen` is what a person said, by the name
    of the point."""
    by_person = chosen or {}
    ways = [
        interpretations(
            point,
            notes.at(point),
            seen.registers,
            scale_at=notes.scale_at(point),
            room=_room(notes, point),
            chosen=by_person.get(point.name),
            earlier=seen.earlier,
        )
        for point in notes.points
    ]
    taken = [bool(found) and found[0].way == by_person.get(found[0].point.name) for found in ways]
    shift = off_by_one(
        found[:1] if sure else found for found, sure in zip(ways, taken, strict=True)
    )
    unknown = {key for block in seen.silent for key in block.keys}
    wanted = [
        frozenset(key for block in _wanted(notes, point) for key in block.keys)
        for point in notes.points
    ]
    choices = tuple(
        Choice(
            point,
            notes.at(point),
            found if sure else preferring(shift, found, point),
            sure,
            not unknown.isdisjoint(keys),
            seen.asked is not None and not seen.asked.issuperset(keys),
        )
        for point, found, sure, keys in zip(notes.points, ways, taken, wanted, strict=True)
    )
    return Draft(notes, seen, in_one_order(choices, shift), shift)


def _wanted(notes: Notes, point: NotedPoint) -> tuple[Block, ...]:
    return wanted_blocks(point, notes.at(point), notes.scale_at(point))


def _room(notes: Notes, point: NotedPoint) -> int | None:
    """Registers until the next point of the data sheet that may be in the same table.

    None where none follows, or where the data sheet says how many it takes.
    """
    if point.length:
        return None
    gaps = (
        other.number - point.number
        for other in notes.points
        if other.number > point.number
        and (other.function is None or other.function == (point.function or other.function))
    )
    return min(gaps, default=None)


def _named(place: FieldPath, data: Mapping[str, Any]) -> str:
    """The field at `place`; a point goes by its name, for nobody has counted them."""
    match place:
        case ("points", int(index), *rest):
            return " ".join((f"'{data['points'][index]['name']}'", *map(str, rest)))
    return ".".join(map(str, place))


def _usable(text: str | None) -> str | None:
    """A text of the unit as a fingerprint or name; None for one with characters that had to be
    written out."""
    return text[:_LONGEST_TEXT] if text and "\\" not in text else None


def _contradiction(choice: Choice, best: Interpretation) -> str:
    return (
        f"{choice.noted.name}: nothing reads like {choice.noted.shows}, which the display shows;"
        f" the best is {best.reading.text}. Is it another register, or has it changed?"
    )


def _why(choice: Choice) -> list[str]:
    if choice.best is None:
        return []
    shown = choice.noted.shows
    against = "chosen at the unit" if choice.chosen else "not compared with a display"
    against = against if shown is None else f"the display showed {shown}"
    raw = " ".join(f"0x{word:04X}" for word in choice.best.reading.registers)
    others = "; ".join(
        f"{way.reading.text} ({way.words})" for way in distinct(choice.ways)[1 : 1 + _OTHERS]
    )
    return [
        f"Read {raw} as {choice.best.reading.text}; {against}.",
        *([f"Less plausible: {others}."] if others else []),
    ]

"""What a person has said of a unit that no profile knows: the lines of its data sheet and what was
chosen for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from busprobe.errors import UsageError
from busprobe.profiles.drafting.data_sheet_line import read_line, write_line
from busprobe.profiles.drafting.interpretations import Way
from busprobe.profiles.drafting.notes import Notes, NotesError, notes
from busprobe.profiles.registers import Numbering
from busprobe.wizard.identify.draft_form import PROFILE_FIELDS

_COUNTS: tuple[Numbering | None, ...] = (None, *Numbering)


@dataclass(frozen=True)
class Sheet:
    """The data sheet as far as it was typed; every change gives a new one."""

    points: tuple[Mapping[str, Any], ...] = ()
    """As `busprobe.profiles.drafting.data_sheet_line.read_line` gives them."""
    numbering: Numbering | None = None
    """How it counts registers; None where that was not said."""
    chosen: Mapping[str, Way] = field(default_factory=dict)
    """Name of a point to the way that was taken."""
    about: Mapping[str, str] = field(default_factory=dict)
    """What was typed of the type itself, by the names of
    `busprobe.wizard.identify.draft_form.PROFILE_FIELDS`."""

    @cached_property
    def notes(self) -> Notes:
        """What a draft is made of."""
        return self._notes_of(self.points, self.numbering)

    def with_line(self, text: str, *, replacing: str | None = None) -> Sheet:
        """With one more line, or with it in place of the point named `replacing`.

        Raises `UsageError` where the line is not clear or its name is taken.
        """
        point = read_line(text)
        name = str(point["name"])
        others = {str(p["name"]).casefold() for p in self.points if p["name"] != replacing}
        if name.casefold() in others:
            raise UsageError(
                f"'{name}' is on the list already.", todo="Give it another name, or edit that line."
            )
        old = next((dict(p) for p in self.points if p["name"] == replacing), None)
        points = (
            (*self.points, point)
            if old is None
            else tuple(point if p == old else p for p in self.points)
        )
        self._notes_of(points, self.numbering)
        return replace(
            self, points=points, chosen={n: w for n, w in self.chosen.items() if n != replacing}
        )

    def without(self, name: str) -> Sheet:
        """Without the point of that name."""
        points = tuple(point for point in self.points if point["name"] != name)
        return replace(
            self, points=points, chosen={n: w for n, w in self.chosen.items() if n != name}
        )

    def line(self, name: str) -> str:
        """The line that gives the point of that name again."""
        return next((write_line(point) for point in self.points if point["name"] == name), "")

    def taking(self, name: str, way: Way) -> Sheet:
        """With `way` taken for the point of that name; left open again where it was taken
        already."""
        others = {n: w for n, w in self.chosen.items() if n != name}
        return replace(
            self, chosen=others if self.chosen.get(name) == way else {**others, name: way}
        )

    def saying(self, about: Mapping[str, str]) -> Sheet:
        """With what was typed of the type itself."""
        return replace(self, about=about)

    def counted_otherwise(self) -> Sheet:
        """With the next way of counting registers that all its numbers allow; nothing chosen holds
        after that."""
        at = _COUNTS.index(self.numbering)
        for numbering in (*_COUNTS[at + 1 :], *_COUNTS[:at]):
            try:
                self._notes_of(self.points, numbering)
            except UsageError:
                continue
            return replace(self, numbering=numbering, chosen={})
        return self

    def _notes_of(
        self, points: tuple[Mapping[str, Any], ...], numbering: Numbering | None
    ) -> Notes:
        known = {**self._type_fields(), **({"numbering": str(numbering)} if numbering else {})}
        try:
            return notes({**known, "points": [dict(point) for point in points]})
        except NotesError as error:
            raise UsageError(
                f"That cannot be: {'; '.join(what for _, what in error.found)}.",
                todo="Correct the line; F1 says how.",
            ) from error

    def _type_fields(self) -> dict[str, Any]:
        """The fields of a profile that `about` stands for; those that are not filled in are left
        out, and what is wrong is for the check of the profile to complain of."""
        fields: dict[str, Any] = {}
        for each in PROFILE_FIELDS:
            text = self.about.get(each.name)
            match each.path if text else ():
                case (name,):
                    fields[name] = text
                case (table, name):
                    fields.setdefault(table, {})[name] = _as_number(str(text))
        if "readdress" in fields:
            fields["readdress"]["effect"] = "not-stated"
        return fields


def _as_number(text: str) -> int | str:
    try:
        return int(
            text, 16 if text.lower().startswith("0x") else 10
        )  # 06 is a function code, and no octal
    except ValueError:
        return text

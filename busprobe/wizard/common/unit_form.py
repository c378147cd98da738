"""What a person notes of a unit: the fields of the forms, and how answers become an entry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

from busprobe.errors import UsageError
from busprobe.job import UnitRecord
from busprobe.job.plan import PlannedUnit
from busprobe.wizard.common.choice import Offered
from busprobe.wizard.common.form import Field

_YES_NO = (Offered("", "-", "not noted"), Offered("yes", "yes"), Offered("no", "no"))

_LONGEST_CABLE = 100_000.0
"""Metres; far above any bus, so that only a slip of the finger is refused."""


@dataclass(frozen=True)
class UnitField(Field):
    """A field by the name that the unit's entry, or what is noted there, has for it."""

    said: str = ""
    """Name of what a unit may say of this itself; then it is not asked."""


def length_field(name: str, label: str) -> UnitField:
    """Metres of cable, or nothing."""
    return UnitField(name, label, read=_length, write=_metres)


def yes_no_field(name: str, label: str) -> UnitField:
    """Yes, no, or nothing."""
    return UnitField(name, label, read=_yes_no, write=_answer, choices=_YES_NO)


def unit_fields(
    unit: UnitRecord, *names: str, planned: PlannedUnit | None = None
) -> tuple[Field, ...]:
    """A unit, its place, and what can only be read off, as far as the unit does not say so itself;
    only the fields of `names` if there are any.  What is `planned` is shown beside a field and is
    not in it: only a person says what is there."""
    unconfirmed = planned.unconfirmed(unit) if planned is not None else {}
    talks = unit.identity.get("vendor") and unit.identity.get("product")
    asked = []
    for each in _UNIT:
        said = unit.identity.get(each.said, "")
        if (names and each.name not in names) or (
            talks if each.name in ("maker", "model") else said
        ):
            continue
        of_record = each.name in _OF_RECORD
        value = getattr(unit, each.name) if of_record else unit.noted.get(each.name, "")
        hint = each.hint or said
        if each.name in unconfirmed:
            hint = f"planned: {each.write(unconfirmed[each.name])}"
        asked.append(replace(each.showing(value), hint=hint))
    return tuple(asked)


def noted_unit(**values: Any) -> Callable[[UnitRecord], UnitRecord]:
    """What makes of an entry the one with what was given."""

    def noted(unit: UnitRecord) -> UnitRecord:
        of_record = {name: value for name, value in values.items() if name in _OF_RECORD}
        read_off = {name: value for name, value in values.items() if name not in _OF_RECORD}
        others = {name: text for name, text in unit.noted.items() if name not in read_off}
        kept = {name: text for name, text in read_off.items() if text}
        return replace(unit, **of_record, noted=others | kept)

    return noted


def _position(text: str) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or not 1 <= int(text) <= 999:
        raise UsageError(
            f"'{text}' is no place along the cable.",
            todo="Count from 1, the unit next to the master.",
        )
    return int(text)


def _length(text: str) -> float | None:
    if not text:
        return None
    try:
        metres = float(text.removesuffix("m").strip().replace(",", "."))
    except ValueError:
        metres = -1.0
    if not 0 <= metres <= _LONGEST_CABLE:
        raise UsageError(
            f"'{text}' is no length.", todo="Give metres, like 12 or 12.5, or leave it empty."
        )
    return metres


def _yes_no(text: str) -> bool | None:
    return {"": None, "yes": True, "no": False}[text]


def _metres(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _answer(value: bool | None) -> str:
    return {True: "yes", False: "no", None: ""}[value]


_UNIT = (
    UnitField("tag", "Tag"),
    UnitField("location", "Location, panel, circuit"),
    UnitField(
        "position",
        "Place along the cable",
        hint="1 is next to the master",
        kind="integer",
        read=_position,
        write=lambda position: str(position or ""),
    ),
    length_field("distance_m", "Cable from the master in m"),
    yes_no_field("terminator", "Terminator at this unit"),
    UnitField("supply", "Supply"),
    yes_no_field("label_fitted", "Label fitted"),
    UnitField("maker", "Maker", said="vendor"),
    UnitField("model", "Model", said="product"),
    UnitField("serial", "Serial number", said="serial"),
    UnitField("revision", "Firmware, revision", said="revision"),
    UnitField("remark", "Remark"),
)

_OF_RECORD = {each.name for each in fields(UnitRecord)}
"""What is a field of a unit's entry; all else that is noted of it is kept as read off."""

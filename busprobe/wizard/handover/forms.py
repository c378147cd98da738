"""The forms of the hand over: what they ask, what is wrong with an answer, and how answers become
records."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from busprobe.errors import UsageError
from busprobe.job import Cabling, Circuit, JobMeta, UnitRecord
from busprobe.modbus.addresses import format_addresses, parse_addresses
from busprobe.wizard.common.form import Field, Given

_LABEL = 40
"""Characters of a label that stand beside a field."""

_LONGEST_CABLE = 100_000.0
"""Metres; far above any bus, so that only a slip of the finger is refused."""


@dataclass(frozen=True)
class Noted:
    """One thing that a person notes: a field of a record, by its name, and of a form."""

    name: str
    label: str
    hint: str = ""
    written: Callable[[Any], str] = str
    """The value as it is typed."""
    read: Callable[[str], Any] = str
    """What was typed as the value; raises `UsageError`."""
    kind: Literal["text", "integer"] = "text"
    said: str = ""
    """Name of what a unit may say of this itself; then it is not asked."""

    def field(self, value: Any, hint: str = "") -> Field:
        """The field of the form, with what is known already."""
        return Field(self.name, self.label, self.written(value), self.kind, self.hint or hint)


def detail_fields(meta: JobMeta) -> tuple[Field, ...]:
    """The head of the documents."""
    return tuple(each.field(getattr(meta, each.name)) for each in _DETAILS)


def pair_fields(noted: Cabling) -> tuple[Field, ...]:
    """The bus as a whole."""
    return tuple(each.field(getattr(noted, each.name)) for each in _PAIR)


def noted_pair(given: Given) -> Cabling:
    """What was given of the bus as a whole; raises `UsageError`."""
    return Cabling(**{each.name: each.read(given[each.name]) for each in _PAIR})


def unit_fields(unit: UnitRecord) -> tuple[Field, ...]:
    """A unit, its place, and what can only be read off."""
    talks = unit.identity.get("vendor") and unit.identity.get("product")
    fields = []
    for each in _UNIT:
        said = unit.identity.get(each.said, "")
        if talks if each.name in ("maker", "model") else said:
            continue  # it says so itself
        of_record = each.name in _OF_RECORD
        value = getattr(unit, each.name) if of_record else unit.noted.get(each.name, "")
        fields.append(each.field(value, said))
    return tuple(fields)


def noted_unit(given: Given) -> Callable[[UnitRecord], UnitRecord]:
    """What makes of an entry the one with what was given; raises `UsageError`."""
    values = {each.name: each.read(given[each.name]) for each in _UNIT if each.name in given}

    def noted(unit: UnitRecord) -> UnitRecord:
        of_record = {name: value for name, value in values.items() if name in _OF_RECORD}
        read_off = {name: value for name, value in values.items() if name not in _OF_RECORD}
        others = {name: text for name, text in unit.noted.items() if name not in read_off}
        kept = {name: text for name, text in read_off.items() if text}
        return replace(unit, **of_record, noted=others | kept)

    return noted


def circuit_fields(circuit: Circuit) -> tuple[Field, ...]:
    """What a channel of a meter measures."""
    return tuple(each.field(getattr(circuit, each.name)) for each in _CIRCUIT)


def noted_circuit(channel: str, given: Given) -> Circuit:
    """The channel as it was given; raises `UsageError`."""
    return Circuit(channel, **{each.name: each.read(given[each.name]) for each in _CIRCUIT})


def value_fields(unit: UnitRecord) -> tuple[Field, ...]:
    """The values of a unit as read, each beside what its display or an instrument shows."""
    return tuple(
        Field(
            f"v{n}",
            f"{reading['name']}: {reading['text']}"[:_LABEL],
            unit.references.get(reading["name"], ""),
        )
        for n, reading in enumerate(unit.readings)
    )


def references(unit: UnitRecord, given: Given) -> Mapping[str, str]:
    """The values that were noted, by the names of the points asked for."""
    texts = {reading["name"]: given[f"v{n}"] for n, reading in enumerate(unit.readings)}
    return {name: text for name, text in texts.items() if text}


def _place(text: str) -> int | None:
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
    answers = {"": None, "yes": True, "y": True, "no": False, "n": False}
    if text.lower() not in answers:
        raise UsageError(
            f"'{text}' is neither yes nor no.",
            todo="Write yes or no, or leave it empty: not noted.",
        )
    return answers[text.lower()]


def _metres(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _answer(value: bool | None) -> str:
    return {True: "yes", False: "no", None: ""}[value]


def _addresses(text: str) -> str:
    return format_addresses(parse_addresses(text)) if text else ""


def _position(value: int | None) -> str:
    return str(value or "")


def _yes_or_no(name: str, label: str) -> Noted:
    return Noted(name, label, "yes, no, or empty: not noted", _answer, _yes_no)


_DETAILS = (
    Noted("site", "Site"),
    Noted("segment", "Segment (name of this pair of wires)"),
    Noted("tester", "Tested by"),
    Noted("project", "Project or order"),
)

_PAIR = (
    Noted("master", "Master and its port"),
    Noted("gateway", "Gateway and its settings"),
    Noted("cable", "Cable type"),
    Noted("length_m", "Cable length in m", written=_metres, read=_length),
    Noted("route", "Route and topology"),
    _yes_or_no("terminator_at_master", "Terminator at the master"),
    Noted("bias", "Bias fitted at"),
    Noted("common", "Common conductor"),
    Noted("shield", "Shield earthed at"),
    Noted("instruments", "Instruments used"),
    Noted("witness", "Witness"),
    Noted(
        "keep_free",
        "Addresses to keep free",
        "like 200-210; factory ones are anyway",
        read=_addresses,
    ),
)

_UNIT = (
    Noted("tag", "Tag"),
    Noted("location", "Location, panel, circuit"),
    Noted(
        "position",
        "Place along the cable",
        "1 is next to the master",
        written=_position,
        read=_place,
        kind="integer",
    ),
    Noted("distance_m", "Cable from the master in m", written=_metres, read=_length),
    _yes_or_no("terminator", "Terminator at this unit"),
    Noted("supply", "Supply"),
    _yes_or_no("label_fitted", "Label fitted"),
    Noted("maker", "Maker", said="vendor"),
    Noted("model", "Model", said="product"),
    Noted("serial", "Serial number", said="serial"),
    Noted("revision", "Firmware, revision", said="revision"),
    Noted("remark", "Remark"),
)

_CIRCUIT = (
    Noted("ct", "CT number"),
    Noted("ratio", "CT ratio or current", "like 200/5 or 100 A"),
    Noted("phase", "Phase"),
    Noted("panel", "Panel"),
    Noted("circuit", "Circuit or breaker"),
    Noted("load", "Load"),
    _yes_or_no("direction_checked", "CT direction checked"),
)

_OF_RECORD = {each.name for each in fields(UnitRecord)}
"""What is a field of a unit's entry; all else that is noted of it is kept as read off."""

"""The forms of the hand over: what they ask, what is wrong with an answer, and how answers become
records."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace

from busprobe.errors import UsageError
from busprobe.job import Cabling, Circuit, JobMeta, UnitRecord
from busprobe.modbus.addresses import format_addresses, parse_addresses
from busprobe.wizard.common.form import Field

Given = Mapping[str, str]

_LABEL = 40
"""Characters of a label that stand beside a field."""

_YES = "yes, no, or empty: not noted"
_LONGEST_CABLE = 100_000.0
"""Metres; far above any pair, so that only a slip of the finger is refused."""


def detail_fields(meta: JobMeta) -> tuple[Field, ...]:
    """The head of the papers."""
    return (
        Field("site", "Site", meta.site),
        Field("segment", "Segment (name of this pair of wires)", meta.segment),
        Field("tester", "Tested by", meta.tester),
        Field("project", "Project or order", meta.project),
    )


def pair_fields(noted: Cabling) -> tuple[Field, ...]:
    """The pair of wires."""
    return (
        Field("master", "Master and its port", noted.master),
        Field("gateway", "Gateway and its settings", noted.gateway),
        Field("cable", "Cable type", noted.cable),
        Field("length_m", "Cable length in m", _metres(noted.length_m)),
        Field("route", "Route and topology", noted.route),
        Field(
            "terminator_at_master",
            "Terminator at the master",
            _answer(noted.terminator_at_master),
            hint=_YES,
        ),
        Field("bias", "Bias fitted at", noted.bias),
        Field("common", "Common conductor", noted.common),
        Field("shield", "Shield earthed at", noted.shield),
        Field("instruments", "Instruments used", noted.instruments),
        Field("witness", "Witness", noted.witness),
        Field(
            "keep_free",
            "Addresses to keep free",
            noted.keep_free,
            hint="like 200-210; factory ones are anyway",
        ),
    )


def unit_fields(unit: UnitRecord) -> tuple[Field, ...]:
    """A unit, its place, and what can only be read off."""
    said = unit.identity
    maker = Field("maker", "Maker", unit.noted.get("maker", ""), hint=said.get("vendor", ""))
    model = Field("model", "Model", unit.noted.get("model", ""), hint=said.get("product", ""))
    return (
        Field("tag", "Tag", unit.tag),
        Field("location", "Location, panel, circuit", unit.location),
        Field(
            "position",
            "Place along the cable",
            str(unit.position or ""),
            kind="integer",
            hint="1 is next to the master",
        ),
        Field("distance_m", "Cable from the master in m", _metres(unit.distance_m)),
        Field("terminator", "Terminator at this unit", _answer(unit.terminator), hint=_YES),
        Field("supply", "Supply", unit.noted.get("supply", "")),
        Field("label_fitted", "Label fitted", _answer(unit.label_fitted), hint=_YES),
        *(() if said.get("vendor") and said.get("product") else (maker, model)),
        *(
            ()
            if said.get("serial")
            else (Field("serial", "Serial number", unit.noted.get("serial", "")),)
        ),
        *(
            ()
            if said.get("revision")
            else (Field("revision", "Firmware, revision", unit.noted.get("revision", "")),)
        ),
        Field("remark", "Remark", unit.noted.get("remark", "")),
    )


def circuit_fields(circuit: Circuit) -> tuple[Field, ...]:
    """What a channel of a meter measures."""
    return (
        Field("ct", "CT number", circuit.ct),
        Field("ratio", "CT ratio or current", circuit.ratio, hint="like 200/5 or 100 A"),
        Field("phase", "Phase", circuit.phase),
        Field("panel", "Panel", circuit.panel),
        Field("circuit", "Circuit or breaker", circuit.circuit),
        Field("load", "Load", circuit.load),
        Field(
            "direction_checked",
            "CT direction checked",
            _answer(circuit.direction_checked),
            hint=_YES,
        ),
    )


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


def noted_circuit(channel: str, given: Given) -> Circuit:
    """The channel as it was given; raises `UsageError`."""
    texts = {field.name: given[field.name] for field in circuit_fields(Circuit(channel))}
    checked = _yes_no(texts.pop("direction_checked"))
    return Circuit(channel, **texts, direction_checked=checked)


def noted_pair(given: Given) -> Cabling:
    """The pair as it was given; raises `UsageError`."""
    texts = {field.name: given[field.name] for field in fields(Cabling) if field.type == "str"}
    free = texts["keep_free"]
    return Cabling(
        **{**texts, "keep_free": format_addresses(parse_addresses(free)) if free else ""},
        length_m=_length(given["length_m"]),
        terminator_at_master=_yes_no(given["terminator_at_master"]),
    )


def noted_unit(given: Given) -> Callable[[UnitRecord], UnitRecord]:
    """What makes of an entry the one with what was given; raises `UsageError`."""
    asked = {"maker", "model", "serial", "revision", "supply", "remark"} & given.keys()
    position, metres = _place(given["position"]), _length(given["distance_m"])
    terminator, label = _yes_no(given["terminator"]), _yes_no(given["label_fitted"])

    def noted(unit: UnitRecord) -> UnitRecord:
        others = {name: text for name, text in unit.noted.items() if name not in asked}
        return replace(
            unit,
            tag=given["tag"],
            location=given["location"],
            position=position,
            distance_m=metres,
            terminator=terminator,
            label_fitted=label,
            noted=others | {name: given[name] for name in asked if given[name]},
        )

    return noted


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

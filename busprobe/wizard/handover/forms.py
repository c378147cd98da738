"""The forms of the hand over, but for that of a unit: what they ask, and how answers become
records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from busprobe.errors import UsageError
from busprobe.handover.files import EXPORTERS
from busprobe.job import Cabling, Circuit, JobMeta, UnitRecord
from busprobe.job.endurance_bound import EnduranceBound, parse_minutes, parse_percent
from busprobe.modbus.addresses import format_addresses, parse_addresses
from busprobe.wizard.common.choice import Offered
from busprobe.wizard.common.form import Field
from busprobe.wizard.common.unit_form import length_field, yes_no_field

_LABEL = 40
"""Characters of a label that stand beside a field."""


def offered_formats() -> Sequence[Offered[str]]:
    """All formats together, and each alone."""
    alone = [Offered(name, name, _FORMATS.get(name, "")) for name in EXPORTERS]
    return [Offered(", ".join(EXPORTERS), "all", ", ".join(EXPORTERS)), *alone]


def other_formats(text: str) -> str:
    """What several formats mean, parted by commas; raises `UsageError`."""
    names = read_formats(text)
    for name in names:
        if name not in EXPORTERS:
            raise UsageError(f"'{name}' is no format.")
    return "; ".join(_FORMATS.get(name, name) for name in names)


def read_formats(text: str) -> list[str]:
    """Names of formats, parted by commas."""
    return [name.strip() for name in text.split(",") if name.strip()]


_FORMATS = {
    "csv": "tables for programs",
    "json": "everything, for programs",
    "xlsx": "a workbook for the client",
    "html": "a page to print",
    "markdown": "a page as text",
    "labels": "labels for the units",
    "polling": "the polling table for the master",
    "things": "a W3C Thing Description of each unit",
}


def detail_fields(meta: JobMeta) -> tuple[Field, ...]:
    """The head of the documents."""
    return tuple(each.showing(getattr(meta, each.name)) for each in _DETAILS)


def cabling_fields(noted: Cabling) -> tuple[Field, ...]:
    """The bus as a whole."""
    return tuple(each.showing(getattr(noted, each.name)) for each in _CABLING)


def bound_fields(bound: EnduranceBound) -> tuple[Field, ...]:
    """What an endurance run has to show."""
    return tuple(each.showing(getattr(bound, each.name)) for each in _BOUND)


def circuit_fields(circuit: Circuit) -> tuple[Field, ...]:
    """What a channel of a meter measures."""
    return tuple(each.showing(getattr(circuit, each.name)) for each in _CIRCUIT)


def value_fields(unit: UnitRecord) -> tuple[Field, ...]:
    """The values of a unit as read, each beside what its display or an instrument shows."""
    return tuple(
        Field(
            f"v{n}",
            f"{reading.name}: {reading.text}"[:_LABEL],
            unit.references.get(reading.name, ""),
        )
        for n, reading in enumerate(unit.readings)
    )


def references(unit: UnitRecord, **texts: str) -> Mapping[str, str]:
    """The values that were noted, by the names of the points asked for."""
    names = (reading.name for reading in unit.readings)
    return {name: text for name, text in zip(names, texts.values(), strict=True) if text}


def _addresses(text: str) -> str:
    return format_addresses(parse_addresses(text)) if text else ""


def _figure(value: float) -> str:
    return f"{value:g}"


_DETAILS = (
    Field("site", "Site"),
    Field("segment", "Segment (name of this pair of wires)"),
    Field("tester", "Tested by"),
    Field("project", "Project or order"),
    Field("document_number", "Document number"),
    Field("reason", "Reason for the next revision"),
)

_CABLING = (
    Field("master", "Master and its port"),
    Field("gateway", "Gateway and its settings"),
    Field("cable", "Cable type"),
    length_field("length_m", "Cable length in m"),
    Field("route", "Route and topology"),
    yes_no_field("terminator_at_master", "Terminator at the master"),
    Field("bias", "Bias fitted at"),
    Field("common", "Common conductor"),
    Field("shield", "Shield earthed at"),
    Field("instruments", "Instruments: maker's type"),
    Field("instrument_serial", "Instruments: serial no."),
    Field("instrument_calibrated", "Instruments: calibrated"),
    Field("witness", "Witness"),
    Field(
        "keep_free",
        "Addresses to keep free",
        hint="like 200-210; factory ones are anyway",
        read=_addresses,
    ),
)

_BOUND = (
    Field("percent", "Failed polls of any unit, at most %", read=parse_percent, write=_figure),
    Field("minutes", "Shown over minutes, at least", read=parse_minutes, write=_figure),
    Field("agreed", "Agreed in or with", hint="like a specification; empty: not agreed"),
)

_CIRCUIT = (
    Field("ct", "CT number"),
    Field("ratio", "CT ratio or current", hint="like 200/5 or 100 A"),
    Field("phase", "Phase"),
    Field("panel", "Panel"),
    Field("circuit", "Circuit or breaker"),
    Field("load", "Load"),
    yes_no_field("direction_checked", "CT direction checked"),
)

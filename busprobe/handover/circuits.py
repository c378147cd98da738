"""The circuits of meters: what each channel measures, through which current transformer.

The list goes out with the papers (``circuits.csv``), is filled in in a spreadsheet at the panel,
and comes back here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, StringConstraints, create_model

from busprobe.errors import Mistake
from busprobe.files.csv_file import CsvFile, CsvRow, YesNo, checked, plain_cell
from busprobe.handover.bus_list import BusList, CircuitRow, as_said
from busprobe.handover.table import NOT_NOTED, Cell, Table
from busprobe.job.records import Circuit, UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.addresses import FIRST, LAST, both_forms
from busprobe.profiles.schema import Profile
from busprobe.text import harmless

LONGEST_CHANNEL = 40
"""Characters of a channel's name, as many as in a profile."""

_TITLES: Mapping[str, str] = {
    "ct": "CT no.",
    "ratio": "CT ratio",
    "phase": "Phase",
    "panel": "Panel",
    "circuit": "Circuit",
    "load": "Load",
}
"""What is noted of a circuit in words, and the columns it stands in."""


def _noted(text: str) -> str:
    said = text.strip()
    return "" if said == NOT_NOTED else said


class _Row(CsvRow):
    address: int = Field(ge=FIRST, le=LAST)
    settings: str = Field(default="", alias="line settings")
    channel: str = Field(min_length=1, max_length=LONGEST_CHANNEL)
    direction: Annotated[YesNo, BeforeValidator(_noted)] = Field(
        default=None, alias="direction checked"
    )


_NOTED: Mapping[str, Any] = {
    field: (Annotated[str, StringConstraints(max_length=100)], Field("", alias=title.lower()))
    for field, title in _TITLES.items()
}
_FilledRow = create_model("_FilledRow", __base__=_Row, **_NOTED)
"""A row with all that is noted of its circuit."""


def circuits_of(unit: UnitRecord, profile: Profile | None) -> tuple[Circuit, ...]:
    """Every channel of a unit that its profile names or somebody noted, in that order, noted or
    not."""
    noted = {circuit.channel: circuit for circuit in unit.circuits}
    named = (
        dict.fromkeys(point.channel for point in profile.points if point.channel) if profile else {}
    )
    return tuple(
        noted.get(channel, Circuit(channel)) for channel in {**named, **dict.fromkeys(noted)}
    )


def with_circuit(unit: UnitRecord, circuit: Circuit) -> UnitRecord:
    """The unit's entry with one of its channels noted so, in place of what was noted of it
    before."""
    others = {known.channel: known for known in unit.circuits}
    return replace(unit, circuits=tuple({**others, circuit.channel: circuit}.values()))


def without_circuit(unit: UnitRecord, channel: str) -> UnitRecord:
    """The unit's entry without anything noted of that channel."""
    return replace(
        unit, circuits=tuple(circuit for circuit in unit.circuits if circuit.channel != channel)
    )


def circuit_rows(
    unit: UnitRecord, profile: Profile | None, *, tag_planned: bool = False
) -> Iterator[CircuitRow]:
    """The channels of a unit, each with what was read of it."""
    channels = {point.name: point.channel for point in profile.points} if profile else {}
    for circuit in circuits_of(unit, profile):
        read = (
            f"{one.name} {one.text}"
            for one in unit.readings
            if channels.get(one.name) == circuit.channel
        )
        yield CircuitRow(
            unit.address, str(unit.settings), unit.tag, circuit, " | ".join(read), tag_planned
        )


def circuit_tables(bus_list: BusList) -> Iterator[Table]:
    """The circuits of all meters, where there are any."""
    rows = tuple(_cells(row) for row in bus_list.circuits)
    if rows:
        columns = (
            "Address",
            "Address hex",
            "Line settings",
            "Tag",
            "Channel",
            *_TITLES.values(),
            "Direction checked",
        )
        yield Table("circuits", "Circuits of meters", (*columns, "Values read"), rows)


def _cells(row: CircuitRow) -> tuple[Cell, ...]:
    noted = row.circuit
    direction = {True: "yes", False: "no", None: NOT_NOTED}[noted.direction_checked]
    texts = (getattr(noted, field) or NOT_NOTED for field in _TITLES)
    place = (
        row.address,
        f"0x{row.address:02X}",
        row.settings,
        as_said(row.tag, planned=row.tag_planned),
    )
    return (*place, noted.channel, *texts, direction, row.values)


def load_circuits(
    path: Path, units: Sequence[UnitRecord], profiles: Mapping[str, Profile]
) -> Mapping[Place, tuple[Circuit, ...]]:
    """Read what somebody noted of the circuits of `units`: the channels that are in the file, by
    the units' places.

    A row replaces what was noted of its channel; columns that are not in the file leave theirs as
    it was.  Raises `FileError` with all mistakes, each with its line and column.
    """
    file = CsvFile.read(path, kind="list of circuits", row=_FilledRow)
    mistakes: list[Mistake] = []
    found: dict[Place, dict[str, Circuit]] = {}
    for line, cells in file.rows:
        row = checked(_FilledRow, line, cells, mistakes)
        if row is None:
            continue
        unit = _unit(row, line, units, mistakes)
        if unit is None:
            continue
        profile, typed = profiles.get(unit.profile or ""), _text(row.channel)
        known = {circuit.channel: circuit for circuit in circuits_of(unit, profile)}
        channel = next((name for name in known if name.casefold() == typed.casefold()), typed)
        here = found.setdefault(unit.place, {})
        if _has_channels(profile) and channel not in known:
            what = f"'{channel}' is none of this unit's channels: {', '.join(known)}"
            mistakes.append(Mistake(f"line {line}, channel", what))
        elif channel in here:
            mistakes.append(
                Mistake(f"line {line}, channel", f"'{channel}' of unit {unit.address} comes twice")
            )
        else:
            here[channel] = _filled(known.get(channel, Circuit(channel)), row)
    mistakes += file.mistakes
    if not found and not mistakes:
        mistakes.append(Mistake("", "it has no circuits in it"))
    if mistakes:
        raise file.error(mistakes)
    return {place: tuple(here.values()) for place, here in found.items()}


def _unit(
    row: _Row, line: int, units: Sequence[UnitRecord], mistakes: list[Mistake]
) -> UnitRecord | None:
    """The unit on the list that a row is about."""
    there = [unit for unit in units if unit.address == row.address]
    settings = _noted(row.settings)
    meant = [unit for unit in there if settings in ("", str(unit.settings))]
    if len(meant) == 1:
        return meant[0]
    at = f"{both_forms(row.address)}{f' at {harmless(settings)}' if settings else ''}"
    if meant:
        what = f"several units are listed at {at}: name the line settings too"
    else:
        what = f"no unit is listed at {at}" + (f", but one at {there[0].settings}" if there else "")
    mistakes.append(Mistake(f"line {line}, address", what))
    return None


def _has_channels(profile: Profile | None) -> bool:
    return profile is not None and any(point.channel for point in profile.points)


def _filled(circuit: Circuit, row: _Row) -> Circuit:
    said: dict[str, Any] = {
        field: _text(getattr(row, field)) for field in _TITLES if field in row.model_fields_set
    }
    if "direction" in row.model_fields_set:
        said["direction_checked"] = row.direction
    return replace(circuit, **said)


def _text(cell: str) -> str:
    """What a cell says, without what the papers put before a formula; harmless to show."""
    return harmless(plain_cell(_noted(cell)))

"""``busprobe identify``: what is the unit at an address, and does it read sensible values?"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.cli.sessions import session_on, session_on_existing
from busprobe.errors import ExitCode, UsageError
from busprobe.files.documents import to_document
from busprobe.job.records import EntryKind, PointReading
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.identification import BASIC_OBJECTS, object_name
from busprobe.survey.identify import Identified


@dataclass(frozen=True)
class Candidate:
    """A profile that was compared with the unit."""

    profile: str
    match: float
    """How well it fits, 0 to 1."""
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class IdentifiedUnit:
    """What a unit is, as documents have it."""

    address: int
    settings: LineSettings
    identity: Mapping[str, str | None]
    """Vendor, product, revision and, where it is told, serial number, in the unit's own words."""
    objects: Mapping[str, str] | None
    """Identification objects by their number, ``0x00``; null where the unit has none."""
    server_id: str | None
    profile: str | None
    match: float | None
    standing: str
    models: tuple[int, ...] | None
    """Numbers of the SunSpec models it has; null where it has no map of them."""
    candidates: tuple[Candidate, ...]
    readings: tuple[PointReading, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class IdentifyDocument(IdentifiedUnit):
    """What ``busprobe identify --json`` prints of one unit."""

    format: Literal["busprobe.identify/1"] = "busprobe.identify/1"


@dataclass(frozen=True)
class NotAsked:
    """A unit of a job that was not asked."""

    address: int
    settings: LineSettings
    kind: EntryKind


@dataclass(frozen=True, kw_only=True)
class IdentifyAllDocument:
    """What ``busprobe identify --json`` prints of all units of a job."""

    format: Literal["busprobe.identify-all/1"] = "busprobe.identify-all/1"
    port: str
    units: tuple[IdentifiedUnit, ...]
    not_asked: tuple[NotAsked, ...]


def run(
    port: str,
    settings: LineSettings | None,
    address: int | None,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe identify`` is asked for."""
    if settings is not None and address is not None:
        return _one(port, Place(address, settings), job_file, as_json=as_json)
    if job_file is None or settings is not None or address is not None:
        raise UsageError(
            "It is not said which unit to identify.",
            todo="Give --settings and --address, or --job alone for all units of a job.",
        )
    return _all(port, job_file, as_json=as_json)


def _one(port: str, place: Place, job_file: Path | None, *, as_json: bool) -> ExitCode:
    with session_on(port, job_file, place.settings) as session:
        found = session.identify(place)
    if as_json:
        output.document(document(found))
    else:
        _print(found)
    return ExitCode.DONE if _is_known(found) else ExitCode.ATTENTION


def _all(port: str, job_file: Path, *, as_json: bool) -> ExitCode:
    """Each unit of the job that answers alone; Ctrl-C ends it after the one that is asked."""
    stop = threading.Event()
    with session_on_existing(port, job_file) as session, on_stop(stop.set):
        units = session.job.units()
        if not units:
            raise UsageError(
                f"No unit is known in {job_file}.",
                todo="Run 'busprobe survey' with this job first.",
            )
        found = []
        for unit in (unit for unit in units if unit.single):
            if stop.is_set():
                break
            output.say(f"Asking unit {both_forms(unit.address)} at {unit.settings} …")
            found.append(session.identify(unit.place))
            if not as_json:
                _print(found[-1])
    asked = {each.place for each in found}
    left = [unit for unit in units if unit.place not in asked]
    if as_json:
        output.publish(
            IdentifyAllDocument(
                port=port,
                units=tuple(IdentifiedUnit(**_fields(each)) for each in found),
                not_asked=tuple(NotAsked(u.address, u.settings, u.kind) for u in left),
            )
        )
    else:
        for unit in left:
            why = "stopped before" if unit.single else f"{unit.kind}: clear that up first"
            output.line(f"Not asked: {both_forms(unit.address)} at {unit.settings}, {why}.")
    return ExitCode.DONE if not left and all(map(_is_known, found)) else ExitCode.ATTENTION


def _is_known(found: Identified) -> bool:
    """Whether its profile was recognised and no value speaks against it."""
    plausible = all(reading.plausible is not False for reading in found.readings)
    return found.profile is not None and plausible


def document(found: Identified) -> dict[str, Any]:
    """The ``busprobe.identify/1`` document."""
    return to_document(IdentifyDocument(**_fields(found)))


def _fields(found: Identified) -> dict[str, Any]:
    """Those of an `IdentifiedUnit`."""
    best = found.matches[0] if found.matches else None
    return {
        "address": found.place.address,
        "settings": found.place.settings,
        "identity": found.identity,
        "objects": (
            None
            if found.objects is None
            else {f"0x{n:02X}": text for n, text in found.objects.items()}
        ),
        "server_id": found.server_id,
        "profile": found.profile.id if found.profile else None,
        "match": round(best.score, 3) if best and found.profile else None,
        "standing": found.standing,
        "models": (
            None if found.models is None else tuple(model.id for model in found.models.models)
        ),
        "candidates": tuple(
            Candidate(match.profile.id, round(match.score, 3), tuple(match.reasons))
            for match in found.matches
        ),
        "readings": found.kept_readings,
        "notes": found.remarks,
    }


def _print(found: Identified) -> None:
    name = f"{found.profile.maker} {found.profile.model}" if found.profile else "not recognised"
    output.lines([f"Unit {both_forms(found.place.address)} at {found.place.settings}: {name}"])
    output.lines(f"  {field}: {text}" for field, text in found.identity.items() if text)
    own = (
        (number, text)
        for number, text in (found.objects or {}).items()
        if number not in BASIC_OBJECTS
    )
    output.lines(f"  {object_name(number)}: {text}" for number, text in own)
    if found.standing:
        output.lines([found.standing])
    for match in found.matches[:2]:
        output.lines([f"Match with {match.profile.id}: {match.score:.2f}"])
        output.lines(f"  {reason}" for reason in match.reasons)
    if found.readings:
        marks = {True: "plausible", False: "NOT PLAUSIBLE", None: ""}
        rows = [
            (
                reading.point.name,
                reading.text,
                marks[reading.plausible],
                f"{reading.point.at.wire} (0x{reading.point.at.wire:04X})",
                reading.point.at.sheet,
                " ".join(f"{word:04X}" for word in reading.registers),
            )
            for reading in found.readings
        ]
        output.table(("Point", "Value", "", "Register", "Data sheet", "Raw"), rows)
    output.lines(found.remarks)

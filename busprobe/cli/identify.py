"""``busprobe identify``: what is the unit at an address, and does it read sensible values?"""

from __future__ import annotations

import threading
from pathlib import Path

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.cli.sessions import session_on, session_on_existing
from busprobe.errors import ExitCode, UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.identification import BASIC_OBJECTS, object_name
from busprobe.survey.identify import Identified


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
        output.document(
            {
                "format": "busprobe.identify-all/1",
                "port": port,
                "units": [_fields(each) for each in found],
                "not_asked": [
                    {"address": u.address, "settings": str(u.settings), "kind": u.kind}
                    for u in left
                ],
            }
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


def document(found: Identified) -> dict[str, object]:
    """The ``busprobe.identify/1`` document."""
    return {"format": "busprobe.identify/1", **_fields(found)}


def _fields(found: Identified) -> dict[str, object]:
    best = found.matches[0] if found.matches else None
    return {
        "address": found.place.address,
        "settings": str(found.place.settings),
        "identity": dict(found.identity),
        "objects": (
            None
            if found.objects is None
            else {f"0x{n:02X}": text for n, text in found.objects.items()}
        ),
        "server_id": found.server_id,
        "profile": found.profile.id if found.profile else None,
        "match": round(best.score, 3) if best and found.profile else None,
        "standing": found.standing,
        "models": None if found.models is None else [model.id for model in found.models.models],
        "candidates": [
            {
                "profile": match.profile.id,
                "match": round(match.score, 3),
                "reasons": list(match.reasons),
            }
            for match in found.matches
        ],
        "readings": [reading.document() for reading in found.readings],
        "notes": list(found.remarks),
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

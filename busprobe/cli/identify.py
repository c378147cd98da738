"""``busprobe identify``: what is the unit at an address, and does it read sensible values?"""

from __future__ import annotations

from pathlib import Path

from busprobe.cli import output
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.identification import BASIC_OBJECTS, object_name
from busprobe.survey.identify import Identified


def run(
    port: str, settings: LineSettings, address: int, job_file: Path | None, as_json: bool
) -> ExitCode:
    """Do what ``busprobe identify`` is asked for."""
    with session_on(port, job_file, settings) as session:
        found = session.identify(Place(address, settings))
    if as_json:
        output.document(document(found))
    else:
        _print(found)
    plausible = all(reading.plausible is not False for reading in found.readings)
    return ExitCode.DONE if found.profile is not None and plausible else ExitCode.ATTENTION


def document(found: Identified) -> dict[str, object]:
    """The ``busprobe.identify/1`` document."""
    best = found.matches[0] if found.matches else None
    return {
        "format": "busprobe.identify/1",
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

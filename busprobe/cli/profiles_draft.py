"""``busprobe profiles draft``: describe a unit that no profile knows, with the unit at hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from textwrap import indent
from typing import Any, Literal

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode, UsageError
from busprobe.files.documents import from_document
from busprobe.job.records import PointReading
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.drafting.data_sheet_line import SYNTAX, read_line
from busprobe.profiles.drafting.draft import Draft
from busprobe.profiles.drafting.draft import draft as drafted
from busprobe.profiles.drafting.interpretations import Interpretation, distinct
from busprobe.profiles.drafting.notes import Notes, NotesError, notes, read_notes
from busprobe.profiles.drafting.writing import refuse_existing, write_profile
from busprobe.profiles.read_requests import Block
from busprobe.profiles.registers import Numbering
from busprobe.profiles.schema import WordOrder
from busprobe.profiles.store import file_for
from busprobe.survey.register_reader import Observed, observe


@dataclass(frozen=True, kw_only=True)
class InterpretedPoint(PointReading):
    """One way to read a register, with the value that it gives."""

    order: WordOrder
    off_by: int
    """Registers between where the data sheet says it is and where this reads: -1, 0 or 1."""
    plausibility: float
    """From 0 to 1."""


@dataclass(frozen=True)
class DraftedPoint:
    """A point and the ways to read it, likeliest first."""

    name: str
    register: int
    sheet_register: int
    interpretations: tuple[InterpretedPoint, ...]


@dataclass(frozen=True, kw_only=True)
class DraftDocument:
    """What ``busprobe profiles draft --json`` prints."""

    format: Literal["busprobe.profile-draft/1"] = "busprobe.profile-draft/1"
    address: int
    settings: LineSettings
    identity: Mapping[str, str | None]
    profile: str | None
    """A stored profile that fits the unit; null where none does."""
    given: tuple[Block, ...]
    silent: tuple[Block, ...]
    most_registers: int | None
    """That the unit gave in one reply; null where that was not tried."""
    numbering: Numbering
    off_by: int
    remarks: tuple[str, ...]
    points: tuple[DraftedPoint, ...]
    file: str | None
    """Where the profile was written; null where it was only shown."""


@click.command("draft", epilog=f"\b\nWhat a line of --point can say:\n{indent(SYNTAX, '  ')}")
@options.port
@options.unit_settings
@options.address
@click.option(
    "--notes",
    "notes_file",
    type=options.FILE,
    help=(
        "What the data sheet says: a TOML file like a profile, of which only name and register of"
        " each point must be there; 'shows' in a point is what the unit's display shows."
    ),
)
@click.option(
    "--point",
    "points",
    metavar="LINE",
    multiple=True,
    help="A line of the data sheet in any order, like '31 Wind speed m/s'; see below.",
)
@click.option(
    "--numbering",
    type=click.Choice([str(way) for way in Numbering]),
    help="How the data sheet counts registers.",
)
@click.option(
    "--ways",
    type=click.IntRange(1, 50),
    default=3,
    show_default=True,
    help="Interpretations shown a point.",
)
@click.option(
    "--save",
    "profile_id",
    metavar="ID",
    help="Write the profile with the most plausible ones chosen.",
)
@options.job(required=False, text="Write into the folder of this job in place of your own.")
@options.overwrite("Replace a profile file of the same id.")
@options.as_json
def draft(
    port: str,
    settings: LineSettings,
    address: int,
    notes_file: Path | None,
    points: tuple[str, ...],
    numbering: str | None,
    ways: int,
    profile_id: str | None,
    job_file: Path | None,
    overwrite: bool,
    as_json: bool,
) -> ExitCode:
    """Read a unit and show each register in all sensible interpretations, the plausible ones first.

    Registers are only read, never written.  With --save a profile file is written into your own
    folder, or into that of a job: look through it, put right what is not so, and check it with
    'busprobe profiles check'.

    \b
    Example:
      busprobe profiles draft --port virtual:generic --settings 9600-8N1 --address 6
          --point "11 Temperature degC =-3.2" --point "20 Energy kWh" --save rosehill-rh-2
    """
    known = _with_options(read_notes(notes_file) if notes_file else Notes(), points, numbering)
    if not known.points:
        raise UsageError(
            "Nothing is said of any register.",
            todo="Give --point '31 Wind m/s', or a file of --notes with [[points]].",
        )
    path = None if profile_id is None else _target(profile_id, job_file, overwrite=overwrite)
    with session_on(port, None, settings) as session:
        output.say(f"Reading the unit at {both_forms(address)}; nothing is written to it.")
        observed = observe(session.line, address, known, session.profiles)
    result = drafted(known, observed.seen)
    if path is not None and result.contradictions:
        for words in result.contradictions:
            output.say(words)
        if not output.agreed("Save it all the same?"):
            output.say("Nothing was saved.")
            path = None
    if path is not None and profile_id is not None:
        write_profile(path, result.toml(profile_id), overwrite=overwrite)
    if as_json:
        output.publish(_document(result, observed, address, settings, path))
    else:
        _print(result, observed, ways)
        if path is not None:
            output.lines([f"The profile is in {path}."])
    return ExitCode.ATTENTION if result.remarks else ExitCode.DONE


def _with_options(known: Notes, points: Iterable[str], numbering: str | None) -> Notes:
    """`known` with what the options say besides."""
    data: dict[str, Any] = {
        **known.fields,
        "points": [*map(dict, known.raw_points), *map(read_line, points)],
    }
    if numbering is not None:
        data["numbering"] = numbering
    try:
        return notes(data)
    except NotesError as error:
        raise UsageError(
            f"This cannot be read: {error}.", todo="Correct the option and try again."
        ) from error


def _target(profile_id: str, job_file: Path | None, *, overwrite: bool) -> Path:
    """Where the profile is to be written; what stands in the way is said before the unit is asked
    anything."""
    path = file_for(profile_id, job_file)
    refuse_existing(path, overwrite=overwrite)
    return path


def _document(
    result: Draft, observed: Observed, address: int, settings: LineSettings, path: Path | None
) -> DraftDocument:
    return DraftDocument(
        address=address,
        settings=settings,
        identity=observed.identified.identity,
        profile=observed.identified.profile.id if observed.identified.profile else None,
        given=tuple(observed.given),
        silent=tuple(observed.seen.silent),
        most_registers=observed.seen.most_registers,
        numbering=result.numbering,
        off_by=result.shift,
        remarks=tuple(result.remarks),
        points=tuple(
            DraftedPoint(
                choice.noted.name,
                choice.at.wire,
                choice.at.sheet,
                tuple(map(_interpretation, choice.ways)),
            )
            for choice in result.choices
        ),
        file=None if path is None else str(path),
    )


def _interpretation(way: Interpretation) -> InterpretedPoint:
    reading = from_document(PointReading, way.reading.document())
    return InterpretedPoint(
        **vars(reading), order=way.point.order, off_by=way.shift, plausibility=way.plausibility
    )


def _print(result: Draft, observed: Observed, ways: int) -> None:
    if observed.identified.profile is not None:
        output.lines([f"A stored profile fits this unit already.  {observed.identified.standing}"])
    output.lines(f"The unit says: {said.words}." for said in observed.seen.descriptions)
    for choice in result.choices:
        shown = "" if choice.noted.shows is None else f", the display shows {choice.noted.shows}"
        output.lines([f"{choice.noted.name}, register {choice.at}{shown}"])
        if not choice.ways:
            output.lines(
                [
                    "  the unit did not answer"
                    if choice.silent
                    else "  the unit gives no such register"
                ]
            )
            continue
        rows = [
            (
                f"  {way.plausibility:.2f}",
                way.reading.text,
                way.words,
                " ".join(f"{w:04X}" for w in way.reading.registers),
            )
            for way in distinct(choice.ways)[:ways]
        ]
        output.table(("  Fits", "Value", "Read as", "Raw"), rows)
    given = ", ".join(block.words for block in observed.given) or "none"
    output.lines([f"Registers that the unit gives, of those asked for: {given}."])
    if observed.seen.silent:
        output.lines(
            [
                "Not answered, so nothing is known of:"
                f" {', '.join(block.words for block in observed.seen.silent)}."
            ]
        )
    output.lines(result.remarks)

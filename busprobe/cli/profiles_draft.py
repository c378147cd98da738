"""``busprobe profiles draft``: describe a unit that no profile knows, with the unit at hand."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode, UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.draft import Draft
from busprobe.profiles.draft import draft as drafted
from busprobe.profiles.fields import is_slug
from busprobe.profiles.interpret import distinct
from busprobe.profiles.notes import Notes, NotesError, notes, read_notes
from busprobe.profiles.plan import Block
from busprobe.profiles.registers import Numbering
from busprobe.profiles.store import job_folder, own_folder
from busprobe.profiles.writing import refuse_existing, write_profile
from busprobe.survey.observe import Observed, observe


@click.command("draft")
@options.port
@options.settings
@click.option("--address", type=options.ADDRESS, required=True, help="Unit address.")
@click.option(
    "--notes",
    "notes_file",
    type=options.FILE,
    help="What the data sheet says: a TOML file like a profile, of which only name and register of each point must be "
    "there; 'shows' in a point is what the unit's display shows.",
)
@click.option("--point", "points", metavar="NAME=REGISTER", multiple=True, help="A value and its register.")
@click.option("--shows", metavar="NAME=VALUE", multiple=True, help="What the unit's display shows for it now.")
@click.option("--numbering", type=click.Choice(list(Numbering)), help="How the data sheet counts registers.")
@click.option("--ways", type=click.IntRange(1, 50), default=3, show_default=True, help="Interpretations shown a point.")
@click.option("--save", "profile_id", metavar="ID", help="Write the profile with the most plausible ones chosen.")
@options.job(required=False, text="Write into the folder of this job in place of your own.")
@click.option("--overwrite", is_flag=True, help="Replace a profile file of the same id.")
@options.as_json
def draft(
    port: str,
    settings: LineSettings,
    address: int,
    notes_file: Path | None,
    points: tuple[str, ...],
    shows: tuple[str, ...],
    numbering: Numbering | None,
    ways: int,
    profile_id: str | None,
    job_file: Path | None,
    overwrite: bool,
    as_json: bool,
) -> ExitCode:
    """Read a unit and show each register in all sensible interpretations, the plausible ones first.

    Registers are only read, never written.  With --save a profile file is written into your own folder, or into that
    of a job: look through it, put right what is not so, and check it with 'busprobe profiles check'.

    \b
    Example:
      busprobe profiles draft --port virtual:generic --settings 9600-8N1 --address 6
          --point Temperature=11 --shows Temperature=-3.2 --point Energy=20 --save rosehill-rh-2
    """
    known = _with_options(read_notes(notes_file) if notes_file else Notes(), points, shows, numbering)
    if not known.points:
        raise UsageError(
            "Nothing is said of any register.", todo="Give --point NAME=REGISTER, or a file of --notes with [[points]]."
        )
    path = None if profile_id is None else _target(profile_id, job_file, overwrite=overwrite)
    with session_on(port, None, settings) as session:
        output.say(f"Reading the unit at {both_forms(address)}; nothing is written to it.")
        observed = observe(session.line, address, known, session.profiles)
    result = drafted(known, observed.seen)
    if path is not None and profile_id is not None:
        write_profile(path, result.toml(profile_id), overwrite=overwrite)
    if as_json:
        output.document(_document(result, observed, address, settings, path))
    else:
        _print(result, observed, ways)
        if path is not None:
            output.lines([f"The profile is in {path}."])
    return ExitCode.ATTENTION if result.remarks else ExitCode.DONE


def _with_options(known: Notes, points: Iterable[str], shows: Iterable[str], numbering: Numbering | None) -> Notes:
    """`known` with what the options say besides."""
    data: dict[str, Any] = {**known.fields, "points": [dict(raw) for raw in known.raw_points]}
    if numbering is not None:
        data["numbering"] = str(numbering)
    for given in points:
        name, number = _pair(given, "--point", "Temperature=40")
        try:
            data["points"].append({"name": name, "register": int(number, 0)})
        except ValueError:
            raise UsageError(
                f"'{number}' is not a register.", todo="Write its number as the data sheet does: 40 or 0x28."
            ) from None
    for given in shows:
        name, shown = _pair(given, "--shows", "Temperature=23.5")
        of_name = [point for point in data["points"] if point.get("name") == name]
        if not of_name:
            raise UsageError(f"--shows names '{name}', which is no point.", todo="Give it by --point, too.")
        of_name[0]["shows"] = _number_or_text(shown)
    try:
        return notes(data)
    except NotesError as error:
        raise UsageError(f"This cannot be read: {error}.", todo="Correct the option and try again.") from error


def _pair(given: str, option: str, example: str) -> tuple[str, str]:
    name, _, value = (part.strip() for part in given.rpartition("="))
    if not name or not value:
        raise UsageError(f"'{given}' says nothing to {option}.", todo=f"Write it like {option} {example}.")
    return name, value


def _number_or_text(shown: str) -> float | str:
    try:
        return float(shown)
    except ValueError:
        return shown


def _target(profile_id: str, job_file: Path | None, *, overwrite: bool) -> Path:
    """Where the profile is to be written; what stands in the way is said before the unit is asked anything."""
    if not is_slug(profile_id):
        raise UsageError(
            f"'{profile_id}' cannot be the id of a profile.",
            todo="Write it in lower-case letters and digits, words parted by hyphens: rosehill-rh-2.",
        )
    path = (own_folder() if job_file is None else job_folder(job_file)) / f"{profile_id}.toml"
    refuse_existing(path, overwrite=overwrite)
    return path


def _document(
    result: Draft, observed: Observed, address: int, settings: LineSettings, path: Path | None
) -> dict[str, object]:
    return {
        "format": "busprobe.profile-draft/1",
        "address": address,
        "settings": str(settings),
        "identity": observed.identified.identity,
        "profile": observed.identified.profile.id if observed.identified.profile else None,
        "given": [_block(block) for block in observed.given],
        "silent": [_block(block) for block in observed.silent],
        "most_registers": observed.seen.most_registers,
        **result.document(),
        "file": None if path is None else str(path),
    }


def _block(block: Block) -> dict[str, int]:
    return {"function": block.function, "register": block.register, "count": block.count}


def _print(result: Draft, observed: Observed, ways: int) -> None:
    if observed.identified.profile is not None:
        output.lines([f"A stored profile fits this unit already.  {observed.identified.standing}"])
    output.lines(f"The unit says: {said.words}." for said in observed.seen.descriptions)
    for choice in result.choices:
        shown = "" if choice.noted.shows is None else f", the display shows {choice.noted.shows}"
        output.lines([f"{choice.noted.name}, register {choice.at}{shown}"])
        if not choice.ways:
            output.lines(["  the unit gives no such register"])
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
    given = ", ".join(_run(block) for block in observed.given) or "none"
    output.lines([f"Registers that the unit gives, of those asked for: {given}."])
    if observed.silent:
        output.lines([f"Not answered, so nothing is known of: {', '.join(_run(block) for block in observed.silent)}."])
    output.lines(result.remarks)


def _run(block: Block) -> str:
    last = "" if block.count == 1 else f"-{block.register + block.count - 1}"
    return f"{block.register}{last} by function {block.function}"

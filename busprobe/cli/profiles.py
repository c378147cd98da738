"""``busprobe profiles``: the stored descriptions of device types."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import click
from pydantic import Field

from busprobe.cli import options, output
from busprobe.cli.profiles_draft import draft
from busprobe.cli.sessions import named_profile
from busprobe.errors import ExitCode, FileError, Mistake, shown_mistakes
from busprobe.profiles.data_sheet import data_sheet, field_guide
from busprobe.profiles.loading import load_profile
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import folders, job_folder, load_all, own_folder

_JOB = "Job file; profiles in the folder 'profiles' beside it come last and win."


@dataclass(frozen=True, kw_only=True)
class ListedProfile:
    """A profile and where it comes from."""

    id: str
    maker: str
    model: str
    kind: str
    from_: Annotated[str, Field(alias="from")]
    file: str
    in_place_of: tuple[str, ...]
    """Files of the same id that it took the place of."""


@dataclass(frozen=True, kw_only=True)
class ProfilesDocument:
    """What ``busprobe profiles list --json`` prints."""

    format: Literal["busprobe.profiles/1"] = "busprobe.profiles/1"
    profiles: tuple[ListedProfile, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ProfileDocument:
    """What ``busprobe profiles show --json`` prints."""

    format: Literal["busprobe.profile/1"] = "busprobe.profile/1"
    profile: Profile


@dataclass(frozen=True)
class CheckedFile:
    """A file and what is wrong with it."""

    file: str
    id: str | None
    """Of the profile; null where there is a mistake."""
    mistakes: tuple[Mistake, ...]


@dataclass(frozen=True, kw_only=True)
class ProfilesCheckDocument:
    """What ``busprobe profiles check --json`` prints."""

    format: Literal["busprobe.profiles-check/1"] = "busprobe.profiles-check/1"
    files: tuple[CheckedFile, ...]


@click.command("list")
@options.job(required=False, text=_JOB)
@options.as_json
def list_profiles(job_file: Path | None, as_json: bool) -> ExitCode:
    """List all profiles: the shipped ones, your own, and those of a job.

    \b
    Example:
      busprobe profiles list --job plant.busjob
    """
    store = load_all(folders(job_file))
    if as_json:
        listed = (
            ListedProfile(
                id=p.id,
                maker=p.maker,
                model=p.model,
                kind=p.kind,
                from_=store.whose(p.id),
                file=str(store.origins[p.id][0]),
                in_place_of=tuple(str(path) for path in store.replaced(p.id)),
            )
            for p in store.profiles.values()
        )
        problems = tuple(str(problem) for problem in store.problems)
        output.publish(ProfilesDocument(profiles=tuple(listed), problems=problems))
    else:
        rows = [
            (p.id, store.whose(p.id), p.maker, p.model, p.kind) for p in store.profiles.values()
        ]
        output.table(("Profile", "From", "Maker", "Model", "What it is"), rows)
        output.say(f"Your own profiles go into {own_folder()}.")
        if job_file is not None:
            output.say(f"Those of this job go into {job_folder(job_file)}.")
    for remark in store.remarks:
        output.say(remark)
    return ExitCode.ATTENTION if store.problems else ExitCode.DONE


@click.command("show")
@click.argument("profile", metavar="ID")
@options.job(required=False, text=_JOB)
@options.as_json
def show(profile: str, job_file: Path | None, as_json: bool) -> ExitCode:
    """Print a profile as a data sheet page.

    \b
    Example:
      busprobe profiles show brookvale-bm-330
    """
    store = load_all(folders(job_file))
    found = named_profile(store, profile)
    if as_json:
        output.publish(ProfileDocument(profile=found))
    else:
        output.lines(data_sheet(found))
    for path in store.origins[found.id][1:]:
        output.say(f"This is {store.origins[found.id][0]}, in place of {path}.")
    return ExitCode.DONE


@click.command("fields")
def fields() -> ExitCode:
    """Explain every field that a profile file can have.

    \b
    Example:
      busprobe profiles fields
    """
    output.lines(field_guide())
    return ExitCode.DONE


@click.command("check")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=options.FILE)
@options.as_json
def check(files: tuple[Path, ...], as_json: bool) -> ExitCode:
    """Check profile files and report all mistakes of each at once, with line and meaning.

    That a fingerprint also fits another stored profile is one of them, and so is one that fits
    another of FILE.

    \b
    Example:
      busprobe profiles check my-meter.toml
    """
    results: list[CheckedFile] = []
    known = {**load_all(folders()).profiles, **_sound(files)}
    for path in files:
        try:
            profile = load_profile(path, known.values())
            results.append(CheckedFile(str(path), profile.id, ()))
        except FileError as error:
            results.append(CheckedFile(str(path), None, error.mistakes))
            if not as_json:
                output.lines(
                    [f"{path}:", *(f"  {words}" for words in shown_mistakes(error.mistakes))]
                )
            continue
        if not as_json:
            output.lines([f"{path}: valid, describes {profile.maker} {profile.model}."])
    if as_json:
        output.publish(ProfilesCheckDocument(files=tuple(results)))
    return ExitCode.USAGE if any(result.mistakes for result in results) else ExitCode.DONE


def _sound(files: tuple[Path, ...]) -> dict[str, Profile]:
    """Those of `files` that are sound by themselves, by id."""
    found = {}
    for path in files:
        with suppress(FileError):
            profile = load_profile(path)
            found[profile.id] = profile
    return found


COMMANDS = (list_profiles, show, fields, check, draft)

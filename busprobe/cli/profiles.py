"""``busprobe profiles``: the stored descriptions of device types."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.errors import ExitCode, FileError, UsageError
from busprobe.profiles.loading import load_profile
from busprobe.profiles.page import data_sheet
from busprobe.profiles.store import Store, load_all, own_folder


@click.group()
def command() -> None:
    """List, show and check profiles of device types.

    \b
    Example:
      busprobe profiles show aldermoor-at-10
    """


@command.command("list")
@options.as_json
def list_profiles(as_json: bool) -> ExitCode:
    """List all profiles: the shipped ones and your own.

    \b
    Example:
      busprobe profiles list
    """
    store = load_all()
    if as_json:
        listed = [
            {"id": p.id, "maker": p.maker, "model": p.model, "kind": p.kind, "file": str(store.origins[p.id][0])}
            for p in store.profiles.values()
        ]
        problems = [str(problem) for problem in store.problems]
        output.document({"format": "busprobe.profiles/1", "profiles": listed, "problems": problems})
    else:
        rows = [(p.id, p.maker, p.model, p.kind) for p in store.profiles.values()]
        output.table(("Profile", "Maker", "Model", "What it is"), rows)
        output.say(f"Your own profiles go into {own_folder()}.")
    for profile_id in store.profiles:
        for path in store.replaced(profile_id):
            output.say(f"{store.origins[profile_id][0]} is used in place of {path}.")
    return _problems(store)


@command.command("show")
@click.argument("profile", metavar="ID")
@options.as_json
def show(profile: str, as_json: bool) -> ExitCode:
    """Print a profile as a data sheet page.

    \b
    Example:
      busprobe profiles show brookvale-bm-330
    """
    store = load_all()
    found = store.profiles.get(profile)
    if found is None:
        raise UsageError(f"There is no profile '{profile}'.", todo="'busprobe profiles list' names them all.")
    if as_json:
        output.document({"format": "busprobe.profile/1", "profile": found.model_dump(mode="json", by_alias=True)})
    else:
        output.lines(data_sheet(found))
    return ExitCode.DONE


@command.command("check")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=options.FILE)
@options.as_json
def check(files: tuple[Path, ...], as_json: bool) -> ExitCode:
    """Check profile files and report all mistakes of each at once.

    \b
    Example:
      busprobe profiles check my-meter.toml
    """
    results: list[dict[str, object]] = []
    for path in files:
        try:
            profile = load_profile(path)
            results.append({"file": str(path), "id": profile.id, "mistakes": []})
        except FileError as error:
            mistakes = [{"where": m.where, "what": m.what} for m in error.mistakes]
            results.append({"file": str(path), "id": None, "mistakes": mistakes})
            if not as_json:
                output.lines([f"{path}:", *(f"  {mistake}" for mistake in error.mistakes)])
            continue
        if not as_json:
            output.lines([f"{path}: sound, describes {profile.maker} {profile.model}."])
    if as_json:
        output.document({"format": "busprobe.profiles-check/1", "files": results})
    return ExitCode.USAGE if any(result["mistakes"] for result in results) else ExitCode.DONE


def _problems(store: Store) -> ExitCode:
    """Say what is wrong with files that were left out."""
    for problem in store.problems:
        output.say(str(problem))
    return ExitCode.ATTENTION if store.problems else ExitCode.DONE

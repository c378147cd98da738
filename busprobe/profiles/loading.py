"""From a profile file to a profile, or to all the mistakes of the file."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from pydantic import ValidationError

from busprobe.files.toml_file import TomlFile, found_by_pydantic
from busprobe.profiles.checks import check
from busprobe.profiles.rivals import rival_mistakes
from busprobe.profiles.schema import Profile, parse_profile


def load_profile(path: Path, others: Iterable[Profile] = ()) -> Profile:
    """Read the profile file at `path`; raises `busprobe.errors.FileError` with all its mistakes and
    their places.

    That its fingerprint fits units of `others` as well is one of them.
    """
    file = TomlFile.read(path, kind="profile")
    profile = None
    found = []
    try:
        profile = parse_profile(file.data)
    except ValidationError as error:
        found += found_by_pydantic(error)
    found += check(file.data, file_stem=path.stem)
    if profile is not None:
        found += rival_mistakes(profile, others)
    if profile is None or found:
        raise file.error(found)
    return profile

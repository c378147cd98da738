"""From a profile file to a profile, or to all the mistakes of the file."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from pydantic import ValidationError

from busprobe.files.toml_file import TomlFile, found_by_pydantic
from busprobe.profiles.ambiguity import ambiguity_mistakes
from busprobe.profiles.cache import TableCache
from busprobe.profiles.checks import check
from busprobe.profiles.schema import Profile, parse_profile


def load_profile(
    path: Path, others: Iterable[Profile] = (), cache: TableCache | None = None
) -> Profile:
    """Read the profile file at `path`; raises `busprobe.errors.FileError` with all its mistakes and
    their places.

    That its fingerprint fits units of `others` as well is one of them.  A `cache` saves parsing a
    file that has not changed since it was last found sound.
    """
    tables = cache.tables(path) if cache is not None else None
    if tables is not None:
        with suppress(ValidationError):
            kept = parse_profile(tables)
            if not [*check(tables, file_stem=path.stem), *ambiguity_mistakes(kept, others)]:
                return kept
    file = TomlFile.read(path, kind="profile")
    profile = None
    found = []
    try:
        profile = parse_profile(file.data)
    except ValidationError as error:
        found += found_by_pydantic(error)
    found += check(file.data, file_stem=path.stem)
    if profile is not None:
        found += ambiguity_mistakes(profile, others)
    if profile is None or found:
        raise file.error(found)
    if cache is not None:
        cache.keep(path, file.data)
    return profile

"""Write the papers into a folder: whole or not at all, and never over a file without being
asked."""

from __future__ import annotations

import errno
import os
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

from busprobe.errors import FileError, Mistake, RefusedError, UsageError
from busprobe.files.placing import place
from busprobe.files.reading import reason
from busprobe.handover.bus_list import BusList
from busprobe.handover.formats import (
    csv_files,
    html_page,
    json_file,
    label_sheets,
    markdown_file,
    polling_files,
    thing_files,
    xlsx_file,
)
from busprobe.text import harmless

Exporter = Callable[[BusList], Mapping[str, bytes]]
"""Names and contents of the files that a format has."""

EXPORTERS: Mapping[str, Exporter] = {
    "csv": csv_files.files,
    "json": json_file.files,
    "xlsx": xlsx_file.files,
    "html": html_page.files,
    "markdown": markdown_file.files,
    "labels": label_sheets.files,
    "polling": polling_files.files,
    "things": thing_files.files,
}
"""Every format by its name."""

LONGEST_NAME = 60
"""Characters of a file name; four bytes each, they fit into the 255 that common file systems take.
"""

_NAMED = 3
"""Files that a refusal names."""

_UNFIT = re.compile(r"[^\w.+-]+")
_DEVICES = re.compile(r"(?:CON|PRN|AUX|NUL|(?:COM|LPT)[\d¹²³])", re.IGNORECASE)
"""Names that Windows keeps for devices, whatever follows the dot."""


def write(
    bus_list: BusList,
    folder: Path,
    formats: Iterable[str],
    *,
    more: Mapping[str, bytes] = MappingProxyType({}),
    overwrite: bool = False,
    job_file: Path | None = None,
) -> list[Path]:
    """Write the list in each of the `formats` and return the files, in order of the formats; those
    of one's own, names and contents, come last.

    All contents are complete on the disk before the first file takes its name, and a failure leaves
    the folder as it was (`busprobe.files.placing`).  Who may not see `job_file` may not see them
    either.  Raises `UsageError` for an unknown format,
    `RefusedError` where a file is there already and `overwrite` is not set, `FileError` where the
    folder cannot be written.
    """
    contents: dict[str, bytes] = {}
    taken: set[str] = set()
    for name in dict.fromkeys(formats):
        if name not in EXPORTERS:
            raise UsageError(
                f"'{name}' is no format.", todo=f"Formats are: {', '.join(EXPORTERS)}."
            )
        for file, content in EXPORTERS[name](bus_list).items():
            contents[_distinct(file_name(file), taken)] = content
    for file, content in more.items():
        contents[_distinct(file, taken)] = content
    return write_files(folder, contents, overwrite=overwrite, job_file=job_file)


def write_files(
    folder: Path,
    contents: Mapping[str, bytes],
    *,
    overwrite: bool = False,
    job_file: Path | None = None,
) -> list[Path]:
    """Write files of these names and contents as `write` does; raises what that does but for
    formats."""
    there = [name for name in contents if os.path.lexists(folder / name)]
    if there and not overwrite:
        raise RefusedError(
            f"In {folder} there is already {_some_of(there)}.",
            means="Nothing was written.",
            todo="Choose another folder, or say that existing files may be replaced.",
        )
    try:
        place(folder, contents, overwrite=overwrite, source=job_file)
    except (OSError, ValueError) as error:  # ValueError: a name that no folder can have
        full = isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
        raise FileError(
            str(folder),
            [Mistake("", f"the files cannot be written; {reason(error)}")],
            kind="folder",
            todo=(
                "Make room, or choose another folder."
                if full
                else "Choose another folder, or see what is in the way."
            ),
        ) from error
    return [folder / name for name in contents]


def file_name(text: str) -> str:
    """A name from outside as a file name that stays in its folder and is allowed on every
    system."""
    plain = _UNFIT.sub("_", harmless(text)).strip("._-")[:LONGEST_NAME].rstrip(".")
    return f"_{plain}" if not plain or _DEVICES.fullmatch(plain.partition(".")[0]) else plain


def left_over(folder: Path, written: Iterable[Path]) -> list[Path]:
    """Files of units in `folder` that an earlier hand over left: their units are not at these
    addresses any more."""
    return sorted(set(folder.glob(thing_files.PATTERN)) - set(written))


def _some_of(names: Sequence[str]) -> str:
    """The first names, and how many there are besides: nobody reads twenty."""
    more = len(names) - _NAMED
    return ", ".join(names) if more <= 1 else f"{', '.join(names[:_NAMED])} and {more} more"


def _distinct(name: str, taken: set[str]) -> str:
    """The name, numbered where one that a file system may take for the same is `taken` already;
    takes it."""
    stem, dot, suffix = name.partition(".")
    number = 2
    while unicodedata.normalize("NFC", name).casefold() in taken:
        name, number = f"{stem}-{number}{dot}{suffix}", number + 1
    taken.add(unicodedata.normalize("NFC", name).casefold())
    return name

"""Reading a file that somebody named: whatever the path leads to, what is wrong with it is told."""

from __future__ import annotations

import stat
from pathlib import Path

from busprobe.errors import FileError, Mistake

LARGEST = 1 << 20
"""Bytes of the largest text file that is read; a bus has 247 units at most."""


def given_path(text: str) -> Path:
    """The path that was typed; ``~`` is the home folder also where no shell has replaced it."""
    try:
        return Path(text).expanduser()
    except RuntimeError:  # a home folder that cannot be told
        return Path(text)


def obstacle(path: Path) -> str:
    """Why there is no file at `path` to be opened, in words; empty where there is one.

    A pipe or a device is none: opening it could wait for ever.
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError) as error:
        return reason(error)
    if stat.S_ISDIR(mode):
        return "it is a folder"
    return "" if stat.S_ISREG(mode) else "it is a device or a pipe and no file"


def reason(error: OSError | ValueError) -> str:
    """What the system says of a path, in words."""
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    said = error.strerror if isinstance(error, OSError) else None
    return f"the system says: {said or error}"


def read_text(path: Path, *, kind: str) -> str:
    """The text of the file at `path`, UTF-8 with or without a byte order mark; raises `FileError`.

    `kind` is what the file should be, for messages: ``plan``.
    """
    if wrong := obstacle(path):
        raise FileError(
            str(path), [Mistake("", wrong)], kind=kind, todo="Check its name, or name another file."
        )
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST + 1)
    except OSError as error:
        raise FileError(
            str(path), [Mistake("", f"it cannot be read; {reason(error)}")], kind=kind
        ) from error
    if len(raw) > LARGEST:
        what = f"it is larger than {LARGEST} bytes and cannot be a {kind}"
        raise FileError(str(path), [Mistake("", what)], kind=kind)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise FileError(
            str(path),
            [Mistake(f"line {line}", "is not UTF-8 text")],
            kind=kind,
            todo="Save it in UTF-8 (spreadsheets offer that as a CSV format of its own).",
        ) from error

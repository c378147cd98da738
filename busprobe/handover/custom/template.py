"""Text files from templates of one's own, rendered in a process of its own with bounds on its time,
its memory and its output."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from busprobe.errors import FileError, Mistake
from busprobe.files.reading import read_text

KIND = "template"
"""What such a file is called in messages."""

SUFFIXES = (".j2", ".jinja", ".jinja2")
"""Endings of a template that the file made from it does not have."""

_LONGEST_S = 20.0
"""Seconds after which the process is killed, its own start included; it ends itself before."""


def name_of(path: Path) -> str:
    """The name of the file that is made from the template at `path`: without the ending of a
    template."""
    return path.stem if path.suffix in SUFFIXES and path.stem else path.name


def render(path: Path, variables: Mapping[str, Any]) -> bytes:
    """What the template at `path` makes of `variables`, in UTF-8.

    Raises `FileError` with the line and the reason where it cannot be read, is no template, or does
    what it may not.
    """
    source = read_text(path, kind=KIND)
    document = _run(path, {"template": source, "variables": variables})
    if (text := document.get("text")) is not None:
        return str(text).encode()
    line = document.get("line")
    raise _error(path, f"line {line}" if line else "", str(document.get("why")))


def _run(path: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    # -P: a file in the folder one stands in is no module of ours.
    command = (sys.executable, "-P", "-m", "busprobe.handover.custom.renderer")
    try:
        done = subprocess.run(  # noqa: S603 - our own program, and nothing of the template in its arguments
            command, input=json.dumps(asked).encode(), capture_output=True, timeout=_LONGEST_S
        )
        document: dict[str, Any] = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        raise _error(path, "", f"it does not end within {_LONGEST_S:g} s") from None
    except ValueError:
        raise _error(path, "", "it ended the process that renders it") from None
    return document


def _error(path: Path, where: str, what: str) -> FileError:
    return FileError(str(path), [Mistake(where, what)], kind=KIND)

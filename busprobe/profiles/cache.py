"""Profile files as they were parsed last time: TOML takes most of the time it takes to load them.

Only tables of files that made a sound profile are kept, as JSON, and they are validated anew each
time: a cache that somebody tampered with can say no more than a profile file could.  Whatever is
wrong with the cache, the files themselves are read.
"""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from platformdirs import user_cache_path

FORMAT = "busprobe.profile-cache/1"
"""Format name of the file; counts up when what is kept changes."""

SETTLED = 2.0
"""Seconds since a file was last changed from which on it is kept: a change soon after another may
leave the same time stamp where these are coarse (2 s on FAT)."""


class TableCache:
    """The tables of profile files, by path, size and time stamps of each."""

    def __init__(self, path: Path | None = None) -> None:
        """Read the cache at `path`, in the user's cache folder if left out."""
        self._path = path or user_cache_path("busprobe", appauthor=False) / "profiles.json"
        self._entries: dict[str, dict[str, Any]] = {}
        self._changed = False
        with suppress(OSError, ValueError, RecursionError):
            kept = json.loads(self._path.read_text(encoding="utf-8"))
            if isinstance(kept, dict) and kept.get("format") == FORMAT:
                entries = kept.get("files")
                self._entries = entries if isinstance(entries, dict) else {}

    def tables(self, path: Path) -> dict[str, Any] | None:
        """The tables of the file at `path`; None where it was not kept or has changed since."""
        entry = self._entries.get(str(path.absolute()))
        if not isinstance(entry, dict) or entry.get("stamp") != _stamp(path):
            return None
        tables = entry.get("tables")
        return tables if isinstance(tables, dict) else None

    def keep(self, path: Path, tables: dict[str, Any]) -> None:
        """Keep the tables of the file at `path`, unless it was changed just now."""
        stamp = _stamp(path)
        if stamp is not None and time.time() - stamp["mtime_ns"] / 1e9 >= SETTLED:
            self._entries[str(path.absolute())] = {"stamp": stamp, "tables": tables}
            self._changed = True

    def save(self) -> None:
        """Write the cache where anything was added, without the files that are gone.

        Another program may do the same at the same time; the last one wins.
        """
        if not self._changed:
            return
        there = {path: entry for path, entry in self._entries.items() if Path(path).is_file()}
        aside = self._path.with_name(f"{self._path.name}.{os.getpid()}.new")
        with suppress(OSError, TypeError, ValueError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            try:
                aside.write_text(json.dumps({"format": FORMAT, "files": there}), encoding="utf-8")
                aside.replace(self._path)
            finally:
                aside.unlink(missing_ok=True)


def _stamp(path: Path) -> dict[str, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return {
        "size": found.st_size,
        "mtime_ns": found.st_mtime_ns,
        "ctime_ns": found.st_ctime_ns,
        "inode": found.st_ino,
    }

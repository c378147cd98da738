"""Reading a job that is not to be changed: that of an earlier visit, perhaps in an archive, perhaps
write protected."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from urllib.parse import quote

from busprobe.files.reading import obstacle
from busprobe.job.job import Job
from busprobe.job.migrations import APPLICATION_ID, MIGRATIONS


@contextmanager
def job_as_it_is(path: Path) -> Iterator[Job]:
    """Open the job for reading and leave its file untouched; raises `FileError` where that is no
    usable job file.

    A file of an earlier version has to be brought up to date to be read: that is done to a copy.
    """
    if obstacle(path) or not _is_older(path):
        with Job.open(path) as job:
            yield job
        return
    with TemporaryDirectory(prefix="busprobe-", ignore_cleanup_errors=True) as folder:
        copy = Path(folder) / path.name
        for suffix in (
            "",
            "-journal",
        ):  # the second is there where the program that wrote it was killed
            original = path.with_name(f"{path.name}{suffix}")
            if original.exists():
                shutil.copyfile(original, copy.with_name(f"{path.name}{suffix}"))
        with Job.open(copy) as job:
            yield job


def sqlite_uri(path: PurePath) -> str:
    """An absolute path as SQLite's URI of it.

    A share of Windows has four slashes there (sqlite.org/uri.html), which `Path.as_uri` does not
    write.
    """
    text = path.as_posix()
    return f"file://{'' if text.startswith('/') else '/'}{quote(text)}"


def _is_older(path: Path) -> bool:
    """Whether it is a job file of an earlier version; whatever else it may be is for `Job.open` to
    say."""
    try:
        with closing(
            sqlite3.connect(f"{sqlite_uri(path.absolute())}?mode=ro", uri=True)
        ) as connection:
            made_here = connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
            version: int = connection.execute("PRAGMA user_version").fetchone()[0]
            return bool(made_here) and version < len(MIGRATIONS)
    except sqlite3.Error:
        return False

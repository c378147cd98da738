"""How commands come to their job and their open line."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import FrameType

from busprobe.cli import output
from busprobe.job.job import Job
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import Store, folders, load_all
from busprobe.session.session import Session


def open_job(path: Path) -> Job:
    """The job at `path`, begun if it is not there yet; raises `FileError`."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
    return Job.open_or_create(path)


def stored_profiles(job_file: Path | None) -> Store:
    """All profiles, those of the job's own folder too; what replaces what, and broken files, are
    said on stderr."""
    store = load_all(folders(job_file))
    for remark in store.remarks:
        output.say(remark)
    return store


@contextmanager
def session_on(
    port: str, job_file: Path | None, settings: LineSettings | None = None
) -> Iterator[Session]:
    """A session with `port` open; without a job file what it shows is printed and not kept.

    Raises `PortError` and `FileError`.
    """
    with TemporaryDirectory(prefix="busprobe-", ignore_cleanup_errors=True) as scratch:
        job = open_job(job_file or Path(scratch) / "passing.busjob")
        with job:
            session = Session(job, stored_profiles(job_file))
            try:
                session.open(port, settings)
                yield session
            finally:
                session.close()


@contextmanager
def on_interrupt(action: Callable[[], None]) -> Iterator[None]:
    """Let the first Ctrl-C do `action`, so that what runs can end by itself; a second one ends it
    at once."""

    def interrupted(_: int, __: FrameType | None) -> None:
        signal.signal(signal.SIGINT, before)
        action()

    before = signal.signal(signal.SIGINT, interrupted)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)

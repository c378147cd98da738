"""How commands come to their job and their open line."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from busprobe.cli import output
from busprobe.cli.configuration import tester
from busprobe.errors import UsageError
from busprobe.job.job import Job
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store, folders, load_all
from busprobe.session.session import Session


def open_job(path: Path) -> Job:
    """The job at `path`, begun and said to be new if it is not there yet; raises `FileError`."""
    if os.path.lexists(path):
        return Job.open(path)
    with suppress(OSError, ValueError):  # the job says what is wrong with its folder
        path.parent.mkdir(parents=True, exist_ok=True)
    job = Job.create(path, tester=tester())
    output.say(f"A new job was begun: {path}")
    return job


def existing_job(path: Path) -> Job:
    """The job at `path`, for a command that works on what a job has; raises `UsageError` where
    there is none, and `FileError`."""
    if not os.path.lexists(path):
        raise UsageError(
            f"There is no such job: {path}.",
            todo="Check the name; 'busprobe survey' with --job begins one.",
        )
    return Job.open(path)


def stored_profiles(job_file: Path | None) -> Store:
    """All profiles, those of the job's own folder too; what replaces what, and broken files, are
    said on stderr."""
    store = load_all(folders(job_file))
    for remark in store.remarks:
        output.say(remark)
    return store


def named_profile(store: Store, profile_id: str) -> Profile:
    """The profile of that id; raises `UsageError`."""
    found = store.profiles.get(profile_id)
    if found is None:
        raise UsageError(
            f"There is no profile '{profile_id}'.", todo="'busprobe profiles list' names them all."
        )
    return found


@contextmanager
def session_on(
    port: str, job_file: Path | None, settings: LineSettings | None = None
) -> Iterator[Session]:
    """A session with `port` open on a job, begun if it is not there yet; without a job file what it
    shows is printed and not kept.

    Raises `PortError` and `FileError`.
    """
    with TemporaryDirectory(prefix="busprobe-", ignore_cleanup_errors=True) as scratch:
        passing = Path(scratch) / "passing.busjob"
        job = Job.create(passing) if job_file is None else open_job(job_file)
        with _session(port, job, job_file, settings) as session:
            yield session


@contextmanager
def session_on_existing(port: str, job_file: Path) -> Iterator[Session]:
    """A session with `port` open on a job that is there; raises `UsageError` before the port is
    opened where it is not, `PortError` and `FileError`."""
    with _session(port, existing_job(job_file), job_file, None) as session:
        yield session


@contextmanager
def _session(
    port: str, job: Job, job_file: Path | None, settings: LineSettings | None
) -> Iterator[Session]:
    with job:
        session = Session(job, stored_profiles(job_file))
        try:
            session.open(port, settings)
            yield session
        finally:
            session.close()

"""Where jobs are when no file is named."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from platformdirs import user_data_path

from busprobe.cli.configuration import value_of
from busprobe.session.bus_kind import is_virtual


def default_job_file(port: str = "") -> Path:
    """Today's job, in the folder set for jobs or the user's data folder: what was begun in the
    morning goes on in the afternoon; practice on a virtual `port` has one of its own."""
    folder = value_of("job_folder") or user_data_path("busprobe", appauthor=False) / "jobs"
    kind = "-practice" if is_virtual(port) else ""
    today = date.today().isoformat()  # noqa: DTZ011 - the technician's own day
    return folder / f"{today}{kind}.busjob"

"""Where jobs are when no file is named."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from platformdirs import user_data_path


def default_job_file() -> Path:
    """Today's job in the user's data folder: what was begun in the morning goes on in the
    afternoon."""
    folder = user_data_path("busprobe", appauthor=False) / "jobs"
    return folder / f"{date.today().isoformat()}.busjob"

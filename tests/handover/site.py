"""A whole practice segment, surveyed by hand and identified, for what is made of its points."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.line.clock import VirtualClock
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.connect import Connector
from busprobe.session.session import Session

CLEAN = {
    11: "TE-101",
    12: "TE-102",
    21: "EM-101",
    31: "IO-101",
    41: "FM-101",
    51: "CQ-101",
}
"""Addresses of the scenario ``clean``, all at 9600-8N1, with a tag each."""


@contextmanager
def clean_site(folder: Path) -> Iterator[Session]:
    """A session on the scenario ``clean`` with every unit identified."""
    store = load_all([shipped_folder()])
    with Job.create(folder / "clean.busjob", site="Harrow Mill", segment="Hall 1") as job:
        session = Session(job, store, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", LineSettings.parse("9600-8N1"))
        for position, (address, tag) in enumerate(CLEAN.items(), start=1):
            place = Place.parse(f"{address} 9600-8N1")
            job.put_unit(UnitRecord(place, tag=tag, position=position))
            session.identify(place)
        yield session
        session.close()

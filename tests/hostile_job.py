"""A job file from somebody else, in which every text tries to act on the terminal."""

from __future__ import annotations

from pathlib import Path

from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, WriteIntent
from busprobe.job.plan import PlannedUnit, keep_plan
from busprobe.job.records import Cabling, Circuit, UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.requests import RegisterWrite

HOSTILE = "\x1b]0;owned\x07\x9b31m\u202e\ud800\x00\x7f\nDone: verified"
"""Sets the title of a terminal, its colour, the direction of writing; cannot be encoded; goes on in
another line."""
PLACE = Place.parse("12 9600-8N1")
TARGET = Place.parse("13 9600-8N1")


def make_hostile(path: Path) -> Job:
    """Make the job."""
    job = Job.create(path)
    job.set_meta(
        site=f"Site{HOSTILE}",
        segment=HOSTILE,
        tester=f"T{HOSTILE}",
        project=HOSTILE,
        port=HOSTILE,
        adapter=HOSTILE,
    )
    job.set_cabling(Cabling(master=HOSTILE, cable=HOSTILE, bias=HOSTILE, keep_free="200"))
    job.put_unit(
        UnitRecord(
            PLACE,
            tag=f"Tag{HOSTILE}",
            location=f"Room{HOSTILE}",
            noted={"maker": HOSTILE, "model": HOSTILE},
            circuits=(Circuit(HOSTILE, ct=HOSTILE, panel=HOSTILE),),
            identity={"vendor": f"V{HOSTILE}", "product": HOSTILE},
            notes=(f"Note{HOSTILE}",),
            not_recognised=HOSTILE,
            differences=(HOSTILE,),
            seen_by=HOSTILE,
        )
    )
    write = RegisterWrite(20, (13,))
    number = job.intend_write(
        WriteIntent(
            role=Role.ADDRESS,
            source=PLACE,
            target=TARGET,
            write=write,
            request=write.request(12).frame,
            words=f"Words{HOSTILE}",
        )
    )
    job.conclude_write(number, Result.VERIFIED, reply=None, why=f"Why{HOSTILE}")
    keep_plan(job, [PlannedUnit(f"P{HOSTILE}", 14, location=HOSTILE, profile=HOSTILE)])
    return job

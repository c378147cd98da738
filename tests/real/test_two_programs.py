"""Two programs on one job and one port: the second is told so, and disturbs nothing."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from busprobe.job.job import Job
from busprobe.job.journal import Result
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from tests.real.pymodbus_units import served

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals are a POSIX thing"
)


def test_a_second_program_does_not_conclude_the_write_of_the_first(tmp_path: Path) -> None:
    """While one moves a unit, `recover` of another cannot open the port and leaves the journal."""
    file = tmp_path / "plant.busjob"
    with Job.create(file) as job, served((1, 7)) as (units, port):
        job.put_unit(UnitRecord(Place.parse("7 9600-8N1"), profile="brookvale-bm-330"))
        common = ["--port", port, "--job", str(file), "--yes"]
        busprobe = [sys.executable, "-m", "busprobe"]
        move = ["readdress", "--settings", "9600-8N1", "--from", "7", "--to", "12"]
        first = subprocess.Popen(
            [*busprobe, *move, "--profile", "brookvale-bm-330", *common],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        end = time.monotonic() + 60
        while not job.unfinished_writes():  # until the write is on record, and not yet concluded
            assert first.poll() is None, first.communicate()[0]
            assert time.monotonic() < end
            time.sleep(0.02)
        second = subprocess.run(
            [*busprobe, "recover", *common], capture_output=True, text=True, timeout=60
        )
        said, _ = first.communicate(timeout=60)
        assert second.returncode == 3, second.stdout + second.stderr
        assert "open in another program" in second.stderr
        assert first.returncode == 0, said
        assert units.writes == [(2, [12])]
        (write,) = job.writes()
        assert [conclusion.outcome for conclusion in write.conclusions] == [Result.VERIFIED]
        assert [unit.address for unit in job.units()] == [12]

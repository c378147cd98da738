"""The real program killed at random moments over the whole job, and what it knows then.

``python -m tests.benchmarks.killed_job`` serves buses on pseudo-terminals and does whole jobs on
them: survey, identification, endurance run, moves, recovery, handover.  Each command is killed at a
random moment, then started again and left to its end.  After each kill SQLite finds the job file
whole, all in it can be read, no unit is listed that is not there, a write without an outcome is
told, the documents are all there or none, and the program's own temporary folder is empty where it
was ended by SIGTERM.  At the end the list is what the bus is.  It goes on until 500 commands were
killed before their end; POSIX only, about an hour of mostly waiting.

The exit code is 0 only if nothing was wrong.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from random import Random

from busprobe.handover.files import EXPORTERS
from busprobe.job.job import Job
from tests.benchmarks.killed_program import AT, bus, program, served, was_killed
from tests.fuzz.jobs import read_job

_DOCUMENTS = "papers"


@dataclass
class Done:
    """One whole job."""

    kills: Counter[str] = field(default_factory=Counter)
    """Commands that were killed before their end."""
    wrong: list[str] = field(default_factory=list)


def commands(link: Path, job: Path, wishes: dict[int, int]) -> tuple[tuple[float, list[str]], ...]:
    """The commands of a job, each with about how many seconds it takes."""
    at = ("--port", str(link))
    kept = ("--job", str(job))
    moves = [f"--set={old}={new}" for old, new in wishes.items()]
    here = ("--settings", str(AT))
    return (
        (10.0, ["survey", *at, *here, "--addresses", "5-8", *kept]),
        *((6.0, ["identify", *at, *here, "--address", str(n), *kept]) for n in (5, 6, 7)),
        (8.0, ["prove", *at, "--rounds", "20", *kept]),
        (45.0, ["readdress-all", *at, "--yes", "--no-check", *moves, *kept]),
        (2.0, ["handover", *kept, "--out", str(job.with_name(_DOCUMENTS)), "--overwrite"]),
    )


def whole_job(seed: int) -> Done:
    """One job, each of its commands killed once and done once more."""
    random, case, done = Random(seed), bus(seed), Done()  # noqa: S311
    with tempfile.TemporaryDirectory() as name:
        folder, scratch = Path(name), Path(name) / "scratch"
        job, link = folder / "killed.busjob", folder / "adapter"
        how = {"env": {**os.environ, "TMPDIR": str(scratch)}, "start_new_session": True}
        with served(case.scenario, link) as segment:
            for takes, words in commands(link, job, dict(case.wishes)):
                shutil.rmtree(
                    scratch, ignore_errors=True
                )  # what SIGKILL has left of the one before
                scratch.mkdir()
                number = random.choice((signal.SIGKILL, signal.SIGKILL, signal.SIGTERM))
                if was_killed(program(*words), random.uniform(0.2, takes), number, **how):
                    done.kills[words[0]] += 1
                    true = {unit.setup.in_use.address for unit in segment.units}
                    there = true | {5, 6, 7} | set(case.wishes.values())
                    for fault in _faults(job, there, scratch if number != signal.SIGKILL else None):
                        done.wrong.append(f"seed {seed}, {words[0]}, {number.name}: {fault}")
                again = subprocess.run(program(*words), capture_output=True, text=True)
                if "busprobe itself failed" in again.stderr or "Traceback" in again.stderr:
                    done.wrong.append(f"seed {seed}, {words[0]} again: {again.stderr[-400:]}")
            for further in ((), ("--cycled",)):
                if further:
                    segment.power_cycle()
                    time.sleep(3.5)  # the slowest type starts in 3 s
                recover = ("recover", "--yes", *further, "--port", str(link), "--job", str(job))
                subprocess.run(program(*recover), capture_output=True)
            true_now = sorted(unit.setup.in_use for unit in segment.units)
        with Job.open(job) as kept:
            listed = sorted(unit.place for unit in kept.units())
            if listed != true_now or kept.unfinished_writes():
                done.wrong.append(f"seed {seed}: listed {listed}, true {true_now}")
    return done


def _faults(job: Path, there: set[int], scratch: Path | None) -> Iterator[str]:
    """What is wrong after a kill."""
    # Python itself tries a file of a few bytes there when it looks for a temporary folder.
    if scratch is not None and (left := [path for path in scratch.iterdir() if path.is_dir()]):
        yield f"left in the temporary folder: {left}"
    if not job.exists():  # killed before it was made: then nothing of it is there
        return
    with closing(sqlite3.connect(job)) as connection:
        if (said := connection.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
            yield f"integrity: {said}"
    if words := read_job(job, papers=False):
        yield words
    with Job.open(job) as kept:
        if invented := {unit.address for unit in kept.units()} - there:
            yield f"invented: {invented}"
        unfinished = len(kept.unfinished_writes())
    said = subprocess.run(
        program("journal", "--json", "--job", str(job)), capture_output=True, text=True
    ).stdout
    told = sum(write["outcome"] is None for write in json.loads(said)["writes"])
    if told != unfinished:
        yield f"{unfinished} writes without an outcome, {told} told"
    documents = job.with_name(_DOCUMENTS)
    if documents.exists() and len(list(documents.iterdir())) < len(EXPORTERS):
        yield f"half of the documents: {list(documents.iterdir())}"


def main() -> int:
    """Print what was done; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--at-once", type=int, default=6, help="jobs side by side; most only wait")
    asked = parser.parse_args()
    begun = time.monotonic()
    total = Done()
    jobs = 0
    with ProcessPoolExecutor(asked.at_once) as pool:
        seeds = count()
        while total.kills.total() < asked.kills:
            # about five of the seven commands of a job are killed before their end
            left = asked.kills - total.kills.total()
            for done in pool.map(whole_job, [next(seeds) for _ in range(max(1, left // 5))]):
                jobs += 1
                total.kills += done.kills
                total.wrong += done.wrong
    killed = ", ".join(f"{name} {number}" for name, number in total.kills.most_common())
    print(
        f"{jobs} jobs, {total.kills.total()} commands killed before their end ({killed});"
        f" {len(total.wrong)} wrong; {time.monotonic() - begun:.0f} s"
    )
    for words in total.wrong[:20]:
        print(words)
    return 1 if total.wrong else 0


if __name__ == "__main__":
    sys.exit(main())

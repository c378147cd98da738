"""The real program killed by SIGKILL while it moves units, over and over, and what it knows then.

``python -m tests.benchmarks.killed_program`` serves a bus of its own on a pseudo-terminal for each
of 100 runs of ``busprobe readdress-all``, kills each at a random moment, starts ``recover``,
switches the units off and on, and starts ``recover --cycled``.  Afterwards the list has to
be what the bus is.  POSIX only; takes about ten minutes of waiting.

The exit code is 0 only if no run ended otherwise.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

from busprobe.job.job import Job
from busprobe.line.clock import SystemClock
from busprobe.line.settings import LineSettings
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from busprobe.virtual.serve import serve_pty
from tests.session.kills import PROFILES, Case, Fault, listed

AT = LineSettings.parse("9600-8N1")
KINDS = sorted(kind for kind in PROFILES if shipped_types()[kind].settings == AT)
"""A pseudo-terminal carries no parity."""
LONGEST = 45.0
"""Seconds within which a run of two moves is killed; one that ends earlier was not killed."""


def bus(seed: int) -> Case:
    """Three units and two moves; by every other seed they change places."""
    random = Random(seed)  # noqa: S311 - the same run again is what is wanted
    units = tuple(
        UnitEntry(
            name=f"u{number}",
            type=random.choice(KINDS),
            serial=f"S{number}",
            address=address,
            settings=AT,
        )
        for number, address in enumerate((5, 6, 7))
    )
    scenario = Scenario(title=f"Bus {seed}", types=dict(shipped_types()), units=units, seed=seed)
    wishes = {5: 6, 6: 5} if seed % 2 else {5: 21, 6: 22}
    return Case(seed, scenario, wishes, None, Fault.NONE, 0)


@contextmanager
def served(scenario: Scenario, link: Path) -> Iterator[Segment]:
    """The segment of the scenario, served on a pseudo-terminal to which `link` leads meanwhile."""
    segment, stop, ready = Segment(scenario, SystemClock()), threading.Event(), threading.Event()
    server = threading.Thread(
        target=serve_pty, args=(segment, link, stop), kwargs={"ready": lambda _: ready.set()}
    )
    server.start()
    try:
        ready.wait(10)
        yield segment
    finally:
        stop.set()
        server.join()


def program(*words: str) -> list[str]:
    """The command line of the real program."""
    return [sys.executable, "-m", "busprobe", *words]


def was_killed(command: list[str], after: float, number: int = signal.SIGKILL, **how: Any) -> bool:
    """Start a command and kill it after so many seconds; whether it was still running."""
    started = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **how)
    try:
        started.wait(after)
    except subprocess.TimeoutExpired:
        started.send_signal(number)
        started.wait()
        return True
    return False


def one(seed: int) -> tuple[bool, int, str]:
    """One run; whether it was killed before its end, the writes on record, and what was wrong
    afterwards."""
    case = bus(seed)
    random = Random(seed)  # noqa: S311
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job, link = folder / "kills.busjob", folder / "adapter"
        listed(job, case)
        with served(case.scenario, link) as segment:
            wishes = [f"--set={old}={new}" for old, new in case.wishes.items()]
            asked = ("--yes", "--port", str(link), "--job", str(job))
            killed = was_killed(
                program("readdress-all", "--no-check", *wishes, *asked),
                random.uniform(1.0, LONGEST),
            )
            said = []
            for further in ((), ("--cycled",)):
                if further:
                    segment.power_cycle()
                    time.sleep(3.5)  # the slowest type starts in 3 s
                done = subprocess.run(
                    program("recover", *further, *asked), capture_output=True, text=True
                )
                said.append(done.stdout + done.stderr)
        with Job.open(job) as kept:
            where = {unit.tag: unit.place for unit in kept.units()}
            open_writes = kept.unfinished_writes()
            writes = len(kept.writes())
        true = {unit.name: unit.setup.in_use for unit in segment.units}
        wrong = ""
        if where != true or open_writes or len(set(true.values())) < len(true):
            wrong = f"seed {seed}: listed {where}, true {true}, open {open_writes}\n" + "\n".join(
                said
            )
        return killed, writes, wrong


def main() -> int:
    """Print what was done; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--at-once", type=int, default=6, help="runs side by side; most only wait")
    asked = parser.parse_args()
    begun = time.monotonic()
    with ProcessPoolExecutor(asked.at_once) as pool:
        ended = list(pool.map(one, range(asked.runs)))
    wrong = [words for _, _, words in ended if words]
    killed = [writes for killed, writes, _ in ended if killed]
    print(
        f"{asked.runs} runs, {len(killed)} killed before their end,"
        f" {sum(map(bool, killed))} of them with a write on record; {len(wrong)} wrong afterwards;"
        f" {time.monotonic() - begun:.0f} s"
    )
    for words in wrong[:10]:
        print(words)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

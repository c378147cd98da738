"""Everything from outside, damaged in bulk: only typed errors come out, and every run ends.

``python -m tests.benchmarks.fuzz`` puts 1,000,000 replies through every judge and parser, does
5,000 whole runs of survey, identification, endurance run and moves against a port that lies, and
reads 100,000 damaged files: 10,000 of them jobs.  It takes about an hour on two cores; the numbers
can be given.  It is bounded by its counts and the same each time; ``--first`` names other seeds.

The exit code is 0 only if nothing came out but typed errors, no run was longer than any that ends,
no unit was invented and memory stayed within `MOST_MEMORY`.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from tests.fuzz import files, jobs, replies, runs

MOST_MEMORY = 600_000_000
"""Bytes that a process of this program may need."""
_A_BATCH = 200

Trial = Callable[[int, Path], str | Counter[str]]
"""From a seed and a folder of its own to how it ended; an end of many trials is their numbers."""


@dataclass
class Batch:
    """What became of some trials."""

    ends: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    memory: int = 0


def _batch(one: Trial, seeds: range) -> Batch:
    done = Batch()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seed in seeds:
            try:
                end = one(seed, folder)
                done.ends.update([end] if isinstance(end, str) else end)
            except Exception:  # noqa: BLE001 - whatever comes out is what is looked for
                last = traceback.format_exc().strip().splitlines()[-4:]
                done.wrong.append(f"seed {seed}: " + " | ".join(line.strip() for line in last))
    done.memory = _memory()
    return done


def _memory() -> int:
    """Bytes that this process has needed at most; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _replies(seed: int, _: Path) -> Counter[str]:
    return Counter({str(verdict): n for verdict, n in replies.many(500, seed).items()})


def _job(seed: int, folder: Path) -> str:
    base = folder / "base.busjob"
    if not base.exists():
        jobs.make_job(base)
    _, error = jobs.damaged_and_read(base, folder / "damaged.busjob", seed)
    return "job refused" if error else "job read"


def main() -> int:
    """Print what was done; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replies", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=5_000)
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--at-once", type=int, default=2, help="processes side by side")
    asked = parser.parse_args()
    parts: tuple[tuple[str, Trial, int], ...] = (
        ("batches of 500 replies", _replies, asked.replies // 500),
        ("whole runs against a lying port", runs.one, asked.runs),
        ("damaged job files", _job, asked.files // 10),
        ("damaged profiles, plans, circuits and scenarios", files.one, asked.files * 9 // 10),
    )
    wrong: list[str] = []
    memory = 0
    with ProcessPoolExecutor(asked.at_once) as pool:
        for title, one, count in parts:
            begun = time.monotonic()
            seeds = range(asked.first, asked.first + count)
            batches = [seeds[n : n + _A_BATCH] for n in range(0, count, _A_BATCH)]
            done = Batch()
            for batch in pool.map(partial(_batch, one), batches):
                done.ends += batch.ends
                done.wrong += batch.wrong
                memory = max(memory, batch.memory)
            print(f"{count} {title}: {len(done.wrong)} wrong; {time.monotonic() - begun:.0f} s")
            print("  " + ", ".join(f"{end} {n}" for end, n in done.ends.most_common()), flush=True)
            for words in done.wrong[:10]:
                print(f"  {words}", flush=True)
            wrong += done.wrong
    print(f"Most memory of a process: {memory / 1e6:.0f} MB")
    return 1 if wrong or memory > MOST_MEMORY else 0


if __name__ == "__main__":
    sys.exit(main())

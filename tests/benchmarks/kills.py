"""How often a run of moves was ended somewhere, and how often the next start knew what was true.

``python -m tests.benchmarks.kills`` ends 20,000 runs on random buses on virtual time, at any touch
of wire or disk (`tests.session.kills`), half as often by a full disk as by a kill.
``--ends 2000`` is what every change has to pass.

The exit code is 0 only if no case failed.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from random import Random

from tests.session.kills import End, case, ends, listed, run

ENDS_A_BUS = 15
FIRST_SEED = 1000


def one_bus(seed: int, number: int) -> tuple[Counter[str], list[str]]:
    """End so many runs on one bus; what they touched last, and what was not true afterwards."""
    done: Counter[str] = Counter()
    wrong: list[str] = []
    drawn = case(seed)
    random = Random(seed)  # noqa: S311 - the same ends again are what is wanted
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        template = folder / "template.busjob"
        listed(template, drawn)
        whole = run(drawn, template, folder)
        done[f"fault: {drawn.fault}"] += 1
        for end_at in ends(whole, number, random):
            end = random.choice([End.KILL, End.KILL, End.DISK_FULL])
            try:
                done[f"{end}: {run(drawn, template, folder, end_at, end).where}"] += 1
            except AssertionError as error:
                wrong.append(str(error))
    return done, wrong


def main() -> int:
    """Print what was done; 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ends", type=int, default=20_000, help="runs to end")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    buses = -(-asked.ends // ENDS_A_BUS)
    seeds = range(FIRST_SEED, FIRST_SEED + buses)
    done: Counter[str] = Counter()
    wrong: list[str] = []
    with ProcessPoolExecutor(asked.processes) as pool:
        for counted, failed in pool.map(one_bus, seeds, [ENDS_A_BUS] * buses, chunksize=4):
            done += counted
            wrong += failed
    ended = sum(count for what, count in done.items() if not what.startswith("fault"))
    for what, count in sorted(done.items()):
        print(f"{count:7d}  {what}")
    print(f"{ended + len(wrong)} runs on {buses} buses ended before their end; {len(wrong)} wrong")
    for line in wrong[:20]:
        print(line)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

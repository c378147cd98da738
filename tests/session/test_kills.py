"""Whatever ends a run of moves, the next start knows what is true and what is still to be done.

A few of the thousands of ends that `python -m tests.benchmarks.kills` tries.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from tests.session.kills import End, case, ends, listed, run

SEEDS = range(100, 106)


@pytest.mark.parametrize("end", End)
@pytest.mark.parametrize("seed", SEEDS)
def test_the_next_start_knows_what_is_true(tmp_path: Path, seed: int, end: End) -> None:
    """Every unit on the list where it answers, no two at one place, nothing sent off the record."""
    drawn = case(seed)
    template = tmp_path / "template.busjob"
    listed(template, drawn)
    whole = run(drawn, template, tmp_path)
    assert whole.count
    assert not whole.where
    random = Random(seed)  # noqa: S311 - the same ends again are what is wanted
    for end_at in ends(whole, 6, random):
        assert run(drawn, template, tmp_path, end_at, end).where

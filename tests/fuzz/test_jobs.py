"""A damaged job file is read or refused with a typed error, and what is saved of it can be read."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.job.rescue import rescue
from busprobe.session.readable import check_readable
from tests.fuzz.jobs import damage_job, damaged_and_read, make_job, profiles, read_job


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("base") / "base.busjob"
    make_job(path)
    assert read_job(path, papers=True) == ""
    return path


@settings(max_examples=60)
@given(seed=st.integers(0, 2**32))
def test_a_damaged_job_is_read_or_refused(base: Path, seed: int) -> None:
    damaged_and_read(base, base.with_name("damaged.busjob"), seed)


@pytest.mark.parametrize("seed", range(12))
def test_what_is_saved_of_a_damaged_job_can_be_read(seed: int, base: Path, tmp_path: Path) -> None:
    damaged, saved = tmp_path / "damaged.busjob", tmp_path / "saved.busjob"
    damaged.write_bytes(base.read_bytes())
    damage_job(damaged, Random(seed))  # noqa: S311
    try:
        rescue(damaged, saved, lambda job: check_readable(job, profiles().profiles))
    except FileError:
        assert not saved.exists()
    else:
        assert read_job(saved, papers=True) == ""

from __future__ import annotations

import pytest

from busprobe.errors import UsageError
from busprobe.job import Job
from busprobe.job.intervals import USUAL, Intervals, keep_intervals, kept_intervals, parse_interval


def test_an_interval_of_its_own_counts_before_the_one_for_all() -> None:
    intervals = Intervals(5.0).with_point("invented", "Power", 0.5)
    assert intervals.of("invented", "Power") == 0.5
    assert intervals.of("invented", "Energy") == 5.0
    assert intervals.of(None, "Power") == 5.0
    assert intervals.with_point("invented", "Power", None) == Intervals(5.0)
    assert Intervals().of("invented", "Power") == USUAL


def test_intervals_are_kept_with_the_job(job: Job) -> None:
    assert kept_intervals(job) == Intervals()
    said = Intervals(2.5, {("invented", "Power"): 0.5, ("other", "Power"): 60.0})
    keep_intervals(job, said)
    assert kept_intervals(job) == said


@pytest.mark.parametrize(("text", "seconds"), [("10", 10.0), (" 0,5 ", 0.5), ("86400", 86_400.0)])
def test_seconds_are_read_as_people_type_them(text: str, seconds: float) -> None:
    assert parse_interval(text) == seconds


@pytest.mark.parametrize("text", ["", "soon", "0", "-1", "nan", "inf", "1e9", "0.001"])
def test_what_is_no_interval_is_said(text: str) -> None:
    with pytest.raises(UsageError, match="Give seconds from"):
        parse_interval(text)

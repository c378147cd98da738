"""``busprobe targets``: proposals are printed, and kept where that is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from tests.cli.conftest import Command
from tests.handover.site import clean_site


@pytest.fixture
def job(tmp_path: Path) -> Path:
    with clean_site(tmp_path) as session:
        return session.job.path


def test_a_proposal_is_kept_only_when_that_is_said(command: Command, job: Path) -> None:
    def targets(*more: object) -> dict[str, str]:
        document = command("targets", "--job", job, "--json", *more).document
        return {f"{one['tag']} {one['point']}": one["target"] for one in document["points"]}

    proposed = targets("--start", 1000, "--order", "tag")
    assert proposed["CQ-101 CO2"] == "1000"
    assert not any(targets().values())
    assert targets("--start", 1000, "--order", "tag", "--keep") == proposed
    assert targets() == proposed


def test_overlaps_need_attention(command: Command, job: Path) -> None:
    ran = command("targets", "--job", job, "--start", 0, "--step", 1)
    assert ran.code == ExitCode.ATTENTION
    assert "5: EM-101 Voltage L1 and EM-101 Voltage L2 overlap." in ran.out
    assert command("targets", "--job", job, "--start", 0).code == ExitCode.DONE


def test_a_rule_without_a_start_is_refused(command: Command, job: Path) -> None:
    ran = command("targets", "--job", job, "--keep")
    assert ran.code == ExitCode.USAGE
    assert "--start" in ran.err

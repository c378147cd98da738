"""A job is practice or real from its first port on, and never both."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from busprobe.errors import PortError, RefusedError
from busprobe.job import Job
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.demo import run_unattended
from busprobe.session.session import Session


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    with Job.create(tmp_path / "a.busjob") as job:
        made = Session(job, load_all([shipped_folder()]))
        yield made
        made.close()


def test_the_first_port_decides(session: Session) -> None:
    assert session.practice is None
    session.open("virtual:clean")
    assert session.practice is True
    session.close()
    assert session.practice is True


def test_a_practice_job_opens_no_real_port_and_keeps_its_own(
    session: Session, real_port: str
) -> None:
    session.open("virtual:clean")
    with pytest.raises(RefusedError, match="practice job"):
        session.open(real_port)
    assert session.line.name == "virtual:clean"
    assert session.job.meta.port == "virtual:clean"


def test_a_real_job_opens_no_virtual_segment_not_even_later(
    session: Session, real_port: str
) -> None:
    session.open(real_port)
    assert session.practice is False
    session.close()
    with pytest.raises(RefusedError, match="real bus"):
        session.open("virtual:clean")
    assert session.job.meta.port == real_port


def test_a_port_that_does_not_open_decides_nothing(session: Session) -> None:
    with pytest.raises(PortError):
        session.open("/dev/no-such-port")
    assert session.practice is None
    session.open("virtual:clean")


def test_a_demo_done_anew_deletes_no_job_of_a_real_bus(tmp_path: Path, real_port: str) -> None:
    with Job.create(tmp_path / "clean.busjob") as job:
        real = Session(job, load_all([shipped_folder()]))
        real.open(real_port)
        real.close()
    with pytest.raises(RefusedError, match="real bus"):
        run_unattended(tmp_path, lambda _: None, scenario="clean", overwrite=True)
    with Job.open(tmp_path / "clean.busjob") as kept:
        assert kept.meta.port == real_port

"""A wizard on a virtual segment in simulated time, and what a person would see of it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from busprobe.job import Job
from busprobe.job.plan import PlannedUnit
from busprobe.line.clock import ScaledClock, VirtualClock
from busprobe.line.ports import PortInfo
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.port import step as port
from tests.wizard.person import Person

ADAPTER = PortInfo(
    device="/dev/ttyUSB0",
    description="Serial adapter",
    maker="Invented Adapters",
    usb_id="1209:0001",
    serial_number="A1B2",
    location="1-1",
    stable_name="",
    latency_timer_ms=16,
)


@pytest.fixture(autouse=True)
def one_adapter(monkeypatch: pytest.MonkeyPatch) -> None:
    """The computer has one adapter, whatever the test runs on."""
    monkeypatch.setattr(port, "ports", lambda: (ADAPTER,))


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    with Job.create(
        tmp_path / "a.busjob", site="Harrow Mill", segment="Line A", tester="K. Marsh"
    ) as made:
        yield made


@pytest.fixture
def session(job: Job) -> Iterator[Session]:
    made = new_session(job)
    yield made
    made.close()


def new_session(job: Job, plan: tuple[PlannedUnit, ...] = ()) -> Session:
    """A session whose virtual segments run on simulated time."""
    return Session(
        job,
        load_all([shipped_folder()]),
        plan=plan,
        connector=Connector(virtual_clock=VirtualClock()),
    )


@pytest.fixture
def paced(job: Job) -> Iterator[Session]:
    """A session in which time passes, twenty times faster than life, so that something can happen
    meanwhile."""
    connector = Connector(virtual_clock=ScaledClock(20))
    made = Session(job, load_all([shipped_folder()]), connector=connector)
    yield made
    made.close()


Wizard = Callable[..., AbstractAsyncContextManager[Person]]


@pytest.fixture
def wizard(session: Session) -> Wizard:
    """Start the wizard: ``async with wizard("clean") as person`` has the port open at 9600-8N1
    already."""

    @asynccontextmanager
    async def start(
        scenario: str | None = None,
        *,
        size: tuple[int, int] = (80, 24),
        step: int = 1,
        using: Session | None = None,
        **of_app: Any,
    ) -> AsyncIterator[Person]:
        used = using or session
        used.job.set_state("wizard.step", step)
        if scenario is not None:
            used.open(f"virtual:{scenario}", LineSettings.parse("9600-8N1"))
        app = BusprobeApp(lambda: used, **of_app)
        async with app.run_test(size=size) as pilot:
            person = Person(app, pilot)
            await person.begin()
            yield person

    return start


__all__ = ["Pilot", "Wizard", "new_session"]

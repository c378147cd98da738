"""``busprobe targets``: where the master keeps each point."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.sessions import existing_job, stored_profiles
from busprobe.errors import ExitCode, UsageError
from busprobe.handover.bus_list import PointRow
from busprobe.handover.targets import Order, Problem, ProblemKind, Rule, problems, proposed
from busprobe.modbus.addresses import both_forms
from busprobe.session.session import Session

_WRONG = (ProblemKind.OVERLAP, ProblemKind.TWICE)
"""What a master cannot be given."""


@dataclass(frozen=True, kw_only=True)
class TargetOfPoint:
    """A point and where the master keeps it."""

    address: int
    settings: str
    tag: str
    point: str
    registers: int
    variable: str
    target: str
    """The master's own address of it; empty where none was noted."""


@dataclass(frozen=True, kw_only=True)
class TargetsDocument:
    """What ``busprobe targets --json`` prints."""

    format: Literal["busprobe.targets/1"] = "busprobe.targets/1"
    points: tuple[TargetOfPoint, ...]
    problems: tuple[Problem, ...]


def run(
    job_file: Path,
    listed: Path | None,
    start: int | None,
    step: int | None,
    order: str,
    anew: bool,
    keep: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe targets`` is asked for."""
    if start is None and (step is not None or anew or keep):
        raise UsageError(
            "No rule is given that addresses could follow.", todo="Say the first with --start."
        )
    with existing_job(job_file) as job:
        session = Session(job, stored_profiles(job_file))
        if listed is not None:
            noted = session.note_targets(listed)
            output.say(f"{noted} point{'' if noted == 1 else 's'} taken from {listed}.")
        points = session.bus_list().points
        if start is not None:
            made = proposed(points, Rule(start, step, Order(order), anew))
            points = tuple(
                replace(point, target=made.get((point.place, point.name), point.target))
                for point in points
            )
            if keep:
                session.keep_targets(made)
    found = problems(points)
    if as_json:
        output.publish(_document(points, found))
    else:
        output.table(
            ("Master address", "Variable", "Unit", "Point", "Registers"),
            [(p.target.address, p.target.variable, _unit(p), p.name, p.count) for p in points],
        )
        output.lines(problem.words for problem in found)
        if start is not None and not keep:
            output.say("A proposal; --keep keeps it in the job.")
    wrong = any(problem.kind in _WRONG for problem in found)
    return ExitCode.ATTENTION if wrong else ExitCode.DONE


def _unit(point: PointRow) -> str:
    return point.tag or both_forms(point.address)


def _document(points: tuple[PointRow, ...], found: tuple[Problem, ...]) -> TargetsDocument:
    return TargetsDocument(
        points=tuple(
            TargetOfPoint(
                address=point.address,
                settings=point.settings,
                tag=point.tag,
                point=point.name,
                registers=point.count,
                variable=point.target.variable,
                target=point.target.address,
            )
            for point in points
        ),
        problems=found,
    )

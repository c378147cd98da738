"""``busprobe compare``: what is not as it was, and not as it was planned."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.sessions import stored_profiles
from busprobe.errors import ExitCode
from busprobe.handover.assemble import assemble
from busprobe.handover.comparison import Difference
from busprobe.handover.visits import compare
from busprobe.job.plan import differences, kept_plan
from busprobe.job.reading import job_as_it_is


@dataclass(frozen=True, kw_only=True)
class ComparisonDocument:
    """What ``busprobe compare --json`` prints."""

    format: Literal["busprobe.comparison/1"] = "busprobe.comparison/1"
    old: str
    new: str
    differences: tuple[Difference, ...]
    not_compared: tuple[str, ...]
    plan: tuple[str, ...] | None
    """What does not stand as the plan says; null without one."""


def run(before: Path, now: Path, as_json: bool) -> ExitCode:
    """Do what ``busprobe compare`` is asked for."""
    with job_as_it_is(before) as earlier, job_as_it_is(now) as later:
        then = assemble(earlier, stored_profiles(before).profiles)
        comparison = compare(then, assemble(later, stored_profiles(now).profiles))
        plan = kept_plan(later) or kept_plan(earlier)
        off_plan = differences(plan, later.units())
    if as_json:
        output.publish(
            ComparisonDocument(
                old=str(before),
                new=str(now),
                differences=comparison.differences,
                not_compared=comparison.not_compared,
                plan=tuple(off_plan) if plan else None,
            )
        )
    else:
        rows = [(str(difference.kind), difference.words) for difference in comparison.differences]
        rows += [("plan", words) for words in off_plan]
        if rows:
            output.table(("What", "How"), rows)
        else:
            rest = (
                f" Not compared: {len(comparison.not_compared)}, see below."
                if comparison.not_compared
                else ""
            )
            output.line(
                "Nothing that was compared"
                f" differs.{rest}{'' if plan else ' No plan is kept with the jobs.'}"
            )
        for words in comparison.not_compared:
            output.say(f"Not compared: {words}")
    return ExitCode.ATTENTION if comparison.differences or off_plan else ExitCode.DONE

"""``busprobe compare``: what is not as it was, and not as it was planned."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import stored_profiles
from busprobe.errors import ExitCode
from busprobe.handover.assemble import assemble
from busprobe.handover.comparison import FORMAT
from busprobe.handover.visits import compare
from busprobe.job.plan import differences, kept_plan
from busprobe.job.reading import job_as_it_is


@click.command()
@click.argument("before", metavar="OLD", type=options.FILE)
@click.argument("now", metavar="NEW", type=options.FILE)
@options.as_json
def command(before: Path, now: Path, as_json: bool) -> ExitCode:
    """Compare the job of a visit with that of an earlier one, and with the plan of the bus where
    one is kept.

    Tells what is missing, extra, moved, exchanged, has other firmware or line settings, or got
    slower: half of a unit's replies take longer than 99 of 100 did, and a quarter longer in the
    median.

    \b
    Example:
      busprobe compare spring.busjob autumn.busjob
    """
    with job_as_it_is(before) as earlier, job_as_it_is(now) as later:
        then = assemble(earlier, stored_profiles(before).profiles)
        comparison = compare(then, assemble(later, stored_profiles(now).profiles))
        plan = kept_plan(later) or kept_plan(earlier)
        off_plan = differences(plan, later.units())
    if as_json:
        about = {"format": FORMAT, "old": str(before), "new": str(now)}
        output.document(
            {**about, **comparison.document(), "plan": list(off_plan) if plan else None}
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

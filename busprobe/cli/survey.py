"""``busprobe survey``: who is on this pair, at which line settings, and where do two share an
address?"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path

from rich.progress import BarColumn, Progress, TextColumn

from busprobe.cli import output
from busprobe.cli.commands.units import STOP, WHERE_FOUND
from busprobe.cli.ending import on_stop
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.profiles.schema import factories
from busprobe.session.recorded_survey import RecordedSurvey
from busprobe.survey import events
from busprobe.survey.findings import Finding, Kind, SurveyResult
from busprobe.survey.probes import LookingQuickly, Probe
from busprobe.survey.schedule import common_settings
from busprobe.survey.words import QUICK_LOOK, bounds, coverage, kind_of_unit


def run(
    port: str,
    settings: tuple[LineSettings, ...],
    addresses: tuple[int, ...],
    expect: int | None,
    then: str,
    also: tuple[Probe, ...],
    no_quick_look: bool,
    no_further: bool,
    job_file: Path | None,
    despite_master: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe survey`` is asked for."""
    with session_on(port, job_file) as session:
        wanted = settings or common_settings(
            factory.settings for factory in factories(session.profiles)
        )
        survey = session.survey(
            wanted,
            addresses,
            expect=expect,
            also=also,
            quick_look=not no_quick_look,
            further=not no_further,
            resume=job_file is not None,
        )
        result = follow(survey, then=then, despite_master=despite_master)
    if as_json:
        output.document(result.document(port))
    else:
        _print(result)
    if result.failure is not None:
        raise result.failure
    units = [finding for finding in result.findings if finding.kind is Kind.UNIT]
    all_there = result.complete and bool(units) if expect is None else len(units) >= expect
    sure = len(units) == len(result.findings) and not result.may_miss
    return ExitCode.DONE if all_there and sure else ExitCode.ATTENTION


def follow(survey: RecordedSurvey, *, then: str, despite_master: bool) -> SurveyResult:
    """Run a survey to its end with its progress on stderr; Ctrl-C ends it with what was found.

    `then` is one of `AFTER_FIRST_PASS`.
    """
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[left]}"))
    console = output.console(stderr=True)
    told: set[str] = set()
    looked = False
    with Progress(*columns, console=console, transient=True) as bar, on_stop(survey.cancel):
        task = bar.add_task("Survey", total=None, left="")
        for event in survey:
            match event:
                case events.Started(estimate=estimate):
                    output.say_on(
                        console, f"This takes {estimate.figure(duration)}, {estimate.basis}."
                    )
                case LookingQuickly() if not looked:
                    output.say_on(console, QUICK_LOOK)
                    looked = True
                case events.Progress(done, total, left):
                    bar.update(
                        task, completed=done, total=total, left=f"{left.figure(duration)} left"
                    )
                case events.Found(finding):
                    what = in_words(finding)
                    if what not in told:  # a finding comes again with every note added to it
                        output.say_on(console, what)
                    told.add(what)
                case events.Identifying(place, number, of):
                    what = f"Reading unit {both_forms(place.address)}"
                    bar.update(task, description=what, left=f"{number} of {of}")
                case events.FirstPassOver() as over:
                    output.say_on(console, _first_pass(over, then))
                    if then == WHERE_FOUND:
                        survey.only_where_found()
                    elif then == STOP:
                        survey.stop_here()
                case events.Fault(words):
                    output.say_on(console, words)
                case events.OtherMasterHeard(words):
                    output.say_on(console, words)
                    if despite_master:
                        survey.go_on()
                    else:
                        output.say_on(
                            console,
                            "The survey stops here; with --despite-master it goes on all the same.",
                        )
                case events.Finished(result):
                    return result
    raise AssertionError("a survey ends with Finished")


def _first_pass(over: events.FirstPassOver, then: str) -> str:
    """What the first pass found, what the rest costs, and what is done."""
    found = f"First pass: {over.first_pass.found} found in {duration(over.first_pass.seconds)}."
    if then == STOP:
        return f"{found}  The search stops here, as --after-first-pass says."
    all_of_it = over.left.figure(duration)
    less = over.only_where_found
    if less is None:
        return f"{found}  The rest of the search takes {all_of_it}."
    where = f"only at the line settings of these units, {less.figure(duration)}"
    if then == WHERE_FOUND:
        return f"{found}  The search goes on {where}; everywhere it would take {all_of_it}."
    return f"{found}  The rest of the search takes {all_of_it}; {where}."


def in_words(finding: Finding) -> str:
    """A finding in one line."""
    found = f"{both_forms(finding.address)} at {finding.settings}: {finding.kind}"
    return ", ".join(filter(None, (found, kind_of_unit(finding))))


def not_tested(result: SurveyResult) -> Iterator[str]:
    """What was left out, a line for each reason."""
    left: dict[tuple[str, str], list[str]] = {}
    for untested in result.untested:
        left.setdefault((format_addresses(untested.addresses), untested.why), []).append(
            str(untested.settings)
        )
    for (addresses, why), settings in left.items():
        yield f"Not asked everything, {why}: addresses {addresses} at {', '.join(settings)}."


def duration(seconds: float) -> str:
    """Seconds as a person says them."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _values(findings: Collection[Finding]) -> Iterator[str]:
    """How many units were read, and each value that makes no sense."""
    read = [finding for finding in findings if finding.readings]
    if read:
        yield f"Values of {len(read)} of {len(findings)} read; 'busprobe identify' shows them."
    for finding in read:
        for value in finding.readings:
            if value.plausible is False:
                where = both_forms(finding.address)
                yield f"Unit {where}: {value.name} {value.text} is not plausible."


def _print(result: SurveyResult) -> None:
    rows = [
        (
            both_forms(finding.address),
            finding.settings,
            finding.kind,
            kind_of_unit(finding),
            "" if finding.latency_ms is None else f"{finding.latency_ms:.1f} ms",
            " ".join(finding.notes),
        )
        for finding in result.findings
    ]
    if rows:
        output.table(("Address", "Settings", "Finding", "What it is", "Reply", "Notes"), rows)
    else:
        output.lines(["No reply was received. That does not prove that no unit is connected."])
    if rows and result.expect is None:
        output.lines(
            [
                "Count the units: two of the same kind at one address can answer as one, which only"
                " --expect shows."
            ]
        )
    output.lines(_values(result.findings))
    output.lines(coverage(result.asked, result.places))
    output.lines(bounds(result.bounds))
    output.lines(result.notes)
    output.lines(not_tested(result))
    if result.first_pass is not None:
        first = result.first_pass
        output.line(f"First pass: {first.found} found in {duration(first.seconds)}.")
    state = "Complete" if result.complete else "Not complete"
    output.say(f"{state} after {duration(result.seconds)}.")

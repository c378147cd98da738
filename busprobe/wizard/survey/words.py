"""What a survey under way or kept says, in words for the screen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busprobe.job import UnitRecord
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.survey.events import FirstPassOver, Identifying, Progress
from busprobe.survey.findings import Finding, Reason
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.survey.probes import Listening, LookingQuickly, WireStep
from busprobe.survey.words import QUICK_LOOK, coverage
from busprobe.text import hex_bytes
from busprobe.wizard.common.step import Proposal, StepName, StepState, go_to
from busprobe.wizard.survey.forms import SearchRange

START = Proposal("start the survey", "start", on_line=True)
GO_ON = Proposal("go on with the survey", "go_on", on_line=True)

_UNTESTED_SHOWN = 3
_BAR = 24


def time_words(seconds: float) -> str:
    """A time left, as people say it: ``0:42``, ``1:03:20``."""
    minutes, second = divmod(round(seconds), 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute}:{second:02d}"


def share(progress: Progress) -> float:
    """How much of a survey is done, 0 to 1."""
    return progress.done / progress.total if progress.total else 0.0


def progress_words(progress: Progress, found: int) -> str:
    """How far a survey is, in one line with a bar."""
    done = share(progress)
    full = round(done * _BAR)
    bar = f"{'█' * full}{'░' * (_BAR - full)} {100 * done:3.0f} %"
    return f"{bar}   {progress.left.figure(time_words)} left, {found} found"


def asking_words(asking: WireStep | Identifying, faults: Sequence[str]) -> str:
    """What is done on the wire, in words and bytes, and the last of what is wrong there."""
    if isinstance(asking, Identifying):
        words = (
            f"{asking.settings}  Unit {both_forms(asking.place.address)}, {asking.number} of"
            f" {asking.of}: reads what it says of itself, and its values."
        )
    elif isinstance(asking, Listening):
        words = f"{asking.settings}  Listens {asking.seconds:.1f} s; nothing is sent."
    elif isinstance(asking, LookingQuickly):
        words = f"{asking.settings}  {QUICK_LOOK}"
    else:
        sends = f"Sends {hex_bytes(asking.request.frame)}, waits {1000 * asking.waits.reply:.0f} ms"
        words = f"{asking.settings}  {asking.request.words}\n{sends}"
    return f"{words}\n! {faults[-1]}" if faults else words


def course(
    *,
    paused: bool = False,
    lent: bool = False,
    stopping: bool = False,
    only_further: bool = False,
    first_pass_over: bool = False,
) -> str:
    """What a survey under way does, and what there is to do meanwhile."""
    if stopping:
        return "Stopping …"
    if paused:
        return "Paused. Space goes on, x stops; what was found is in the job."
    if lent:
        return "Held while units are read; it goes on by itself."
    if only_further:
        return "Last of all: coils, inputs, registers of profiles. k leaves them out, x stops."
    if first_pass_over:
        return "It goes on by itself; k searches less. Identify (4) has the units found."
    return "Survey running. Units found so far are in Identify (4). Space pauses, x stops."


def first_pass_words(over: FirstPassOver) -> str:
    """What the first pass found, what it costs to be sure of the rest, and what there is to
    choose."""
    found = f"{over.first_pass.found} found in {time_words(over.first_pass.seconds)}."
    sure = f"To be sure that there are no others: {over.left.figure(time_words)} more."
    if over.only_where_found is None:
        return f"{found} {sure}\nk ends the search here."
    less = over.only_where_found.figure(time_words)
    return f"{found} {sure}\nk: only at the settings found, {less}, or end here."


def evidence_words(finding: Finding) -> str:
    """What a finding rests on: the exchanges in words, or the raw replies in a job that an earlier
    program kept."""
    latency = "" if finding.latency_ms is None else f", replies after {finding.latency_ms} ms"
    lines = [f"{finding.kind} at {finding.settings}{latency}"]
    lines += [f"! {note}" for note in finding.notes]
    lines += [f"It says: {said}" for said in _own_words(finding)]
    if finding.profile is not None and finding.match is not None:
        lines.append(f"Profile {finding.profile}, match {100 * finding.match:.0f} %:")
        lines += [f"  {reason}" for reason in finding.reasons]
    lines += finding.exchanges or [f"Reply: {data}" for data in finding.evidence]
    return "\n".join(lines)


def _own_words(finding: Finding) -> Iterator[str]:
    said = ", ".join(f"{name} {text}" for name, text in (finding.identity or {}).items() if text)
    if said:
        yield said


def nothing_found(word: str, latest: KeptSurvey | None) -> str:
    """What there is to say of an address without a finding: how it was asked is the evidence of its
    silence."""
    asked = coverage(latest.asked, latest.places) if latest else ()
    return "\n\n".join((f"Nothing was found here: {word}.", *asked))


def summary(survey: KeptSurvey) -> str:
    """How a survey ended, in one line."""
    took = "" if survey.seconds is None else f" in {time_words(survey.seconds)}"
    rest = {
        Reason.ALL_FOUND: "as many as expected, others were not searched for.",
        Reason.ENOUGH: "the search ended after its first pass, the rest is 'not tested'.",
    }.get(survey.ended or Reason.CANCELLED, "not everything was asked, the rest is 'not tested'.")
    if survey.complete:
        rest = "all settings and addresses were searched."
    return f"{'✓' if survey.complete else '!'} {len(survey.findings)} found{took}: {rest}"


def remarks(survey: KeptSurvey) -> str:
    """What concerns the line or the port, and the first of what was not tested."""
    untested = (
        f"Not tested: {one.settings}, addresses {format_addresses(one.addresses)}"
        for one in survey.untested[:_UNTESTED_SHOWN]
    )
    lines = (*survey.notes, *filter(None, (survey.failure,)), *untested)
    return "\n".join(f"! {line}" for line in lines)


def standing(
    survey: KeptSurvey, units: Sequence[UnitRecord]
) -> tuple[StepState, str, Proposal | None]:
    """How the step stands after a survey, and what to do next.

    A clash that was sorted out since is none any more: the list of units knows.
    """
    odd = [unit for unit in units if not unit.single]
    identify = go_to(StepName.IDENTIFY)
    if survey.cut_off:
        return StepState.CHECK, "It was cut off.", GO_ON if survey.can_go_on else START
    if odd:
        where = ", ".join(str(unit.address) for unit in odd[:4])
        return (
            StepState.CHECK,
            f"e shows the evidence of {where}; Readdress (5) sorts out a clash.",
            identify,
        )
    expect, found = survey.expect, len(survey.findings)
    if not survey.complete and expect and found >= expect:
        return StepState.DONE, f"All {expect} expected units were found.", identify
    if survey.ended is Reason.ENOUGH:
        return StepState.CHECK, "Or s: the search goes on.", identify
    if not survey.complete and survey.can_go_on:
        return StepState.CHECK, "Not everything was asked.", GO_ON
    if not found:
        return StepState.CHECK, "No reply: check supply and wires.", go_to(StepName.WIRING)
    if expect is None:
        return (
            StepState.DONE,
            f"{found} found. If more are connected, two share an address.",
            identify,
        )
    return StepState.DONE, "", identify


def asked_everywhere(survey: KeptSurvey) -> set[int]:
    """Addresses that were asked at every line setting of the survey; of the others silence says
    little."""
    asked = survey.asked_at.values()
    return set.intersection(*asked) if asked else set()


def same_search(survey: KeptSurvey, search: SearchRange) -> bool:
    """Whether an earlier survey looked for the same."""
    return (survey.settings, survey.addresses, survey.expect, survey.also) == (
        search.settings,
        search.addresses,
        search.expect,
        search.also,
    )

"""What the wiring step says of a pair, from the documents of the job."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.modbus.addresses import format_addresses
from busprobe.wiring.causes import RecordedObservation
from busprobe.wiring.listening import RecordedListening, RecordedRequest
from busprobe.wiring.meter import Level
from busprobe.wiring.wire_names import Labels
from busprobe.wiring.wording import agree, counted, units
from busprobe.wizard.common.step import Proposal, StepName, StepState, go_to

NAMES = "At idle, D1 (+) is positive. The standard labels it B, most chips label it A."
"""The naming conventions in one line, to stand below the form (sources in
`busprobe.wiring.wire_names`)."""

NOTHING_ODD = "Nothing odd was heard"

_MARKS = (("D1/D0 or +/-", Labels.SIGN), ("A and B", Labels.LETTERS))


def marks(chosen: Labels) -> str:
    """How the terminals are marked."""
    choices = "   ".join(
        f"({'x' if labels is chosen else ' '}) {words}" for words, labels in _MARKS
    )
    return f"Terminals marked   {choices}   (+)"


def heard_words(listening: RecordedListening) -> str:
    """What came with nobody asked, and how those who were asked answered."""
    words = [listening.words]
    if listening.asked:
        present = {each.address for each in listening.asked if each.present} | {*listening.late}
        silent = {each.address for each in listening.asked} - present
        if present:
            late = f", late: {format_addresses(listening.late)}" if listening.late else ""
            words.append(f"Answered: {format_addresses(present)}{late}.")
        if silent:
            words.append(f"Asked and not read: {format_addresses(silent)}.")
        words.append("The adapter gives back what it sends." if listening.echo else "No echo.")
    if unasked := listening.left_unasked:
        words.append(
            f"Another master is at work, so {units(unasked)} {agree(len(unasked), 'was', 'were')}"
            " not asked."
        )
    return " ".join(words)


def turnaround_words(asked: Sequence[RecordedRequest]) -> str:
    """When each reply began; empty where there was none."""
    replies = [each for each in asked if each.present and each.reply_ms is not None]
    if not replies:
        return ""
    times = ", ".join(f"{each.address} after {each.reply_ms} ms" for each in replies)
    return f"Turnaround: {times}; {replies[0].silence_due_ms} ms of silence are due first."


def observation_words(observations: Sequence[RecordedObservation]) -> Text:
    """Each observation with its causes, likeliest first, and the one action that tells."""
    text = Text()
    for observation in observations:
        text.append(f"! {observation.seen}\n", style="bold")
        text.append(
            "  Only possible cause:\n"
            if observation.certain
            else "  Possible causes, most likely first:\n"
        )
        for number, hint in enumerate(observation.hints, start=1):
            text.append(f"  {number}. {hint.cause}\n")
            text.append(f"     → {hint.action}\n")
    return text


def in_short(observations: Sequence[RecordedObservation]) -> Text:
    """Each observation in a line or two, with its likeliest cause."""
    text = Text()
    for observation in observations:
        first, *others = observation.hints
        more = f", or {counted(len(others), 'other cause')}" if others else ""
        text.append(f"! {observation.seen}\n", style="bold").append(f"  {first.cause}{more}\n")
    return text


def standing(
    levels: Sequence[Level], *, acknowledged: bool, mistakes: bool, failing: bool, listened: bool
) -> tuple[StepState, str, Proposal]:
    """How the step stands, and what to do next; `failing` says that something odd was heard, or
    exchanges fail."""
    measured = any(level is not Level.NOT_MEASURED for level in levels)
    marked = any(level in (Level.ATTENTION, Level.WRONG) for level in levels)
    odd = failing or marked
    next_step = go_to(StepName.SURVEY)
    listen = Proposal("listen to the bus", "listen", on_line=True)
    if not acknowledged:
        words, next_step = "", Proposal("read the cautions", "cautions")
    elif mistakes:
        words = "Tab to the field marked ✖ and mend it."
    elif failing:
        words = "h hunts for a bad contact. Then survey again (3)."
        next_step = Proposal("see causes and what to do", "causes")
    elif marked:
        words = "Tab to a marked reading: below stands what to do. Measure again."
    elif not measured:
        words = "Or Tab to the form and type what the meter shows."
    else:
        words = ""
    if acknowledged and not failing and not listened:
        next_step = listen
    if odd:
        return StepState.CHECK, words, next_step
    if measured and listened and Level.NOT_MEASURED not in levels:
        return StepState.DONE, words, next_step
    return (StepState.DOING if measured or listened else StepState.TO_DO), words, next_step

"""What the step Prove says at length: its help, the advice for the master, the polling table in
words."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.job import UnitRecord
from busprobe.job.endurance_bound import EnduranceBound
from busprobe.prove.advice import Advised
from busprobe.prove.bus_polling import Polling, cycle_words
from busprobe.prove.judgement import RunVerdict, judged, worst_unit
from busprobe.prove.proof import Proof
from busprobe.prove.statistics import milliseconds
from busprobe.wizard.common.step import Proposal, StepName, StepState, go_to

HELP = """\
Polls every unit again and again, at full speed or with a pause before each request. Nothing is \
retried, so that no fault hides. A good bus makes no errors at all; any count beside OK deserves \
a look.

  Silent  no reply within 1 s       Late   the reply came after that
  CRC     bytes damaged on the way  Malf.  bytes, but no sensible frame
  Other   another address answered  Exc.   refused what was asked

Large counts are in thousands (k) or millions (M).

g changes the graph: reply times of the unit under the cursor (x is a failed poll), their spread \
(M the median, 99 of 100 before the 9), failed polls over time (below each other: one moment at \
several units; along a line: one unit).

After N polls without an error the error rate is below about 3/N, with 95 % confidence. The rounds \
proposed are enough for the error rate that is wanted. The step is done when every listed unit was \
polled and that rate is proven. Rounds or minutes: whichever is reached first ends the run. Counts \
are kept every 10 s: a run that was stopped, or cut off by a crash, goes on with s.

e says all that the run showed; F6 what to set at the master; c shows the cheapest requests for \
every point."""

GO_ON = Proposal("go on with this run", "start", on_line=True)

_ACROSS = 4
"""Baud rates on a line of 80 columns."""

NO_ADVICE = (
    "No reply time is measured yet: the advice follows from the replies and errors of a run (s)."
)


_EXACT = 99_999
"""The largest count that a column of the table has room for."""

_SPACED, _TIGHT = 999, 9_999
"""The largest counts that it has room for behind a sign and a space, and behind a sign."""


_TENTHS_BELOW = 0.09995
"""Seconds; from there on a reply time has three figures before the point."""


def counted(count: int) -> str:
    """A count in five characters; a large one in thousands or millions, cut off, not rounded up."""
    if count <= _EXACT:
        return str(count)
    return f"{count // 1000}k" if count < 1_000_000 else f"{count // 100_000 / 10}M"


def marked(count: int) -> str:
    """A count of what should not be, in five characters with its sign."""
    if count <= _SPACED:
        return f"! {count}"
    return (
        f"!{count}"
        if count <= _TIGHT
        else f"!{count // 1000}k"
        if count < 1_000_000
        else f"!{count // 1_000_000}M"
    )


def in_milliseconds(seconds: float | None) -> str:
    """A reply time in at most five characters; tenths where there is room for them."""
    return "-" if seconds is None else f"{1000 * seconds:.{1 if seconds < _TENTHS_BELOW else 0}f}"


def advice_words(items: Sequence[Advised]) -> Text:
    """The numbers for the master, each with its reason."""
    if not items:
        return Text(NO_ADVICE)
    text = Text()
    for item in items:
        text.append(f"{item.name}: {item.value:g} {item.unit}".rstrip(), style="bold").append(
            f"\n  {item.reason}\n"
        )
    return text


def polling_words(made: Polling) -> Text:
    """What a table comes to, and what it rests on."""
    if not made.table.rows:
        text = Text(
            "No request yet: identify the units first (step 4), so that their points are known.\n"
        )
    else:
        text = Text(f"{cycle_words(made)}\n")
        load = made.table.load
        text.append(f"Bus load {100 * load:.1f} %", style="bold")
        if load > 1:
            text.append(" ! cannot be done: ask less often, or raise the baud rate", style="bold")
        text.append(f". {made.wanted}\n")
        text.append("Cycle at other baud rates, computed:\n", style="bold")
        cycles = [
            f"{baud:>7} {milliseconds(cycle):>7g} ms" for baud, cycle in made.table.cycles().items()
        ]
        for first in range(0, len(cycles), _ACROSS):
            text.append(f"{' '.join(cycles[first : first + _ACROSS])}\n")
    for words in made.not_asked:
        text.append(f"· not asked: {words}\n")
    for words in made.assumed:
        text.append(f"· note: {words}\n")
    return text


def coverage(units: Sequence[UnitRecord], proof: Proof, bound: EnduranceBound) -> str:
    """How far a run has come: who was polled, and what that proves beside what is wanted."""
    polled, listed = _polled(units, proof)
    return (
        f"{proof.rounds} rounds, {proof.polls} polls; {len(polled)} of {len(listed)} units polled;"
        f" at most {_bound_percent(proof):.2g} %, wanted {bound.percent:g} %"
    )


def standing(
    units: Sequence[UnitRecord], proof: Proof | None, bound: EnduranceBound
) -> tuple[StepState, str, Proposal]:
    """How the step stands and what to do next: it is done when every listed unit was polled without
    an error, often enough for the error rate that is wanted."""
    listed = [unit for unit in units if unit.single]
    if proof is None and not listed:
        return StepState.TO_DO, "No unit is known yet.", go_to(StepName.SURVEY)
    if proof is None:
        return StepState.TO_DO, "", _start("poll all units")
    if not proof.complete:
        return StepState.DOING, "Or n: a new one.", GO_ON
    if not proof.clean:
        return (
            StepState.CHECK,
            "Look at the marked counts; e has all in words.",
            go_to(StepName.WIRING),
        )
    polled, listed = _polled(units, proof)
    if len(polled) < len(listed):
        return (
            StepState.CHECK,
            f"{len(polled)} of {len(listed)} units were polled.",
            _start("poll all units"),
        )
    if len(listed) < len(units):
        unclear = ", ".join(str(unit.address) for unit in units if not unit.single)
        return (
            StepState.CHECK,
            f"Not polled because it is not one clear unit: {unclear}.",
            go_to(StepName.READDRESS),
        )
    if judged(proof, bound) is RunVerdict.TOO_SHORT:
        return (
            StepState.DOING,
            f"At most {_bound_percent(proof):.2g} % in {proof.seconds / 60:.1f} min, wanted"
            f" {bound.percent:g} % in {bound.minutes:g} min.",
            _start("run longer"),
        )
    return StepState.DONE, "c shows the polling table.", go_to(StepName.HAND_OVER)


def _start(label: str) -> Proposal:
    return Proposal(label, "start", on_line=True)


def _polled(units: Sequence[UnitRecord], proof: Proof) -> tuple[list[UnitRecord], list[UnitRecord]]:
    """The units that were polled where they are now, and all that can be."""
    places = {tally.place for tally in proof.units if tally.polls}
    listed = [unit for unit in units if unit.single]
    return [unit for unit in listed if unit.place in places], listed


def _bound_percent(proof: Proof) -> float:
    """Of the unit of which least can be said."""
    worst = worst_unit(proof)
    return 100.0 if worst is None else 100 * worst.bound

"""What a stored survey document says, in words for the screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from busprobe.job import SurveyRecord, UnitRecord
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import format_addresses
from busprobe.survey.events import Progress
from busprobe.survey.findings import asked_and_found
from busprobe.survey.probes import Asking, Listening
from busprobe.survey.words import coverage
from busprobe.text import hex_bytes
from busprobe.wizard.common.step import StepState
from busprobe.wizard.survey.search_range import SearchRange

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


def asking_words(asking: Asking | Listening, faults: Sequence[str]) -> str:
    """What is done on the wire, in words and bytes, and the last of what is wrong there."""
    if isinstance(asking, Listening):
        words = f"{asking.settings}  Listens {asking.seconds:.1f} s; nothing is sent."
    else:
        sends = f"Sends {hex_bytes(asking.request.frame)}, waits {1000 * asking.waits.reply:.0f} ms"
        words = f"{asking.settings}  {asking.request.words}\n{sends}"
    return f"{words}\n! {faults[-1]}" if faults else words


def course(*, paused: bool = False, lent: bool = False, stopping: bool = False) -> str:
    """What a survey under way does, and what there is to do meanwhile."""
    if stopping:
        return "Stopping …"
    if paused:
        return "Paused. p goes on, x stops; what was found is in the job."
    if lent:
        return "Held while units are read; it goes on by itself."
    return "Wait, or read in Identify (4) what was found so far. p pauses, x stops."


def evidence_words(finding: Mapping[str, Any], exchanges: Sequence[str]) -> str:
    """What a finding rests on: the exchanges in words, or the raw replies where only the job knows
    of it."""
    latency = (
        f", replies after {finding['latency_ms']} ms"
        if finding.get("latency_ms") is not None
        else ""
    )
    lines = [f"{finding['kind']} at {finding['settings']}{latency}"]
    lines += [f"! {note}" for note in finding["notes"]]
    lines += exchanges or [f"Reply: {data}" for data in finding["evidence"]]
    return "\n".join(lines)


def nothing_found(word: str, record: SurveyRecord | None) -> str:
    """What there is to say of an address without a finding: how it was asked is the evidence of its
    silence."""
    asked = coverage(*asked_and_found((record.progress or record.document) if record else {}))
    return "\n\n".join((f"Nothing was found here: {word}.", *asked))


def summary(document: Mapping[str, Any], found: int) -> str:
    """How a survey ended, in one line."""
    complete = document.get("complete") is True
    seconds = document.get("seconds")
    took = f" in {time_words(seconds)}" if seconds is not None else ""
    rest = (
        "everything asked for was asked."
        if complete
        else "not everything was asked, the rest is 'not tested'."
    )
    return f"{'✓' if complete else '!'} {found} found{took}: {rest}"


def remarks(document: Mapping[str, Any]) -> str:
    """What concerns the line or the port, and the first of what was not tested."""
    lines = [
        *document.get("notes", ()),
        *([document["failure"]] if document.get("failure") else []),
    ]
    untested = [
        f"Not tested: {u['settings']}, addresses {u['addresses']}"
        for u in document.get("untested", ())
    ]
    return "\n".join(f"! {line}" for line in (*lines, *untested[:_UNTESTED_SHOWN]))


def standing(
    record: SurveyRecord, units: Sequence[UnitRecord], found: int
) -> tuple[StepState, str]:
    """How the step stands after a survey, and what to do next.

    A clash that was sorted out since is none any more: the list of units knows.
    """
    odd = [unit for unit in units if unit.kind != "unit"]
    if record.ended is None:
        return StepState.CHECK, "The survey was cut off. Press s: it goes on where it was."
    if odd:
        where = ", ".join(str(unit.address) for unit in odd[:4])
        return (
            StepState.CHECK,
            f"Look at {where} (e shows the evidence); Readdress (5) sorts out a clash.",
        )
    expect = record.asked.get("expect")
    if not record.complete and expect and found >= expect:
        return StepState.DONE, f"All {expect} expected units were found. Go on to Identify (4)."
    if not record.complete:
        return StepState.CHECK, "Not everything was asked. Press s: it goes on where it ended."
    if not found:
        return (
            StepState.CHECK,
            "Nobody replied. Check supply and wires in Wiring (2), then survey again.",
        )
    if expect is None:
        return (
            StepState.DONE,
            f"Are {found} connected? If more, two may answer as one. Go on to Identify (4).",
        )
    return StepState.DONE, "Go on to Identify (4)."


def asked_everywhere(record: SurveyRecord) -> set[int]:
    """Addresses that were asked at every line setting of the survey; of the others silence says
    little."""
    asked: dict[str, set[int]] = {settings: set() for settings in record.asked.get("settings", ())}
    for one in asked_and_found(record.progress or record.document)[0]:
        asked.setdefault(str(one.settings), set()).update(one.addresses)
    return set.intersection(*asked.values()) if asked else set()


def asked_before(record: SurveyRecord | None) -> dict[LineSettings, set[int]]:
    """Addresses that a survey to go on with has asked, for each line setting; none for a new
    one."""
    asked: dict[LineSettings, set[int]] = {}
    for one in asked_and_found((record and record.progress) or {})[0]:
        asked.setdefault(one.settings, set()).update(one.addresses)
    return asked


def same_search(asked: Mapping[str, Any], search: SearchRange) -> bool:
    """Whether an earlier survey looked for the same."""
    return (
        asked.get("settings") == [str(settings) for settings in search.settings]
        and asked.get("addresses") == format_addresses(search.addresses)
        and asked.get("expect") == search.expect
    )

"""What a stored survey document says, in words for the screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from busprobe.job import SurveyRecord, UnitRecord
from busprobe.modbus.addresses import format_addresses, parse_addresses
from busprobe.wizard.search import Search
from busprobe.wizard.step import StepState

_UNTESTED_SHOWN = 3


def time_words(seconds: float) -> str:
    """A time left, as people say it: ``0:42``, ``1:03:20``."""
    minutes, second = divmod(round(seconds), 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute}:{second:02d}"


def evidence_words(finding: Mapping[str, Any], exchanges: Sequence[str]) -> str:
    """What a finding rests on: the exchanges in words, or the raw replies where only the job knows of it."""
    latency = f", replies after {finding['latency_ms']} ms" if finding.get("latency_ms") is not None else ""
    lines = [f"{finding['kind']} at {finding['settings']}{latency}"]
    lines += [f"! {note}" for note in finding["notes"]]
    lines += exchanges or [f"Reply: {data}" for data in finding["evidence"]]
    return "\n".join(lines)


def summary(document: Mapping[str, Any], found: int) -> str:
    """How a survey ended, in one line."""
    complete = document.get("complete") is True
    seconds = document.get("seconds")
    took = f" in {time_words(seconds)}" if seconds is not None else ""
    rest = "everything asked for was asked." if complete else "not everything was asked, the rest is 'not tested'."
    return f"{'✓' if complete else '!'} {found} found{took}: {rest}"


def remarks(document: Mapping[str, Any]) -> str:
    """What concerns the line or the port, and the first of what was not tested."""
    lines = [*document.get("notes", ()), *([document["failure"]] if document.get("failure") else [])]
    untested = [f"Not tested: {u['settings']}, addresses {u['addresses']}" for u in document.get("untested", ())]
    return "\n".join(f"! {line}" for line in (*lines, *untested[:_UNTESTED_SHOWN]))


def standing(record: SurveyRecord, units: Sequence[UnitRecord], found: int) -> tuple[StepState, str]:
    """How the step stands after a survey, and what to do next.

    A clash that was sorted out since is none any more: the list of units knows.
    """
    odd = [unit for unit in units if unit.kind != "unit"]
    if record.ended is None:
        return StepState.CHECK, "The survey was cut off. Press s: it goes on where it was."
    if odd:
        where = ", ".join(str(unit.address) for unit in odd[:4])
        return StepState.CHECK, f"Look at {where} (e shows the evidence); Readdress (5) sorts out a clash."
    if not record.complete:
        return StepState.CHECK, "Not everything was asked. Press s: it goes on where it ended."
    if not found:
        return StepState.CHECK, "Nobody replied. Check supply and wires in Wiring (2), then survey again."
    return StepState.DONE, "Go on to Identify (4)."


def asked_everywhere(record: SurveyRecord) -> set[int]:
    """Addresses that were asked at every line setting of the survey; of the others silence says little."""
    asked: dict[str, set[int]] = {settings: set() for settings in record.asked.get("settings", ())}
    for entry in (record.progress or record.document).get("asked", ()):
        if entry["addresses"]:
            asked.setdefault(entry["settings"], set()).update(parse_addresses(entry["addresses"]))
    return set.intersection(*asked.values()) if asked else set()


def same_search(asked: Mapping[str, Any], search: Search) -> bool:
    """Whether an earlier survey looked for the same."""
    return (
        asked.get("settings") == [str(settings) for settings in search.settings]
        and asked.get("addresses") == format_addresses(search.addresses)
        and asked.get("expect") == search.expect
    )

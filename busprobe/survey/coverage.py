"""What "complete" means: how often everybody was asked, and how long each reply was waited for."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import format_addresses
from busprobe.survey.result import Asked

_NAMED = 4
"""So many line settings are named; more of them are counted."""


def coverage(document: Mapping[str, Any]) -> Iterator[str]:
    """In words, line settings that were searched alike together, from a survey document or a
    progress document.

    Who was found is not counted: it was looked at closely, and then asked no more.
    """
    found = {(f["settings"], f["address"]) for f in document.get("findings", ())}
    asked: defaultdict[LineSettings, list[Asked]] = defaultdict(list)
    for entry in document.get("asked", ()):
        one = Asked.read(entry)
        asked[one.settings].append(one)
    alike: defaultdict[str, list[str]] = defaultdict(list)
    for settings, entries in asked.items():
        times = Counter(a for e in entries for a in e.addresses if (str(settings), a) not in found)
        if times:
            alike[_words(times, entries)].append(str(settings))
    for words, places in alike.items():
        where = ", ".join(places) if len(places) <= _NAMED else f"{len(places)} line settings"
        yield f"Asked at {where}: {words}."


def _words(times: Counter[int], entries: Sequence[Asked]) -> str:
    waits = [round(1000 * e.wait) for e in entries]
    each = _span(min(times.values()), max(times.values()))
    return (
        f"addresses {format_addresses(sorted(times))}, {each} times each, by {_kinds(entries)}, "
        f"waiting {_span(min(waits), max(waits))} ms and listening on for later replies"
    )


def _kinds(entries: Iterable[Asked]) -> str:
    """Function codes with the registers they read: a unit that has others only stays silent."""
    registers: defaultdict[str, set[int]] = defaultdict(set)
    for name in {entry.probe for entry in entries}:
        function, _, register = name.partition(", register ")
        registers[function.removeprefix("function ")].update([int(register)] if register else [])
    codes = sorted(registers, key=int)
    return f"function {', '.join(code + _at(sorted(registers[code])) for code in codes)}"


def _at(registers: Sequence[int]) -> str:
    listed = ", ".join(map(str, registers))
    return f" (register{'s' if len(registers) > 1 else ''} {listed})" if registers else ""


def _span(least: int, most: int) -> str:
    return str(least) if least == most else f"{least} to {most}"

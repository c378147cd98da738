"""What "complete" means: how often everybody was asked, and how long each reply was waited for."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import format_addresses
from busprobe.survey.result import Asked

_NAMED = 4
"""So many line settings are named; more of them are counted."""


def coverage(asked: Iterable[Asked], found: Collection[Place]) -> Iterator[str]:
    """In words, line settings that were searched alike together.

    Who was `found` is not counted: it was looked at closely, and then asked no more.
    """
    by_settings: defaultdict[LineSettings, list[Asked]] = defaultdict(list)
    for one in asked:
        by_settings[one.settings].append(one)
    alike: defaultdict[str, list[str]] = defaultdict(list)
    for settings, entries in by_settings.items():
        times = Counter(a for e in entries for a in e.addresses if Place(a, settings) not in found)
        if times:
            alike[_words(times, entries)].append(str(settings))
    for words, places in alike.items():
        where = ", ".join(places) if len(places) <= _NAMED else f"{len(places)} line settings"
        yield f"Asked at {where}: {words}."


def _words(times: Counter[int], entries: Sequence[Asked]) -> str:
    waits = [e.wait_ms for e in entries]
    each = _span(min(times.values()), max(times.values()))
    return (
        f"addresses {format_addresses(sorted(times))}, {each} times each, by {_kinds(entries)}, "
        f"waiting {_span(min(waits), max(waits))} ms and listening on for later replies"
    )


def _kinds(entries: Iterable[Asked]) -> str:
    """Function codes with the registers they read: a unit that has others only stays silent."""
    registers: defaultdict[int, set[int]] = defaultdict(set)
    for probe in {entry.probe for entry in entries}:
        registers[probe.function].update([probe.register] if probe.reads else [])
    kinds = (f"{int(code)}{_at(sorted(registers[code]))}" for code in sorted(registers))
    return f"function {', '.join(kinds)}"


def _at(registers: Sequence[int]) -> str:
    listed = ", ".join(map(str, registers))
    return f" (register{'s' if len(registers) > 1 else ''} {listed})" if registers else ""


def _span(least: int, most: int) -> str:
    return str(least) if least == most else f"{least} to {most}"

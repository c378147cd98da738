"""``busprobe play-master``: the bus at work by a table of requests, before the master is there."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode, RefusedError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.prove.playing import Asked, PlayEnded, RequestTally, play
from busprobe.prove.request_table import TablePoint, TableRequest, load_table
from busprobe.prove.statistics import milliseconds
from busprobe.session.session import Session
from busprobe.text import harmless, hex_bytes

if TYPE_CHECKING:
    from rich.table import Table

_LISTEN_S = 1.0
"""Seconds of listening for another master before anything is sent."""

_A_SECOND = 4
"""How often the values on the screen are drawn anew."""

_COLUMNS = ("Address", "Tag", "Point", "Value", "Every s", "Cycle s", "Missed")
_TALLY_COLUMNS = (
    *("Unit", "FC", "Register", "Every s", "Asked", "Missed", "Exc.", "Again", "Skip"),
    *("Cycle s", "Max s"),
)


@dataclass(frozen=True, kw_only=True)
class PlayedPoint:
    """A point and what it read last."""

    tag: str
    point: str
    value: str
    """For a person, with its unit; empty where nothing came."""


@dataclass(frozen=True, kw_only=True)
class PlayedRequest:
    """A request of the table and what became of it."""

    address: int
    settings: str
    request: str
    """The frame in hex."""
    every_s: float | None
    """Seconds between two; null where it was asked once."""
    asked: int
    """Turns, without retries."""
    missed: int
    """Turns without a valid reply or an exception, after all retries."""
    refused: int
    retried: int
    skipped: int
    """Turns left out, because it was due again before its turn came."""
    cycle_median_ms: float | None
    """From one turn to the next, as measured."""
    cycle_max_ms: float | None
    points: tuple[PlayedPoint, ...]


@dataclass(frozen=True, kw_only=True)
class PlayMasterDocument:
    """What ``busprobe play-master --json`` prints."""

    format: Literal["busprobe.play-master/1"] = "busprobe.play-master/1"
    seconds: float
    requests: tuple[PlayedRequest, ...]


def run(
    port: str,
    table: Path,
    settings: LineSettings | None,
    seconds: float | None,
    despite_master: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe play-master`` is asked for."""
    requests = load_table(table, settings)
    stop = threading.Event()
    with session_on(port, None, requests[0].place.settings) as session, on_stop(stop.set):
        _refuse_beside_another(session, despite_master=despite_master)
        last, ended = _follow(session, requests, seconds, stop)
    if as_json:
        output.publish(_document(ended, last))
    else:
        output.table(_COLUMNS[:-2], _value_rows(requests, last))
        output.line("")
        output.table(_TALLY_COLUMNS, [_tally_row(tally) for tally in ended.tallies])
        output.lines(_conclusions(ended))
    if ended.failure is not None:
        raise ended.failure
    return ExitCode.ATTENTION if any(_is_wrong(one) for one in ended.tallies) else ExitCode.DONE


def _refuse_beside_another(session: Session, *, despite_master: bool) -> None:
    heard = session.listen(_LISTEN_S)
    if heard.other_master and not despite_master:
        raise RefusedError(
            heard.words,
            means="Two masters on one pair disturb each other; nothing was sent.",
            todo="Take the other master off, or go on all the same with --despite-master.",
        )


def _follow(
    session: Session,
    requests: Sequence[TableRequest],
    seconds: float | None,
    stop: threading.Event,
) -> tuple[dict[int, Asked], PlayEnded]:
    """Play to the end, with the values on the screen where there is one; the last turn of each
    request, and what was counted."""
    last: dict[int, Asked] = {}
    console = output.console(stderr=True)
    with ExitStack() as stack:
        live = None
        if console.is_terminal:
            from rich.live import Live

            live = stack.enter_context(
                Live(console=console, refresh_per_second=_A_SECOND, transient=True)
            )
        for event in play(session.line, requests, seconds=seconds, stop=stop):
            if isinstance(event, PlayEnded):
                return last, event
            last[event.number] = event
            if live is not None:
                live.update(_live(requests, last))
            if event.missed:
                output.say_on(console, _miss(event))
    raise AssertionError("it ends with PlayEnded")


def _miss(event: Asked) -> str:
    place, block = event.request.place, event.request.block
    return f"{both_forms(place.address)}, {block.words}: {event.reply.words}"


def _live(requests: Sequence[TableRequest], last: dict[int, Asked]) -> Table:
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=None, pad_edge=False, header_style="bold")
    for column in _COLUMNS:
        shown.add_column(column, overflow="fold")
    for row in _value_rows(requests, last, live=True):
        shown.add_row(*(Text(harmless(cell)) for cell in row))
    return shown


def _value_rows(
    requests: Sequence[TableRequest], last: dict[int, Asked], *, live: bool = False
) -> Iterator[tuple[str, ...]]:
    for number, request in enumerate(requests):
        asked = last.get(number)
        for point, value in _values(request, asked):
            row = _point_cells(request, point, value)
            yield (*row, *_cycle_cells(number, asked)) if live else row


def _values(request: TableRequest, asked: Asked | None) -> Iterator[tuple[TablePoint, str]]:
    """The points of a request with what they read last; empty before its first turn."""
    values = asked.values if asked else ("",) * len(request.points)
    return zip(request.points, values, strict=True)


def _point_cells(request: TableRequest, point: TablePoint, value: str) -> tuple[str, ...]:
    place = both_forms(request.place.address)
    return place, point.tag, point.name, value, _every(request)


def _cycle_cells(number: int, asked: Asked | None) -> tuple[str, str]:
    if asked is None:
        return "", ""
    tally = asked.tallies[number]
    return _seconds(asked.cycle_s), f"{tally.missed} of {tally.asked}"


def _tally_row(tally: RequestTally) -> tuple[object, ...]:
    request = tally.request
    block = request.block
    last = "" if block.count == 1 else f"-{block.register + block.count - 1}"
    return (
        *(request.place.address, block.function, f"{block.register}{last}", _every(request)),
        *(tally.asked, tally.missed, tally.refused, tally.retried, tally.skipped),
        *(_seconds(tally.cycles.median), _seconds(tally.cycles.maximum)),
    )


def _every(request: TableRequest) -> str:
    return "once" if request.every_s is None else f"{request.every_s:g}"


def _seconds(time: float | None) -> str:
    return "" if time is None else f"{time:.2f}"


def _is_wrong(tally: RequestTally) -> bool:
    return bool(tally.missed or tally.refused or tally.skipped)


def _conclusions(ended: PlayEnded) -> Iterator[str]:
    asked = sum(tally.asked for tally in ended.tallies)
    missed = sum(tally.missed for tally in ended.tallies)
    refused = sum(tally.refused for tally in ended.tallies)
    yield (
        f"{asked} requests in {ended.seconds:.0f} s: {missed} without a valid reply after their"
        f" retries, {refused} refused."
    )
    behind = [tally for tally in ended.tallies if tally.skipped]
    if behind:
        yield (
            f"{sum(tally.skipped for tally in behind)} turns of {len(behind)} requests were left"
            " out: the bus cannot carry the table at these intervals."
        )


def _document(ended: PlayEnded, last: dict[int, Asked]) -> PlayMasterDocument:
    return PlayMasterDocument(
        seconds=round(ended.seconds, 3),
        requests=tuple(
            PlayedRequest(
                address=tally.request.place.address,
                settings=str(tally.request.place.settings),
                request=hex_bytes(tally.request.request.frame),
                every_s=tally.request.every_s,
                asked=tally.asked,
                missed=tally.missed,
                refused=tally.refused,
                retried=tally.retried,
                skipped=tally.skipped,
                cycle_median_ms=milliseconds(tally.cycles.median),
                cycle_max_ms=milliseconds(tally.cycles.maximum),
                points=tuple(
                    PlayedPoint(tag=point.tag, point=point.name, value=value)
                    for point, value in _values(tally.request, last.get(number))
                ),
            )
            for number, tally in enumerate(ended.tallies)
        ),
    )

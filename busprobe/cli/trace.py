"""``busprobe trace``: what a trace holds, exchange by exchange."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.errors import ExitCode, FileError, Mistake
from busprobe.files import pcapng
from busprobe.files.reading import obstacle, reason
from busprobe.line.echo import Echo
from busprobe.modbus.traced import TracedExchange, exchanges
from busprobe.text import hex_bytes


@dataclass(frozen=True, kw_only=True)
class TraceDocument:
    """What ``busprobe trace --json`` prints."""

    format: Literal["busprobe.trace/1"] = "busprobe.trace/1"
    file: str
    exchanges: tuple[TracedExchange, ...]
    missing: str
    """Why there is no more, where the file is cut off or damaged; empty where it is whole."""


def run(file: Path, as_json: bool) -> ExitCode:
    """Do what ``busprobe trace`` is asked for."""
    kept: list[TracedExchange] = []
    missing = ""
    try:
        for exchange in _read(file):
            if as_json:
                kept.append(exchange)
            else:
                output.lines(_told(exchange))
    except ValueError as error:
        missing = str(error)
        output.say(f"What follows in {file} cannot be read: {missing}.")
    if as_json:
        output.publish(TraceDocument(file=str(file), exchanges=tuple(kept), missing=missing))
    return ExitCode.ATTENTION if missing else ExitCode.DONE


def _read(file: Path) -> Iterator[TracedExchange]:
    """The exchanges in `file`; raises `FileError` where it is no trace, and ValueError where it is
    one up to there."""
    wrong = obstacle(file)
    found = False
    if not wrong:
        try:
            with file.open("rb") as opened:
                for exchange in exchanges(pcapng.read(opened)):
                    found = True
                    yield exchange
            return
        except OSError as error:
            wrong = f"it cannot be read; {reason(error)}"
        except ValueError as error:
            if found:
                raise
            wrong = str(error)
    raise FileError(
        str(file), [Mistake("", wrong)], kind="trace", todo="Name a file that --trace has written."
    )


def _told(exchange: TracedExchange) -> Iterator[str]:
    """An exchange in two or three lines."""
    time = exchange.at.astimezone().isoformat(" ", "microseconds")
    yield f"{time}  {exchange.port} {exchange.settings}  {exchange.asked}".rstrip()
    if exchange.request:
        yield f"  sent      {hex_bytes(exchange.request)}"
    parts = [exchange.told]
    if exchange.latency_ms is not None:
        parts.append(f"begun {exchange.latency_ms:.1f} ms after the request")
    if exchange.echo is Echo.FULL:
        parts.append("our own echo came first")
    if exchange.flagged:
        parts.append(f"{len(exchange.flagged)} bytes flagged by the receiver")
    yield f"  received  {'; '.join(parts)}"

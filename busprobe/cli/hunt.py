"""``busprobe hunt``: say at once when a unit starts or stops answering, hands at the terminals."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode, PortError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.session.wiring_record import HuntLog
from busprobe.wiring.hunt import HuntRound, Seen, UnitChanged
from busprobe.wiring.wording import change_words, port_words

_SHOWN = {
    Seen.REPLIES: "ANSWERS  {}",
    Seen.SILENCE: "SILENT",
    Seen.GARBLED: "GARBLED  two units at this address, or a bad contact",
}


@dataclass(frozen=True)
class HuntEvent:
    """A unit that started or stopped answering."""

    seconds: float
    """Since the hunt began."""
    address: int
    answers: bool
    garbled: bool
    """Whether bytes came that are no frame."""


@dataclass(frozen=True, kw_only=True)
class HuntDocument:
    """What ``busprobe hunt --json`` prints; the lists are of the last whole round."""

    format: Literal["busprobe.hunt/1"] = "busprobe.hunt/1"
    events: tuple[HuntEvent, ...]
    present: tuple[int, ...]
    loses_replies: tuple[int, ...]
    garbled: tuple[int, ...]


def run(
    port: str,
    settings: LineSettings,
    addresses: tuple[int, ...],
    rounds: int | None,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe hunt`` is asked for."""
    cancel = threading.Event()
    log: list[HuntEvent] = []
    last = HuntRound(0, 0.0, 0.0, (), (), ())
    kept: list[str] = []
    with session_on(port, job_file, settings) as session, on_stop(cancel.set):
        output.say(f"Asking {format_addresses(addresses)} at {settings}; Ctrl-C ends the hunt.")
        hunted = HuntLog(session.job, format_addresses(addresses))
        start = session.line.clock.now()
        try:
            for event in session.hunt(addresses, cancel, wait_for_port=rounds is None):
                if isinstance(event, HuntRound):
                    last = event
                    if rounds is not None and event.number >= rounds:
                        cancel.set()
                    continue
                if not isinstance(event, UnitChanged):
                    said = port_words(event)
                    _tell(f"{session.line.clock.now() - start:8.1f} s  {said}", as_json)
                    kept.append(f"{_time_of_day()}  {said}")
                    hunted.keep(kept)
                    last = replace(last, present=(), lost=(), garbled=())
                    continue
                seconds = event.at - start
                shown = _SHOWN[event.now].format(event.words)
                _tell(f"{seconds:8.1f} s  {both_forms(event.address)} {shown}", as_json)
                log.append(_entry(event, seconds))
                kept.append(f"{_time_of_day()}  {change_words(event)}")
                hunted.keep(kept)
        except PortError as error:
            kept.append(f"{_time_of_day()}  the hunt has ended: {error.what}")
            raise
        finally:
            hunted.keep(kept)
    if as_json:
        output.publish(
            HuntDocument(
                events=tuple(log),
                present=last.present,
                loses_replies=last.lost,
                garbled=last.garbled,
            )
        )
    else:
        output.lines([f"Answering at the end: {format_addresses(last.present) or 'no unit'}"])
        if last.lost:
            output.lines([f"Loses replies: {format_addresses(last.lost)}"])
        if last.garbled:
            output.lines([f"Bytes but no frame: {format_addresses(last.garbled)}"])
    return ExitCode.ATTENTION if last.garbled else ExitCode.DONE


def _entry(change: UnitChanged, seconds: float) -> HuntEvent:
    """A change as the document has it."""
    answers, garbled = change.now is Seen.REPLIES, change.now is Seen.GARBLED
    return HuntEvent(round(seconds, 3), change.address, answers, garbled)


def _time_of_day() -> str:
    return f"{datetime.now().astimezone():%H:%M:%S}"


def _tell(words: str, as_json: bool) -> None:
    if as_json:
        output.say(words)
    else:
        output.ring()
        output.line(words)

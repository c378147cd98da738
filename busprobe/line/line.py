"""The line: exchanges on a port, the same on every kind of port.

The end of a reply is known by its declared length; silence is only the fallback, since USB adapters
deliver bytes in bursts and gaps of 1.5 characters cannot be seen from user space.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from threading import Event as StopFlag
from types import TracebackType
from typing import Self

from busprobe.errors import StoppedError
from busprobe.line.clock import Clock
from busprobe.line.echo import Echo, Own, OwnFrames, without_echo
from busprobe.line.exchange import PULSES, Ending, Exchange, Heard, RequestFrame, Waits
from busprobe.line.line_errors import LineErrors, TellsErrors
from busprobe.line.port import CarriesSome, Chunk, Port
from busprobe.line.settings import LineSettings
from busprobe.line.trace import traced
from busprobe.text import hex_bytes

_LOG = logging.getLogger(__name__)

_MOST_BYTES = 1024
"""Bytes after which an exchange ends whatever comes; four times the longest frame (256, V1.02
section 2.5.1), so that a sender without a pause cannot hold us."""
_TWICE_THE_LINE = 2
"""How many times as much as the line settings carry is listened to; a network can deliver more."""
_REST = 0.12
"""Seconds to wait for the rest of a reply that has begun: serial servers deliver in bursts of up
to 100 ms (common practice)."""


class Line:
    """An open port at known settings.  A context manager; not for use by two threads at once."""

    def __init__(self, port: Port, settings: LineSettings) -> None:
        """Take over `port` and switch it to `settings`; raises `PortError` if that fails."""
        port = self._port = traced(port)
        self._settings = settings
        self._last_activity = self._latest = port.clock.now()
        self._teller = port if isinstance(port, TellsErrors) else None
        self._stop: StopFlag | None = None
        self._own = OwnFrames()
        self.echo: Echo | None = None
        """Whether this port gives back what it sends, by the last exchange that could tell; None
        before one could, and where it gives back something else."""
        port.apply(settings)
        _LOG.info("%s is open at %s", self.name, settings)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def name(self) -> str:
        """The port's name as the user wrote it."""
        return self._port.name

    @property
    def clock(self) -> Clock:
        """The clock all times of this line are told in."""
        return self._port.clock

    @property
    def settings(self) -> LineSettings:
        """What the line is set to now."""
        return self._settings

    def apply(self, settings: LineSettings) -> None:
        """Switch to `settings` if they differ; bytes received before under the old ones are
        dropped."""
        if settings != self._settings:
            self._port.apply(settings)
            _LOG.info("%s is switched to %s", self.name, settings)
            self._settings = settings
            self._own.forget()
            # Units at the new settings may still be hearing the last traffic as a character of
            # their own.
            self._last_activity += settings.character_time

    def carries(self, settings: LineSettings) -> bool:
        """Whether the port can put `settings` on the wire, as far as it knows."""
        return not isinstance(self._port, CarriesSome) or self._port.carries(settings)

    def close(self) -> None:
        """Release the port; never raises, may be called again."""
        self._port.close()
        _LOG.info("%s is closed", self.name)

    @contextmanager
    def stopped_by(self, stop: StopFlag | None) -> Iterator[None]:
        """While this lasts, no exchange and no listening begins once `stop` is set; `StoppedError`
        is raised instead.

        For looks that may be left off at any moment; never around a write and what tells its
        outcome.
        """
        before, self._stop = self._stop, stop
        try:
            yield
        finally:
            self._stop = before

    def exchange(self, request: RequestFrame, waits: Waits) -> Exchange:
        """Send `request` and gather all that comes back; raises `PortError` if the port fails.

        Raises `StoppedError` before anything is sent where `stopped_by` says so.

        A local echo is taken out wherever it lies in what arrives; bytes ahead of it were there
        before and count as left over.  Where the reply to a request looks like its echo (function
        codes 6 and 8), what earlier exchanges showed of this port decides; as long as nothing is
        known, it counts as an echo, so that an echo is never taken for a reply.

        However much comes, it is over after 1024 bytes, or when the longest frame could have been
        received four times.
        """
        self._check_stop()
        leftover = self._settle(waits.quiet)
        errors = self._all_errors()
        frame = request.frame
        started = self.clock.now()
        self._miss_echo()
        sent = self._port.send(frame)
        may_echo = not request.mirrored or self.echo is not Echo.NONE
        if may_echo:
            self._own.sent(frame, sent)
        silence = max(waits.silence, self._settings.t3_5)
        latest = sent + waits.reply + waits.after + self._settings.wire_time(_MOST_BYTES)
        chunks: list[Chunk] = []
        received = b""
        ending = Ending.TIMEOUT
        deadline = sent + waits.reply
        while (chunk := self._receive(min(deadline, latest))) is not None:
            chunks.append(chunk)
            received += chunk.data
            own = self._own.among(received, echoing=self.echo is Echo.FULL)
            answer = own.without(received, own.answer_from or 0)
            if len(received) >= _MOST_BYTES or chunk.at >= latest:
                break
            if may_echo and (not answer or not without_echo(frame, answer)):
                ending, deadline = Ending.TIMEOUT, sent + waits.reply
                # so far it is our own echo, or what the adapter makes of it: the reply wait goes on
                continue
            if ending is Ending.LENGTH:
                continue  # a whole reply was there: listen on for `after`, whatever comes
            if request.is_complete(answer):
                ending = Ending.LENGTH
                deadline = chunk.at + waits.after
                if not waits.after:
                    break
            elif answer.strip(PULSES):
                ending = Ending.SILENCE
                due = request.is_begun(answer.lstrip(PULSES))
                deadline = max(sent, chunk.at) + (max(silence, _REST) if due else silence)
            # else nothing but pulses so far, as when an adapter turns round: the reply wait goes on
        own = self._settled(received)
        answer_from = own.answer_from or 0
        answer = own.without(received, answer_from)
        echoed = own.answer_from is not None
        altered = without_echo(frame, answer) != answer
        if not own.ranges and not request.mirrored and (altered or ending is Ending.LENGTH):
            # A faithful echo would have come before the reply.
            self.echo = None if altered else Echo.NONE
            self._own.forget()
        self._miss_echo()
        self._last_activity = max(sent, chunks[-1].at if chunks else sent)
        made = Exchange(
            request=frame,
            settings=self._settings,
            started=started,
            sent=sent,
            ended=self.clock.now(),
            chunks=_without(chunks, (range(answer_from), *own.ranges)),
            echo=Echo.FULL if echoed else Echo.NONE,
            ending=ending,
            leftover=leftover + own.without(received[:answer_from]),
            errors=self._errors_since(errors),
        )
        if _LOG.isEnabledFor(logging.DEBUG):
            told = hex_bytes(made.received) or "nothing"
            _LOG.debug(
                "%s: sent %s, received %s; end: %s", self.name, hex_bytes(frame), told, ending
            )
        return made

    def listen(self, seconds: float) -> Heard:
        """Gather what comes in `seconds` without sending; raises `PortError` if the port fails.

        It ends sooner where twice as many bytes have come as the line settings can carry.
        """
        self._check_stop()
        errors = self._all_errors()
        start = self.clock.now()
        end = start + seconds
        most = _MOST_BYTES + _TWICE_THE_LINE * int(seconds / self._settings.character_time)
        chunks: list[Chunk] = []
        count = 0
        while (chunk := self._receive(end)) is not None:
            chunks.append(chunk)
            count += len(chunk.data)
            if chunk.at >= end or count >= most:
                break
        if chunks:
            self._last_activity = chunks[-1].at
        own = self._settled(b"".join(chunk.data for chunk in chunks))
        return Heard(
            self.clock.now() - start, _without(chunks, own.ranges), self._errors_since(errors)
        )

    def _receive(self, until: float) -> Chunk | None:
        """What the port gives, with times that only go forward and are not ahead of the clock: the
        waits of others are made from them."""
        chunk = self._port.receive(until)
        if chunk is None or not chunk.data:
            return None
        at = min(max(chunk.at, self._latest), self.clock.now())
        self._latest = max(self._latest, at)
        bad = tuple(index for index in chunk.bad if 0 <= index < len(chunk.data))
        return chunk if (at, bad) == (chunk.at, chunk.bad) else replace(chunk, at=at, bad=bad)

    def _check_stop(self) -> None:
        if self._stop is not None and self._stop.is_set():
            raise StoppedError

    def _all_errors(self) -> LineErrors | None:
        return None if self._teller is None else self._teller.line_errors()

    def _errors_since(self, before: LineErrors | None) -> LineErrors | None:
        """What the system has seen of errors since `before`; None where it does not tell."""
        now = self._all_errors()
        return None if now is None or before is None else now.since(before)

    def _settle(self, quiet: float) -> bytes:
        """Wait until the pair has been silent long enough; return what arrived meanwhile."""
        quiet = max(quiet, self._settings.t3_5)
        latest = self.clock.now() + quiet + self._settings.wire_time(_MOST_BYTES)
        leftover = b""
        while (chunk := self._receive(min(self._last_activity + quiet, latest))) is not None:
            leftover += chunk.data
            self._last_activity = chunk.at
            if len(leftover) >= _MOST_BYTES or chunk.at >= latest:
                break
        return self._settled(leftover).without(leftover)

    def _miss_echo(self) -> None:
        """Where none came in time the port gives none."""
        if self._own.expired(self.clock.now()):
            self.echo = Echo.NONE

    def _settled(self, data: bytes) -> Own:
        """What of `data` is our own; it will not be looked at again."""
        own = self._own.among(data, echoing=self.echo is Echo.FULL)
        self._own.settle(own)
        if own.ranges:
            self.echo = Echo.FULL
        return own


def _without(chunks: list[Chunk], ranges: Iterable[range]) -> tuple[Chunk, ...]:
    """`chunks` less the bytes whose indexes, counted through all of them, are in `ranges`."""
    drop = {index for part in ranges for index in part}
    if not drop:
        return tuple(chunks)
    kept = []
    start = 0
    for chunk in chunks:
        places = [at for at in range(len(chunk.data)) if start + at not in drop]
        start += len(chunk.data)
        if places:
            bad = tuple(new for new, old in enumerate(places) if old in chunk.bad)
            kept.append(replace(chunk, data=bytes(chunk.data[at] for at in places), bad=bad))
    return tuple(kept)

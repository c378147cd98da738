"""Faults of the line and the adapter: an echo that is not faithful, bytes in bursts, pulses, a bus
that is never quiet, a gateway, line settings that the port does not apply."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Generator, Iterator
from dataclasses import replace
from enum import Enum

from busprobe.errors import PortError
from busprobe.line.echo import has_more_ones, is_echo
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings, Parity
from busprobe.modbus.replies import Reply
from busprobe.modbus.traffic import Frame
from busprobe.survey import words
from busprobe.survey.events import Event, Fault
from busprobe.survey.findings import About, IgnoredSettings
from busprobe.survey.interference import is_altered_echo
from busprobe.survey.late_replies import OpenRequests
from busprobe.survey.listen import listening
from busprobe.survey.probes import Probe, WireStep, ask
from busprobe.survey.state import SurveyState
from busprobe.survey.waits import LearnedWaits

_SEVERAL_ECHOES = 3
"""Echoes gone wrong before it is put down to the adapter."""
_MANY_PULSES = 8
"""Requests followed by a pulse from which they are put down to the bus."""
_MORE_THAN_A_FRAME = 300
"""Bytes in one exchange that no frame explains (256 at most, V1.02 section 2.5.1)."""
_LISTEN = 1.0
"""Seconds of listening that tell a bus that is never quiet."""
_LATE_BURSTS = 0.008
"""Seconds from which bursts are told of; the latency timer of common USB chips is 16 ms (common
practice)."""
_MARGIN = 1.1
"""By how much a gateway's wait may vary."""
_UNUSED_BAUD = 1800
"""A rate that POSIX systems know and no unit is delivered with: a unit that answers there hears
any rate.
"""
_TRIES = 2


class Echoed(Enum):
    """How an echo differs from what was sent."""

    IN_PART = 1
    MORE_ONES = 2
    WRONG = 3
    """With wrong bytes in it."""


class LineFaults:
    """Notices them, and books each once."""

    def __init__(
        self, line: Line, state: SurveyState, learned: LearnedWaits, open_requests: OpenRequests
    ) -> None:
        self._line = line
        self._state = state
        self._learned = learned
        self._open_requests = open_requests
        self._echoes: defaultdict[LineSettings, list[Echoed]] = defaultdict(list)

    def never_quiet(self, reply: Reply) -> Generator[Event, None, tuple[Frame, ...]]:
        """Where more came than any frame has, listen whether the bus is ever quiet; the frames
        heard meanwhile."""
        if len(reply.exchange.leftover) + len(reply.exchange.received) <= _MORE_THAN_A_FRAME:
            return ()
        heard = yield from listening(self._line, _LISTEN)
        if heard.stuck:
            self._state.stuck = True
            yield from self._tell(About.STUCK, heard.words)
        return heard.frames

    def gateway(self, late: float = 0.0) -> Iterator[Event]:
        """A gateway said that it does not reach the unit asked, perhaps `late` seconds after the
        request."""
        if late:
            self._learned.wait_for_absent(_MARGIN * late)
        if self._state.note(About.GATEWAY, words.GATEWAY):
            # Whatever it was asked while it waited it has not heard.
            self._open_requests.suspect(self._line.clock.now() - late)
            yield Fault(words.GATEWAY)

    def pulse(self) -> Iterator[Event]:
        """One more request was followed by a pulse and nothing else; told at once where no unit
        has answered yet."""
        pulses = self._state.shown.pulses + 1
        self._state.shown = replace(self._state.shown, pulses=pulses)
        if pulses == _MANY_PULSES and not self._state.findings:
            yield from self._tell(About.PULSES, words.PULSES)

    def burst_delay(self) -> Iterator[Event]:
        """The adapter delivers bytes in bursts, late."""
        late = self._learned.burst_delay
        if late is not None and late >= _LATE_BURSTS:
            yield from self._tell(About.BURSTS, words.bursts(late))

    def echo(self, reply: Reply) -> Iterator[Event]:
        """The adapter gives back its own transmission, but not faithfully."""
        if not is_altered_echo(reply) or self._state.shown.other_master:
            return  # what another master asks can look like what we asked
        sent, back = reply.request.frame, reply.exchange.received
        echoes = self._echoes[self._line.settings]
        if not is_echo(sent, back[: len(sent)]):
            echoes.append(Echoed.IN_PART)
        else:
            echoes.append(Echoed.MORE_ONES if has_more_ones(sent, back) else Echoed.WRONG)
        if len(echoes) != _SEVERAL_ECHOES:
            return
        settings = self._line.settings
        if Echoed.WRONG in echoes:
            said = words.wrong_echo(settings)
        elif Echoed.IN_PART in echoes:
            said = words.ECHO_IN_PART
        else:
            said = words.echo_of_ones(settings)
        yield from self._tell(About.ECHO, said, settings)

    def _tell(self, about: About, said: str, at: LineSettings | None = None) -> Iterator[Event]:
        if self._state.note(about, said, at):
            yield Fault(said)


def find_ignored(
    line: Line, address: int, probe: Probe, waits: Waits
) -> Generator[WireStep, None, IgnoredSettings]:
    """Ask the unit at `address` at settings it cannot have: through a port that does not apply them
    one unit looks like many.  The line is left as it was.

    Raises `PortError` if the port fails.
    """
    own = line.settings

    def answers_at(settings: LineSettings) -> Generator[WireStep, None, bool]:
        if not line.carries(settings):
            return False  # nothing is asked there anyway
        try:
            line.apply(settings)
        except PortError:
            return False  # a rate that the port refuses is one that it applies
        request = probe.request(address)
        for _ in range(_TRIES):
            reply = yield from ask(line, request, waits)
            if not reply.present:
                return False
        return True

    try:
        baud = yield from answers_at(replace(own, baud=_UNUSED_BAUD))
        parity = True
        for other in Parity:
            if parity and other is not own.parity:
                parity = yield from answers_at(replace(own, parity=other, stop_bits=1))
        return IgnoredSettings(baud=baud, parity=parity)
    finally:
        line.apply(own)

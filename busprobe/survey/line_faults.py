"""What goes wrong around the units and is told once: the adapter's echo, a gateway, a pair that is
never quiet."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Generator, Iterator
from enum import Enum

from busprobe.line.exchange import has_more_ones, is_echo
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply
from busprobe.modbus.traffic import Frame
from busprobe.survey.events import Event, Trouble
from busprobe.survey.interference import is_altered_echo
from busprobe.survey.late_replies import OpenRequests
from busprobe.survey.learned_waits import LearnedWaits
from busprobe.survey.listen import listening
from busprobe.survey.result import About
from busprobe.survey.state import SurveyState

_SEVERAL_ECHOES = 3
"""Echoes gone wrong before it is put down to the adapter."""
_MANY_PULSES = 8
"""Requests followed by a pulse from which it is put down to the pair."""
_FLOOD = 300
"""Bytes in one exchange that no frame explains (256 at most, V1.02 section 2.5.1)."""
_LISTEN = 1.0
"""Seconds of listening that tell a pair that is never quiet."""
_LATE_BURSTS = 0.008
"""Seconds from which lumps are worth a word; the latency timer of common USB chips is 16 ms (common
practice)."""
_MARGIN = 1.1
"""By how much a gateway's wait may vary."""


class Echoed(Enum):
    """How an echo differs from what was sent."""

    IN_PART = 1
    MORE_ONES = 2
    WRONG = 3
    """With wrong bytes in it."""


class LineFaults:
    """Notices them, and books each once."""

    def __init__(
        self, line: Line, state: SurveyState, learned: LearnedWaits, owed: OpenRequests
    ) -> None:
        self._line = line
        self._state = state
        self._learned = learned
        self._open_requests = owed
        self._echoes: defaultdict[LineSettings, list[Echoed]] = defaultdict(list)

    def flood(self, reply: Reply) -> Generator[Event, None, tuple[Frame, ...]]:
        """Where more came than any frame has, listen whether the pair is ever quiet; the frames
        heard meanwhile."""
        if len(reply.exchange.leftover) + len(reply.exchange.received) <= _FLOOD:
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
            self._learned.wait_for_gateway(_MARGIN * late)
        words = (
            "A gateway answers for units that do not respond (exception 10 or 11); those are not"
            " counted as units."
        )
        if self._state.note(About.GATEWAY, words):
            # Whatever it was asked while it waited it has not heard.
            self._open_requests.suspect(self._line.clock.now() - late)
            yield Trouble(words)

    def pulse(self) -> Iterator[Event]:
        """One more request was followed by a pulse and nothing else; said at once where nobody has
        answered yet."""
        self._state.pulses += 1
        if self._state.pulses == _MANY_PULSES and not self._state.findings:
            yield from self._tell(
                About.PULSES,
                "Requests are followed by a pulse (such as 00) and nothing more: the pair does not"
                " come to rest when the adapter lets go of it. A unit stuck sending, a short,"
                " reversed bias or none: take off half the units at a time until units answer.",
            )

    def burst_delay(self) -> Iterator[Event]:
        """The adapter hands bytes over late."""
        late = self._learned.burst_delay
        if late is not None and late >= _LATE_BURSTS:
            yield from self._tell(
                About.BURSTS,
                f"The adapter hands bytes over in lumps, up to {1000 * late:.0f} ms late: reply"
                " times may be too long by as much, and no wait is shorter. Its driver's latency"
                " timer may be set lower.",
            )

    def echo(self, reply: Reply) -> Iterator[Event]:
        """The adapter gives back its own transmission, but not faithfully."""
        if not is_altered_echo(reply):
            return
        sent, back = reply.request.frame, reply.exchange.received
        echoes = self._echoes[self._line.settings]
        if not is_echo(sent, back[: len(sent)]):
            echoes.append(Echoed.IN_PART)
        else:
            echoes.append(Echoed.MORE_ONES if has_more_ones(sent, back) else Echoed.WRONG)
        if len(echoes) != _SEVERAL_ECHOES:
            return
        if Echoed.WRONG in echoes:
            words = (
                f"At {self._line.settings} the adapter hears its own transmission with wrong bytes"
                " in it: somebody else drives the pair at the same time, or the adapter cannot"
                " drive it."
            )
        elif Echoed.IN_PART in echoes:
            words = (
                "The adapter hears part of its own transmission: it switches direction while it"
                " still sends."
            )
        else:
            words = (
                f"At {self._line.settings} the adapter hears its own transmission with ones where"
                " zeros were sent: it cannot drive this baud rate. Use a higher one, or an adapter"
                " that switches direction properly."
            )
        yield from self._tell(About.ECHO, words, self._line.settings)

    def _tell(self, about: About, words: str, at: LineSettings | None = None) -> Iterator[Event]:
        if self._state.note(about, words, at):
            yield Trouble(words)

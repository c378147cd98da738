"""What units receive: characters gathered into frames, for all units that are set and wired alike.

Units with the same line settings, polarity and kind of receiver receive the same, so it is made
out once for all of them. The one difference, that a unit hears nothing while it works on a request
or sends, is kept: characters that begin in that time are taken out for that unit.  (A real receiver
that is turned on in the middle of somebody else's character may also see edges that are not there
for a continuous one; that is not modelled.)

A frame is over after 3.5 characters of silence and is dropped if one of its characters is bad
(MODBUS over Serial Line V1.02, section 2.5.1.1).  Gaps of more than 1.5 characters inside a frame
are let pass, as most units do.
"""

from __future__ import annotations

from collections.abc import Callable

from busprobe.modbus import framing
from busprobe.virtual.bus import Bus
from busprobe.virtual.uart import Character, ReceiverSetup
from busprobe.virtual.unit import Unit, UnitAnswer
from busprobe.virtual.waveform import Receiver

_ROUNDING = 1e-6
"""Seconds by which a silence may fall short by rounding."""


class FrameReceiver:
    """The common receiver of units that are set and wired alike."""

    def __init__(
        self, bus: Bus, setup: ReceiverSetup, since: float, resettled: Callable[[float], None]
    ) -> None:
        """Listen on `bus` from clock time `since`; `resettled` is told when a unit is set
        otherwise from then on."""
        self.units: tuple[Unit, ...] = ()
        """Who listens through it."""
        self._bus = bus
        self._setup = setup
        self._resettled = resettled
        self._receiver = Receiver(bus.waveform, setup, since)
        self._silence = setup.settings.t3_5
        self._frame: list[Character] = []
        self._wakes_at: float | None = None

    @property
    def needs(self) -> float:
        """Clock seconds before which it has no more use for the waveform."""
        return self._receiver.needs

    def attend(self, now: float) -> None:
        """Take in what has come by `now`; frames that are over go to the units."""
        for character in self._receiver.advance(now):
            if self._frame and character.start - self._frame[-1].end >= self._silence - _ROUNDING:
                self._close(now)
            self._frame.append(character)
        wake = self._receiver.last_end
        if self._frame:
            over = self._frame[-1].end + self._silence
            following = self._receiver.next_start
            if following is None or following >= over - _ROUNDING:
                if now >= over:
                    self._close(now)
                else:
                    wake = over
        if wake is not None and wake != self._wakes_at:
            self._wakes_at = wake
            self._bus.schedule(wake, self._wake)

    def _wake(self, now: float) -> None:
        if now == self._wakes_at:
            self._wakes_at = None
            self.attend(now)

    def _close(self, now: float) -> None:
        frame, self._frame = self._frame, []
        whole = _sound(frame)
        for unit in self.units:
            heard = whole
            if frame[0].start < unit.busy_until:
                heard = _sound([c for c in frame if c.start >= unit.busy_until])
            if heard is not None and (answer := unit.hear(heard, frame[-1].end, now)) is not None:
                self._promise(unit, answer)
        if any(unit.receiver_setup != self._setup for unit in self.units):
            self._resettled(now)

    def _promise(self, unit: Unit, answer: UnitAnswer) -> None:
        def send(now: float) -> None:
            if unit.connected and now >= unit.up_from:
                _, unit.busy_until = self._bus.drive(
                    unit,
                    answer.frame,
                    now,
                    answer.settings,
                    swapped=unit.swapped,
                    strength=unit.strength,
                )

        self._bus.schedule(answer.start, send)


def _sound(frame: list[Character]) -> bytes | None:
    """The bytes of `frame` if a unit would act on them."""
    if any(character.bad for character in frame):
        return None
    data = bytes([character.value for character in frame])
    return data if framing.is_valid(data) else None

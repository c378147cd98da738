"""Listening before asking: is the bus quiet, noisy, stuck, or is another master at work?"""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.survey import words
from busprobe.survey.probes import Listening, WireStep, to_the_end

_STUCK_SHARE = 0.5
"""Share of the time filled with bytes above which no master or noise explains them; common practice
has a poll take turns with silence."""


@dataclass(frozen=True)
class Overheard:
    """What was received without a request of ours."""

    seconds: float
    settings: LineSettings
    """The settings it was heard best at."""
    frames: tuple[Frame, ...]
    noise_bytes: int
    """Bytes that belong to no frame."""
    stuck: bool
    """Whether bytes came without a pause."""

    @property
    def other_master(self) -> bool:
        """Whether another master asks on this bus."""
        return bool(self.frames)

    @property
    def quiet(self) -> bool:
        """Whether nothing at all was heard."""
        return not self.frames and not self.noise_bytes

    @property
    def words(self) -> str:
        """The verdict in plain words."""
        if self.frames:
            return words.other_master(self.settings, self.frames)
        if self.stuck:
            return words.without_pause(self.seconds, self.noise_bytes)
        if self.noise_bytes:
            return words.bytes_unasked(self.seconds, self.noise_bytes)
        return words.quiet(self.seconds)


def listen(line: Line, seconds: float, settings: Iterable[LineSettings] = ()) -> Overheard:
    """Listen at the line's present settings; where bytes make no frame, listen at `settings` too
    for whose they are.

    The line is left as it was.  Raises `PortError` if the port fails.
    """
    return to_the_end(listening(line, seconds, settings))


def listening(
    line: Line, seconds: float, settings: Iterable[LineSettings] = ()
) -> Generator[WireStep, None, Overheard]:
    """`listen` step by step, so that it can be ended before it listens at the next settings."""
    before = line.settings
    best = yield from _listen(line, seconds)
    if not best.quiet and not best.frames and not best.stuck:
        for other in settings:
            line.apply(other)
            heard = yield from _listen(line, seconds)
            if heard.frames:
                best = heard
                break
        line.apply(before)
    return best


def _listen(line: Line, seconds: float) -> Generator[WireStep, None, Overheard]:
    yield Listening(line.settings, seconds)
    line.listen(0.0)  # what has waited in the port was not heard in these seconds
    heard = line.listen(seconds)
    data = heard.data
    frames = valid_frames(data)
    filled = line.settings.wire_time(len(data)) / heard.seconds if heard.seconds else 0.0
    noise = len(data) - sum(len(frame.data) for frame in frames)
    return Overheard(heard.seconds, line.settings, frames, noise, filled > _STUCK_SHARE)

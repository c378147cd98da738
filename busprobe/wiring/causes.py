"""Causes of trouble on a pair, each with the one physical action that confirms or refutes it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Cause(StrEnum):
    """What may be wrong, in the words shown."""

    SWAPPED_AT_ADAPTER = "the two wires are swapped at this adapter"
    SWAPPED_AT_UNIT = "the two wires are swapped at the unit"
    WRONG_BAUD = "another baud rate is in use"
    WRONG_FORMAT = "another parity or another number of stop bits is in use"
    MISSING_BIAS = "the pair has no bias, or too little"
    REVERSED_BIAS = "the bias is connected the wrong way round"
    STUCK = "a transmitter is stuck, or the pair is shorted"
    OTHER_MASTER = "another master is on the pair"
    SLOW_UNIT = "a unit replies later than it was waited for"
    CLASH = "two units have the same address"
    NOISE = "interference from outside"
    REFLECTIONS = "terminators are missing or too many, or stubs are too long"
    BROKEN_WIRE = "a wire is broken or a terminal is loose"
    NO_SUPPLY = "the unit has no supply, or too little"
    UNIT_SET_OTHERWISE = "the unit has another address or other line settings"
    UNKNOWN_REQUEST = "the unit does not know what was asked, and stays silent"
    UNIT_ITSELF = "the unit, its stub or its terminals"
    ADAPTER_HOLDS_ON = (
        "the adapter keeps the pair after sending, so that the start of quick replies is lost"
    )
    ADAPTER_LETS_GO = "the adapter disables its driver before the last bit is sent"
    ADAPTER_TOO_SLOW = "the adapter stops driving within a byte at this baud rate"
    BYTES_LOST = "the adapter or this computer loses bytes that were correct on the bus"
    ADAPTER_GLITCH = "the adapter makes a byte of its own when it changes direction"
    UNIT_DRIVES_LATE = "the unit turns its driver on late"


_ACTIONS = {
    Cause.SWAPPED_AT_ADAPTER: (
        "Swap the two wires at the adapter and ask again: it cannot do damage. Units answer if "
        "this was it."
    ),
    Cause.SWAPPED_AT_UNIT: (
        "Swap the two wires at that unit only, and watch the hunt: it appears if this was it."
    ),
    Cause.WRONG_BAUD: "Listen again at the other baud rate: whole frames are heard if this was it.",
    Cause.WRONG_FORMAT: (
        "Ask again at the same baud rate with the other parities: the flags are gone if this"
        " was it."
    ),
    Cause.MISSING_BIAS: "Measure the idle voltage between the wires: below 0.2 V confirms it.",
    Cause.REVERSED_BIAS: (
        "Measure the idle voltage with the bias disconnected, then connected: it turns negative if "
        "this was it."
    ),
    Cause.STUCK: (
        "Take the units off one by one, or part the pair in the middle, while the hunt runs: the"
        " others appear once what holds the pair is off."
    ),
    Cause.OTHER_MASTER: (
        "Find out who else polls, and have it switched off or unplugged: the traffic stops if this "
        "was it. A process may trip without it: ask first."
    ),
    Cause.SLOW_UNIT: (
        "Hunt its address alone, which takes late replies too: it appears if this was it."
    ),
    Cause.CLASH: (
        "Unplug one of the units that may have this address: the others answer cleanly if this"
        " was it."
    ),
    Cause.NOISE: (
        "Switch off the drives and contactors near the cable, if they may be: the errors stop if"
        " this was it."
    ),
    Cause.REFLECTIONS: (
        "Ask again at half the baud rate, then measure the resistance, power off: two terminators"
        " are right."
    ),
    Cause.BROKEN_WIRE: (
        "Measure the voltage between the wires before and behind the suspected place, or tighten"
        " its terminals while the hunt runs."
    ),
    Cause.NO_SUPPLY: "Measure the supply at the unit's own terminals, under load.",
    Cause.UNIT_SET_OTHERWISE: (
        "Look at the unit's switches or display, or connect it alone and survey all settings."
    ),
    Cause.UNKNOWN_REQUEST: (
        "Survey its address, which asks in several ways: it is found if this was it."
    ),
    Cause.UNIT_ITSELF: (
        "Move the unit to the adapter with a short cable: it stays bad if it is the unit, else look"
        " at its stub."
    ),
    Cause.ADAPTER_HOLDS_ON: (
        "Ask with another adapter, or set a longer reply delay in the unit: replies are whole if "
        "this was it."
    ),
    Cause.ADAPTER_LETS_GO: "Ask the same unit with another adapter: it answers if this was it.",
    Cause.ADAPTER_TOO_SLOW: (
        "Use an adapter with real direction control: the echo is true if this was it."
    ),
    Cause.BYTES_LOST: (
        "Close other programs, plug the adapter into the computer itself, ask again: nothing is"
        " lost any more if this was it."
    ),
    Cause.ADAPTER_GLITCH: "Ask with another adapter: the extra byte is gone if this was it.",
    Cause.UNIT_DRIVES_LATE: (
        "Ask another unit with the same adapter: only this one is cut if this was it."
    ),
}


@dataclass(frozen=True)
class Hint:
    """One cause that fits what was seen."""

    cause: Cause
    detail: str = ""
    """What the evidence says beyond the cause, such as a likely baud rate; may be empty."""

    @property
    def action(self) -> str:
        """The one physical action that confirms or refutes the cause."""
        return _ACTIONS[self.cause]

    @property
    def words(self) -> str:
        """The cause with its detail."""
        return f"{self.cause} ({self.detail})" if self.detail else str(self.cause)


@dataclass(frozen=True)
class Observation:
    """Something that was seen, and all that it fits, likeliest first."""

    seen: str
    """What was seen or heard, in one sentence."""
    hints: tuple[Hint, ...]
    """At least one."""

    @property
    def certain(self) -> Hint | None:
        """The cause if only one fits; None as long as another one would look the same."""
        return self.hints[0] if len(self.hints) == 1 else None

    @property
    def recorded(self) -> RecordedObservation:
        """As kept in the job."""
        hints = tuple(RecordedHint(hint.words, hint.action) for hint in self.hints)
        return RecordedObservation(self.seen, self.certain is not None, hints)


@dataclass(frozen=True)
class RecordedHint:
    """A cause in the words in which it is kept."""

    cause: str
    action: str
    """The one physical action that confirms or refutes it."""


@dataclass(frozen=True)
class RecordedObservation:
    """An observation as it is kept in the job and printed by `--json`."""

    seen: str
    certain: bool
    """Whether only one cause fits."""
    hints: tuple[RecordedHint, ...]
    """Likeliest first."""


def observed(seen: str, *causes: Cause | Hint) -> Observation:
    """An observation with its causes, likeliest first; each cause counts once."""
    hints: dict[Cause, Hint] = {}
    for cause in causes:
        hint = cause if isinstance(cause, Hint) else Hint(cause)
        hints.setdefault(hint.cause, hint)
    return Observation(seen, tuple(hints.values()))

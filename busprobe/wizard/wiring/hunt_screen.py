"""The hunt on the whole screen: who answers now, and the moment that changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Event as Cancel
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import format_addresses
from busprobe.wiring.hunt import (
    HuntEvent,
    HuntRound,
    PortBack,
    PortEvent,
    PortLost,
    Seen,
    UnitChanged,
)
from busprobe.wiring.wording import change_words, port_words
from busprobe.wizard.common.large_display import Alert, LargeDisplay

_SHOWN: dict[Seen, tuple[str, Alert, str]] = {
    Seen.REPLIES: ("HERE", "here", "Unit {} answers now."),
    Seen.SILENCE: ("GONE", "gone", "Unit {} answers no more; what you touched last may be why."),
    Seen.GARBLED: (
        "TWO?",
        "gone",
        "Bytes come from unit {} but no frame: two units at this address, or a bad contact.",
    ),
}
"""A change in a large word, the colour of the display, and a sentence."""


class HuntScreen(LargeDisplay):
    """Large: HERE, GONE or TWO? with the addresses that changed last; NONE at first, LOST without a
    port."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *[
            Binding(str(n), f"touched({n})", "Pair touched", key_display="1-9", show=n == 1)
            for n in range(1, 10)
        ],
    ]

    @dataclass
    class Hunted(Message):
        """What was seen."""

        seen: tuple[HuntEvent | PortEvent, ...]

    def __init__(
        self,
        addresses: Sequence[int],
        settings: LineSettings,
        cancel: Cancel,
        keep: Callable[[Sequence[str]], None],
    ) -> None:
        """Shows the hunt for `addresses` at `settings` that `cancel` ends; `keep` is given the log
        as it grows."""
        super().__init__()
        self._keep = keep
        self._asking = f"HUNT  asking {format_addresses(addresses)} at {settings}"
        self._cancel = cancel
        self._present: set[int] = set()
        self._changed: set[int] = set()
        self._last: Seen | None = None

    def on_mount(self) -> None:
        """Nobody has answered yet."""
        super().on_mount()
        self._begun()

    def _begun(self) -> None:
        self.head(self._asking)
        self.large("NONE", "-", "calm")
        self.todo(
            "No reply yet. Touch one terminal at a time; the screen changes when a unit answers."
            " A unit at other line settings never will."
        )

    def on_hunt_screen_hunted(self, event: Hunted) -> None:
        """Show changes the moment they are known."""
        rounds = None
        for one in event.seen:
            match one:
                case PortLost():
                    self._lost(one)
                case PortBack():
                    self._begun()
                    self.happened(port_words(one))
                case HuntRound():
                    rounds = one
                    self._last = None
                case UnitChanged():
                    self._changed_now(one)
        if rounds is not None:
            self._show_round(rounds)

    def _lost(self, event: PortLost) -> None:
        """What stands there large must not look like the state of a unit."""
        self._present.clear()
        self.large("LOST", "!", "gone")
        self.happened(port_words(event))
        self.todo(
            f"{event.error.what} Nothing is known of any unit until it is back; then the hunt goes"
            f" on. {event.error.todo} Esc leaves."
        )

    def happened(self, words: str, *, ring: bool = True) -> None:
        """Log, ring, and keep the log."""
        super().happened(words, ring=ring)
        self._keep(self.log_lines[::-1])

    def action_touched(self, pair: int) -> None:
        """Write down that the pair of this number was touched."""
        self.happened(f"touched pair {pair}", ring=False)

    def action_leave(self) -> None:
        """End the hunt."""
        self._cancel.set()
        self.end()

    def _changed_now(self, change: UnitChanged) -> None:
        """Show whom it concerns; all of them where several change alike in the same round."""
        if change.now is Seen.REPLIES:
            self._present.add(change.address)
        else:
            self._present.discard(change.address)
        again = change.now is self._last
        self._changed = {*self._changed, change.address} if again else {change.address}
        self._last = change.now
        word, alert, told = _SHOWN[change.now]
        self.large(word, format_addresses(self._changed), alert)
        self.happened(change_words(change))
        answering = format_addresses(self._present)
        who = f"Answering: {answering}." if answering else "No unit answers."
        self.todo(f"{told.format(change.address)} {who}")

    def _show_round(self, done: HuntRound) -> None:
        parts = [self._asking, f"round {done.number}, {done.seconds:.1f} s"]
        if done.lost:
            parts.append(f"loses replies: {format_addresses(done.lost)}")
        if done.garbled:
            parts.append(f"bytes but no frame: {format_addresses(done.garbled)}")
        self.head("   ".join(parts))

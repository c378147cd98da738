"""Two units at one address: the screen says how many answer while hands take units off the pair."""

from __future__ import annotations

from collections.abc import Callable

from textual.message import Message

from busprobe.modbus.addresses import both_forms
from busprobe.readdress.isolation import AddressLook, Occupancy
from busprobe.wizard.common.large_display import Alert, LargeDisplay

_LARGE: dict[Occupancy, tuple[str, Alert]] = {
    Occupancy.SEVERAL: ("TWO", "gone"),
    Occupancy.ONE: ("ONE", "here"),
    Occupancy.UNCLEAR: ("??", "gone"),
    Occupancy.NONE: ("NONE", "calm"),
}


class IsolationScreen(LargeDisplay):
    """Large: TWO (or more), ONE, or NONE; closes by itself when one unit is left and answers
    cleanly."""

    class Seen(Message):
        """The address was looked at."""

        def __init__(self, look: AddressLook) -> None:
            self.look = look
            super().__init__()

    class Ended(Message):
        """The watch is over."""

    def __init__(self, address: int, cancel: Callable[[], None]) -> None:
        """Shows the watch of `address`, which `cancel` ends."""
        super().__init__()
        self._address = address
        self._cancel = cancel
        self._unclear = 0
        self._shown: Occupancy | None = None

    def on_mount(self) -> None:
        """Nothing is known yet."""
        super().on_mount()
        self.head(f"ONE AT A TIME  unit address {both_forms(self._address)}")
        self.large("-", str(self._address), "calm")
        self.todo(
            "Take units off the pair until one is left; unplug the pair at the unit, or switch the"
            " unit off."
        )

    def on_isolation_screen_seen(self, event: Seen) -> None:
        """Say how many answer."""
        look = event.look
        self._unclear = self._unclear + 1 if look.occupancy is Occupancy.UNCLEAR else 0
        if self._unclear == 1:
            return  # one odd look is no news: two units that overlap give any bytes
        large, alert = _LARGE[look.occupancy]
        self.large(large, str(self._address), alert)
        self.todo(look.words)
        if look.occupancy is not self._shown:
            self._shown = look.occupancy
            self.happened(look.short_words)

    def on_isolation_screen_ended(self) -> None:
        """One unit is left, or the watch was cancelled."""
        self.end()

    def action_leave(self) -> None:
        """End the watch; the screen closes when the last look is over."""
        self._cancel()

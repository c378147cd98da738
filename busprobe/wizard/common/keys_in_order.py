"""One key after the other: what is typed faster than the screen follows goes where it was meant.

A key travels from the widget that has the focus up to the app, and only there Tab moves the focus
and Backspace deletes.  A letter typed meanwhile would reach the old field, or be inserted before
the deletion: ``12``, Backspace, ``3`` became 12.
"""

from __future__ import annotations

import time
from collections import deque
from functools import partial

from textual import events, on
from textual.app import App
from textual.dom import DOMNode
from textual.message import Message

_WAYS = 3
"""How often a mark is sent the way of a key: behind the key itself, behind what the key made a
widget say (a field was submitted, a row was chosen), and through a screen that opened because of
it."""

_LOOK_AFTER = 0.05
"""Seconds after which it is seen whether the widget that carries a mark is gone, and the mark with
it."""

_LONGEST = 1.0
"""Seconds after which the next key is looked at all the same."""


class KeyMark(Message):
    """Follows a key the same way; where it arrives at the app, the key has done its work."""

    def __init__(self, number: int, ways: int) -> None:
        super().__init__()
        self.number = number
        """Which key it follows."""
        self.ways = ways
        """How often it is still to be sent."""


class KeysInOrder(App[None]):
    """An app that looks at a key when all that the key before it does is done."""

    def __init__(self) -> None:
        super().__init__()
        self._keys: deque[events.Key] = deque()
        self._number = 0
        """Counts keys."""
        self._under_way = False
        self._began = 0.0
        """When the key that is under way was taken."""
        self._carrier: DOMNode = self
        """Where its mark was sent to."""

    @property
    def keys_done(self) -> bool:
        """Whether all keys that were pressed have done their work."""
        return not self._under_way or (not self._keys and not self._carrier.is_attached)

    async def on_event(self, event: events.Event) -> None:
        """Hold a key back while another is under way."""
        if not isinstance(event, events.Key) or event.is_forwarded:
            await super().on_event(event)
        elif not self.keys_done:
            self._keys.append(event)
            self._look_after_it()
        else:
            await self._take(event)

    async def _take(self, event: events.Key) -> None:
        self._under_way = True
        self._number += 1
        self._began = time.monotonic()
        self._carrier = self.focused or self.screen
        await super().on_event(event)
        self._send_mark(_WAYS)

    def _send_mark(self, ways: int) -> None:
        if not self._carrier.is_attached:
            self._carrier = self.focused or self.screen
        self._carrier.post_message(KeyMark(self._number, ways - 1))

    @on(KeyMark)
    async def _mark_arrived(self, mark: KeyMark) -> None:
        if mark.number != self._number or not self._under_way:
            return  # it was given up
        if mark.ways:
            self._carrier = self.focused or self.screen
            self._send_mark(mark.ways)
        else:
            await self._next()

    def _look_after_it(self) -> None:
        self.set_timer(_LOOK_AFTER, partial(self._give_up, self._number))

    async def _give_up(self, number: int) -> None:
        """Go on where the mark was lost."""
        if not self._under_way or number != self._number:
            return
        if not self._carrier.is_attached or time.monotonic() - self._began > _LONGEST:
            await self._next()
        else:
            self._look_after_it()

    async def _next(self) -> None:
        self._under_way = False
        if self._keys:
            await self._take(self._keys.popleft())

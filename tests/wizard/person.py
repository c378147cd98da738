"""Somebody at the keyboard: presses keys, waits for what runs, reads the screen."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Callable

from textual.pilot import Pilot
from textual.widget import Widget
from textual.widgets import Input

from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.common.choice_field import ChoiceField


class Person:
    """Presses keys and reads what is on the screen."""

    def __init__(self, app: BusprobeApp, pilot: Pilot[None]) -> None:
        self.app = app
        self._pilot = pilot

    async def press(self, *keys: str) -> None:
        """Press keys one after the other and let the screen follow."""
        await self._pilot.press(*keys)
        await self._keys_done()

    async def click(self, on: type[Widget] | str, offset: tuple[int, int] = (0, 0)) -> None:
        """Click with the mouse."""
        await self._pilot.click(on, offset=offset)
        await self._keys_done()

    async def _keys_done(self) -> None:
        await self._pilot.pause()
        while self.app.is_running and not self.app.keys_done:
            await asyncio.sleep(0)
        await self._pilot.pause()

    async def resize(self, width: int, height: int) -> None:
        """Make the terminal as wide and as high as that."""
        await self._pilot.resize_terminal(width, height)
        await self._pilot.pause()

    async def strike(self, key: str) -> None:
        """Press a key without waiting for the screen, which may close because of it while events
        pour in."""
        self.app.simulate_key(key)
        await asyncio.sleep(0)

    async def burst(self, *keys: str) -> None:
        """Press keys faster than the screen follows, as a fast hand or a bar code scanner does."""
        for key in keys:
            self.app.simulate_key(key)
        await self._keys_done()

    async def write(self, text: str) -> None:
        """Type into the field that has the focus."""
        await self.press(*text)

    def fill(self, field: str, text: str) -> None:
        """Put text into a field, as typing would."""
        asked = self.app.query_one(field)
        assert isinstance(asked, Input | ChoiceField)
        asked.value = text

    async def begin(self) -> None:
        """Wait until the wizard shows its job."""
        await self.wait_until(lambda: self.app.loaded, "The job was not shown")
        await self._pilot.pause()

    def hold_cursors(self) -> None:
        """Keep the cursors of fields from blinking: a picture must not depend on its moment."""
        for field in self.app.screen.query(Input):
            field.cursor_blink = False

    async def look(self) -> None:
        """Let the screen follow what happened."""
        await self._pilot.pause()

    async def wait(self) -> None:
        """Wait until what runs on the line has ended and the screen shows it."""
        await self.wait_until(
            lambda: not self.app.line_lock.holder, "What runs on the line has not ended"
        )
        await self._pilot.pause()

    async def wait_for(self, words: str) -> None:
        """Wait until `words` are on the screen, while something goes on in the background."""
        sought = " ".join(words.split())
        await self.wait_until(lambda: sought in self.words, f"'{words}' did not appear")

    async def wait_until(self, comes_true: Callable[[], bool], otherwise: str) -> None:
        """Wait until something comes true; ten seconds are long enough for all that runs in
        simulated time."""
        end = time.monotonic() + 10
        while not comes_true():
            assert time.monotonic() < end, f"{otherwise} on:\n{self.screen}"
            await asyncio.sleep(0.01)

    @property
    def screen(self) -> str:
        """All that is on the screen, line by line."""
        strips = self.app.screen._compositor.render_strips()
        return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips)

    @property
    def words(self) -> str:
        """The same with one blank between two words, wherever columns stand."""
        return " ".join(self.screen.split())

    @property
    def rail(self) -> str:
        """The line of the states of all steps."""
        return self.screen.splitlines()[2]

    @property
    def states(self) -> list[str]:
        """Sign and word of each of the seven steps."""
        return re.split(r"\s{2,}", self.rail.strip())

    @property
    def next_line(self) -> str:
        """What the wizard says to do next."""
        return next(line for line in self.screen.splitlines() if line.startswith((" →", " >")))

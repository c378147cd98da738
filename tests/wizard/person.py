"""Somebody at the keyboard: presses keys, waits for what runs, reads the screen."""

from __future__ import annotations

from textual.pilot import Pilot

from busprobe.wizard.app import BusprobeApp


class Person:
    """Presses keys and reads what is on the screen."""

    def __init__(self, app: BusprobeApp, pilot: Pilot[None]) -> None:
        self.app = app
        self._pilot = pilot

    async def press(self, *keys: str) -> None:
        """Press keys one after the other and let the screen follow."""
        await self._pilot.press(*keys)
        await self._pilot.pause()

    async def write(self, text: str) -> None:
        """Type into the field that has the focus."""
        await self.press(*text)

    async def look(self) -> None:
        """Let the screen follow what happened."""
        await self._pilot.pause()

    async def wait(self) -> None:
        """Wait until what runs on the line has ended and the screen shows it."""
        await self.app.workers.wait_for_complete()
        await self._pilot.pause()

    async def wait_for(self, words: str) -> None:
        """Wait until `words` are on the screen, while something goes on in the background."""
        for _ in range(2000):
            if words in self.screen:
                return
            await self._pilot.pause(0.005)
        raise AssertionError(f"'{words}' did not appear on:\n{self.screen}")

    @property
    def screen(self) -> str:
        """All that is on the screen, line by line."""
        strips = self.app.screen._compositor.render_strips()
        return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips)

    @property
    def rail(self) -> str:
        """The line of the states of all steps."""
        return self.screen.splitlines()[2]

    @property
    def next_line(self) -> str:
        """What the wizard says to do next."""
        return next(line for line in self.screen.splitlines() if line.startswith(" →"))

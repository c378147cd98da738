"""Pictures of the real screens for the README: the demo's segment driven by keys, in simulated
time.

Run ``python -m tests.wizard.pictures`` at the top of the checkout; it writes
``.github/pictures/*.svg``.
"""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path
from tempfile import TemporaryDirectory

from textual.widgets import Input

from busprobe.job import Job, UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.wizard.app import BusprobeApp
from tests.wizard.conftest import new_session
from tests.wizard.person import Person

FOLDER = Path(__file__).parents[2] / ".github" / "pictures"
_OUTSIDE_FONTS = re.compile(r"@font-face\s*\{.*?\}", re.DOTALL)


def keep(person: Person, name: str) -> None:
    """Write the screen as a picture that loads nothing from elsewhere."""
    svg = _OUTSIDE_FONTS.sub("", person.app.export_screenshot(title="busprobe"))
    (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")


async def play(job: Job) -> None:
    """Go through the steps and keep each screen."""
    session = new_session(job)
    session.open("virtual:site", LineSettings.parse("9600-8N1"))
    app = BusprobeApp(lambda: session)
    async with app.run_test(size=(80, 24)) as pilot:
        person = Person(app, pilot)
        await person.begin()
        await person.press("1")
        keep(person, "1-port")
        await person.press("2")
        await person.press("r")
        keep(person, "2-wiring")
        await person.press("c")
        keep(person, "2-calculations")
        await person.press("escape")
        await person.press("3", "s")
        while app.line_lock.holder:  # four settings take longer than a test waits
            await asyncio.sleep(0.1)
        await person.wait()
        await person.press("escape")
        keep(person, "3-survey")
        await person.press("4")
        await person.wait()
        await person.press("a")
        await person.wait()
        keep(person, "4-identify")
        await person.press("5")
        await person.press("p")
        await person.press("ctrl+s")
        await person.press("down", "down", "down")
        keep(person, "5-readdress")
        await person.press("m")
        await person.wait_for("In bytes")
        keep(person, "5-confirm")
        await person.press("escape")
        await person.wait()
        await person.press("6")
        app.screen.query_one("#prove-minutes", Input).value = ""
        app.screen.query_one("#prove-rounds", Input).value = "200"
        await person.press("s")
        await person.wait()
        keep(person, "6-prove")
        await person.press("c")
        keep(person, "6-polling")
        await person.press("escape")
        await person.press("7")
        keep(person, "7-handover")
        await pilot.resize_terminal(140, 36)
        await person.press("6")
        await person.wait()
        keep(person, "6-wide")
    session.close()


async def describe(job: Job) -> None:
    """A unit that no profile knows, described from its data sheet."""
    session = new_session(job)
    session.open("virtual:generic", LineSettings.parse("9600-8N1"))
    job.put_unit(UnitRecord(Place.parse("5 9600-8N1")))
    job.set_state("wizard.step", 4)
    app = BusprobeApp(lambda: session)
    async with app.run_test(size=(80, 24)) as pilot:
        person = Person(app, pilot)
        await person.begin()
        await person.press("d")
        for line in ("31 Wind m/s =6.4", "Direction 33 deg"):
            app.screen.query_one("#draft-entry", Input).value = line
            await person.press("enter")
        await person.wait_for("alike")
        await person.press("down")
        await person.wait_until(lambda: "…" not in person.screen, "The unit was not looked at")
        keep(person, "4-draft")
    session.close()


def main() -> None:
    """Write all pictures."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    os.chdir("/")  # the folder proposed for the documents is below here, and is in the picture
    with (
        TemporaryDirectory() as scratch,
        Job.create(Path(scratch) / "site.busjob", site="Harrow Mill") as job,
    ):
        asyncio.run(play(job))
    with (
        TemporaryDirectory() as scratch,
        Job.create(Path(scratch) / "site.busjob", site="Harrow Mill") as job,
    ):
        asyncio.run(describe(job))


if __name__ == "__main__":
    main()

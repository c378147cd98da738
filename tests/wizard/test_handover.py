"""Hand over: the list before it is written, what is missing, and writing it."""

from __future__ import annotations

import json
from pathlib import Path

from busprobe.job import Job, UnitRecord
from tests.wizard.conftest import Wizard


async def test_the_list_is_shown_with_what_is_open_before_it_is_written(wizard: Wizard, job: Job) -> None:
    """A clash is marked as open, what nobody looked at as not tested, and nothing is written yet."""
    job.put_unit(UnitRecord(1, "9600-8N1", kind="clash"))
    job.put_unit(UnitRecord(12, "9600-8N1", profile="aldermoor-at-10", tag="TE-1"))
    async with wizard(step=7) as person:
        assert "1 listed as units." in person.screen
        assert "X clash" in person.screen
        assert "TE-1" in person.screen
        assert "! " in person.screen
        assert "· not tested:" in person.screen
        assert "Nothing is written yet." in person.screen


async def test_papers_are_written_and_old_ones_replaced_only_when_told(
    wizard: Wizard, job: Job, tmp_path: Path
) -> None:
    """w writes the papers; a second time the old files are kept until somebody says to replace them."""
    job.put_unit(UnitRecord(12, "9600-8N1", profile="aldermoor-at-10"))
    folder = tmp_path / "papers"
    async with wizard(step=7, size=(120, 40)) as person:
        person.fill("#folder", str(folder))
        await person.press("w")
        assert "✓ Written" in person.screen
        assert "bus-list.csv" in person.screen
        await person.press("enter")
        (folder / "bus-list.csv").write_text("notes of a colleague")
        await person.press("w")
        assert "Replace what is there?" in person.screen
        await person.press("enter")
        assert (folder / "bus-list.csv").read_text() == "notes of a colleague"
        await person.press("w", "r")
        assert "✓ Written" in person.screen
    assert "notes" not in (folder / "bus-list.csv").read_text(encoding="utf-8-sig")
    listed = json.loads((folder / "bus-list.json").read_text())
    assert [row["address"] for row in listed["units"] if row["state"] == "unit"] == [12]


async def test_a_format_or_folder_that_cannot_be_is_said(wizard: Wizard, tmp_path: Path) -> None:
    """An unknown format and a folder that is a file each give a clear sentence; nothing is written."""
    (tmp_path / "file").write_text("")
    async with wizard(step=7) as person:
        person.fill("#folder", str(tmp_path / "papers"))
        person.fill("#formats", "stone")
        await person.press("w")
        assert "'stone' is no format." in person.screen
        await person.press("enter")
        person.fill("#formats", "csv")
        person.fill("#folder", str(tmp_path / "file"))
        await person.press("w")
        assert "cannot be" in person.screen
        assert "Traceback" not in person.screen
    assert not (tmp_path / "papers").exists()


async def test_details_of_the_papers_are_asked_for(wizard: Wizard, job: Job) -> None:
    """d asks for site, segment and tester; the top line and the job follow."""
    async with wizard(step=7) as person:
        await person.press("d")
        await person.press("end", "!", "enter", "enter", "enter")
        assert "Harrow Mill! · Line A" in person.screen.splitlines()[0]
    assert job.meta.site == "Harrow Mill!"

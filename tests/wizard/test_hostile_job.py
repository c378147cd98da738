"""A job from somebody else is looked at in every step, and nothing in it reaches the terminal as it
is."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.segment import Segment
from textual.color import Color

from busprobe.wizard.common.drawn_text import HarmlessLines
from tests.hostile_job import make_hostile
from tests.wizard.conftest import Wizard, new_session


def acting(text: str) -> set[str]:
    return {c for c in text if not c.isprintable() and c != "\n"}


@pytest.mark.parametrize("step", range(1, 8))
async def test_every_step_shows_a_hostile_job_as_harmless_text(
    step: int, wizard: Wizard, tmp_path: Path
) -> None:
    with make_hostile(tmp_path / "h.busjob") as job:
        session = new_session(job)
        async with wizard(step=step, using=session) as person:
            assert "Site\N{REPLACEMENT CHARACTER}]0;owned" in person.screen
            assert acting(person.screen) == set()
            for key in {4: ("e",), 5: ("j",), 6: ("a",), 7: ("v", "escape", "k")}.get(step, ()):
                await person.press(key)
                assert acting(person.screen) == set()


def test_a_line_keeps_its_length_whatever_is_in_it() -> None:
    segments = [Segment("a\x1b[2Jb\u202e"), Segment("│")]
    shown = HarmlessLines().apply(segments, Color(0, 0, 0))
    assert Segment.get_line_length(shown) == Segment.get_line_length(segments)
    assert "".join(text for text, _, _ in shown) == "a�[2Jb"

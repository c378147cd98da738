"""An outcome that the journal could not take: the only copy is on the screen, which stays until it
is stored or copied elsewhere."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path

from rich.text import Text

from busprobe.errors import UsageError
from busprobe.files.reading import given_path
from busprobe.readdress.outcome import Outcome
from busprobe.session.moves import BusMoves
from busprobe.wizard.common.form import Field, Form
from busprobe.wizard.common.question import Answer, Question
from busprobe.wizard.common.step import Step
from busprobe.wizard.readdress.words import outcome_text

_FILE = Field(
    "path",
    "File, better on another drive (it is added at the end of one that is there)",
    "~/busprobe-outcomes.txt",
    read=given_path,
)


def ask_until_kept(
    step: Step, moves: BusMoves, outcome: Outcome, stored: Callable[[Outcome], None]
) -> None:
    """Show `outcome` until it is in the journal, which `stored` is told, or in a file elsewhere."""
    missing = outcome.not_stored
    if missing is None:
        stored(outcome)
        return
    body = outcome_text(step, outcome)
    body.append("\n\nThe journal could not take this: ", style="bold")
    body.append(f"{missing.error.what} {missing.error.todo}")
    body.append("\n\nUntil it is stored, the next start has to ask both places again (v).")

    def answered(again: bool | None) -> None:
        if again:
            ask_until_kept(step, moves, moves.store(outcome), stored)
        else:
            _ask_for_file(step, body, partial(ask_until_kept, step, moves, outcome, stored))

    answers = (Answer("r", "Store it again", True), Answer("c", "Copy it to a file", False))
    step.app.push_screen(Question("✖ Not stored", body, answers, grave=True, stays=True), answered)


def _ask_for_file(step: Step, body: Text, back: Callable[[], None]) -> None:
    """Copy the outcome to a file; `back` to the question where that was cancelled."""

    def copied(path: Path | None) -> None:
        if path is None:
            back()

    form = Form("Copy the outcome", (_FILE,), make=lambda path: _append(path, body), keep="Copy")
    step.app.push_screen(form, copied)


def _append(path: Path, body: Text) -> Path:
    """Add the outcome to a file, on disk when this returns; raises `UsageError`."""
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S}\n{body.plain}\n\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise UsageError(
            f"It cannot be written there ({error.strerror}).", todo="Name a file on another drive."
        ) from None
    return path

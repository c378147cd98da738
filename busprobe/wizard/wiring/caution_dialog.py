"""Safety cautions: shown once, acknowledged by an explicit key."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.wizard.common.question import Answer, Question


class CautionDialog(Question[bool]):
    """The cautions; True once somebody says to have read them."""

    def __init__(self, cautions: Sequence[str]) -> None:
        body = Text()
        for number, caution in enumerate(cautions, start=1):
            body.append(f"{number}. ", style="bold").append(f"{caution}\n")
        super().__init__(
            "! Before you touch a terminal",
            body,
            (Answer("l", "Later", False), Answer("r", "I have read this", True)),
            grave=True,
        )

"""The last question before bytes leave that change a unit."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.text import hex_bytes
from busprobe.wizard.common.question import Answer, Question


class ConfirmWrite(Question[bool]):
    """Shows exactly what will be sent and what it will do; only the W key or its button says
    yes."""

    def __init__(
        self,
        frames: Sequence[tuple[str, bytes, str]],
        *,
        unit: str = "",
        number: str = "",
        effect: str,
        cautions: Sequence[str] = (),
        warnings: Sequence[str],
        rescue: str,
    ) -> None:
        """`frames` are all that will be sent, in words, bytes and line settings, in this order.

        `unit` names who it is for; `number` which of several writes it is (``2 of 7``).  What a
        write does and what it may move comes first, so that it is read at 24 lines too.
        """
        body = Text()
        if unit:
            body.append("To         ", style="bold").append(f"{unit}\n")
        body.append("Effect     ", style="bold").append(f"{effect}\n")
        for warning in cautions:
            body.append("! Caution  ", style="bold").append(f"{warning}\n")
        for words, frame, settings in frames:
            body.append("In words   ", style="bold").append(f"{words}\n")
            body.append("In bytes   ", style="bold").append(f"{hex_bytes(frame)}   at {settings}\n")
        for warning in warnings:
            body.append("! Caution  ", style="bold").append(f"{warning}\n")
        body.append("If lost    ", style="bold").append(rescue)
        super().__init__(
            f"Write to the unit?  {number}".rstrip(),
            body,
            (Answer("n", "No, send nothing", False), Answer("w", "Write it once", True)),
            grave=True,
        )

"""What is asked before and between writes, each answered by one key."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.modbus.addresses import both_forms
from busprobe.readdress.move_list import MoveList
from busprobe.text import hex_bytes
from busprobe.wizard.common.question import Answer, Question
from busprobe.wizard.readdress.words import plan_text


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


class MovesInOrder(Question[bool]):
    """True if the moves are to be made in this order."""

    def __init__(self, plan: MoveList) -> None:
        count = len(plan.moves)
        super().__init__(
            f"{count} move{'' if count == 1 else 's'}, in this order",
            plan_text(plan),
            (
                Answer("n", "No, not now", False),
                Answer("g", "Go on, ask me before each write", True),
            ),
        )


class PowerCycle(Question[bool]):
    """True once the units were switched off and on."""

    def __init__(self, units: Sequence[str]) -> None:
        body = Text(
            "Switch these off, wait five seconds, and on again; all at once if they share a"
            " supply:\n\n"
        )
        body.append("\n".join(f"  {unit}" for unit in units))
        body.append(
            "\n\nOnly that shows whether they have stored what was written. If you do it later,"
            " they count as not proven until then."
        )
        super().__init__(
            "Now off and on again",
            body,
            (Answer("l", "Later", False), Answer("d", "Done: look now", True)),
        )


class ReconnectOthers(Question[bool]):
    """True once one more unit is back on the pair."""

    def __init__(self, address: int) -> None:
        super().__init__(
            "Now the others",
            f"The unit has left {both_forms(address)}. Put ONE of the units you took off back on"
            " the pair, then look at the address again.\n\nIf you look later, that unit is missing"
            " from the list until the next survey.",
            (
                Answer("l", "Later, or none is left", False),
                Answer("o", "One is back: look now", True),
            ),
        )


class WhichCycled(Question[bool | None]):
    """True for all, False for the one under the cursor; None to look at nobody."""

    def __init__(self, units: Sequence[str], *, one: bool) -> None:
        """`units` are those that are not proven; `one` says whether that under the cursor can be
        looked at alone."""
        answers = [Answer[bool | None]("c", "Cancel", None)]
        if one:
            answers.append(Answer[bool | None]("o", "Only the one under the cursor", False))
        answers.append(Answer[bool | None]("a", "All of these", True))
        listed = "\n".join(f"  {unit}" for unit in units)
        super().__init__(
            "Which were switched off and on?",
            f"No power cycle has shown yet whether these have stored it:\n\n{listed}",
            answers,
        )

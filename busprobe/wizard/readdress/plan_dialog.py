"""The moves of a plan, shown before the first of them is begun."""

from __future__ import annotations

from busprobe.readdress.move_list import MoveList
from busprobe.wizard.common.question import Answer, Question
from busprobe.wizard.readdress.words import plan_text


class PlanShown(Question[bool]):
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

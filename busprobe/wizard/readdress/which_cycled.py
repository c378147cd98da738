"""Several moved units are not proven yet: which of them were switched off and on."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.wizard.common.question import Answer, Question


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

"""One power cycle for all units of a batch: asked for, and recorded as done or not."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.wizard.common.question import Answer, Question


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

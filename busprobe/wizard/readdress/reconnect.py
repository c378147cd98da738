"""After a move out of a clash: the units that were taken off go back, one at a time."""

from __future__ import annotations

from busprobe.modbus.addresses import both_forms
from busprobe.wizard.common.question import Answer, Question


class PutBack(Question[bool]):
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

"""The names of the two wires, explained once: A and B mean opposite things to different makers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.wiring.arithmetic.bias import THRESHOLD


@dataclass(frozen=True)
class Convention:
    """One way of naming the wires."""

    who: str
    idle_positive: str
    """What it calls the wire that is positive while the pair is idle (binary 1, mark)."""
    idle_negative: str
    """What it calls the other one."""
    source: str


CONVENTIONS = (
    Convention(
        "the standard, and Modbus with D1 and D0",
        "B (D1)",
        "A (D0)",
        "MODBUS over Serial Line V1.02, section 3.3.2; B&B Electronics 'Polarities for Differential"
        " Pair Signals'",
    ),
    Convention(
        "transceiver chips, and units labelled after their chip",
        "A",
        "B",
        "TI SN75179B datasheet SLLS003F, pin functions",
    ),
    Convention("units labelled by sign", "+", "-", "common practice"),
)
"""The conventions met in the field."""

EXPLANATION = (
    "The letters A and B are not to be trusted: the standard calls the wire that is positive in"
    " idle B, and transceiver chips call the very same wire A. Modbus names it D1, the other one"
    " D0, and the third wire Common. Connect by sign, or by what a meter shows in idle on a biased"
    " pair: the more positive wire is D1. Swapped wires do no damage, but no unit answers."
)
"""To be shown where the wires are named, once."""

EXPLANATION_SOURCE = (
    "MODBUS over Serial Line V1.02, section 3.3.2; B&B Electronics RS-422/485 eBook, page 14"
)


class Labels(StrEnum):
    """How the terminals are marked between which a voltage was measured."""

    SIGN = "D1/D0 or +/-"
    LETTERS = "A/B"


def d1_by_idle(a_minus_b: float) -> str | None:
    """Which lettered terminal is D1, by the idle voltage of A over B in V; None within the
    receivers' undefined range.

    It holds if the bias is the right way round and nothing is transmitting.
    """
    if abs(a_minus_b) < THRESHOLD:
        return None
    return "A" if a_minus_b > 0 else "B"

"""``busprobe wiring names``: how the two wires are named."""

from __future__ import annotations

from busprobe.cli import output
from busprobe.wiring.wire_names import CONVENTIONS, EXPLANATION, EXPLANATION_SOURCE


def run() -> None:
    """Do what ``busprobe wiring names`` is asked for."""
    output.lines([EXPLANATION, f"Source: {EXPLANATION_SOURCE}."])
    output.table(
        ("Who", "Idle positive", "Idle negative", "Source"),
        [(each.who, each.idle_positive, each.idle_negative, each.source) for each in CONVENTIONS],
    )

"""Observations of the wiring room on the terminal: what was seen, what it fits, and what to do
about it."""

from __future__ import annotations

from collections.abc import Iterable

from busprobe.cli import output
from busprobe.wiring.causes import Observation


def print_observations(observations: Iterable[Observation]) -> None:
    """Each observation with its causes, likeliest first, and the one action that confirms or
    refutes each."""
    for observation in observations:
        output.lines([observation.seen])
        output.lines(
            [
                "  Only possible cause:"
                if observation.certain
                else "  Possible causes, most likely first:"
            ]
        )
        for hint in observation.hints:
            output.lines([f"  - {hint.words}.", f"    {hint.action}"])

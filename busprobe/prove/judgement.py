"""Whether an endurance run has shown what was agreed: passed, failed, or too short to say."""

from __future__ import annotations

from enum import StrEnum

from busprobe.job.endurance_bound import EnduranceBound
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import error_floor


class RunVerdict(StrEnum):
    """What a run says of a bound on failed polls."""

    PASSED = "pass"
    FAILED = "fail"
    """A unit fails more often than agreed, with 95 % confidence, or another device talked."""
    TOO_SHORT = "too short to say"


def judged(proof: Proof, bound: EnduranceBound) -> RunVerdict:
    """What the run says: it passes where no unit that was polled can fail more often than agreed,
    with 95 % confidence, and it took long enough.
    """
    most = bound.percent / 100
    polled = [unit for unit in proof.units if unit.polls]
    if proof.strays or any(error_floor(unit.polls, unit.failed) > most for unit in polled):
        return RunVerdict.FAILED
    worst = worst_unit(proof)
    if worst is None or worst.bound > most or proof.seconds < 60 * bound.minutes:
        return RunVerdict.TOO_SHORT
    return RunVerdict.PASSED


def worst_unit(proof: Proof) -> UnitTally | None:
    """The unit of which least can be said for its polls; `None` where none was polled."""
    polled = (unit for unit in proof.units if unit.polls)
    return max(polled, key=lambda unit: unit.bound, default=None)

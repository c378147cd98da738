"""The record of the step says what was skipped."""

from __future__ import annotations

import json

from busprobe.wiring.advice import Cause, observed
from busprobe.wiring.meter import Measurement
from busprobe.wiring.naming import Labels
from busprobe.wiring.record import wiring_document
from busprobe.wiring.resistance import judge_resistance
from busprobe.wiring.voltage import judge_idle


def test_measured_judged_and_skipped_are_kept_apart() -> None:
    """One reading made, one skipped by hand, two never tried: only the first has a verdict."""
    observation = observed("Bytes came with nobody asked.", Cause.MISSING_BIAS, Cause.NOISE, Cause.MISSING_BIAS)
    document = wiring_document([judge_resistance(61.0), judge_idle(None, Labels.SIGN)], [observation], listened=True)
    stored = json.loads(json.dumps(document))
    assert [j["measurement"] for j in stored["judgements"]] == [Measurement.RESISTANCE]
    assert stored["judgements"][0]["reading"] == "61.0 Ω"
    assert stored["skipped"] == [Measurement.IDLE, Measurement.TO_COMMON, Measurement.SUPPLY]
    assert [h["cause"] for h in stored["observations"][0]["hints"]] == [Cause.MISSING_BIAS, Cause.NOISE]
    assert stored["observations"][0]["certain"] is False


def test_not_listening_is_skipping_it() -> None:
    """No observation because nobody listened is not the same as a quiet pair."""
    assert "listening to the pair" in str(wiring_document([], [], listened=False)["skipped"])
    assert "listening to the pair" not in str(wiring_document([], [], listened=True)["skipped"])

"""The record of the wiring step, as stored in the job: what was measured, judged and heard, and
what was skipped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from busprobe.wiring.calculations import Reckoned
from busprobe.wiring.causes import Observation
from busprobe.wiring.meter import Judgement, Level, Measurement

FORMAT = "busprobe.wiring/1"
"""Name of the document."""


LISTENING = "listening to the pair"
"""Stands among what was skipped where nobody listened."""


def wiring_document(
    judgements: Sequence[Judgement],
    observations: Sequence[Observation],
    *,
    listened: bool,
    patterns: Sequence[Observation] = (),
    sums: Sequence[Reckoned] = (),
    earlier: Mapping[str, Any] | None = None,
) -> dict[str, object]:
    """The step's results; every kind of measurement that was not made is listed as skipped.

    `listened` says whether the pair was listened to, so that no observation is told from none made.
    `patterns` are what failures of other steps say by place and time, `sums` what was reckoned and
    is to be kept.  From an `earlier` document is carried on what this time was not even tried:
    kinds of measurement that have no judgement, what was heard where nobody listened, and sums of
    other figures.
    """
    earlier = earlier if earlier is not None and earlier.get("format") == FORMAT else {}
    judged = {j.measurement for j in judgements}
    kept = [j for j in earlier.get("judgements", ()) if j["measurement"] not in judged]
    made = [j.document() for j in judgements if j.level is not Level.NOT_MEASURED]
    measured = {j["measurement"] for j in (*kept, *made)}
    skipped = [str(kind) for kind in Measurement if kind not in measured]
    heard = [observation.document() for observation in observations]
    if not listened:
        heard = earlier.get("observations", [])
        if LISTENING in earlier.get("skipped", [LISTENING]):
            skipped.append(LISTENING)
    reckoned = [each.document() for each in sums]
    again = {(each["sum"], each["given"]) for each in reckoned}
    return {
        "format": FORMAT,
        "judgements": sorted(
            (*kept, *made), key=lambda j: list(Measurement).index(Measurement(j["measurement"]))
        ),
        "observations": heard,
        "patterns": [observation.document() for observation in patterns],
        "sums": [
            *(s for s in earlier.get("sums", ()) if (s["sum"], s["given"]) not in again),
            *reckoned,
        ],
        "skipped": skipped,
    }

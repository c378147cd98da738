"""The record of the wiring step, as stored in the job: what was measured, judged and heard, and what was skipped."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.wiring.advice import Observation
from busprobe.wiring.meter import Judgement, Level, Measurement

FORMAT = "busprobe.wiring/1"
"""Name of the document."""


def wiring_document(
    judgements: Sequence[Judgement], observations: Sequence[Observation], *, listened: bool
) -> dict[str, object]:
    """The step's results; every kind of measurement that was not made is listed as skipped.

    `listened` says whether the pair was listened to, so that no observation is told from none made.
    """
    measured = {j.measurement for j in judgements if j.level is not Level.NOT_MEASURED}
    skipped = [str(kind) for kind in Measurement if kind not in measured]
    if not listened:
        skipped.append("listening to the pair")
    return {
        "format": FORMAT,
        "judgements": [j.document() for j in judgements if j.measurement in measured],
        "observations": [observation.document() for observation in observations],
        "skipped": skipped,
    }

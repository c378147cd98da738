"""Cautions are acknowledged once, whole, and on the record."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from busprobe.wiring.cautions import CAUTIONS, acknowledgement, is_acknowledged

AT = datetime(2025, 3, 4, 5, 6, tzinfo=UTC)


def test_an_acknowledgement_survives_the_job_file() -> None:
    """Stored as JSON and read back it still counts, with who and when."""
    document = json.loads(json.dumps(acknowledgement("R. Hale", AT)))
    assert is_acknowledged(document)
    assert (document["by"], document["at"]) == ("R. Hale", "2025-03-04T05:06:00+00:00")


def test_nothing_less_counts() -> None:
    """No record, another record, a missing or reworded caution: to be shown again."""
    assert not is_acknowledged(None)
    assert not is_acknowledged({"format": "busprobe.wiring/1"})
    fewer = acknowledgement("R. Hale", AT)
    fewer["cautions"] = [{"name": c.name, "text": c.text} for c in CAUTIONS[1:]]
    assert not is_acknowledged(fewer)
    reworded = acknowledgement("R. Hale", AT)
    reworded["cautions"] = [{"name": c.name, "text": c.text + "!"} for c in CAUTIONS]
    assert not is_acknowledged(reworded)


def test_what_has_to_be_said_is_said_and_short() -> None:
    """Codes first, then the six dangers; each fits two lines of a screen of 80 columns and a
    bit."""
    assert CAUTIONS[0].name == "codes"
    said = " ".join(c.text.lower() for c in CAUTIONS)
    for word in (
        "licensed",
        "isolate",
        "lock out",
        "mains",
        "machinery",
        "current transformer",
        "trip",
    ):
        assert word in said
    assert all(len(c.text) <= 200 for c in CAUTIONS)

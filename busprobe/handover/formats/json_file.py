"""The bus list as one JSON document, ``bus-list.json``, format ``busprobe.buslist/1``.

The document has ``format`` and then the fields of `busprobe.handover.bus_list.BusList`:
``segment``, ``units``, ``points``, ``journal``, ``proof``, ``attention``, ``not_tested``, ``trial``
(of the polling table), ``circuits`` (channels of meters) and ``earlier`` (what is not as it was at
an earlier visit), each row an object with the fields of its class under the same names. ``null``
says *not known* or *not tested*; addresses and registers are numbers as they go on the wire, frames
are hex, times UTC in ISO 8601, names that end in ``_ms`` milliseconds, in ``_m`` metres, in ``_s``
seconds.  A program that reads it must check ``format`` and should ignore fields it does not know.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

from busprobe.handover.bus_list import FORMAT, BusList


@dataclass(frozen=True, kw_only=True)
class BusListDocument(BusList):
    """The bus list as ``busprobe handover`` writes it to ``bus-list.json``."""

    format: Literal["busprobe.buslist/1"] = FORMAT


def files(bus_list: BusList) -> dict[str, bytes]:
    """The file's name and content: plain ASCII, so that no reader and no terminal is led astray."""
    text = json.dumps(document(bus_list), indent=2, allow_nan=False).replace("\x7f", "\\u007f")
    return {"bus-list.json": f"{text}\n".encode("ascii")}


def document(bus_list: BusList) -> dict[str, Any]:
    """The list as JSON can say it."""
    return {"format": FORMAT, **_plain(asdict(bus_list))}


def _plain(value: Any) -> Any:
    """Lists for tuples, and null for the numbers JSON has no word for (records of steps may hold
    some)."""
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value

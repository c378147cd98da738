"""What a template or a record layout of one's own can say: names, values, and their explanations.

Texts have been made harmless.  A value that is not known is none, so that ``default`` finds it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from busprobe.handover.bus_list import BusList
from busprobe.handover.known_bus import polling_of
from busprobe.handover.tables.master_points import MasterPoint, master_points
from busprobe.job.records import Target
from busprobe.line.settings import LineSettings
from busprobe.profiles.registers import reference
from busprobe.prove.polling_table import PollingRow
from busprobe.prove.statistics import milliseconds
from busprobe.text import harmless, hex_bytes

OF_THE_BUS: Mapping[str, str] = {
    "site": "name of the site",
    "segment": "name of the segment",
    "project": "project or order",
    "tester": "who did the work",
    "made": "when the list was made, UTC",
    "tool": "program and version",
    "points": "every point of every unit, see below",
    "requests": "the requests of the polling table, see below",
}
"""The variables, each with what it is."""

OF_BOTH: Mapping[str, str] = {
    "number": "number in its list, from 1",
    "tag": "tag of the unit",
    "address": "unit address",
    "settings": "line settings, 9600-8N1",
    "baud": "baud rate",
    "parity": "N, E or O",
    "stop_bits": "1 or 2",
    "function": "function code",
    "register": "first register, coil or input, zero-based as on the wire",
    "from_one": "the same counted from 1",
    "reference": "the same as a reference: 0xxxx, 1xxxx, 3xxxx or 4xxxx",
    "count": "registers, coils or inputs",
    "every_s": "seconds between two requests; none for a constant, read once",
    "every_ms": "the same in milliseconds",
    "timeout_ms": "response timeout in milliseconds",
    "retries": "retries",
    "gap_ms": "silence before the request in milliseconds",
    "request": "the request in hex, CRC included",
}
"""What points and requests have in common."""

OF_A_POINT: Mapping[str, str] = {
    "point": "name of the point",
    "description": "what its data sheet says of it",
    "type": "as in a profile: int16, uint16, float32, bits, enum, text, bool and others",
    "word_order": "ABCD, CDAB, BADC or DCBA; none where one register has the usual order",
    "first_word": "high or low: the register that comes first; none for one register",
    "first_byte": "high or low: the byte that comes first in each register",
    "first_bit": "lowest bit of a field of several bits, or none",
    "bit_count": "how many bits such a field has, or none",
    "scale": "value = raw number x scale + offset",
    "offset": "added after scaling",
    "scale_register": "register with a further scale, or none",
    "scale_means": "how it says the scale: exponent, factor or divisor",
    "decimals": "digits behind the decimal point, or none",
    "unit": "unit of the value",
    "codes": "what codes or bits mean",
    "no_value": "numbers that say that there is no value",
    "access": "R or R/W; empty where not stated",
    "range_min": "lowest plausible value",
    "range_max": "highest plausible value",
    "alarm_min": "value below which to raise an alarm",
    "alarm_max": "value above which to raise an alarm",
    "request_number": "number of the request that fetches it, or none",
    "position": "registers of the reply before it",
    "variable": "the master's variable",
    "target": "the master's address as noted",
    "target_number": "the same as a number, or none",
    "note": "what to mind",
}
"""What a point has besides."""

OF_A_REQUEST: Mapping[str, str] = {
    "points": "names of the points that it fetches",
    "between": "registers that it reads only because they lie in between",
    "reply_ms": "until the reply begins, in milliseconds",
    "exchange_ms": "request and reply together, in milliseconds",
}
"""What a request has besides."""

Row = Mapping[str, Any]


def variables(bus_list: BusList) -> dict[str, Any]:
    """All that a template can use; only what JSON can say."""
    segment = bus_list.segment
    points = master_points(bus_list)
    # A request has the timeout of its unit, and the gap before it.
    of_unit = {(point.address, point.settings): point for point in points}
    rows = enumerate(polling_of(bus_list).table.rows, start=1)
    tags = {unit.place: unit.tag for unit in bus_list.units if unit.found}
    return {
        **{
            name: harmless(getattr(segment, name))
            for name in ("site", "segment", "project", "tester", "made", "tool")
        },
        "points": [_point(point) for point in points],
        "requests": [
            _request(
                number,
                row,
                tags.get(row.place, ""),
                of_unit[row.place.address, str(row.place.settings)],
            )
            for number, row in rows
        ],
    }


def _point(point: MasterPoint) -> dict[str, Any]:
    names = (*OF_BOTH, *OF_A_POINT)
    given = {name: getattr(point, name) for name in names if hasattr(point, name)}
    return {
        **{name: harmless(v) if isinstance(v, str) else v for name, v in given.items()},
        **_of_settings(LineSettings.parse(point.settings)),
        "from_one": point.register + 1,
        "every_ms": _ms(point.every_s),
        "target_number": Target(address=point.target).number,
    }


def _request(number: int, row: PollingRow, tag: str, like: MasterPoint) -> dict[str, Any]:
    return {
        "number": number,
        "tag": harmless(tag),
        "address": row.place.address,
        "settings": str(row.place.settings),
        **_of_settings(row.place.settings),
        "function": row.block.function,
        "register": row.block.register,
        "from_one": row.block.register + 1,
        "reference": reference(row.block.function, row.block.register),
        "count": row.block.count,
        "every_s": row.every_s,
        "every_ms": _ms(row.every_s),
        "timeout_ms": like.timeout_ms,
        "retries": like.retries,
        "gap_ms": like.gap_ms,
        "request": hex_bytes(row.request.frame),
        "points": [harmless(name) for name in row.names],
        "between": sum(block.count for block in row.between),
        "reply_ms": milliseconds(row.latency_s),
        "exchange_ms": milliseconds(row.seconds),
    }


def _of_settings(settings: LineSettings) -> dict[str, Any]:
    return {"baud": settings.baud, "parity": str(settings.parity), "stop_bits": settings.stop_bits}


def _ms(seconds: float | None) -> int | None:
    return None if seconds is None else round(1000 * seconds)

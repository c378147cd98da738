"""The sheet that a master is configured from: every point with all that has to be typed in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.handover.known_bus import polling_of
from busprobe.handover.table import (
    Column,
    Table,
    column,
    columns_of,
    in_hex,
    listed,
    noted,
    table_of,
)
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.line.place import Place
from busprobe.line.timing import silence_before
from busprobe.modbus.requests import Function, Request, read
from busprobe.profiles.registers import reference
from busprobe.profiles.schema import WordOrder
from busprobe.prove.advice import request_advice
from busprobe.prove.polling_table import LeftOut, PollingRow
from busprobe.prove.statistics import milliseconds
from busprobe.prove.words import hindrance_words
from busprobe.text import hex_bytes

ASSUMED_TIMEOUT_MS = 1000
"""Where no endurance run measured reply times: V1.02 section 2.4.1 calls 1 s to several seconds at
9600 baud typical."""

ASSUMED_RETRIES = 1
"""One retry covers a single disturbance (common practice)."""

ONCE = "once"
"""What stands in place of an interval where a value is constant."""


def _high_or_low(*, low: bool) -> str:
    return "low" if low else "high"


@dataclass(frozen=True, kw_only=True)
class MasterPoint:
    """One point as a master's engineer needs it; each field with its column."""

    number: int = column("No.")
    tag: str = column("Tag")
    address: int = column("Address", more=(Column("Address hex", lambda p: in_hex(p.address, 2)),))
    settings: str = column("Line settings")
    point: str = column("Point")
    description: str = column("Description")
    function: int = column("Function")
    register: int = column(
        "Register",
        more=(
            Column("Register hex", lambda p: in_hex(p.register, 4)),
            Column("Register from 1", lambda p: p.register + 1),
            Column("Reference", lambda p: p.reference),
        ),
    )
    """First register, coil or input, zero-based as on the wire."""
    count: int = column("Registers")
    type: str = column("Type")
    word_order: str | None = column(
        "Word order", more=(Column("First word", lambda p: p.first_word),)
    )
    """Order of the bytes as they come; `None` where there is only one that the standard knows."""
    first_byte: str = column("First byte")
    """Whether the high or the low byte of each register comes first."""
    first_bit: int | None = column("First bit")
    """The lowest bit of a field of several bits, from 0."""
    bit_count: int | None = column("Bits")
    scale: float | None = column("Scale")
    scale_register: int | None = column("Scale register")
    """Register that holds a further scale, read by the same function."""
    scale_means: str = column("Scale register means")
    offset: float | None = column("Offset")
    decimals: int | None = column("Decimals")
    unit: str = column("Unit")
    codes: str = column("Codes")
    no_value: tuple[int, ...] = column(
        "No value", show=lambda p: listed(f"0x{code:X}" for code in p.no_value)
    )
    """Codes that say that there is no value."""
    access: str = column("Access", show=lambda p: noted(p.access))
    range_min: float | None = column("Range from")
    range_max: float | None = column("Range to")
    alarm_min: float | None = column("Alarm below")
    alarm_max: float | None = column("Alarm above")
    every_s: float | None = column("Every s", show=lambda p: p.every_s or ONCE)
    """Seconds between two requests; `None` = read once."""
    timeout_ms: int = column("Timeout ms")
    """From the end of a request to the end of its reply."""
    retries: int = column("Retries")
    timeout_from: str = column("Timeout and retries from")
    """Whether they follow from an endurance run, or are assumed."""
    gap_ms: float | None = column("Gap before ms")
    """Silence before the request."""
    request_number: int | None = column("Request no.")
    """Number in the polling table; `None` where it is not polled."""
    position: int | None = column("Position in reply")
    """Registers, or bits, of the reply before it."""
    request: str = column("Request hex")
    """The request that fetches it, CRC included; empty where none may."""
    variable: str = column("Master variable")
    target: str = column("Master address")
    note: str = column("Note")

    @property
    def reference(self) -> str:
        """The register as a reference of five or six digits (common practice)."""
        return reference(self.function, self.register)

    @property
    def first_word(self) -> str | None:
        """Whether the high or the low register comes first; `None` where there is one."""
        if self.word_order is None or self.count == 1:
            return None
        return _high_or_low(low=WordOrder(self.word_order).words_reversed)


def master_points(bus_list: BusList) -> tuple[MasterPoint, ...]:
    """Every point of every unit, in the order of the list."""
    return tuple(_points(bus_list))


def master_table(bus_list: BusList) -> Table:
    """The sheet."""
    columns = columns_of(MasterPoint)
    return table_of("master-points", "Points for the master", columns, master_points(bus_list))


@dataclass(frozen=True)
class _Asked:
    """How a point is fetched."""

    request: Request | None
    number: int | None = None
    first: int = 0
    """The first register of the request."""
    note: str = ""


def _polled(number: int, row: PollingRow, *, untried: bool) -> _Asked:
    note = "not tried on the bus: the request reads registers in between" if untried else ""
    return _Asked(row.request, number, row.block.register, note)


def _points(bus_list: BusList) -> Iterator[MasterPoint]:
    made = polling_of(bus_list)
    table = made.table
    rows = {
        (row.place, name): _polled(number, row, untried=row in made.untried)
        for number, row in enumerate(table.rows, start=1)
        for name in row.names
    }
    left_out = {(one.place, one.name): one for one in table.left_out}
    units = {unit.place: unit for unit in bus_list.units if unit.found}
    measured = _measured(bus_list)
    for number, point in enumerate(bus_list.points, start=1):
        key = point.place, point.name
        asked = rows.get(key) or _apart(point, left_out.get(key))
        timeout, retries, source = measured.get(
            point.place, (ASSUMED_TIMEOUT_MS, ASSUMED_RETRIES, "assumed")
        )
        yield MasterPoint(
            number=number,
            tag=point.tag_words,
            address=point.address,
            settings=point.settings,
            point=point.name,
            description=point.description,
            function=point.function,
            register=point.register,
            count=point.count,
            type=point.type,
            word_order=point.word_order,
            first_byte=_high_or_low(
                low=point.word_order is not None and WordOrder(point.word_order).bytes_reversed
            ),
            first_bit=point.first_bit,
            bit_count=point.bit_count,
            scale=point.scale if point.own_scale is None else point.own_scale,
            scale_register=point.scale_register,
            scale_means=point.scale_means,
            offset=point.offset,
            decimals=point.decimals,
            unit=point.unit,
            codes=point.codes,
            no_value=point.no_value,
            access=point.access,
            range_min=point.plausible_min,
            range_max=point.plausible_max,
            alarm_min=point.alarm_min,
            alarm_max=point.alarm_max,
            every_s=None if point.read_once else point.every_s,
            timeout_ms=timeout,
            retries=retries,
            timeout_from=source,
            gap_ms=_gap_ms(point.place, units.get(point.place)),
            request_number=asked.number,
            position=None if asked.request is None else point.register - asked.first,
            request="" if asked.request is None else hex_bytes(asked.request.frame),
            variable=point.target.variable,
            target=point.target.address,
            note=asked.note,
        )


def _apart(point: PointRow, left_out: LeftOut | None) -> _Asked:
    """How a point is fetched that is not in the polling table."""
    if left_out is not None:
        return _Asked(None, note=f"not polled: {hindrance_words(left_out.hindrance)}")
    own = read(point.address, Function(point.function), point.register, point.count)
    return _Asked(own, first=point.register, note="constant: read it once")


def _measured(bus_list: BusList) -> dict[Place, tuple[int, int, str]]:
    """Timeout in ms and retries for the units that an endurance run polled, and where they come
    from."""
    proof = latest_proof(bus_list)
    advised = None if proof is None else request_advice(proof)
    if proof is None or advised is None:
        return {}
    timeout, retries = advised
    said = (int(timeout.value), int(retries.value), "endurance run")
    return {unit.place: said for unit in proof.units if unit.polls}


def _gap_ms(place: Place, unit: UnitRow | None) -> float | None:
    gap = (unit.gap_ms or 0.0) / 1000 if unit else 0.0
    return milliseconds(silence_before(place.settings, gap))

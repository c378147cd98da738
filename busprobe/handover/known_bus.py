"""What a bus list says of a bus to whoever makes its polling table."""

from __future__ import annotations

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.profiles.matching import RECOGNISED
from busprobe.profiles.read_requests import Block
from busprobe.prove.bus_polling import KnownBus, KnownPoint, KnownUnit, Polling, polling
from busprobe.prove.documents import kept_trial


def polling_of(bus_list: BusList) -> Polling:
    """The polling table that the bus list allows, and what it rests on."""
    return polling(known_bus(bus_list))


def known_bus(bus_list: BusList) -> KnownBus:
    """The units that answer, with the points that a master may want of them."""
    trial = bus_list.trial
    return KnownBus(
        units=tuple(_unit(unit, bus_list) for unit in bus_list.units if unit.found),
        every_s=bus_list.segment.every_s,
        trial=kept_trial(trial.made, trial.document) if trial else None,
    )


def _unit(unit: UnitRow, bus_list: BusList) -> KnownUnit:
    median = unit.latency_median_ms
    return KnownUnit(
        place=unit.place,
        tag=unit.tag_words,
        state=unit.state,
        points=tuple(
            _point(point)
            for point in bus_list.points
            if point.place == unit.place and not point.read_once
        ),
        latency_s=None if median is None else median / 1000,
        polled=bool(unit.polls),
        registers_a_request=unit.registers_a_request,
        gap_s=(unit.gap_ms or 0) / 1000,
        certain=unit.match is None or unit.match >= RECOGNISED,
    )


def _point(point: PointRow) -> KnownPoint:
    scale = point.scale_register
    return KnownPoint(
        name=point.name,
        block=Block(point.function, point.register, point.count),
        every_s=point.every_s,
        scale=None if scale is None else Block(point.function, scale, 1),
    )

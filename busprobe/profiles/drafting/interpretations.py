"""Registers of an unknown unit in all sensible interpretations, the plausible ones first.

A data sheet often leaves open, or has wrong, what matters: which function code reads a register,
whether it counts from 0 or from 1, signed or not, which register of two comes first, which power of
ten.  Each open question is answered in all ways, and each answer rated by what quantities are like.
The ratings are this program's own judgement.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import product

from busprobe.profiles.drafting.notes import NotedPoint
from busprobe.profiles.read_requests import Block, Registers
from busprobe.profiles.registers import HIGHEST, OF_BITS, READ_HOLDING, READ_INPUT, Register
from busprobe.profiles.schema import Point, PointType, WordOrder
from busprobe.profiles.values import Reading, decode, in_order

SHIFTS = (0, -1, 1)
"""Registers by which the data sheet's numbering may be off."""

FURTHEST = 4
"""Registers of the longest number."""

TYPICAL = {
    "°C": (-50, 200), "°F": (-60, 400), "K": (200, 500), "%": (0, 100), "V": (0, 1000),
    "mV": (-1e5, 1e5),
    "kV": (0, 500), "A": (-2000, 2000), "mA": (-1000, 1000), "W": (-1e6, 1e6), "kW": (-1e4, 1e4),
    "VA": (0, 1e6),
    "kVA": (0, 1e4), "var": (-1e6, 1e6), "kvar": (-1e4, 1e4), "Wh": (0, 1e10), "kWh": (0, 1e7),
    "MWh": (0, 1e5),
    "Hz": (0, 400), "bar": (-1, 400), "mbar": (0, 2000), "Pa": (-1e5, 1e6), "hPa": (0, 1200),
    "kPa": (-100, 1e4),
    "ppm": (0, 5e4), "m³": (0, 1e7), "m³/h": (-1e4, 1e4), "l/h": (-1e5, 1e5), "l/min": (-1e4,
    1e4), "m/s": (-100, 100),
    "m": (-1e3, 1e4), "mm": (-1e5, 1e5), "lx": (0, 2e5), "W/m²": (-10, 1600), "rpm": (-3e4, 3e4),
    "°": (-360, 360),
    "s": (0, 1e8), "h": (0, 1e6), "pH": (0, 14),
}  # fmt: skip
"""Unit to the values that are met on plants; common practice, for ranking only."""

_COUNTED = {"Wh", "kWh", "MWh", "m³", "h", "s"}
"""Units of what counts up for years and outgrows one register (common practice)."""
_NUMBERS = {
    PointType.INT16: 0.6, PointType.UINT16: 0.6, PointType.INT32: 0.5, PointType.UINT32: 0.5,
    PointType.FLOAT32: 0.9,
    PointType.FLOAT64: 0.7, PointType.INT64: 0.3, PointType.UINT64: 0.3,
}  # fmt: skip
_FOLLOWED = 12
"""Ways, at each shift, that are held against what was read before."""
_BITS = 0.4
"""Named states are seldom bits where their numbers are small (common practice)."""
_UNNAMED_BITS = 0.3
"""Bits that are set and not named speak against bits."""
_SWAPPED_BYTES = 0.7
"""Bytes swapped inside each register go against the standard (V1.1b3 section 4.2), though some
units do it."""
_UNSAID_SCALE = 0.8
"""A data sheet that names the type most often names the scale too, where there is one (common
practice)."""
_STATED_NO_VALUE = 0.5
"""The very code that the data sheet names for 'no value' is seldom there by chance."""
_OTHER_ORDER = 0.3
"""A unit that orders its registers in two ways is seldom met (common practice)."""
_WORTH_A_LOOK = 0.25
"""Part of the rating of the chosen reading from which one beside it is worth comparing."""
_SCALES = {1.0: 1.0, 0.1: 0.9, 0.01: 0.8, 0.001: 0.6, 10.0: 0.5, 100.0: 0.3}
_OFF_BY_ONE = 0.5
_AGAINST_THE_SHEET = 0.3
"""Another order than the data sheet has is right only where the display says so."""
_ELSEWHERE = 0.1
"""What is left of a rating where the display shows something else."""
_LEAVES_A_GAP = 0.85
"""A data sheet that leaves out a register or three before its next point most often has a longer
value there."""
_OTHER_TABLE = 0.99
"""Some units give the same registers in both tables; then the holding registers are named."""
_NATURAL = (1e-4, 1e8)
"""Magnitudes in which a float of a plant lies; a bit pattern that is no float seldom falls among
them."""
_SIGNED_FROM = 65000
"""Unsigned 16-bit readings from here on are mostly small negative numbers (common practice)."""
_SHOWN = 0.02
"""Part by which a live value may have moved from what a display showed."""
_MOST_DIGITS = -12
"""Power of ten of the last digit that a display may show."""
_LEAST = 0.02
"""Rating below which an interpretation is not shown."""


@dataclass(frozen=True)
class Way:
    """How the open questions of a point are answered."""

    function: int
    shift: int
    """Registers between where the data sheet says it is and where this reads: -1, 0 or 1."""
    type: PointType
    order: WordOrder
    scale: float


@dataclass(frozen=True)
class Interpretation:
    """One way to read a register, with the value that it gives."""

    point: Point
    reading: Reading
    shift: int
    """Registers between where the data sheet says it is and where this reads: -1, 0 or 1."""
    plausibility: float
    """From 0 to 1."""

    @property
    def way(self) -> Way:
        """What tells it from the others of its point, whatever the unit reads at the moment."""
        point = self.point
        return Way(point.function, self.shift, point.type, point.order, point.scale)

    @property
    def words(self) -> str:
        """How it is read: ``function 3, register 40 (0x0028), float32 CDAB``."""
        point = self.point
        order = f" {point.order}" if point.count > 1 else ""
        scale = f" x {point.scale:g}" if point.scale != 1 else ""
        if point.scale_register:
            scale += f", scale in register {point.scale_register.at}"
        off = {0: "", -1: ", one register lower", 1: ", one register higher"}[self.shift]
        return f"function {point.function}, register {point.at}{off}, {point.type}{order}{scale}"


def interpretations(
    noted: NotedPoint,
    at: Register,
    registers: Registers,
    *,
    scale_at: Register | None = None,
    room: int | None = None,
    chosen: Way | None = None,
    earlier: Sequence[Registers] = (),
) -> tuple[Interpretation, ...]:
    """All ways in which the registers read fit `noted`, which the data sheet puts at `at`; the
    plausible ones first.

    `scale_at` is where the data sheet puts its scale, if in a register.  `room` is how many
    registers it can take before the next point of the data sheet begins; None if none follows.  The
    way that a person has `chosen` goes first, however plausible what it reads is.  What the unit
    gave `earlier` counts as much as what it gives now, for a wrong way looks right now and then.
    """
    found = [
        _rated(noted, point, shift, words, room)
        for point, shift in _ways(noted, at, scale_at, room)
        if (words := _words(point, registers)) is not None
    ]
    found.sort(key=lambda i: (i.way != chosen, -i.plausibility))
    if earlier:
        found = _over_time(noted, found, earlier, room)
    kept = (i for i in found if i.plausibility >= _LEAST or i.way == chosen)
    return tuple(sorted(kept, key=lambda i: (i.way != chosen, -i.plausibility)))


def _over_time(
    noted: NotedPoint,
    found: Sequence[Interpretation],
    earlier: Iterable[Registers],
    room: int | None,
) -> list[Interpretation]:
    """The likeliest of sorted `found`, rated by what they read before as well.

    A way is worth what it was at its worst; held against a display, which may have been read at any
    of these moments, what it was at its best.
    """
    weigh = min if noted.shows is None else max
    likely = [way for shift in SHIFTS for way in [w for w in found if w.shift == shift][:_FOLLOWED]]
    for before in earlier:
        for place, way in enumerate(likely):
            words = _words(way.point, before) if way.plausibility >= _LEAST else None
            if words is not None:
                then = _rated(noted, way.point, way.shift, words, room).plausibility
                likely[place] = replace(way, plausibility=weigh(way.plausibility, then))
    return likely


def distinct(ways: Iterable[Interpretation]) -> tuple[Interpretation, ...]:
    """`ways` without those that give the same value of the same register as one before: signed or
    not, mostly."""
    first: dict[object, Interpretation] = {}
    for way in ways:
        first.setdefault((way.reading.text, way.point.function, way.point.at), way)
    return tuple(first.values())


def agrees(noted: NotedPoint, reading: Reading) -> bool:
    """Whether `reading` is what the display was seen to show, which may have moved on a little
    since."""
    if isinstance(noted.shows, int | float):
        if not isinstance(reading.value, int | float):
            return False
        return _agreement(reading.value, noted.shows, reading.scale) > _ELSEWHERE
    return str(noted.shows) in reading.text


def off_by_one(per_point: Iterable[Sequence[Interpretation]]) -> int:
    """By how many registers the numbering of a data sheet is off, going by all its points: -1, 0 or
    1.

    Only said where all points taken together speak clearly for it: each point alone may look right
    by chance.
    """
    found = [ways for ways in per_point if ways]
    totals = {shift: sum(_best(ways, shift) for ways in found) for shift in SHIFTS}
    best = max(SHIFTS, key=lambda shift: totals[shift])
    return best if found and totals[best] > 1.5 * totals[0] else 0


def like_the_others(ways: Iterable[Interpretation], order: WordOrder) -> tuple[Interpretation, ...]:
    """`ways`, those less plausible that do not read numbers in the `order` in which the unit has
    its others."""
    return tuple(
        (
            replace(way, plausibility=round(way.plausibility * _OTHER_ORDER, 4))
            if is_ordered(way.point) and way.point.order != order
            else way
        )
        for way in ways
    )


def is_ordered(point: Point) -> bool:
    """Whether the order of its registers matters to a number."""
    return point.count > 1 and point.type.is_number


def straddles(chosen: Interpretation, others: Iterable[Interpretation]) -> Interpretation | None:
    """The reading one register beside `chosen`, registers swapped, that looks much the same.

    Two halves of neighbouring values make such a value; only a display or a data sheet tells which
    is right.
    """
    value = chosen.reading.value
    for other in others:
        theirs = other.reading.value
        if other.plausibility < _WORTH_A_LOOK * chosen.plausibility:
            continue
        swapped = other.point.order.words_reversed != chosen.point.order.words_reversed
        same = (other.point.type, other.point.function) == (
            chosen.point.type,
            chosen.point.function,
        )
        if not (swapped and same and abs(other.shift - chosen.shift) == 1):
            continue
        if not (value and isinstance(value, int | float) and isinstance(theirs, int | float)):
            continue
        if abs(theirs - value) <= _SHOWN * abs(value):
            return other
    return None


def wanted_blocks(
    noted: NotedPoint, at: Register, scale_at: Register | None = None
) -> tuple[Block, ...]:
    """The registers that the interpretations of a point need, those of its scale too."""
    count = noted.length or FURTHEST if noted.type is None else noted.registers
    spans = [(at.wire, count), *([(scale_at.wire, 1)] if scale_at else [])]
    return tuple(_around(function, *span) for function in _functions(noted, at) for span in spans)


def _around(function: int, wire: int, count: int) -> Block:
    """A block with what an off-by-one needs at either end."""
    first = max(0, wire + min(SHIFTS))
    last = min(HIGHEST, wire + max(SHIFTS) + count - 1)
    return Block(function, first, last - first + 1)


def _functions(noted: NotedPoint, at: Register) -> tuple[int, ...]:
    known = noted.function or at.function
    if known:
        return (known,)
    return OF_BITS if noted.type is PointType.BOOL else (READ_HOLDING, READ_INPUT)


def _ways(
    noted: NotedPoint, at: Register, scale_at: Register | None, room: int | None
) -> Iterator[tuple[Point, int]]:
    for function, shift, kind in product(_functions(noted, at), SHIFTS, noted.kinds):
        if any(r and not 0 <= r.wire + shift <= HIGHEST for r in (at, scale_at)):
            continue
        if room is not None and not noted.type and kind.registers > room:
            continue
        orders = _orders(noted, kind)
        scales = _scales(noted, kind)
        for order, scale in product(orders, scales):
            scale_there = scale_at and _beside(scale_at, shift)
            yield noted.point(function, _beside(at, shift), kind, order, scale, scale_there), shift


def _beside(at: Register, shift: int) -> Register:
    return replace(at, wire=at.wire + shift, sheet=at.sheet + shift)


def _orders(noted: NotedPoint, kind: PointType) -> tuple[WordOrder, ...]:
    if noted.order and noted.shows is None:
        return (noted.order,)
    if kind is PointType.TEXT:
        return (WordOrder.ABCD, WordOrder.BADC)
    # A single register with its bytes swapped goes against the standard (V1.1b3 section 4.2) and is
    # not thought of.
    if kind.registers > 1:
        return tuple(WordOrder)
    return tuple(dict.fromkeys((noted.order or WordOrder.ABCD, WordOrder.ABCD)))


def _scales(noted: NotedPoint, kind: PointType) -> tuple[float, ...]:
    if noted.scale is not None:
        return (noted.scale,)
    if noted.scale_register is not None or noted.fixed or noted.tells:
        return (1.0,)  # the unit says the scale itself, or it is a code and no quantity
    return tuple(_SCALES) if kind.is_number and not kind.is_float else (1.0,)


def _words(point: Point, registers: Registers) -> tuple[int, ...] | None:
    """The registers of `point`, that of its scale last if it has one; None unless all were read."""
    keys = Block(point.function, point.at.wire, point.count).keys
    if point.scale_register:
        keys = (*keys, (point.function, point.scale_register.at.wire))
    words = [registers.get(key) for key in keys]
    found = tuple(word for word in words if word is not None)
    return found if len(found) == len(words) else None


def _rated(
    noted: NotedPoint, point: Point, shift: int, words: tuple[int, ...], room: int | None
) -> Interpretation:
    reading = decode(point, words[: point.count], *words[point.count :])
    rating = (
        _rating_of_text(noted, reading)
        if point.type is PointType.TEXT
        else _rating(noted, reading, any(reading.registers))
    )
    rating *= _OFF_BY_ONE if shift else 1.0
    rating *= (
        _SWAPPED_BYTES
        if point.order.bytes_reversed and not noted.order and noted.shows is None
        else 1.0
    )
    rating *= _AGAINST_THE_SHEET if noted.order not in (None, point.order) else 1.0
    rating *= _LEAVES_A_GAP if room in (2, 4) and point.count < room else 1.0
    rating *= _OTHER_TABLE if point.function == READ_INPUT else 1.0
    return Interpretation(point, reading, shift, round(rating, 4))


def _rating_of_text(noted: NotedPoint, reading: Reading) -> float:
    text = str(reading.value or "")
    if noted.shows is not None:
        return 1.0 if str(noted.shows) in text else 0.05
    letters = sum(character.isalnum() for character in text)
    return 0.1 + 0.8 * letters / len(text) if text and "\\" not in text else 0.05


def _rating(noted: NotedPoint, reading: Reading, anything: bool) -> float:
    point, value = reading.point, reading.value
    if not isinstance(value, int | float):
        if reading.text != "no value":
            return 0.0
        return (
            _STATED_NO_VALUE
            if anything and _code(point, reading.registers) in noted.no_value
            else 0.05
        )
    rating = _NUMBERS.get(point.type, _BITS if point.type is PointType.BITS else 0.6)
    if point.type is PointType.BITS and int(value) & ~sum(1 << bit for bit in noted.names):
        rating *= _UNNAMED_BITS
    if noted.unit in _COUNTED and not point.type.is_float:
        rating = 0.8 if point.count == 2 else 0.4
    if noted.scale is None and noted.scale_register is None:
        rating *= _SCALES.get(point.scale, 1.0) * (
            _UNSAID_SCALE if noted.type and point.scale != 1 else 1.0
        )
    if isinstance(noted.shows, int | float):
        agreement = _agreement(value, noted.shows, reading.scale)
        if agreement > _ELSEWHERE:
            return (0.8 + 0.2 * rating * _sign(noted, point, reading.registers)) * agreement
        rating *= agreement
    if not anything:
        return rating * 0.3  # zeros fit everything and tell nothing
    if reading.plausible is False:
        return rating * 0.05
    if point.type.is_float and not _NATURAL[0] <= abs(value) <= _NATURAL[1]:
        return rating * 0.01
    rating *= _within(value, TYPICAL.get(noted.unit)) if reading.plausible is None else 1.0
    return rating * _sign(noted, point, reading.registers)


def _agreement(value: float, shown: float, scale: float) -> float:
    """How well `value` agrees with what a display shows, whose last digit may be one of the
    scale's."""
    off = abs(value - shown) - scale
    exponent = int(Decimal(repr(shown)).normalize().as_tuple().exponent)
    last_digit = 10.0 ** max(_MOST_DIGITS, min(0, exponent))
    allowed = max(_SHOWN * abs(shown), last_digit)
    return min(1.0, 1.0 - 0.5 * off / allowed) if off <= allowed else _ELSEWHERE


def _within(value: float, span: tuple[float, float] | None) -> float:
    return 1.0 if span is None or span[0] <= value <= span[1] else 0.1


def _sign(noted: NotedPoint, point: Point, registers: Sequence[int]) -> float:
    """Signed or unsigned: where both read the same, the one that the quantity needs."""
    if point.type.is_float or point.type.is_bcd or point.type.is_magnitude:
        return 1.0
    can_be_negative = TYPICAL.get(noted.unit, (-1.0, 0.0))[0] < 0 and not noted.fixed
    raw = _code(point, registers)
    top = 1 << 16 * point.count - 1
    if raw < top:
        same = point.type.is_signed == can_be_negative
        magnitude = (
            1.0 if raw < 1 << 28 else 0.3
        )  # few counts of a plant go beyond, and shuffled registers do
        return magnitude * (1.0 if same else 0.95)
    small_negative = raw >= (1 << 16 * point.count) - ((1 << 16) - _SIGNED_FROM)
    if point.type.is_signed:
        return 1.0 if small_negative or point.count == 1 else 0.2
    return 0.2 if small_negative or point.count > 1 else 0.7


def _code(point: Point, registers: Sequence[int]) -> int:
    """The unsigned number that the registers of `point` hold."""
    return int.from_bytes(in_order(registers, point.order), "big")


def _best(ways: Sequence[Interpretation], shift: int) -> float:
    """The best rating at `shift`, freed of what being off by one costs."""
    best = max((way.plausibility for way in ways if way.shift == shift), default=0.0)
    return best / _OFF_BY_ONE if shift else best

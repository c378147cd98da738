"""The bus list: what is on a segment, as built, with what is known of it and what is not.

`None` says *not known* or *not tested*, everywhere; an empty text says *nothing noted*.  Addresses
and registers are numbers as they go on the wire; writing them in decimal and hex is up to the
exporters.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from busprobe.handover.comparison import EarlierVisit
from busprobe.job.intervals import USUAL
from busprobe.job.journal import Result
from busprobe.job.records import Cabling, Circuit
from busprobe.line.place import Place
from busprobe.wiring.record import LISTENING

FORMAT = "busprobe.buslist/1"
"""Format name of the JSON document; counts up when a field changes its meaning or goes."""

_DECIMALS = 6
"""Of differences between values: hides the noise of binary fractions, and nothing that a display
shows."""

State = Literal["unit", "clash", "unsure", "planned", "reserved"]
"""What a row is: one unit, two or more at one address, not clear who, planned and not found, or to
be kept free."""


@dataclass(frozen=True)
class SurveySheet:
    """The last survey: what was asked and whether it came to its end."""

    begun: str
    ended: str | None
    complete: bool
    port: str
    settings: tuple[str, ...]
    """Line settings searched."""
    addresses: str
    """Addresses searched, ``1-247``."""
    seconds: float | None
    echo: bool | None
    """Whether the adapter returned our own bytes."""
    other_master: bool | None
    """Whether somebody else was asking on the pair."""
    noise_bytes: int | None
    """Bytes heard that belong to no frame."""
    notes: tuple[str, ...]
    """What concerned the line or the port rather than one unit."""


@dataclass(frozen=True)
class StepSheet:
    """What a step recorded last, as it recorded it."""

    made: str
    document: Mapping[str, Any]


@dataclass(frozen=True)
class SegmentSheet:
    """The pair of wires as a whole."""

    site: str
    segment: str
    tester: str
    port: str
    adapter: str
    created: str
    """When the job was begun."""
    made: str
    """When this list was made."""
    tool: str
    """Program and version that made it."""
    settings: tuple[str, ...]
    """Line settings of the units listed."""
    units: int
    """Rows of the list that are one unit each."""
    spare: str | None
    """Addresses free to use: silent in a complete survey, not listed, not reserved; `None` without
    such a survey."""
    survey: SurveySheet | None
    listening: StepSheet | None
    """What was heard on the pair before anything was asked."""
    wiring: StepSheet | None
    cautions: StepSheet | None = None
    """That somebody read the cautions before hands went to the terminals."""
    hunts: tuple[StepSheet, ...] = ()
    """Who started and stopped answering while hands were at the terminals."""
    cabling: Cabling = field(default_factory=Cabling)
    """The pair of wires as somebody noted it."""
    project: str = ""
    """Project or order that the work is done for."""
    every_s: float | None = None
    """Seconds after which new values are wanted; `None` = nobody said."""

    @property
    def judged(self) -> Mapping[str, Mapping[str, Any]]:
        """What was measured, by its name, as the wiring record has it."""
        return (
            {one["measurement"]: one for one in self.wiring.document.get("judgements", ())}
            if self.wiring
            else {}
        )

    @property
    def left_out(self) -> tuple[str, ...]:
        """What the step Wiring did not do; listening is done, whichever step has listened."""
        skipped = self.wiring.document.get("skipped", ()) if self.wiring is not None else ()
        return tuple(str(each) for each in skipped if each != LISTENING or self.listening is None)


@dataclass(frozen=True)
class UnitRow:
    """One line of the list, in cable order where that is known."""

    number: int
    state: State
    address: int
    settings: str = ""
    """Line settings; empty for a reserved address."""
    position: int | None = None
    """Place along the cable, counted from the master."""
    tag: str = ""
    location: str = ""
    device_type: str = ""
    """What it is, in plain words."""
    maker: str = ""
    model: str = ""
    serial: str = ""
    revision: str = ""
    identity_source: str = ""
    """How maker and model are known: by the unit's own word, by a profile that fits, or by hand."""
    profile: str | None = None
    match: float | None = None
    """How well the profile fits, 0 to 1."""
    factory_address: int | None = None
    previous_address: int | None = None
    how_set: str = ""
    power_cycle_verified: bool | None = None
    """Whether it answered at its address after a power cycle; `None` = not tested."""
    read_functions: tuple[int, ...] = ()
    """Function codes that read its points."""
    write_function: int | None = None
    """Function code that sets its address."""
    word_orders: tuple[str, ...] = ()
    """Orders of the bytes of its longer values."""
    numbering: str | None = None
    """How its data sheet counts registers."""
    registers_a_request: int | None = None
    gap_ms: float | None = None
    """Silence it needs before a request, beyond what the standard asks."""
    latency_minimum_ms: float | None = None
    latency_median_ms: float | None = None
    latency_maximum_ms: float | None = None
    polls: int | None = None
    """Requests of the endurance run; `None` = not tested, here and for the kinds below."""
    timeouts: int | None = None
    crc_errors: int | None = None
    other_errors: int | None = None
    """Replies that were late, malformed or another unit's."""
    exceptions: int | None = None
    """Sound replies that refused the request."""
    after_junk: int | None = None
    """Sound replies with stray bytes ahead of them."""
    sample: tuple[str, ...] = ()
    """A request to it and its sound reply, in hex; empty = none kept."""
    seen: str | None = None
    """When it last answered."""
    seen_by: str = ""
    """Who was at the screen then."""
    remarks: tuple[str, ...] = ()
    distance_m: float | None = None
    """Metres of cable from the master; `None` = not noted."""
    terminator: bool | None = None
    """Whether a terminator is fitted at this unit; `None` = not noted."""
    plan: str = ""
    """How it stands to the plan of the bus, in words; empty without a plan."""
    supply: str = ""
    """Its supply, as somebody noted it."""
    label_fitted: bool | None = None
    """Whether its label is on it; `None` = not noted."""

    @property
    def place(self) -> Place:
        """Where it is; raises `UsageError` where no line settings are known."""
        return Place.parse(f"{self.address} {self.settings}")

    @property
    def found(self) -> bool:
        """Whether somebody answers there; the others stand for what is planned or to be kept
        free."""
        return self.state in ("unit", "clash", "unsure")


@dataclass(frozen=True)
class PointRow:
    """One value of one unit, as read or not read."""

    address: int
    settings: str
    tag: str
    profile: str | None
    name: str
    function: int
    register: int
    """First register, as on the wire."""
    sheet_register: int | None
    """The same register as the data sheet numbers it."""
    numbering: str | None
    """How the data sheet counts registers."""
    count: int
    type: str
    word_order: str | None
    unit: str
    scale: float | None
    offset: float | None
    plausible_min: float | None
    plausible_max: float | None
    registers: tuple[int, ...] | None
    """Raw as read; `None` = not read."""
    value: float | int | str | None
    text: str
    """The value for a person, with its unit."""
    plausible: bool | None
    scale_register: int | None = None
    """Register on the wire that holds a further scale, which was in `scale` when the value was
    read."""
    every_s: float = USUAL
    """Seconds after which a new value is wanted."""
    reference: str = ""
    """The value on the unit's display or a reference instrument, as somebody noted it."""
    access: str = ""
    """Whether a master may read it, ``R``, or write it too, ``R/W``; empty where the profile does
    not say."""
    description: str = ""
    """What its data sheet says of it."""
    channel: str = ""
    """The circuit of a meter that it belongs to, as the unit calls it."""
    tolerance: float | None = None
    """How far it may be from the value noted, in its unit; `None` = the profile does not say, here
    and in the next."""
    tolerance_percent: float | None = None
    """The same in per cent of the value noted; the two add up."""

    @property
    def place(self) -> Place:
        """Where it is; raises `UsageError` where no line settings are known."""
        return Place.parse(f"{self.address} {self.settings}")

    @property
    def shown(self) -> float | None:
        """The value noted as a number, in the point's unit; `None` where it is none, or in another
        unit."""
        text, *unit = self.reference.split() or [""]
        if unit and [word.casefold() for word in unit] != [self.unit.casefold()]:
            return None
        try:
            number = float(text.replace(",", "."))
        except ValueError:
            return None
        return number if math.isfinite(number) else None

    @property
    def deviation(self) -> float | None:
        """The value read less the one noted; `None` where either is no number."""
        if isinstance(self.value, str) or self.value is None or self.shown is None:
            return None
        return round(self.value - self.shown, _DECIMALS)

    @property
    def allowed(self) -> float | None:
        """How far it may be from the value noted, in its unit; `None` where nobody said or no
        number is noted."""
        if self.shown is None or (self.tolerance is None and self.tolerance_percent is None):
            return None
        share = abs(self.shown) * (self.tolerance_percent or 0.0) / 100
        return round((self.tolerance or 0.0) + share, _DECIMALS)

    @property
    def within_tolerance(self) -> bool | None:
        """Whether it is no farther than allowed from the value noted; `None` where that cannot be
        told."""
        if self.deviation is None or self.allowed is None:
            return None
        return abs(self.deviation) <= self.allowed


@dataclass(frozen=True)
class CircuitRow:
    """One channel of a meter, with what somebody noted of it."""

    address: int
    settings: str
    tag: str
    circuit: Circuit
    values: str
    """What was read of it, for a person."""

    @property
    def place(self) -> Place:
        """Where it is; raises `UsageError` where no line settings are known."""
        return Place.parse(f"{self.address} {self.settings}")


@dataclass(frozen=True)
class JournalEntry:
    """What was noted about a write at one moment after it."""

    made: str
    outcome: Result
    reply: str | None
    """Raw reply in hex; `None` when none came."""
    why: str


@dataclass(frozen=True)
class JournalRow:
    """One write that was ever about to be sent."""

    number: int
    intended: str
    tester: str
    kind: str
    from_address: int | None
    to_address: int | None
    settings: str
    words: str
    request: str
    """Frame in hex."""
    outcome: Result | None
    """The last word on it; `None` = nobody knows what became of it."""
    conclusions: tuple[JournalEntry, ...]
    wanted_settings: str = ""
    """Line settings the unit was to have afterwards."""
    serial: str = ""
    """Serial number of the unit that is listed where the write left it."""
    power_cycle_verified: bool | None = None
    """Whether that unit was seen there after a power cycle; `None` = not tested."""

    @property
    def reply_from(self) -> int | None:
        """The unit address that the reply to the write came from; `None` without a reply."""
        replies = (entry.reply for entry in self.conclusions if entry.reply)
        return next((int(reply[:2], 16) for reply in replies), None)


@dataclass(frozen=True)
class Proof:
    """What the endurance runs showed, summed up over the units listed."""

    units: int
    """Units that were polled."""
    polls: int
    results: Mapping[str, int]
    """What became of the polls, by kind of answer."""
    latest: StepSheet | None
    """The last run as it was recorded."""


@dataclass(frozen=True)
class BusList:
    """Everything that is handed over about one segment."""

    segment: SegmentSheet
    units: tuple[UnitRow, ...]
    points: tuple[PointRow, ...]
    journal: tuple[JournalRow, ...]
    proof: Proof | None
    """`None` = no endurance run."""
    attention: tuple[str, ...]
    """What has to be looked at before this segment can be called sound."""
    not_tested: tuple[str, ...]
    """What nobody looked at."""
    trial: StepSheet | None = None
    """The last trial of the polling table on the bus; `None` = not tried."""
    circuits: tuple[CircuitRow, ...] = ()
    """The channels of the meters, noted or not."""
    earlier: EarlierVisit | None = None
    """What is not as it was at an earlier visit; `None` = not compared."""

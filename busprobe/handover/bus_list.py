"""The bus list: what is on a segment, as built, with what is known of it and what is not.

`None` says *not known* or *not tested*, everywhere; an empty text says *nothing noted*.  Addresses
and registers are numbers as they go on the wire; writing them in decimal and hex is up to the
exporters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import Any, Final, Literal

from busprobe.handover.comparison import EarlierVisit
from busprobe.handover.table import (
    NOT_TESTED,
    Cell,
    Column,
    PagePart,
    column,
    in_hex,
    listed,
    noted,
    yes_no,
)
from busprobe.job.endurance_bound import EnduranceBound
from busprobe.job.intervals import USUAL
from busprobe.job.journal import Result
from busprobe.job.records import Cabling, Circuit, EntryKind, Target
from busprobe.line.place import Place
from busprobe.readdress.words import RESULT_WORDS
from busprobe.wiring.record import LISTENING, WiringRecord, read_record

FORMAT: Final = "busprobe.buslist/1"
"""Format name of the JSON document; counts up when a field changes its meaning or goes."""

_DECIMALS = 6
"""Of differences between values: hides the noise of binary fractions, and nothing that a display
shows."""

State = EntryKind | Literal["planned", "reserved"]
"""What a row is: one unit, two or more at one address, not clear who, planned and not found, or to
be kept free."""


class PlanGap(StrEnum):
    """What is not known yet of a unit that stands where the plan has one."""

    ALONE = "not clear that one unit alone answers"
    TYPE = "type not identified"
    TAG = "tag not confirmed"


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
    document_number: str = ""
    reason: str = ""
    """Why the documents are issued now."""
    job_file: str = ""
    """Name of the job file that they are printed from."""
    bound: EnduranceBound = field(default_factory=EnduranceBound)
    """What an endurance run has to show to pass."""

    @property
    def wiring_record(self) -> WiringRecord:
        """What was measured, heard and calculated."""
        return read_record(self.wiring.document if self.wiring else None)

    @property
    def left_out(self) -> tuple[str, ...]:
        """What the step Wiring did not do; listening is done, whichever step has listened."""
        skipped = self.wiring.document.get("skipped", ()) if self.wiring is not None else ()
        return tuple(str(each) for each in skipped if each != LISTENING or self.listening is None)


WHO = PagePart("Units: who is there")
WHERE = PagePart(
    "Units: where they are",
    ("Address", "Tag", "Location", "Position on cable", "Cable from master m", "Terminator fitted"),
)
HOW = PagePart("Units: how to speak to them", ("Address", "Tag", "Line settings"))
TEST = PagePart("Units: how they held up")
POINTS = PagePart(
    "Points",
    (
        *("Address", "Tag", "Point", "Register", "Register hex", "Register in data sheet"),
        *("Function", "Registers", "Type", "Word order", "Scale", "Offset"),
    ),
)


def _tested(name: str) -> Callable[[UnitRow], Cell]:
    """A result of a test by the name of its field; of a unit that is there it says where nobody
    tested."""

    def shown(unit: UnitRow) -> Cell:
        result = getattr(unit, name)
        cell: Cell = yes_no(result) if isinstance(result, bool) else result
        return NOT_TESTED if cell is None and unit.found else cell

    return shown


def as_said(text: str, *, planned: bool) -> str:
    """What is said of a place, and that only the plan says so."""
    return f"{text} (planned)" if planned and text else text


def _planned(name: str) -> Callable[[UnitRow], Cell]:
    """What is said of a place, by the name of its field, and that only the plan says so."""

    def shown(unit: UnitRow) -> Cell:
        cell: Cell = getattr(unit, name)
        if name not in unit.planned:
            return cell
        return as_said(cell if isinstance(cell, str) else f"{cell:g}", planned=True)

    return shown


def _exchange(index: int) -> Callable[[UnitRow], Cell]:
    def shown(unit: UnitRow) -> Cell:
        return unit.sample[index] if unit.sample else NOT_TESTED if unit.found else None

    return shown


def _fitted(name: str) -> Callable[[UnitRow], Cell]:
    """Whether something is fitted at a unit that is there, by the name of the field."""

    def shown(unit: UnitRow) -> Cell:
        words = as_said(yes_no(getattr(unit, name)) or "", planned=name in unit.planned)
        return noted(words) if unit.found else words or None

    return shown


_ADDRESS_HEX = Column("Address hex", lambda row: in_hex(row.address, 2))


@dataclass(frozen=True, kw_only=True)
class UnitRow:
    """One line of the list, in cable order where that is known; each field with its column."""

    number: int = column("No.", WHO)
    position: int | None = column(
        "Position on cable", WHERE, default=None, show=_planned("position")
    )
    """Place along the cable, counted from the master."""
    distance_m: float | None = column(
        "Cable from master m", WHERE, default=None, show=_planned("distance_m")
    )
    """Metres of cable from the master; `None` = not noted."""
    state: State = column("State", WHO)
    plan: str = column("Plan", WHO, default="")
    """How it stands to the plan of the bus, in words; empty without a plan."""
    as_planned: bool | None = None
    """Whether it stands as the plan says; `None` = there is no plan, or not enough was seen."""
    plan_gaps: tuple[PlanGap, ...] = ()
    """What has to be seen before it can be called as planned."""
    planned: tuple[str, ...] = ()
    """Names of fields that say what the plan says and nobody has confirmed on site."""
    address: int = column(
        "Address", WHO, WHERE, HOW, TEST, more=(replace(_ADDRESS_HEX, parts=(WHO,)),)
    )
    tag: str = column("Tag", WHO, WHERE, HOW, TEST, default="", show=_planned("tag"))
    device_type: str = column("Device type", WHO, default="")
    """What it is, in plain words."""
    location: str = column("Location", WHERE, default="", show=_planned("location"))
    maker: str = column("Maker", WHO, default="")
    model: str = column("Model", WHO, default="")
    serial: str = column("Serial no.", WHO, default="")
    revision: str = column("Revision", WHO, default="")
    identity_source: str = column("Identity source", WHO, default="")
    """How maker and model are known, in words."""
    says_itself: bool = False
    """Whether maker and model are the unit's own words."""
    supply: str = column("Supply", WHERE, default="")
    """Its supply, as somebody noted it."""
    terminator: bool | None = column(
        "Terminator fitted", WHERE, default=None, show=_fitted("terminator")
    )
    """Whether a terminator is fitted at this unit; `None` = not noted."""
    label_fitted: bool | None = column(
        "Label fitted", WHERE, default=None, show=_fitted("label_fitted")
    )
    """Whether its label is on it; `None` = not noted."""
    confirmed: str | None = column(
        "Confirmed on site UTC",
        WHERE,
        default=None,
        show=lambda u: noted(u.confirmed) if u.found else None,
    )
    """When a person last noted its place, or confirmed it as planned; `None` = nobody did."""
    confirmed_by: str = column("Confirmed by", WHERE, default="")
    profile: str | None = column("Profile", default=None)
    match: float | None = column("Profile match", default=None)
    """How well the profile fits, 0 to 1."""
    factory_address: int | None = column("Factory address", HOW, default=None)
    found_at: str = column("Found at", HOW, default="")
    """Unit address and line settings at which this job first saw it; empty where nobody did."""
    found_identity: str = column("Identity as found", default="")
    """What it said it is while it was there; empty = it says nothing, or was not asked there."""
    found_revision: str = column("Firmware as found", default="")
    identity: str = column("Identity as left", default="")
    """What it says it is now; empty = it says nothing, or was not asked."""
    previous_address: int | None = column("Previous address", HOW, default=None)
    how_set: str = column("How set", HOW, default="")
    settings: str = column("Line settings", WHO, HOW, default="")
    """Line settings; empty for a reserved address."""
    read_functions: tuple[int, ...] = column(
        "Read functions", HOW, default=(), show=lambda u: listed(u.read_functions)
    )
    """Function codes that read its points."""
    write_function: int | None = column("Write function", HOW, default=None)
    """Function code that sets its address."""
    word_orders: tuple[str, ...] = column(
        "Word order", HOW, default=(), show=lambda u: listed(u.word_orders)
    )
    """Orders of the bytes of its longer values."""
    numbering: str | None = column("Register numbering", HOW, default=None)
    """How its data sheet counts registers."""
    registers_a_request: int | None = column("Registers a request", HOW, default=None)
    gap_ms: float | None = column("Gap needed ms", HOW, default=None)
    """Silence it needs before a request, beyond what the standard asks."""
    latency_minimum_ms: float | None = column("Reply time min ms", TEST, default=None)
    latency_median_ms: float | None = column("Reply time median ms", TEST, default=None)
    latency_maximum_ms: float | None = column("Reply time max ms", TEST, default=None)
    power_cycle_verified: bool | None = column(
        "Power cycle verified", TEST, default=None, show=_tested("power_cycle_verified")
    )
    """Whether it answered at its address after a power cycle; `None` = not tested."""
    polls: int | None = column("Test polls", TEST, default=None, show=_tested("polls"))
    """Requests of the endurance run; `None` = not tested, here and for the kinds below."""
    timeouts: int | None = column("Timeouts", TEST, default=None, show=_tested("timeouts"))
    crc_errors: int | None = column("CRC errors", TEST, default=None, show=_tested("crc_errors"))
    other_errors: int | None = column(
        "Other errors", TEST, default=None, show=_tested("other_errors")
    )
    """Replies that were late, malformed or another unit's."""
    exceptions: int | None = column("Exceptions", TEST, default=None, show=_tested("exceptions"))
    """Sound replies that refused the request."""
    after_junk: int | None = column(
        "Replies after stray bytes", TEST, default=None, show=_tested("after_junk")
    )
    """Sound replies with stray bytes ahead of them."""
    sample: tuple[str, ...] = column(
        "Sample request hex",
        default=(),
        show=_exchange(0),
        more=(Column("Sample reply hex", _exchange(1)),),
    )
    """A request to it and its sound reply, in hex; empty = none kept."""
    seen: str | None = column("Last seen UTC", TEST, default=None)
    """When it last answered."""
    seen_by: str = column("By", TEST, default="")
    """Who was at the screen then."""
    remarks: tuple[str, ...] = column(
        "Remarks", WHERE, default=(), show=lambda u: " | ".join(u.remarks)
    )

    @cached_property
    def place(self) -> Place:
        """Where it is; raises `UsageError` where no line settings are known."""
        return Place.parse(f"{self.address} {self.settings}")

    @property
    def tag_words(self) -> str:
        """Its tag, and that only the plan says so."""
        return as_said(self.tag, planned="tag" in self.planned)

    def seen_on_site(self, name: str) -> Any:
        """The field of this name; `None` where only the plan says what it is."""
        return None if name in self.planned else getattr(self, name)

    @property
    def found(self) -> bool:
        """Whether somebody answers there; the others stand for what is planned or to be kept
        free."""
        return isinstance(self.state, EntryKind)


def _within(point: PointRow) -> str | None:
    """Whether the value is within its tolerance, or why that cannot be told; nothing where nothing
    was noted."""
    if point.within_tolerance is None and point.reference:
        return "cannot be compared" if point.deviation is None else "no tolerance stated"
    return yes_no(point.within_tolerance)


@dataclass(frozen=True, kw_only=True)
class PointRow:
    """One value of one unit, as read or not read; each field with its column."""

    address: int = column("Address", POINTS, more=(_ADDRESS_HEX,))
    settings: str = column("Line settings")
    tag: str = column("Tag", POINTS, show=lambda p: p.tag_words)
    tag_planned: bool = False
    """Whether only the plan says that this is its tag."""
    profile: str | None = column("Profile")
    name: str = column("Point", POINTS)
    description: str = column("Description", default="")
    """What its data sheet says of it."""
    channel: str = column("Channel", default="")
    """The circuit of a meter that it belongs to, as the unit calls it."""
    register: int = column(
        "Register",
        POINTS,
        more=(Column("Register hex", lambda p: in_hex(p.register, 4), (POINTS,)),),
    )
    """First register, as on the wire."""
    sheet_register: int | None = column("Register in data sheet", POINTS)
    """The same register as the data sheet numbers it."""
    numbering: str | None = column("Data sheet numbering")
    """How the data sheet counts registers."""
    function: int = column("Function", POINTS)
    access: str = column("Access", default="", show=lambda p: noted(p.access))
    """Whether a master may read it, ``R``, or write it too, ``R/W``; empty where the profile does
    not say."""
    count: int = column("Registers", POINTS)
    type: str = column("Type", POINTS)
    word_order: str | None = column("Word order", POINTS)
    unit: str = column("Unit", POINTS)
    scale: float | None = column("Scale", POINTS)
    scale_register: int | None = column("Scale register", default=None)
    """Register on the wire that holds a further scale, which was in `scale` when the value was
    read."""
    offset: float | None = column("Offset", POINTS)
    plausible_min: float | None = column("Plausible from")
    plausible_max: float | None = column("Plausible to")
    alarm_min: float | None = column("Alarm below", default=None)
    """Limits of the value for an alarm, in its unit; `None` = the profile does not say."""
    alarm_max: float | None = column("Alarm above", default=None)
    decimals: int | None = column("Decimals", default=None)
    """Digits behind the decimal point that a master shows; `None` = it follows from the value."""
    read_once: bool = False
    """Whether it is constant, so that a master does not poll it."""
    codes: str = ""
    """What its codes or bits mean."""
    no_value: tuple[int, ...] = ()
    """Codes that say that there is no value."""
    first_bit: int | None = None
    """The lowest bit of a field of several bits, from 0; `None` = it takes its registers alone."""
    bit_count: int | None = None
    own_scale: float | None = None
    """Its scale without what a scale register says; `None` = not known."""
    scale_means: str = ""
    """How the scale register says the scale."""
    target: Target = field(default_factory=Target)
    """Where the master keeps it."""
    every_s: float = column("Wanted every s", default=USUAL)
    """Seconds after which a new value is wanted."""
    registers: tuple[int, ...] | None = column(
        "Raw hex", POINTS, show=lambda p: listed(in_hex(each, 4) for each in p.registers or ())
    )
    """Raw as read; `None` = not read."""
    value: float | int | str | None = column(
        "Value read", show=lambda p: NOT_TESTED if p.registers is None else p.value
    )
    text: str = column("Value as text", POINTS)
    """The value for a person, with its unit."""
    plausible: bool | None = column("Plausible", POINTS, show=lambda p: yes_no(p.plausible))
    read: str | None = column("Read UTC", POINTS, default=None)
    """When it was read; `None` = not read, or not known when."""
    reference: str = column(
        "Value on display",
        POINTS,
        default="",
        show=lambda p: noted(p.reference),
        more=(Column("Deviation from display", lambda p: p.deviation, (POINTS,)),),
    )
    """The value on the unit's display or a reference instrument, as somebody noted it."""
    tolerance: float | None = column("Tolerance", default=None)
    """How far it may be from the value noted, in its unit; `None` = the profile does not say, here
    and in the next."""
    tolerance_percent: float | None = column(
        "Tolerance %", default=None, more=(Column("Within tolerance", _within, (POINTS,)),)
    )
    """The same in per cent of the value noted; the two add up."""

    @property
    def tag_words(self) -> str:
        """The tag of its unit, and that only the plan says so."""
        return as_said(self.tag, planned=self.tag_planned)

    @cached_property
    def place(self) -> Place:
        """Where its unit is."""
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
    tag_planned: bool = False
    """Whether only the plan says that this is its tag."""

    @cached_property
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


@dataclass(frozen=True, kw_only=True)
class JournalRow:
    """One write that was ever about to be sent; each field with its column."""

    number: int = column("No.")
    intended: str = column("Intended UTC")
    tester: str = column("By")
    kind: str = column("Kind")
    from_address: int | None = column("From address")
    to_address: int | None = column("To address")
    settings: str = column("Line settings")
    wanted_settings: str = column("Line settings wanted", default="")
    """Line settings the unit was to have afterwards."""
    serial: str = column("Serial no.", default="")
    """Serial number of the unit that is listed where the write left it."""
    words: str = column("What it does")
    request: str = column("Request hex")
    """Frame in hex."""
    outcome: Result | None = column(
        "Outcome",
        show=lambda w: "not known" if w.outcome is None else RESULT_WORDS[w.outcome],
        more=(
            Column("Reply from", lambda w: w.reply_from),
            Column("Replies hex", lambda w: " | ".join(c.reply or "none" for c in w.conclusions)),
        ),
    )
    """The last word on it; `None` = nobody knows what became of it."""
    power_cycle_verified: bool | None = column(
        "Power cycle verified", default=None, show=lambda w: yes_no(w.power_cycle_verified)
    )
    """Whether that unit was seen there after a power cycle; `None` = not tested."""
    conclusions: tuple[JournalEntry, ...] = column(
        "Why",
        show=lambda w: " | ".join(
            f"{c.made} {RESULT_WORDS[c.outcome]}: {c.why}" for c in w.conclusions
        ),
    )

    @property
    def reply_from(self) -> int | None:
        """The unit address that the reply to the write came from; `None` without a reply."""
        replies = (entry.reply for entry in self.conclusions if entry.reply)
        return next((int(reply[:2], 16) for reply in replies), None)


@dataclass(frozen=True)
class ProofSummary:
    """What the endurance runs showed, summed up over the units listed."""

    units: int
    """Units that were polled."""
    polls: int
    results: Mapping[str, int]
    """What became of the polls, by kind of answer."""
    latest: StepSheet | None
    """The last run as it was recorded."""


@dataclass(frozen=True)
class Revision:
    """One issue of the documents."""

    letter: str
    made: str
    author: str
    reason: str
    changed: tuple[str, ...]
    """What is not as it was in the one before, a sentence each."""


@dataclass(frozen=True)
class BusList:
    """Everything that is handed over about one segment."""

    segment: SegmentSheet
    units: tuple[UnitRow, ...]
    points: tuple[PointRow, ...]
    journal: tuple[JournalRow, ...]
    proof: ProofSummary | None
    """`None` = no endurance run."""
    attention: tuple[str, ...]
    """What has to be looked at before this segment can be called sound."""
    not_tested: tuple[str, ...]
    """What nobody looked at."""
    trial: StepSheet | None = None
    """The last trial of the polling table on the bus; `None` = not tried."""
    circuits: tuple[CircuitRow, ...] = ()
    """The channels of the meters, noted or not."""
    revisions: tuple[Revision, ...] = ()
    """Every issue of the documents, this one last; empty = it is not to be handed over yet."""
    earlier: EarlierVisit | None = None
    """What is not as it was at an earlier visit; `None` = not compared."""

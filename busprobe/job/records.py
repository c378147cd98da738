"""What a job file gives back: frozen records.

Times are UTC in ISO 8601.  Text that came from a unit has been made harmless before it got here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings

Document = Mapping[str, Any]
"""What JSON can say: string keys, and values of text, numbers, booleans, nulls, lists and
documents."""


class EntryKind(StrEnum):
    """What the survey concluded about an address."""

    UNIT = "unit"
    CLASH = "clash"
    """Two or more units."""
    UNSURE = "unsure"


class PollResult(StrEnum):
    """How a poll ended, in the groups that point to different causes."""

    OK = "ok"
    OK_AFTER_STRAY_BYTES = "ok after junk"
    EXCEPTION = "exception"
    SILENT = "silent"
    LATE = "late"
    """Silent at first, then the reply came when the poll was over."""
    CRC = "CRC"
    MALFORMED = "malformed"
    FOREIGN = "foreign"


@dataclass(frozen=True)
class JobMeta:
    """Where the job is done, by whom and through what."""

    site: str = ""
    segment: str = ""
    """Name of the pair of wires."""
    tester: str = ""
    project: str = ""
    """Project or order that the work is done for."""
    port: str = ""
    adapter: str = ""
    """Description of the adapter, as the computer reports it."""
    created: str = ""
    document_number: str = ""
    """Number of the handover documents."""
    reason: str = ""
    """Why they are issued, for the next revision."""


@dataclass(frozen=True)
class Cabling:
    """The pair of wires as somebody who saw it noted it; empty or `None` where nobody did."""

    master: str = ""
    """The master and its port."""
    gateway: str = ""
    """A gateway between the master and the pair, and its settings."""
    cable: str = ""
    """Type of the cable."""
    length_m: float | None = None
    """Metres of cable from end to end."""
    route: str = ""
    """Where it runs, and its topology where that is not one line."""
    terminator_at_master: bool | None = None
    """Whether a terminator is fitted at the master; those at units are noted with the unit."""
    bias: str = ""
    """Where bias is fitted."""
    common: str = ""
    """Whether and how the common conductor is connected."""
    shield: str = ""
    """Where the shield is earthed."""
    instruments: str = ""
    """Maker's type of what was measured with."""
    instrument_serial: str = ""
    """Its serial number."""
    instrument_calibrated: str = ""
    """When it was calibrated, or until when that holds."""
    witness: str = ""
    """Who was there besides the tester."""
    keep_free: str = ""
    """Addresses to keep free, ``200-210``."""


@dataclass(frozen=True)
class ReplyTimes:
    """Reply times of a unit in milliseconds; `None` where not measured."""

    minimum_ms: float | None = None
    median_ms: float | None = None
    maximum_ms: float | None = None


@dataclass(frozen=True)
class Circuit:
    """What one channel of a meter measures, as somebody noted it at the panel; empty or `None`
    where nobody did."""

    channel: str
    """The channel as the unit calls it: ``L1``, ``A3``."""
    ct: str = ""
    """Number on the current transformer."""
    ratio: str = ""
    """Its ratio or rated current: ``200/5``, ``100 A``."""
    phase: str = ""
    """The phase it is on, which need not be the one that the channel is named after."""
    panel: str = ""
    circuit: str = ""
    """Circuit or breaker in the panel."""
    load: str = ""
    """What the circuit feeds."""
    direction_checked: bool | None = None
    """Whether somebody saw that it points the right way."""

    @property
    def noted(self) -> bool:
        """Whether anything is known of it."""
        return self != Circuit(self.channel)


@dataclass(frozen=True)
class Target:
    """Where a master keeps the value of a point; empty where that was not noted."""

    variable: str = ""
    """Name of its variable there."""
    address: str = ""
    """The master's own address of it, a number or whatever it is written as there."""

    @property
    def number(self) -> int | None:
        """The address as a number; `None` where it is none."""
        return int(self.address) if self.address.isascii() and self.address.isdecimal() else None


@dataclass(frozen=True, kw_only=True)
class PointReading:
    """What a point of a unit read; registers as on the wire."""

    name: str
    function: int
    register: int
    """The first one."""
    sheet_register: int | None = None
    """The same as the data sheet numbers it."""
    count: int
    """Registers of the point."""
    type: str
    unit: str
    scale: float
    """What the raw number was multiplied by: the point's own scale and that of its scale
    register."""
    scale_register: int | None = None
    registers: tuple[int, ...]
    """Raw, in the order they came."""
    value: int | float | str | None
    """In the point's unit; the number itself for bits and enum; `None` where there is no value."""
    text: str
    """The value for a person, with its unit."""
    plausible: bool | None
    """Whether the value makes sense; `None` where the profile does not say what would."""
    read: str | None = None
    """When it was read; `None` = not known."""


@dataclass(frozen=True)
class UnitRecord:
    """One entry of the as-built list; its key is its place."""

    place: Place
    """Where it is."""
    kind: EntryKind = EntryKind.UNIT
    tag: str = ""
    location: str = ""
    position: int | None = None
    """Place along the cable, counted from the master."""
    distance_m: float | None = None
    """Metres of cable from the master; `None` = not noted."""
    terminator: bool | None = None
    """Whether a terminator is fitted at this unit; `None` = not noted."""
    label_fitted: bool | None = None
    """Whether its label is on it; `None` = not noted."""
    noted: Mapping[str, str] = field(default_factory=dict)
    """What somebody read off the unit or its surroundings: ``maker``, ``model``, ``serial``,
    ``revision``, ``supply``, ``remark``."""
    circuits: tuple[Circuit, ...] = ()
    """What the channels of a meter measure, as far as somebody noted it."""
    confirmed: str | None = None
    """When a person last noted, or confirmed as planned, what is said of its place; `None` = nobody
    did."""
    confirmed_by: str = ""
    """Who that was."""
    references: Mapping[str, str] = field(default_factory=dict)
    """Name of a point to its value on the unit's display or a reference instrument, as somebody
    noted it."""
    targets: Mapping[str, Target] = field(default_factory=dict)
    """Name of a point to where the master keeps it, as far as that was noted or proposed."""
    profile: str | None = None
    """Id of the device type, where known."""
    match: float | None = None
    """How well the profile fits, 0 to 1."""
    identity: Mapping[str, str] = field(default_factory=dict)
    """What the unit itself says it is, nothing else: ``vendor``, ``product``, ``revision``,
    ``serial`` and others."""
    readings: tuple[PointReading, ...] = ()
    """Points as read."""
    sample: tuple[str, ...] = ()
    """A request to it and its sound reply, as they went over the wire, in hex; empty = none at this
    address yet."""
    latency: ReplyTimes = ReplyTimes()
    as_found: Place | None = None
    """Where it was when this job first saw it; `None` = where it is now."""
    found_identity: Mapping[str, str] = field(default_factory=dict)
    """What it said it is while it was there; empty = it was not asked before it was moved."""
    previous_address: int | None = None
    """The address before the last one, passing over where it was put aside on the way."""
    factory_address: int | None = None
    how_set: str = ""
    """How the address got there: which register, which switch."""
    power_cycle_verified: bool | None = None
    """Whether it still answered at this address after a power cycle; `None` = not tested."""
    counters: Mapping[PollResult, int] = field(default_factory=dict)
    """How the polls of the last endurance run ended, each counted once; empty = not polled."""
    notes: tuple[str, ...] = ()
    """What was noted of it, a sentence each, in the order in which it was."""
    not_recognised: str = ""
    """That it was not recognised when it was last identified, and what it says of itself; empty =
    it was, or was not yet asked."""
    differences: tuple[str, ...] = ()
    """In what it differs from the other units of its type, a sentence each."""
    seen: str | None = None
    """When it last answered."""
    seen_by: str = ""
    """Who was at the screen then."""

    @property
    def address(self) -> int:
        """Unit address."""
        return self.place.address

    @property
    def settings(self) -> LineSettings:
        """Line settings at which it answers."""
        return self.place.settings

    @property
    def single(self) -> bool:
        """Whether one unit alone answers there."""
        return self.kind is EntryKind.UNIT

    @property
    def serial(self) -> str:
        """Its serial number: its own word, else what was read off; empty = not known."""
        return self.identity.get("serial") or self.noted.get("serial", "")

    @property
    def found_at(self) -> Place:
        """Where it was when this job first saw it."""
        return self.as_found or self.place

    @property
    def remarks(self) -> tuple[str, ...]:
        """All that is to be shown beside it, a sentence each."""
        return (*self.notes, *filter(None, (self.not_recognised,)), *self.differences)

    def at_its_place(self) -> UnitRecord:
        """What is known of the place alone, whoever answers there: a new unit may not be wired as
        the old one was."""
        return UnitRecord(
            self.place,
            tag=self.tag,
            location=self.location,
            position=self.position,
            distance_m=self.distance_m,
            terminator=self.terminator,
            noted={name: text for name, text in self.noted.items() if name == "supply"},
            circuits=tuple(replace(circuit, direction_checked=None) for circuit in self.circuits),
            targets=self.targets,
            confirmed=self.confirmed,
            confirmed_by=self.confirmed_by,
        )

    def identified_as(self, identity: Mapping[str, str]) -> UnitRecord:
        """The entry with what the unit says it is, kept as found while it has not been moved."""
        known = {**self.identity, **identity}
        found = self.found_identity if self.as_found else {**known, **self.found_identity}
        return replace(self, identity=known, found_identity=found)

    def seen_now(self, moment: str, by: str) -> UnitRecord:
        """The entry of a unit that has just answered."""
        return replace(self, seen=moment, seen_by=by)


@dataclass(frozen=True)
class SurveyRecord:
    """One survey, ended or cut off."""

    id: int
    begun: str
    ended: str | None
    """`None` while it runs, and for ever if it was cut off by a crash."""
    asked: Document
    """What was to be searched: port, settings, addresses."""
    progress: Document | None
    """State to resume from, as the survey handed it in."""
    document: Document
    """``busprobe.survey/1``: the survey's own when it ended, otherwise what had been found by then.
    """

    @property
    def complete(self) -> bool:
        """Whether everything asked for was searched."""
        return self.document.get("complete") is True

    @property
    def findings(self) -> tuple[Document, ...]:
        """What was found, by settings and address as the document has them."""
        return tuple(self.document.get("findings", ()))


@dataclass(frozen=True)
class StepRecord:
    """A document that a step left: a meter reading, a proof, a caution acknowledged."""

    id: int
    step: str
    made: str
    document: Document


def unit_from_finding(
    finding: Document, *, seen: str, by: str, known: UnitRecord | None = None
) -> UnitRecord:
    """The as-built entry for a survey finding, carrying on what is `known` of that address and
    settings.

    What is known of the place, and the notes, stay.  What is known of the device stays only while
    the finding's identity does not contradict it.
    """
    identity = {name: text for name, text in (finding.get("identity") or {}).items() if text}
    base = known or UnitRecord(Place(finding["address"], LineSettings.parse(finding["settings"])))
    if any(base.identity.get(name, text) != text for name, text in identity.items()):
        was = " ".join(base.identity.values())
        said = f"Before {seen} another device answered here: {was}."
        base = replace(base.at_its_place(), notes=(*base.notes, said))
    notes = tuple(note for note in finding.get("notes", ()) if note not in base.notes)
    named = finding.get("profile") is not None
    proven = base.latency.maximum_ms is not None  # many polls say more than the survey's few probes
    return replace(
        base.identified_as(identity),
        kind=EntryKind(finding["kind"]),
        profile=finding["profile"] if named else base.profile,
        match=finding.get("match") if named else base.match,
        latency=base.latency if proven else ReplyTimes(median_ms=finding.get("latency_ms")),
        notes=(*base.notes, *notes),
    ).seen_now(seen, by)

"""What a survey found, what it rests on, and what was not tested; with the documents of it."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import Enum, StrEnum, auto
from typing import Annotated, Any, Final, Literal

from busprobe.errors import PortError, UsageError
from busprobe.files.documents import NOT_KEPT, AsText, from_document, to_document
from busprobe.job.records import PointReading
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import AddressSet, both_forms, format_addresses
from busprobe.modbus.replies import Reply
from busprobe.survey.probes import LADDER, Probe
from busprobe.text import hex_bytes

SURVEY_FORMAT: Final = "busprobe.survey/1"
PROGRESS_FORMAT = "busprobe.survey-progress/3"
_FIRST_PROGRESS_FORMAT = "busprobe.survey-progress/1"
_SECOND_PROGRESS_FORMAT = "busprobe.survey-progress/2"

_SILENT_AT_END = "It answered at first and was silent at the end of the survey."


class Kind(StrEnum):
    """What is at an address."""

    UNIT = "unit"
    """One unit, as far as can be told from the wire: identical twins can answer as one."""
    CLASH = "clash"
    """Two or more units."""
    UNSURE = "unsure"
    """At least one unit, but it cannot be told which or how many."""
    SILENT = "silent"
    """No reply, which is not the same as no unit; never the kind of a finding."""


class RemarkKind(Enum):
    """What the exchanges with one address showed; what the figures of its `Remark` count."""

    # Two units.
    TWO_IDENTITIES = auto()
    ANSWERED_AND_REFUSED = auto()
    """The same request, by turns."""
    TWO_REPLIES = auto()
    """To one request."""
    TOO_LONG = auto()
    """Replies longer than one unit's."""
    SOME_ALWAYS_CORRUPTED = auto()
    """The replies to some requests, and those to others never."""
    CORRUPTED_AFTER_VALID_START = auto()
    """Replies, and how many of them."""
    COLLIDING_REFUSALS = auto()
    """Corrupted replies that two exception replies make."""
    COLLIDING_REPLIES = auto()
    """Corrupted replies that two replies alike make."""
    # It cannot be told whether it is one unit.
    SAID_TO_OTHER_MASTER = auto()
    OTHERS_SEND = auto()
    """At other line settings, which corrupts replies."""
    ONE_REPLY = auto()
    """To so many requests."""
    DAMAGED_BEYOND_NOISE = auto()
    DAMAGED_AND_CUT_OFF = auto()
    IDENTITY_CORRUPTED = auto()
    """By the function code that asks for it."""
    LATE_REPLY = auto()
    OTHER_ADDRESS = auto()
    """The address asked and the one of the replies."""
    WRONG_CRC = auto()
    """Replies that begin as they should."""
    NEVER_A_FRAME = auto()
    # One unit.
    CRC_SWAPPED = auto()
    ALL_STARTS_CUT_OFF = auto()
    # No unit.
    GATEWAY = auto()
    STRAY_BYTES = auto()
    # Beside who is there.
    NOISY = auto()
    LOSSY = auto()
    DAMAGED = auto()
    """Replies, of how many."""
    STRAY_BYTES_AROUND = auto()
    """Replies, of how many."""
    STARTS_CUT_OFF = auto()
    """Replies."""
    NOT_CONFORMING = auto()
    """Replies."""
    FIRST_REQUEST_MISSED = auto()
    REFUSES_EVERYTHING = auto()
    SLOW = auto()
    """Milliseconds of the longest latency."""


@dataclass(frozen=True)
class Remark:
    """One thing that the exchanges with one address showed."""

    kind: RemarkKind
    figures: tuple[int, ...] = ()


@dataclass(frozen=True)
class ReplyLatency:
    """How long a unit took to begin its replies, in seconds from the end of the request."""

    minimum: float
    median: float
    maximum: float

    @classmethod
    def of(cls, replies: Iterable[Reply]) -> ReplyLatency | None:
        """Sum up the replies that can be told to be the unit's own; None where there are none.

        Those that our own program noticed late count only where there are no others.
        """
        timed = [r for r in replies if r.present and r.latency is not None]
        prompt = [r for r in timed if not r.exchange.late] or timed
        seconds = [latency for r in prompt if (latency := r.latency) is not None]
        return cls(min(seconds), statistics.median(seconds), max(seconds)) if seconds else None


@dataclass(frozen=True)
class Finding:
    """What the survey concluded of one place; as it stands in the survey document."""

    address: int
    settings: LineSettings
    """Line settings at which it answers."""
    kind: Kind
    latency_ms: float | None = None
    """Median time from the end of a request to the first byte of its reply."""
    profile: str | None = None
    """Id of the device type, where what the unit says and gives is enough to tell."""
    match: float | None = None
    """How well it fits, 0 to 1."""
    reasons: tuple[str, ...] = ()
    """What spoke for it and against it, a sentence each: the match is one by this and no more."""
    identity: Mapping[str, str | None] | None = None
    """Vendor, product and revision in the unit's own words; None where it was not one unit."""
    evidence: tuple[str, ...] = ()
    """All that came back in each exchange it rests on, local echo stripped, in hex."""
    notes: tuple[str, ...] = ()
    """What is worth knowing, in plain words."""
    exchanges: tuple[str, ...] = ()
    """The same exchanges as `evidence` in plain words: the request and what the reply is."""
    also_at: tuple[LineSettings, ...] = ()
    """Further line settings at which it answers."""
    also_addresses: tuple[int, ...] = ()
    """Further unit addresses to whose requests it replies, as itself each time."""
    silent_at_end: bool = False
    """Whether it gave no reply when it was asked again at the end of the survey."""
    readings: tuple[PointReading, ...] = ()
    """Values by its profile, read at the end of the survey."""

    @property
    def place(self) -> Place:
        """Where it is."""
        return Place(self.address, self.settings)

    @property
    def places(self) -> frozenset[Place]:
        """Where it answers, under its own address or another, at its own line settings or
        others."""
        others = (Place(address, self.settings) for address in self.also_addresses)
        return frozenset((self.place, *others, *(Place(self.address, s) for s in self.also_at)))

    def answering_for(self, address: int) -> Finding:
        """The same, where it replies to requests to a further `address` too."""
        notes = (*self.notes, _also_for(address, self.address))
        return replace(self, also_addresses=(*self.also_addresses, address), notes=notes)

    def noted(self, said: str) -> Finding:
        """The same with one more note, unless it has it."""
        return self if said in self.notes else replace(self, notes=(*self.notes, said))

    def answering_at(self, settings: LineSettings) -> Finding:
        """The same, where it answers at further `settings` too."""
        if settings in self.also_at:
            return self
        notes = (*self.notes, _also_at(settings))
        return replace(self, also_at=(*self.also_at, settings), notes=notes)

    def at_end(self, *, silent: bool) -> Finding:
        """The same with what its last request showed, which is the last of its notes."""
        notes = self.notes[:-1] if self.silent_at_end else self.notes
        if silent:
            notes = (*notes, _SILENT_AT_END)
        return replace(self, silent_at_end=silent, notes=notes)


def _also_for(asked: int, own: int) -> str:
    return (
        f"A request to {both_forms(asked)} is answered by this unit, as {both_forms(own)} each"
        " time."
    )


def _also_at(settings: LineSettings) -> str:
    return f"Also answers at {settings}."


@dataclass(frozen=True)
class Asked:
    """That one kind of probe went to some addresses; as it stands in the survey document."""

    settings: LineSettings
    probe: Annotated[Probe, AsText(Probe.parse, str)]
    round: int
    """1; more where the same was asked again because requests got lost; 0 where it was asked ahead
    of round 1."""
    addresses: AddressSet
    wait_ms: int
    """Shortest reply wait used; later replies were still listened for."""


@dataclass(frozen=True)
class Untested:
    """What was planned and not asked, and why; as it stands in the survey document."""

    settings: LineSettings
    probes: tuple[str, ...]
    addresses: AddressSet
    why: str

    @property
    def words(self) -> str:
        """The same as one sentence."""
        return (
            f"{self.settings}: addresses {format_addresses(self.addresses)} were not asked"
            f" everything, {self.why}."
        )


FOUND_WITH = 0.9
"""Probability for which a bound is told."""


@dataclass(frozen=True)
class Bound:
    """What a unit may miss and still be found; as it stands in the survey document."""

    settings: LineSettings
    asked_times: int
    """How often each address was asked at least where no unit was found, all kinds of usual probes
    counted."""
    missed_share: float
    """A unit that misses this share of the requests, one as likely as another, replies to one of
    them with `FOUND_WITH`."""
    found_with: float = FOUND_WITH

    @classmethod
    def of(cls, settings: LineSettings, asked_times: int) -> Bound:
        """All of n requests are missed with share^n, which is 1 - `FOUND_WITH` here."""
        return cls(settings, asked_times, round((1 - FOUND_WITH) ** (1 / asked_times), 3))


class About(StrEnum):
    """What a note about the line is about; each thing is noted once at each place."""

    EARLIER = "earlier"
    """From a survey that did not say."""
    OTHER_MASTER = "other master"
    PAUSES = "pauses"
    """Of another master."""
    LISTENING = "listening"
    STUCK = "stuck"
    PULSES = "pulses"
    BURSTS = "bursts"
    ECHO = "echo"
    GATEWAY = "gateway"
    ANSWERS_EVERYWHERE = "answers everywhere"
    IGNORED_SETTINGS = "ignored settings"
    NOT_ASKED_FOR = "not asked for"
    LOST_REQUESTS = "lost requests"
    UNREADABLE = "unreadable"
    PROFILES = "profiles"
    """Of the profiles whose registers were not asked for."""
    COUNT = "count"
    STRAY_BYTES = "stray bytes"
    NO_REPLY = "no reply"


@dataclass(frozen=True)
class LineNote:
    """What concerns the line or the port rather than one unit."""

    about: About
    words: str
    at: Place | LineSettings | None = None
    """Where it is so; None where it concerns the bus as a whole."""


class Reason(StrEnum):
    """Why something that was planned was not asked, or does not count as asked."""

    CANCELLED = "cancelled"
    ENOUGH = "enough"
    """The technician ended the search after its first pass."""
    SKIPPED = "skipped"
    """The technician left the rest of a line setting out."""
    NOT_WHERE_FOUND = "not where found"
    """The technician left out the line settings without a unit after the first pass."""
    PORT_FAILED = "port failed"
    NEVER_QUIET = "never quiet"
    OTHER_MASTER = "other master"
    NO_PAUSE = "no pause"
    """Another master leaves no pause that is long enough for a request."""
    ALL_FOUND = "as many as expected found"
    ANSWERED_EVERYWHERE = "answered everywhere"
    NOT_CARRIED = "not carried"
    """The port cannot put this line setting on the wire."""
    SAME_AT_THIS_PORT = "same at this port"
    """The port makes no difference between this line setting and another that is searched."""
    SILENT_AT_END = "silent at end"
    ALL_SILENT_AT_END = "all silent at end"


class Unfinished(Enum):
    """What is missing at an address that was asked, so that it does not count as asked."""

    CLOSE_LOOK = auto()
    LATE_REPLY = auto()
    """The wait for it."""
    PAUSE = auto()
    """One of another master that it kept to."""
    REPLY_AT_END = auto()
    WORKING_BUS = auto()
    """One that worked to the end of the survey."""


@dataclass(frozen=True)
class IgnoredSettings:
    """Which part of the line settings a port does not apply; told by a unit that answers at
    settings it cannot have."""

    baud: bool
    parity: bool

    @property
    def any(self) -> bool:
        """Whether there is anything that the port does not apply."""
        return self.baud or self.parity

    def same(self, one: LineSettings, other: LineSettings) -> bool:
        """Whether this port makes no difference between two settings."""
        return (self.baud or one.baud == other.baud) and (self.parity or one.format == other.format)


@dataclass(frozen=True)
class FirstPass:
    """What the first pass of a survey showed, in which units are looked for where they are
    likeliest; as it stands in the survey document."""

    found: int
    """Places where something was found."""
    seconds: float
    """How long it took."""


@dataclass(frozen=True)
class LineState:
    """What the survey document says of the line as a whole."""

    echo: bool
    """Whether the adapter gives back what it sends."""
    other_master: bool
    noise_bytes: int
    """Bytes heard that belong to no frame."""


@dataclass(frozen=True, kw_only=True)
class SurveyDocument:
    """What ``busprobe survey --json`` prints."""

    format: Literal["busprobe.survey/1"] = SURVEY_FORMAT
    port: str
    settings: tuple[LineSettings, ...]
    """What was to be searched, in order."""
    addresses: AddressSet
    seconds: float
    complete: bool
    """Whether everything was asked that was to be asked."""
    ended: Reason | None
    """Why it ended before all was asked that was left; null where it did not."""
    first_pass: FirstPass | None
    """Null where it did not come to the end of it, or nothing was found by then."""
    line: LineState
    findings: tuple[Finding, ...]
    asked: tuple[Asked, ...]
    untested: tuple[Untested, ...]
    bounds: tuple[Bound, ...]
    notes: tuple[str, ...]
    failure: str | None
    """Why the port could not go on; null if it could."""


@dataclass(frozen=True)
class SurveyResult:
    """Everything a survey showed, or has shown so far; its own document is what to go on from."""

    settings: tuple[LineSettings, ...]
    """What was to be searched, in order."""
    addresses: AddressSet
    expect: int | None
    findings: tuple[Finding, ...]
    seconds: float
    """How long it took, interruptions left out."""
    asked: tuple[Asked, ...]
    line_notes: tuple[LineNote, ...]
    complete: bool = False
    """Whether everything was asked that was to be asked."""
    untested: tuple[Untested, ...] = ()
    echo: bool = False
    other_master: bool = False
    noise_bytes: int = 0
    """Bytes heard that belong to no frame."""
    pulses: int = 0
    """Requests that were followed by a pulse or two and nothing else."""
    ignored: IgnoredSettings | None = None
    """What the port does not apply; None where no unit was there to tell."""
    answered_everywhere: tuple[LineSettings, ...] = ()
    """Where one unit answers every address, so that no other can be told."""
    first_pass: FirstPass | None = None
    """None before its end."""
    ended: Reason | None = None
    """Why it ended before all was asked that was left; None where it did not."""
    failure: Annotated[PortError | None, NOT_KEPT] = None
    """Why the port could not go on; None if it could."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What concerns the line or the port rather than one unit, in plain words."""
        return tuple(note.words for note in self.line_notes)

    @property
    def places(self) -> frozenset[Place]:
        """Where anything was found, further places of a unit among them."""
        return frozenset[Place]().union(*(finding.places for finding in self.findings))

    @property
    def bounds(self) -> tuple[Bound, ...]:
        """What the survey can have missed at each line setting where it asked."""
        found = self.places
        bounds = []
        for settings in dict.fromkeys(asked.settings for asked in self.asked):
            times = Counter(
                address
                for asked in self.asked
                if asked.settings == settings and asked.probe in LADDER
                for address in asked.addresses
                if Place(address, settings) not in found
            )
            if times:
                bounds.append(Bound.of(settings, min(times.values())))
        return tuple(bounds)

    @property
    def may_miss(self) -> bool:
        """Whether so many requests were lost that a unit can be missed however often it was
        asked."""
        return any(note.about is About.LOST_REQUESTS for note in self.line_notes)

    def document(self, port: str) -> dict[str, Any]:
        """The survey document, for programs."""
        return to_document(
            SurveyDocument(
                port=port,
                settings=self.settings,
                addresses=self.addresses,
                seconds=round(self.seconds, 1),
                complete=self.complete,
                ended=self.ended,
                first_pass=self.first_pass,
                line=LineState(self.echo, self.other_master, self.noise_bytes),
                findings=self.findings,
                asked=self.asked,
                untested=self.untested,
                bounds=self.bounds,
                notes=self.notes,
                failure=None if self.failure is None else str(self.failure),
            )
        )

    def progress(self) -> dict[str, Any]:
        """What is needed to go on later; `from_progress` reads it."""
        return {"format": PROGRESS_FORMAT, **to_document(self)}

    @classmethod
    def from_progress(cls, document: Mapping[str, Any]) -> SurveyResult:
        """Read a progress document of this or an earlier format; raises `UsageError` if it is
        none."""
        try:
            if document["format"] in (_FIRST_PROGRESS_FORMAT, _SECOND_PROGRESS_FORMAT):
                document = _brought_up_to_date(document)
            if document["format"] != PROGRESS_FORMAT:
                raise ValueError(f"its format is {document['format']!r}")
            return from_document(cls, document)
        except (KeyError, TypeError, ValueError) as error:
            raise UsageError(
                f"The interrupted survey cannot be read back ({error}).", todo="Start a new survey."
            ) from error


def _brought_up_to_date(document: Mapping[str, Any]) -> dict[str, Any]:
    """A progress document of an earlier format as one of the present; raises KeyError, TypeError,
    ValueError or `UsageError` where it is none."""
    renamed = {}
    if document["format"] == _FIRST_PROGRESS_FORMAT:
        renamed = {
            "ignored": document["blindness"],
            "answered_everywhere": document["impostors"],
            "line_notes": [{"about": About.EARLIER, "words": said} for said in document["notes"]],
        }
    findings = [_of_earlier(each) for each in document["findings"]]
    return {**document, **renamed, "format": PROGRESS_FORMAT, "findings": findings}


def _of_earlier(each: Mapping[str, Any]) -> Finding:
    """A finding as progress documents before the present one had it."""
    place = Place.parse(each.get("place") or f"{each['address']} {each['settings']}")
    latency = each["latency"]
    finding = Finding(
        place.address,
        place.settings,
        Kind(each["kind"]),
        latency_ms=None if latency is None else round(1000 * latency, 1),
        evidence=tuple(hex_bytes(bytes.fromhex(one["received"])) for one in each["evidence"]),
        exchanges=tuple(one["words"] for one in each["evidence"]),
        notes=tuple(each["seen"] if "seen" in each else each["notes"]),
    )
    for settings in each.get("also_at", ()):
        finding = finding.answering_at(LineSettings.parse(settings))
    return finding.at_end(silent=each.get("silent_at_end", False))

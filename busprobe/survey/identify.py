"""What is the unit at this address, and does it read sensible values?"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from dataclasses import dataclass, replace

from busprobe.files.documents import from_document
from busprobe.job.records import PointReading
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.modbus.identification import identification_page
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, Request, read, read_device_identification
from busprobe.profiles.matching import Match, contradicted, match, recognised, standing
from busprobe.profiles.read_requests import (
    Block,
    apart,
    blocks,
    covering,
    fingerprint_blocks,
    halves,
    windows,
)
from busprobe.profiles.schema import Limits, Profile
from busprobe.profiles.standards import SelfDescription, descriptions, identity
from busprobe.profiles.values import Reading, readings
from busprobe.survey import probes, words
from busprobe.survey.absent_units import AnswersEverywhere, everywhere
from busprobe.survey.close_look import CLOSE_LOOK, Examination, examine
from busprobe.survey.events import Event
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.interference import is_silence
from busprobe.survey.probes import Probe, to_the_end
from busprobe.survey.recognition import facts, identification, told
from busprobe.survey.sunspec import DEVICE_ADDRESS, NOT_IMPLEMENTED, ModelMap, find_models

_MOST_PAGES = 16
"""Identification requests after which a unit that always says "more follows" is cut off."""
_PLAIN = Limits()
"""Those of a unit about which nothing is known."""
_CANDIDATES = 2
"""How many of the best profiles are tried out by reading their points."""


@dataclass(frozen=True)
class Identified:
    """What is known of one unit."""

    place: Place
    examination: Examination
    """Who answered; nothing below is known unless this is one unit."""
    objects: dict[int, str] | None
    """Device identification objects; None if it has none."""
    server_id: str | None
    matches: tuple[Match, ...]
    """All profiles, best first."""
    profile: Profile | None
    """The one that may be called recognised."""
    readings: tuple[Reading, ...]
    """Live values by that profile; else by the one that its texts name and its values speak
    against, or that a person says it is."""
    notes: tuple[str, ...]
    """What there is to say of it beside `not_recognised`."""
    standing: str = ""
    """In one sentence how far the best profile goes and how far behind the second-best is."""
    models: ModelMap | None = None
    """Its SunSpec models; None where it was not asked for them or has none."""

    @property
    def descriptions(self) -> tuple[SelfDescription, ...]:
        """What the unit says of itself by open standards, and by registers whose meaning the
        profile knows."""
        told = self.profile.objects if self.profile else ()
        return descriptions(self.objects, self.server_id, self.readings, told)

    @property
    def identity(self) -> dict[str, str | None]:
        """Vendor, product, revision and, where a point of the profile gives it, serial number, in
        the unit's own words; None where it says nothing."""
        return identity(self.descriptions)

    @property
    def kept_readings(self) -> tuple[PointReading, ...]:
        """The values as a job and a finding keep them."""
        return tuple(from_document(PointReading, one.document()) for one in self.readings)

    @property
    def not_recognised(self) -> str:
        """That no profile could be told, and what the unit says of itself instead, in one sentence;
        empty where one was recognised or not one unit alone answered."""
        if self.profile is not None or self.examination.kind is not Kind.UNIT:
            return ""
        return words.not_recognised(said.words for said in self.descriptions)

    @property
    def remarks(self) -> tuple[str, ...]:
        """All there is to say of it, a sentence each."""
        return (*self.notes, *filter(None, (self.not_recognised,)))

    @property
    def score(self) -> float | None:
        """How well the best profile fits, 0 to 1; None without profiles."""
        return self.matches[0].score if self.matches else None

    def add_to(self, finding: Finding) -> Finding:
        """The `finding` of a survey with what is known now; a profile that was told before stays
        where there is none now."""
        if self.examination.kind is not Kind.UNIT:
            return finding
        known = replace(
            finding,
            identity=self.identity,
            readings=self.kept_readings,
        )
        if self.profile is None:
            return known
        best = self.matches[0]
        return replace(known, profile=self.profile.id, match=best.score, reasons=best.reasons)


def identify(
    line: Line, address: int, profiles: Iterable[Profile], *, by_hand: Profile | None = None
) -> Identified:
    """Ask the unit at `address`, at the line's present settings, what it is.

    `by_hand` is what a person says it is: its points are read where no profile is recognised. Reads
    only.  Where two units share the address, or none answers, nothing is identified and the notes
    say so. Raises `PortError` if the port fails.
    """
    seen = _awake(line, address, profiles := tuple(profiles))
    unknown = Identified(Place(address, line.settings), seen, None, None, (), None, (), seen.notes)
    if seen.kind is not Kind.UNIT:
        why = {
            Kind.CLASH: (
                "Two units share this address: what one says of itself would be told of both."
            ),
            Kind.UNSURE: (
                "It cannot be told whether one unit answers here, so nothing is said of what it is."
            ),
            Kind.SILENT: "No reply.",
        }[seen.kind]
        return replace(unknown, notes=(why, *seen.notes))
    found = identify_seen(line, seen, profiles, by_hand=by_hand)
    who = _answering_everywhere(line, seen)
    return found if who is None else replace(found, notes=(*found.notes, who.words))


def identify_seen(
    line: Line, seen: Examination, profiles: Iterable[Profile], *, by_hand: Profile | None = None
) -> Identified:
    """`identify` where a close look has `seen` that one unit answers: it is not taken again, nor is
    it looked whether the unit answers everywhere.

    Raises `PortError` if the port fails.
    """
    return _Identification(line, seen).identified(tuple(profiles), by_hand)


def _answering_everywhere(line: Line, seen: Examination) -> AnswersEverywhere | None:
    """The device that answers other addresses than this, which should be empty, too."""
    answered = next((reply for reply in seen.replies if reply.present), None)
    if answered is None or seen.latency is None:
        return None

    def asked(request: Request, waits: Waits) -> Generator[Event, None, Reply]:
        return probes.ask(line, request, waits)

    waits = Waits(reply=max(0.1, 3 * seen.latency.maximum))
    return to_the_end(everywhere(asked, Probe.of(answered.request), waits, {seen.address}))


def _awake(line: Line, address: int, profiles: tuple[Profile, ...]) -> Examination:
    """The close look; where no unit answers, once more when the sleepiest kind of unit would be
    awake."""
    begun = line.clock.now()
    seen = examine(line, address)
    awake = begun + max((profile.limits.wake_up_s or 0.0 for profile in profiles), default=0.0)
    if seen.kind is not Kind.SILENT or awake <= line.clock.now():
        return seen
    line.clock.sleep_until(awake)
    return examine(line, address)


class _Identification:
    """All that is asked of one unit."""

    def __init__(self, line: Line, seen: Examination) -> None:
        self._line = line
        self._address = seen.address
        self._seen = seen
        slowest = seen.latency.maximum if seen.latency else CLOSE_LOOK.reply
        self._waits = Waits(reply=max(0.3, 2 * slowest))
        self._told = facts(seen)
        self._registers = dict(self._told.registers)
        self._refused: set[Block] = set()
        self._asked: dict[Block, Reply] = {}

    def identified(self, profiles: tuple[Profile, ...], by_hand: Profile | None) -> Identified:
        """Ask as little as tells what it is: texts have been said already, then fingerprints, then
        values."""
        objects, said = self._objects(), self._told.server_id
        known = replace(  # the last two grow as more is asked
            self._told,
            identification=objects,
            registers=self._registers,
            refused=self._refused,
        )

        def matches() -> tuple[Match, ...]:
            return match(known, profiles)

        def settled() -> bool:
            sure = recognised(matches())
            return sure is not None and not sure.profile.generic

        if by_texts := told(known, profiles):
            self._try_out(by_texts.profile)
        if by_texts is None or told(known, profiles) is None:
            possible = [p for p in profiles if not p.generic and not contradicted(known, p)]
            most = min((p.limits.registers for p in possible), default=1)
            for group in windows(fingerprint_blocks(possible), most):
                self._read_together(group)
            for candidate in [
                m.profile for m in matches() if m.score > 0 and not m.profile.generic
            ][:_CANDIDATES]:
                self._try_out(candidate)
        models = None
        if not settled() and any(p.generic for p in profiles):
            models = find_models(lambda block: self._read(block).registers)
            if models is not None:
                self._read(Block(Function.READ_HOLDING_REGISTERS, models.base + DEVICE_ADDRESS, 1))
                if matches()[0].profile.generic:
                    self._try_out(matches()[0].profile)
        found = matches()
        sure = recognised(found)
        wrong = by_hand is not None and contradicted(known, by_hand)
        best = sure or by_texts
        shown = best.profile if best else None if wrong else by_hand
        if shown is not None:
            self._try_out(shown)  # what has been read already is not read again
        unit = Identified(
            Place(self._address, self._line.settings),
            self._seen,
            objects,
            said,
            found,
            sure.profile if sure else None,
            readings(shown, self._registers) if shown else (),
            self._seen.notes,
            standing(found),
            models,
        )
        remarks = [*self._remarks(unit)]
        if sure is None and shown is not None and shown.points and not unit.readings:
            remarks.append(words.gives_no_values(shown))
        if wrong and sure is None:
            remarks.append(words.contradicts(by_hand))
        return replace(unit, notes=(*unit.notes, *remarks))

    def _remarks(self, unit: Identified) -> Iterator[str]:
        if unit.models is not None:
            yield words.models(unit.models)
            holds = self._registers.get(
                (Function.READ_HOLDING_REGISTERS, unit.models.base + DEVICE_ADDRESS)
            )
            if holds == NOT_IMPLEMENTED:
                yield words.NO_DEVICE_ADDRESS
            elif holds is not None and holds != self._address:
                yield words.other_device_address(holds)

    def _try_out(self, candidate: Profile) -> None:
        """Read the points of `candidate`, and what its fingerprint wants as well."""
        limits = candidate.limits
        for block in blocks(candidate):
            parts = apart(candidate, block)
            reply = self._read(block, limits, final=len(parts) == 1)
            if reply.refused and len(parts) > 1:
                for part in parts:
                    self._read(part, limits)
        for block in fingerprint_blocks([candidate]):
            if not self._registers.keys() >= set(block.keys):
                self._read(block, limits)

    def _read_together(self, group: tuple[Block, ...]) -> None:
        """Read `group` by one request; where the unit does not give it as a whole, in smaller and
        smaller parts."""
        reply = self._read(covering(group), final=len(group) == 1)
        if not reply.valid and len(group) > 1:
            for half in halves(group):
                self._read_together(half)

    def _ask(self, request: Request, limits: Limits = _PLAIN) -> Reply:
        """Ask, once more if the reply was damaged or missing: perhaps the first request only woke
        the unit."""
        waits = replace(
            self._waits, reply=max(self._waits.reply, limits.response_s or 0.0), quiet=limits.gap_s
        )
        reply = judge(request, self._line.exchange(request, waits))
        if reply.present:
            return reply
        if limits.wake_up_s and is_silence(reply):
            self._line.clock.sleep_until(reply.exchange.sent + limits.wake_up_s)
        return judge(request, self._line.exchange(request, waits))

    def _read(self, block: Block, limits: Limits = _PLAIN, *, final: bool = True) -> Reply:
        """Read `block`; a refusal that is not `final` is no fact yet.  Nothing is asked twice."""
        if block not in self._asked:
            request = read(self._address, Function(block.function), block.register, block.count)
            self._asked[block] = self._ask(request, limits)
        reply = self._asked[block]
        if reply.valid:
            self._registers.update(block.answered(reply.registers))
        elif final and reply.refused:
            self._refused.add(block)
        return reply

    def _objects(self) -> dict[int, str] | None:
        """All identification objects: the level the unit says it has, page by page (V1.1b3 section
        6.21)."""
        first = identification(self._seen)
        if first is None:
            return None
        objects = dict(identification_page(first).objects)
        code = min(max(first.frame[4] & 0x7F, 1), 3)
        wanted: int | None = 0
        for _ in range(_MOST_PAGES):
            reply = self._ask(read_device_identification(self._address, code, wanted or 0))
            if not reply.valid:
                break
            page = identification_page(reply)
            objects.update(page.objects)
            if page.next_object is None or page.next_object <= (wanted or 0):
                break
            wanted = page.next_object
        return objects

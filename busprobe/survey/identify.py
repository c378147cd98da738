"""What is the unit at this address, and does it read sensible values?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.identification import identification_page, server_id
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, Request, read_device_identification, read_registers
from busprobe.profiles.matching import Facts, Match, match, recognised
from busprobe.profiles.plan import Block, blocks, fingerprint_blocks
from busprobe.profiles.schema import Profile
from busprobe.profiles.values import Reading, readings
from busprobe.survey.examine import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Kind

_VENDOR, _PRODUCT, _REVISION = 0, 1, 2
_REFUSALS = (1, 2, 3)
"""Exceptions that say a unit does not have what was asked (V1.1b3 section 7)."""
_MOST_PAGES = 16
"""Identification requests after which a unit that always says "more follows" is cut off."""
_TRIES = 2
_CANDIDATES = 2
"""How many of the best profiles are tried out by reading their points."""


@dataclass(frozen=True)
class Identified:
    """What is known of one unit."""

    address: int
    settings: LineSettings
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
    """Live values by the best profile."""
    notes: tuple[str, ...]

    @property
    def identity(self) -> dict[str, str | None]:
        """Vendor, product, revision and, where a point of the profile gives it, serial number, in the unit's own
        words; None where it says nothing."""
        objects = self.objects or {}
        found: dict[str, str | None] = {
            "vendor": objects.get(_VENDOR),
            "product": objects.get(_PRODUCT) or self.server_id,
            "revision": objects.get(_REVISION),
        }
        serial = next((r.text for r in self.readings if "serial" in r.point.name.lower()), None)
        return found if serial is None else {**found, "serial": serial}

    @property
    def score(self) -> float | None:
        """How well the best profile fits, 0 to 1; None without profiles."""
        return self.matches[0].score if self.matches else None

    def document(self) -> dict[str, Any]:
        """The unit as a finding of the survey document, its profile, identity and live values filled in."""
        known = self.examination.kind is Kind.UNIT
        finding = None if self.examination.kind is Kind.SILENT else self.examination.finding().document()
        return {
            **(finding or {"address": self.address, "settings": str(self.settings), "kind": "silent"}),
            "profile": self.profile.id if self.profile else None,
            "match": self.score,
            "identity": self.identity if known else None,
            "objects": None if self.objects is None else {f"0x{n:02X}": text for n, text in self.objects.items()},
            "server_id": self.server_id,
            "reasons": list(self.matches[0].reasons) if self.matches else [],
            "readings": [reading.document() for reading in self.readings],
            "notes": list(self.notes),
        }


def identify(line: Line, address: int, profiles: Iterable[Profile]) -> Identified:
    """Ask the unit at `address`, at the line's present settings, what it is.

    Reads only.  Where two units share the address, or nobody answers, nothing is identified and the notes say so.
    Raises `PortError` if the port fails.
    """
    seen = examine(line, address)
    unknown = Identified(address, line.settings, seen, None, None, (), None, (), seen.notes)
    if seen.kind is not Kind.UNIT:
        why = {
            Kind.CLASH: "Two units share this address: what one says of itself would be told of both.",
            Kind.UNSURE: "It cannot be told whether one unit answers here, so nothing is said of what it is.",
            Kind.SILENT: "Nobody answered.",
        }[seen.kind]
        return replace(unknown, notes=(why, *seen.notes))
    return _Interview(line, address, seen).identified(tuple(profiles))


class _Interview:
    """All that is asked of one unit."""

    def __init__(self, line: Line, address: int, seen: Examination) -> None:
        self._line = line
        self._address = address
        self._seen = seen
        slowest = seen.latency.maximum if seen.latency else CLOSE_LOOK.reply
        self._waits = Waits(reply=max(0.3, 2 * slowest))
        self._registers: dict[tuple[int, int], int | None] = {}
        self._asked: set[Block] = set()

    def identified(self, profiles: tuple[Profile, ...]) -> Identified:
        objects, said = self._objects(), self._server_id()
        for block in fingerprint_blocks(profiles):
            self._read(block)

        def matches() -> tuple[Match, ...]:
            return match(Facts(objects, said, self._registers, self._line.settings, self._address), profiles)

        for candidate in [m.profile for m in matches() if m.score > 0][:_CANDIDATES]:
            for block in blocks(candidate):
                self._read(block, gap=candidate.limits.gap_s, response=candidate.limits.response_s or 0.0)
        found = matches()
        sure = recognised(found)
        notes = list(self._seen.notes)
        if sure is None:
            notes.append("No stored profile fits well enough to say what it is.")
        return Identified(
            self._address,
            self._line.settings,
            self._seen,
            objects,
            said,
            found,
            sure.profile if sure else None,
            readings(sure.profile, self._registers) if sure else (),
            tuple(notes),
        )

    def _ask(self, request: Request, *, gap: float = 0.0, response: float = 0.0) -> Reply:
        """Ask, once more if the reply was damaged or missing."""
        waits = replace(self._waits, reply=max(self._waits.reply, response), quiet=gap)
        for _ in range(_TRIES):
            reply = judge(request, self._line.exchange(request, waits))
            if reply.present:
                break
        return reply

    def _read(self, block: Block, *, gap: float = 0.0, response: float = 0.0) -> None:
        if block in self._asked:
            return
        self._asked.add(block)
        request = read_registers(self._address, Function(block.function), block.register, block.count)
        reply = self._ask(request, gap=gap, response=response)
        if reply.sound:
            self._registers.update(block.answered(reply.registers))
        elif reply.exception in _REFUSALS:
            # A value read by another request outranks this: only the block as a whole was refused.
            self._registers = {**block.refused(), **self._registers}

    def _server_id(self) -> str | None:
        said = [r for r in self._seen.replies if r.sound and r.request.function is Function.REPORT_SERVER_ID]
        return server_id(said[0]).text if said else None

    def _objects(self) -> dict[int, str] | None:
        """All identification objects: the level the unit says it has, page by page (V1.1b3 section 6.21)."""
        said = [r for r in self._seen.replies if r.sound and r.request.function is Function.READ_DEVICE_IDENTIFICATION]
        if not said:
            return None
        objects = dict(identification_page(said[0]).objects)
        code = min(max(said[0].frame[4] & 0x7F, 1), 3)
        wanted: int | None = 0
        for _ in range(_MOST_PAGES):
            reply = self._ask(read_device_identification(self._address, code, wanted or 0))
            if not reply.sound:
                break
            page = identification_page(reply)
            objects.update(page.objects)
            if page.next_object is None or page.next_object <= (wanted or 0):
                break
            wanted = page.next_object
        return objects

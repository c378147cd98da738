"""A live unit held beside the notes of its data sheet: what a profile is drafted from.  Reads only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from busprobe.errors import RefusedError
from busprobe.line.line import Line
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.draft import Seen, to_read
from busprobe.profiles.notes import Notes
from busprobe.profiles.plan import Block
from busprobe.profiles.schema import Profile
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify
from busprobe.survey.registers import PATIENT, RegisterReader


@dataclass(frozen=True)
class Observed:
    """What a unit showed."""

    identified: Identified
    seen: Seen
    given: tuple[Block, ...]
    """The unbroken runs of registers that it gave."""
    silent: tuple[Block, ...]
    """Requests that it did not answer; nothing is known of these registers."""


def observe(line: Line, address: int, notes: Notes, profiles: Iterable[Profile] = ()) -> Observed:
    """Ask the unit at `address`, at the line's present settings, what it is and for the registers of `notes`.

    Raises `RefusedError` where not just one unit answers, and `PortError` if the port fails.
    """
    found = identify(line, address, profiles)
    if found.examination.kind is not Kind.UNIT:
        raise RefusedError(
            f"Nothing can be drafted at address {both_forms(address)}: {found.notes[0]}",
            todo="See with 'busprobe survey' who answers there, and at which line settings.",
        )
    latency = found.examination.latency
    waits = replace(PATIENT, reply=max(PATIENT.reply, 2 * latency.maximum if latency else 0.0))
    reader = RegisterReader(line, address, waits)
    reader.read(to_read(notes))
    seen = Seen(reader.registers, reader.most, found.objects or {}, found.server_id, found.descriptions)
    return Observed(found, seen, reader.given(), tuple(reader.silent))

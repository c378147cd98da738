"""What the close look at a unit has told of its type: nothing more is asked for it.

Used by the survey as it finds units, and by the identification, which then asks for the rest.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from busprobe.modbus.identification import identification_page, server_id
from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Function
from busprobe.profiles.matching import Facts, Match, match, recognised
from busprobe.profiles.read_requests import Block
from busprobe.profiles.schema import Profile
from busprobe.profiles.standards import descriptions, identity
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Finding, Kind


def facts(seen: Examination) -> Facts:
    """All that its replies tell of the type of the unit.

    The registers asked for were chosen to be answered, not to be understood, so refusals say
    nothing of a profile.
    """
    registers: dict[tuple[int, int], int] = {}
    for reply in seen.replies:
        if reply.registers:
            request = reply.request
            block = Block(request.function, request.register, request.quantity)
            registers.update(block.answered(reply.registers))
    page, said = identification(seen), _said(seen, Function.REPORT_SERVER_ID)
    return Facts(
        None if page is None else identification_page(page).objects,
        None if said is None else server_id(said).text,
        registers,
        settings=seen.settings,
        address=seen.address,
    )


def identification(seen: Examination) -> Reply | None:
    """The first page of its identification objects, where it gave one."""
    return _said(seen, Function.READ_DEVICE_IDENTIFICATION)


def _said(seen: Examination, function: Function) -> Reply | None:
    return next((r for r in seen.replies if r.valid and r.request.function is function), None)


def told(known: Facts, profiles: Iterable[Profile]) -> Match | None:
    """The profile that the texts of the unit are enough to tell.

    Registers alone settle nothing until those of all other types have been seen, too.
    """
    if not (known.identification or known.server_id):
        return None
    sure = recognised(match(known, profiles))
    return None if sure is None or sure.profile.generic else sure


def with_type(finding: Finding, seen: Examination, profiles: Iterable[Profile]) -> Finding:
    """`finding` with what the unit says of itself, and the profile where that is enough to tell.

    Where not one unit alone answered it stays as it is: what one says would be told of both.
    """
    if finding.kind is not Kind.UNIT:
        return finding
    known = facts(seen)
    sure = told(known, profiles)
    # A server id beside objects may be taken for the product where a further page names that.
    server = None if known.identification else known.server_id
    of_profile = sure.profile.objects if sure else ()
    named = replace(
        finding, identity=identity(descriptions(known.identification, server, told=of_profile))
    )
    if sure is None:
        return named
    return replace(named, profile=sure.profile.id, match=sure.score, reasons=sure.reasons)

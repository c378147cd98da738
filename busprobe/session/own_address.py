"""A unit that is asked at a reserved address, 248 to 255: which of the units on the list is it?

Some units answer at such a service address whatever their own address is (common practice).  To
move one by it, what it is and where it is has to be known before anything is written: told by its
address register, by what it says of itself, and by what answers at the places of the list.
"""

from __future__ import annotations

from dataclasses import replace

from busprobe.errors import RefusedError
from busprobe.line.place import Place
from busprobe.modbus.addresses import FIRST, LAST, both_forms
from busprobe.readdress.guards import check_source, is_silent, read_register
from busprobe.readdress.procedure import Move
from busprobe.readdress.same_unit import contradictions
from busprobe.readdress.write_sequence import Report
from busprobe.session.session import Session
from busprobe.survey.close_look import CLOSE_LOOK, Examination, examine
from busprobe.survey.identify import identify


def by_own_address(session: Session, move: Move, report: Report) -> Move:
    """`move` from the own address of its unit, with all writes still to the service address; the
    same where the unit has no other address.

    The list then has the unit where the bus shows it.  Raises `RefusedError` where it cannot be
    told which unit it is, `PortError` if the port fails.
    """
    line, service = session.line, move.source
    report(f"Finding out which unit answers at {service.words}.")
    seen = check_source(line, service)
    value = read_register(line, move, CLOSE_LOOK)
    told = None if value is None or move.procedure.codes else move.procedure.part.read(value)
    if told is not None and FIRST <= told <= LAST:
        own = Place(told, service.settings)
        _check_the_same(session, seen, service, own)
    elif told is None:
        own = _listed_place(session, seen, service) or service
    else:
        own = service
    _correct_list(session, service, own)
    if own == service:
        return move
    procedure = replace(move.procedure, service_address=service.address)
    settings = move.target.settings
    target = Place(own.address, settings) if move.changes_settings else move.target
    return replace(move, source=own, target=target, procedure=procedure)


def _check_the_same(session: Session, seen: Examination, service: Place, own: Place) -> None:
    """Refuse unless the unit seen at the service address answers at the address in its register."""
    there = examine(session.line, own.address)
    if is_silent(there):
        raise RefusedError(
            f"The unit at {service.words} has address {both_forms(own.address)} in its register and"
            " does not answer there.",
            means="An earlier write may be waiting in it for a power cycle.",
            todo="Switch it off and on, then survey the pair.",
        )
    if not there.clean or _differ(seen, there):
        raise RefusedError(
            f"The unit at {service.words} has address {both_forms(own.address)} in its register,"
            " but what answers there is another unit, or more than one.",
            means="The write would change a unit that was not told apart from the others.",
            todo="Take all units but the one to be moved off the pair.",
        )


def _listed_place(session: Session, seen: Examination, service: Place) -> Place | None:
    """Where the list has the unit of which only the service address is known; None if none of the
    units that answer can be it."""
    serial = _serial(session, service)
    for unit in session.job.units():
        place = unit.place
        if place.settings != service.settings or not FIRST <= place.address <= LAST:
            continue
        there = examine(session.line, place.address)
        if is_silent(there) or _differ(seen, there):
            continue
        other = _serial(session, place)
        if serial and serial == other:
            return place
        if not (serial and other):
            raise RefusedError(
                f"The unit at {service.words} may be the one on the list at"
                f" {both_forms(place.address)}, or another of its type.",
                means="Without a serial number, and with a register that cannot be read, that"
                " cannot be told.",
                todo=f"Take the unit at {both_forms(place.address)} off the pair, or move it by its"
                " own address.",
            )
    return None


def _correct_list(session: Session, service: Place, own: Place) -> None:
    """Put the unit on the list where the bus shows it, and nowhere else: an entry with its serial
    number that answers no more goes with it."""
    job, line = session.job, session.line
    if own != service and job.unit(service) is not None:
        job.remove_unit(service)
    serial = _serial(session, own)
    for unit in job.units() if serial else ():
        if unit.place == own or unit.identity.get("serial") != serial:
            continue
        line.apply(unit.settings)
        if not is_silent(examine(line, unit.address)):
            continue
        if job.unit(own) is None:
            note = f"{job.now()}: was on the list at {unit.place.words}, and answers here."
            job.put_unit(replace(unit, place=own, notes=(*unit.notes, note)))
        job.remove_unit(unit.place)
    session.identify(own)


def _serial(session: Session, place: Place) -> str | None:
    """The serial number that the unit at a place says; None if it says none."""
    session.line.apply(place.settings)
    return identify(session.line, place.address, session.profiles).identity.get("serial")


def _differ(one: Examination, other: Examination) -> bool:
    """Whether two looks cannot have been at the same unit."""
    return bool(
        contradictions(one.replies, other.replies) or contradictions(other.replies, one.replies)
    )

"""What the journal says of the moves of each unit, and which addresses are proposed; no screen here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from busprobe.job.plan import PlannedUnit
from busprobe.job.records import UnitRecord, WriteRecord
from busprobe.modbus.addresses import ALL, LAST
from busprobe.readdress.outcome import Outcome, Result, Row
from busprobe.readdress.plan import propose_addresses
from busprobe.readdress.recovery import move_on_record
from busprobe.readdress.steps import Role
from busprobe.wizard.unit_words import key_text


def latest_move(unit: UnitRecord, writes: Iterable[WriteRecord]) -> WriteRecord | None:
    """The write that brought `unit` to its address or was last tried on it; None if it was never moved."""
    mine = [
        write
        for write in writes
        if write.kind == Role.ADDRESS
        and write.settings == unit.settings
        and (
            (write.outcome == Result.VERIFIED and write.to_address == unit.address)
            or (write.outcome != Result.VERIFIED and write.from_address == unit.address)
        )
    ]
    return mine[-1] if mine else None


def outcome_on_record(write: WriteRecord) -> Outcome:
    """The outcome to go on from after a power cycle; raises `UsageError` if the record is not of a move."""
    row = Row.CHANGED if write.outcome == Result.VERIFIED else Row.PENDING
    return Outcome(move_on_record(write), row, "", "", write.request, write=write.id)


def move_words(unit: UnitRecord, write: WriteRecord | None) -> str:
    """The state of a unit's move in one word that has a sign; empty if there was none."""
    if write is None:
        return ""
    if write.outcome is None:
        return "not known"
    if write.outcome == Result.VERIFIED:
        return "kept" if unit.power_cycle_verified else "verified"
    return {Result.WAITING: "cycle it", Result.REFUSED: "refused"}.get(Result(write.outcome), "not sure")


def proposals(units: Sequence[UnitRecord], plan: Sequence[PlannedUnit]) -> Mapping[str, int]:
    """Addresses wanted for `units`, by `key_text`, those that stay left out.

    A plan decides where it fits: a unit of the planned type, in the order found, gets the next planned address that
    no unit has.  Without a plan, units at a factory address, or sharing one with units at other settings, are
    counted up from 10 with the factory addresses kept free (common practice).
    """
    taken = {unit.address for unit in units}
    if plan:
        return _from_plan(units, plan, taken)
    factory = {unit.factory_address for unit in units if unit.factory_address is not None} | {1, LAST}
    shared = {unit.address for unit in units if sum(other.address == unit.address for other in units) > 1}
    movers = [key_text(unit) for unit in units if unit.kind == "unit" and unit.address in factory | shared]
    return propose_addresses(movers, keep_free=factory | taken)


def _from_plan(units: Sequence[UnitRecord], plan: Sequence[PlannedUnit], taken: set[int]) -> Mapping[str, int]:
    wanted: dict[str, int] = {}
    planned = {entry.address for entry in plan}
    free = [entry for entry in plan if entry.address not in taken]
    for unit in units:
        if unit.kind != "unit" or unit.address in planned:
            continue
        fitting = next((entry for entry in free if entry.profile in ("", unit.profile)), None)
        if fitting is not None:
            free.remove(fitting)
            wanted[key_text(unit)] = fitting.address
    return wanted


def clash_with(address: int, units: Iterable[UnitRecord], mover: UnitRecord) -> UnitRecord | None:
    """Who has `address` already, at whatever settings."""
    return next((unit for unit in units if unit.address == address and key_text(unit) != key_text(mover)), None)


def is_address(text: str) -> bool:
    """Whether `text` is a unit address in decimal."""
    return text.isdigit() and int(text) in ALL

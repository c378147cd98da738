"""What the room says of an endurance run and of a polling table, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, exception_name
from busprobe.prove.polling_table import Hindrance
from busprobe.prove.proof import PollResult, Proof, UnitTally
from busprobe.prove.statistics import error_bound


def unit_words(unit: UnitTally) -> str:
    """What the polls of a unit prove, in one sentence."""
    if not unit.polls:
        return f"Unit {both_forms(unit.address)} was not polled."
    return (
        f"Unit {both_forms(unit.address)}: {unit.failed} of {unit.polls} polls failed; "
        f"its error rate is at most {100 * unit.bound:.3g} % with 95 % confidence."
    )


def hindrance_words(hindrance: Hindrance) -> str:
    """Why a unit cannot be asked for some registers by one request."""
    if hindrance.refused is None:
        return f"{hindrance.block.count} registers in one request, the unit gives {hindrance.most}"
    first = hindrance.refused.register
    return f"the unit refuses registers {first} to {first + hindrance.refused.count - 1}"


def findings(proof: Proof) -> tuple[str, ...]:
    """What the run showed, in sentences: what it proves, and what the failures point to."""
    cut_short = (f"The run was cut short: {proof.interruption}",) if proof.interruption else ()
    if not proof.polls:
        return ("No unit was polled, so nothing is proven.", *cut_short)
    found = [
        f"{proof.failed} of {proof.polls} polls failed in {proof.seconds:.0f} s: error rate at"
        f" most {100 * error_bound(proof.polls, proof.failed):.3g} % with 95 % confidence, as far"
        " as failures are independent."
    ]
    pattern = proof.pattern
    if pattern.together:
        found.append(
            f"Failures strike several units at once ({proof.shared_rounds} of {proof.rounds}"
            " rounds): look for noise on the pair, a common supply, or the adapter, before you"
            " suspect a unit."
        )
    if pattern.standing_out:
        listed = ", ".join(
            f"{both_forms(place.address)} at {place.settings}" for place in pattern.standing_out
        )
        found.append(
            f"Failures gather at unit {listed}: look at this unit, its terminals and its"
            " address first."
        )
    if proof.failed == proof.polls:
        found.append(
            "Not one poll was answered as it should be: look first at what all units share, the"
            " port, the adapter, the line settings, the supply and the two wires."
        )
    elif proof.failed and not pattern.together and not pattern.standing_out:
        found.append("The failures show no pattern in time or by unit, or are too few to show one.")
    if late := sum(unit.late for unit in proof.units):
        found.append(
            f"Late replies: {late}, after the wait of {1000 * proof.reply_wait:.0f} ms. A master"
            " with this timeout takes them for replies to its next request."
        )
    if foreign := [unit for unit in proof.units if unit.count(PollResult.FOREIGN)]:
        number = sum(unit.count(PollResult.FOREIGN) for unit in foreign)
        asked = ", ".join(both_forms(unit.address) for unit in foreign)
        found.append(
            f"Replies from another address than the one asked: {number}, when {asked} was"
            " asked. A unit has another address than the list says, or another master is"
            " talking."
        )
    if proof.strays:
        found.append(
            f"Sound frames that no request accounts for: {proof.strays}. "
            "Another master is talking, or two units share an address."
        )
    if junk := sum(unit.count(PollResult.OK_AFTER_STRAY_BYTES) for unit in proof.units):
        found.append(
            f"Sound replies after junk bytes: {junk}. That is no failure, but a sign of a"
            " missing or weak bias or of an adapter that turns round badly."
        )
    return (*found, *_exceptions(proof), *cut_short)


def _exceptions(proof: Proof) -> Iterator[str]:
    """Who answered with which exception: one sentence a code, since units of a type all refuse
    the same."""
    codes = sorted(
        {code for unit in proof.units for code in unit.exceptions}.difference(GATEWAY_EXCEPTIONS)
    )
    for code in codes:
        units = [unit for unit in proof.units if code in unit.exceptions]
        named = f"Unit {both_forms(units[0].address)}"
        if len(units) > 1:
            named = f"Units {format_addresses(unit.address for unit in units)}"
        yield (
            f"{named} answered {sum(unit.exceptions[code] for unit in units)} of"
            f" {sum(unit.polls for unit in units)} polls with exception {exception_name(code)}:"
            " that is no failure of the line."
        )

"""What the room says of an endurance run and of a polling table, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, exception_name
from busprobe.prove.polling_table import Hindrance, LeftOut
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import error_bound, milliseconds


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


def left_out(point: LeftOut) -> str:
    """Of a point that no request fetches, and why."""
    at = both_forms(point.place.address)
    return f"Address {at}, {point.name}: {hindrance_words(point.hindrance)}."


# -- what a polling table rests on
# --------------------------------------------------------------------------------------------------

SETTINGS_DIFFER = (
    "One master with one line setting cannot send these requests: the units' line settings differ."
)
LATENCY_OF_SURVEY = "reply time from the few requests of the survey, no endurance run"
TYPE_NOT_CERTAIN = "the device type is not certain, and neither are its registers"


def unit_name(place: Place, tag: str) -> str:
    """Address, line settings and tag."""
    said = (both_forms(place.address), str(place.settings), tag)
    return " ".join(filter(None, ("Address", *said)))


def unit_names(places: Iterable[Place]) -> str:
    """Addresses of several units, by their line settings."""
    at: dict[LineSettings, list[int]] = {}
    for place in places:
        at.setdefault(place.settings, []).append(place.address)
    listed = (f"{format_addresses(each)} at {settings}" for settings, each in at.items())
    return f"Addresses {'; '.join(listed)}"


def not_asked(*, alone: bool, state: str) -> str:
    """Why the table asks nothing of a unit; it is `alone` at its place, or in another `state`."""
    return "no points are known" if alone else f"{state}, so it is not polled"


def latency_assumed(seconds: float) -> str:
    """Of a unit whose reply time was not measured."""
    return f"reply time not measured, {1000 * seconds:g} ms assumed"


def most_assumed(registers: int) -> str:
    """Of a unit of which it is not known how much it gives in one request."""
    return f"how many registers it gives at once is not known, {registers} assumed"


def between_untried(addresses: Iterable[int]) -> str:
    """Of units whose registers between wanted ones were not tried on the bus."""
    listed = ", ".join(both_forms(address) for address in sorted(addresses))
    return (
        f"Registers read only because they lie in between were not all tried at {listed}: they may"
        " be refused."
    )


def wanted(every_s: float, special: int, values: int, *, said: bool) -> str:
    """How often values are wanted, `special` of them at intervals of their own; whether that
    was `said`."""
    more = f", {special} of {values} values at intervals of their own" if special else ""
    if said:
        return f"Values are wanted every {every_s:g} s{more}."
    return f"Poll interval not set: every {every_s:g} s is taken{more}."


def cycle(requests: int, computed_s: float, measured_s: float | None) -> str:
    """How long a cycle of so many requests takes."""
    computed = f"A whole cycle of the {requests} requests takes {_ms(computed_s)}"
    if measured_s is None:
        return f"{computed}, computed; not yet tried on the bus."
    return f"{computed} computed and {_ms(measured_s)} measured."


def cycle_difference(requests: int, seconds: float, host_delay_s: float | None) -> str:
    """Why a cycle was measured `seconds` longer than it was computed."""
    each = f"The difference is {_ms(seconds / requests)} a request"
    if host_delay_s is None:
        return f"{each}; the host delay was not measured."
    return f"{each}; the host delay before a request was measured as {_ms(host_delay_s)}."


def trial_words(made: str, cycles: int, polls: int, failed: int) -> str:
    """What the figures of a trial rest on."""
    ended = f"{failed} of {polls} polls failed" if failed else "no poll failed"
    return f"Median of {cycles} cycles on the bus, {made}; {ended}."


# -- what an endurance run shows
# --------------------------------------------------------------------------------------------------


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
            f"Unsolicited frames: {proof.strays}. "
            "Another master is talking, or two units share an address."
        )
    if stray := sum(unit.count(PollResult.OK_AFTER_STRAY_BYTES) for unit in proof.units):
        found.append(
            f"Valid replies after stray bytes: {stray}. That is no failure. Causes: missing or"
            " weak bias, or an adapter that switches direction badly."
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


# -- why a number is advised
# --------------------------------------------------------------------------------------------------

RETRY_WITHOUT_FAILURE = (
    "No poll of the units that answer failed. One retry covers a single disturbance; more would"
    " hide a fault that begins (common practice)."
)

LOAD_OF_THE_RUN = (
    "Share of the run in which bits were on the pair; the rest was waiting for units and gaps. This"
    " is at the pace of the run; the load of a master follows from its polling table."
)


def timeout_reason(
    address: int, slowest_s: float, transfer_s: float, shortest_s: float, *, late: int
) -> str:
    """Of the response timeout: the slowest reply, at the unit of `address`, and the longest."""
    reason = (
        f"Twice the slowest reply ({_ms(slowest_s)} at unit {address}) and the {_ms(transfer_s)}"
        f" that the longest reply takes on the wire, not below {_ms(shortest_s)} (common practice);"
        " counted from the end of the request, delays of the adapter used here included."
    )
    if late:
        reason += (
            f" Late replies: {late}; measure again with a longer wait, there may be later ones"
            " still."
        )
    return reason


def pause_held(polls: int, standard_s: float) -> str:
    """Of a pause with which every poll was answered; `standard_s` is what the standard demands."""
    return (
        f"With this silence before each, none of {polls} polls of the units that answer stayed"
        f" without a reply in time. The standard demands 3.5 characters, {_ms(standard_s)} (V1.02"
        " section 2.5.1.1); more where a profile asks for it."
    )


def pause_not_held(missing: int, polls: int, used_s: float, what_then: str) -> str:
    """Of a pause with which replies were missing; `what_then` is one of the four below."""
    return (
        f"{missing} of {polls} polls of the units that answer had no reply in time with"
        f" {_ms(used_s)}{what_then}"
    )


MEND_DISTURBANCE = ", and others came garbled: mend the disturbance first, then measure again."
MEND_WHAT_IS_SHARED = (
    ", at several units in the same rounds: mend what they share first, then measure again."
)
NO_LONGER_PAUSE = ": a still longer pause will not help, look for the cause."
TRY_LONGER_PAUSE = (
    "; some units need more (common practice). This is the next longer pause to try, not yet a"
    " proven one: run again with it."
)


def retries_reason(address: int, rate: float, lost: float, *, in_bursts: bool) -> str:
    """Of so many retries that at most the share `lost` of readings is lost."""
    bursts = (
        ", if failures do not come in bursts; here they do."
        if in_bursts
        else ". Find the cause all the same."
    )
    return (
        f"{_share(address, rate)}; with so many retries less than 1 reading in {1 / lost:.0f} is"
        f" lost{bursts}"
    )


def beyond_retries(address: int, rate: float) -> str:
    """Of as many retries as make sense, where they are not enough."""
    return f"{_share(address, rate)}: that is beyond what retries can mend. Find the cause first."


def _share(address: int, rate: float) -> str:
    return f"{100 * rate:.3g} % of the polls of unit {address} failed"


def ceiling_reason(rounds: int, median_s: float, polls_a_second: float, unanswered: int) -> str:
    """Of the shortest cycle."""
    reason = (
        f"99 % of the {rounds} measured rounds took no longer ({_ms(median_s)} in the median); a"
        " master that asks the same more often falls behind. On average"
        f" {polls_a_second:.1f} polls a second went through."
    )
    if unanswered:
        reason += (
            f" The waits of this run for {unanswered} replies that did not come in time are part of"
            " it."
        )
    return reason


def silent_unit_reason(requests: int) -> str:
    """Of the cycle with a silent unit, which is asked so often before it is given up."""
    return (
        f"The median round and {requests} times the response timeout for one request: what one dead"
        " unit costs each cycle. Let the master ask a silent unit less often."
    )


def load_reason(rows: int, *, possible: bool) -> str:
    """Of the bus load of a polling table."""
    reason = (
        f"The {rows} requests of the polling table, each as often as wanted, with the reply times"
        " given there; gaps and waiting count as load, since no other device can send then."
    )
    if not possible:
        reason += " Above 100 % cannot be done: ask less often, or raise the baud rate."
    return reason


def _ms(seconds: float) -> str:
    return f"{milliseconds(seconds):g} ms"

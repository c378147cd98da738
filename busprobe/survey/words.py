"""What a survey tells people of the line, the port and what was left out, in plain words.

Whoever decides upon something asks the typed values that these sentences are made of.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.modbus.traffic import Frame
from busprobe.survey.findings import (
    Asked,
    Bound,
    Finding,
    IgnoredSettings,
    Reason,
    Remark,
    RemarkKind,
    Unfinished,
)
from busprobe.survey.probes import Probe
from busprobe.survey.sunspec import ModelMap

QUICK_LOOK = (
    "Quick look: function 17 (a read) goes to every address without waiting for replies, to see"
    " where to search first. It proves no absence."
)

_NAMED = 4
"""So many line settings are named; more of them are counted."""

_REASONS = {
    Reason.CANCELLED: "because the survey was cancelled",
    Reason.ENOUGH: "because the search was ended after its first pass",
    Reason.SKIPPED: "because it was skipped",
    Reason.NOT_WHERE_FOUND: "because no unit was found there in the first pass",
    Reason.PORT_FAILED: "because the port failed",
    Reason.NEVER_QUIET: "because the pair is never quiet",
    Reason.OTHER_MASTER: "because another master talks on this pair",
    Reason.NO_PAUSE: "because another master leaves no pause for a request",
    Reason.ALL_FOUND: "because all {expect} expected units were found",
    Reason.ANSWERED_EVERYWHERE: "because one unit answers every address",
    Reason.NOT_CARRIED: "because this port has no parity (a pseudo-terminal)",
    Reason.SAME_AT_THIS_PORT: "because this port makes no difference there",
    Reason.SILENT_AT_END: "because who answered there at first was silent at the end",
    Reason.ALL_SILENT_AT_END: (
        "because all units found were silent at the end: the pair or its supply may have failed"
        " meanwhile"
    ),
}

UNFINISHED = {
    Unfinished.CLOSE_LOOK: "a close look",
    Unfinished.LATE_REPLY: "the wait for a late reply",
    Unfinished.PAUSE: "an exchange that the other master did not disturb",
    Unfinished.REPLY_AT_END: "a reply at the end",
    Unfinished.WORKING_BUS: "a pair that works to the end",
}
"""What is missing where an address does not count as asked."""

_REMARKS = {
    RemarkKind.TWO_IDENTITIES: (
        "It says different things of itself when asked again: two units share this address."
    ),
    RemarkKind.ANSWERED_AND_REFUSED: (
        "The same request is answered and refused by turns: two units share this address."
    ),
    RemarkKind.TWO_REPLIES: "Two whole replies to one request: two units share this address.",
    RemarkKind.TOO_LONG: (
        "{0} replies are longer than one unit's can be: two units share this address."
    ),
    RemarkKind.SOME_ALWAYS_CORRUPTED: (
        "Some requests get valid replies, others only corrupted ones: two units that agree in part."
    ),
    RemarkKind.CORRUPTED_AFTER_VALID_START: (
        "Two units share this address: {1} of {0} replies are corrupted after a valid start, each"
        " differently."
    ),
    RemarkKind.COLLIDING_REFUSALS: (
        "{0} replies are just what two refusals make when one comes a little later: two units."
    ),
    RemarkKind.COLLIDING_REPLIES: (
        "{0} replies are just what two replies alike make when one comes a little later: two units."
    ),
    RemarkKind.SAID_TO_OTHER_MASTER: (
        "Another master asks it: what was heard was perhaps said to that one."
    ),
    RemarkKind.OTHERS_SEND: (
        "Another device sends at other line settings, which can corrupt replies: disconnect it to"
        " see whether two units share this address."
    ),
    RemarkKind.ONE_REPLY: "Only 1 of {0} requests got a valid reply.",
    RemarkKind.DAMAGED_BEYOND_NOISE: (
        "Many replies are corrupted beyond a few wrong bits: a second unit, or a bad connection."
    ),
    RemarkKind.DAMAGED_AND_CUT_OFF: (
        "Many replies are corrupted beyond a few wrong bits: a late turnaround of the adapter, a"
        " second unit, or a bad connection here."
    ),
    RemarkKind.IDENTITY_CORRUPTED: (
        "Its replies to function {0} (identification) are always corrupted, all others are valid:"
        " two units of one type with different serial numbers, or a fault of this one."
    ),
    RemarkKind.LATE_REPLY: "The unit replies after the timeout.",
    RemarkKind.OTHER_ADDRESS: "Asked {0} (0x{0:02X}), answered as {1} (0x{1:02X}) each time.",
    RemarkKind.WRONG_CRC: (
        "{0} replies begin as they should and end in a wrong CRC: two units at once, or bad"
        " signals."
    ),
    RemarkKind.NEVER_A_FRAME: (
        "Bytes come back each time but never a frame: two units at once, a bad connection, or other"
        " settings."
    ),
    RemarkKind.CRC_SWAPPED: (
        "It sends the two CRC bytes in the wrong order: ordinary masters will not read it."
    ),
    RemarkKind.ALL_STARTS_CUT_OFF: (
        "The start of its replies is missing: the adapter switches from transmit to receive too"
        " late for this unit. Set a longer reply delay at the unit, or use another adapter."
    ),
    RemarkKind.GATEWAY: "A gateway answered that its unit did not respond; that is no unit.",
    RemarkKind.STRAY_BYTES: "Stray bytes were heard, but no reply.",
    RemarkKind.NOISY: "Bytes are received without a request: noise, or missing bias.",
    RemarkKind.LOSSY: "Requests get lost on the way to it, too: noise, or a bad connection.",
    RemarkKind.DAMAGED: "{0} of {1} replies were damaged.",
    RemarkKind.STRAY_BYTES_AROUND: (
        "{0} of {1} replies had stray bytes around them: bias, or the adapter's turnaround."
    ),
    RemarkKind.STARTS_CUT_OFF: (
        "The start of {0} replies was missing: the adapter switches to receive too late."
    ),
    RemarkKind.NOT_CONFORMING: "{0} replies were whole but not what the standard asks for.",
    RemarkKind.FIRST_REQUEST_MISSED: "It did not answer the first request.",
    RemarkKind.REFUSES_EVERYTHING: (
        "It refuses every function code tried, so it is there but says nothing of itself."
    ),
    RemarkKind.SLOW: "It takes up to {0} ms to answer.",
}

UNREADABLE = (
    "A unit answers here but its replies are corrupted. Other units may be hidden behind it. Clear"
    " that up, then survey again."
)
ANSWERED_ONCE_AND_LATE = (
    "It answered one request, late, and nothing when asked again: noise, a bad contact, or a unit"
    " that sleeps."
)
GATEWAY = (
    "A gateway answers for units that do not respond (exception 10 or 11); those are not counted as"
    " units."
)
PULSES = (
    "Requests are followed by a pulse (such as 00) and nothing more: the pair does not come to rest"
    " when the adapter lets go of it. A unit stuck sending, a short, reversed bias or none: take"
    " off half the units at a time until units answer."
)
ECHO_IN_PART = (
    "The adapter hears part of its own transmission: it switches direction while it still sends."
)
BYTES_BUT_NO_UNIT = (
    "Bytes came back, but no unit answered: check the supply of the units and the wires to them."
)


def kind_of_unit(finding: Finding) -> str:
    """What the unit found is, as far as it was told: by its profile with the match, else in its own
    words; empty where neither is known."""
    if finding.profile is not None and finding.match is not None:
        return f"{finding.profile} ({100 * finding.match:.0f} %)"
    return " ".join(filter(None, (finding.identity or {}).values()))


def remark(remark: Remark) -> str:
    """What the exchanges with one address showed, in one sentence."""
    return _REMARKS[remark.kind].format(*remark.figures)


def why(reason: Reason, expect: int | None, missing: Unfinished | None = None) -> str:
    """Why something was left out of a survey that was to find `expect` units, in half a sentence;
    `missing` says what was, where it was begun."""
    because = _REASONS[reason].format(expect=expect)
    if missing is Unfinished.CLOSE_LOOK:
        return f"though something was heard there, {because}"
    return because


def ignored_settings(ignored: IgnoredSettings) -> str:
    """What it means that a port does not apply all settings."""
    if ignored.baud:
        return (
            "This port does not seem to apply the baud rate: a unit answers at a rate that no unit"
            " has. The settings of the units cannot be told through it."
        )
    return (
        "This port does not seem to apply parity: a unit answers with even, odd and no parity"
        " alike. Units that differ in parity only cannot be told apart through it."
    )


def wrong_echo(settings: LineSettings) -> str:
    """An echo comes back with wrong bytes in it."""
    return (
        f"At {settings} the adapter hears its own transmission with wrong bytes in it: another"
        " device drives the bus at the same time, or the adapter cannot drive it."
    )


def echo_of_ones(settings: LineSettings) -> str:
    """An echo comes back with more ones than were sent."""
    return (
        f"At {settings} the adapter hears its own transmission with ones where zeros were sent: it"
        " cannot drive this baud rate. Use a higher one, or an adapter that switches direction"
        " properly."
    )


def bursts(seconds: float) -> str:
    """The adapter delivers bytes in bursts, up to `seconds` late."""
    return (
        f"The adapter delivers data in bursts up to {1000 * seconds:.0f} ms late (USB latency"
        " timer): reply times may be too long by as much, and no wait is shorter. Set the latency"
        " timer of its driver lower."
    )


def answers_everywhere(asked: Iterable[int], answered_as: Collection[int]) -> str:
    """One unit answers whatever address is `asked`; as another address where it is always the
    same."""
    named = ", ".join(both_forms(address) for address in asked)
    if len(answered_as) == 1:
        named += f", each time as {both_forms(next(iter(answered_as)))}"
    return (
        f"A unit answers whatever address is asked ({named}): made for a line of its own, or a"
        " gateway. Take it off to find the others."
    )


def refuses_everywhere(asked: Iterable[int]) -> str:
    """A gateway or server refuses registers at whatever address is `asked`."""
    named = ", ".join(both_forms(address) for address in asked)
    return (
        f"Any address that is asked answers ({named}) and refuses all registers: a gateway or"
        " server that answers for absent units. Only an address that answers anything else is"
        " counted as a unit."
    )


def other_master(settings: LineSettings, frames: Iterable[Frame]) -> str:
    """Another master was heard, by `frames`."""
    return f"Another master talks at {settings}: {_who_asks_whom(frames)}."


def without_pause(seconds: float, count: int) -> str:
    """So many bytes came in so many seconds with nothing asked, and no pause between them."""
    return (
        f"Another device sends without pause ({count} bytes in {seconds:.1f} s): a unit that is"
        " stuck sending, a short circuit, reversed bias, or a faulty serial server. Disconnect half"
        " of the units at a time until it stops."
    )


def bytes_unasked(seconds: float, count: int) -> str:
    """So many bytes came in so many seconds with nothing asked, and no frame among them."""
    return (
        f"{count} bytes in {seconds:.0f} s with nothing asked, and no frame among them: missing"
        " bias, interference, or a master at other line settings."
    )


def quiet(seconds: float) -> str:
    """Nothing came in so many seconds."""
    return f"Quiet for {seconds:.1f} s."


def regular_bytes(settings: LineSettings) -> str:
    """Bytes come at regular intervals, and are no other master's as far as can be told."""
    return (
        f"Bytes come at regular intervals that make no frame, neither at {settings} nor at other"
        " common line settings: interference of a device that switches, or a master at uncommon"
        " settings. Requests are sent in between."
    )


def in_pauses(share: float) -> str:
    """Another master uses a `share` of the time."""
    return (
        f"The other master and its units use {100 * share:.0f} % of the time; requests are sent in"
        " the pauses."
    )


def no_pause(share: float, need: float) -> str:
    """Another master uses a `share` of the time, without pauses of so many seconds as a request
    would `need`."""
    return (
        f"The other master and its units use {100 * share:.0f} % of the time, and leave no regular"
        f" pause of the {1000 * need:.0f} ms that a request needs: this bus cannot be surveyed like"
        " this. Disconnect the other master, then survey again."
    )


def _who_asks_whom(frames: Iterable[Frame]) -> str:
    """The units spoken to and the function codes, with how often: request and reply count
    separately."""
    count = Counter((frame.address, frame.function) for frame in frames)
    return "; ".join(
        f"unit {both_forms(address)} with function {function} ({number} frames)"
        for (address, function), number in sorted(count.items())
    )


def lost_requests(settings: LineSettings, rounds: int) -> str:
    """A unit can be missed though it is asked in so many `rounds`."""
    return (
        f"At {settings} so many requests get no valid reply that even after {rounds} requests a"
        " unit can be missed: repair the bus, then survey again."
    )


def not_asked_for(place: Place) -> str:
    """A unit answered that is not among the addresses of the survey."""
    return (
        f"Unit {both_forms(place.address)} answered at {place.settings}, though it was not to be"
        " asked."
    )


def fewer_than_expected(found: int, expect: int) -> str:
    """Not all expected units were found."""
    return (
        f"{found} of {expect} expected units were found. Units of the same kind at the same address"
        " can answer as one: take units off one at a time and see whether the address falls silent."
    )


def same_serial_number(others: Collection[int]) -> str:
    """A unit gives the same serial number as those at other addresses."""
    where = ", ".join(map(both_forms, others))
    return (
        f"It gives the same serial number as {where}: probably one unit that answers at several"
        " addresses. Disconnect it and see whether all of them fall silent."
    )


def as_many_as_expected(found: int) -> str:
    """The search ended because it had found as many units as were expected."""
    return (
        f"{found} found, as many as expected: the search ended there. That no other unit is"
        " connected was not checked."
    )


def stray_bytes(count: int) -> str:
    """So many bytes belong to no frame."""
    return (
        f"{count} bytes were received that belong to no valid frame: missing bias, interference,"
        " or a device at other line settings. Replies can have been lost in them."
    )


def no_reply(*, pulses: bool, echo: bool) -> str:
    """No unit was found and not one frame was heard, but perhaps `pulses` or the adapter's own
    `echo`."""
    heard = "not one byte was heard"
    if pulses:
        heard = "nothing was heard but single pulses (such as 00)"
    elif echo:
        heard = "nothing was heard but the adapter's own echo"
    return (
        f"No unit answered and {heard}: check the supply of the units, the two wires at both ends,"
        " and the adapter's TX and RX LEDs."
    )


@dataclass(frozen=True)
class _Coverage:
    """How a line setting was searched."""

    addresses: tuple[int, ...]
    times: tuple[int, int]
    """How often each address was asked, at least and at most."""
    probes: frozenset[Probe]
    waits_ms: tuple[int, int]
    """Shortest and longest."""

    @property
    def words(self) -> str:
        return (
            f"addresses {format_addresses(self.addresses)}, {_span(*self.times)} times each, by"
            f" {_kinds(self.probes)}, waiting {_span(*self.waits_ms)} ms and listening on for later"
            " replies"
        )


def coverage(asked: Iterable[Asked], found: Collection[Place]) -> Iterator[str]:
    """In words, line settings that were searched alike together.

    Who was `found` is not counted: it was looked at closely, and then asked no more.
    """
    by_settings: defaultdict[LineSettings, list[Asked]] = defaultdict(list)
    for one in asked:
        by_settings[one.settings].append(one)
    alike: defaultdict[_Coverage, list[str]] = defaultdict(list)
    for settings, entries in by_settings.items():
        times = Counter(a for e in entries for a in e.addresses if Place(a, settings) not in found)
        if times:
            waits = [e.wait_ms for e in entries]
            searched = _Coverage(
                tuple(sorted(times)),
                (min(times.values()), max(times.values())),
                frozenset(e.probe for e in entries),
                (min(waits), max(waits)),
            )
            alike[searched].append(str(settings))
    for searched, places in alike.items():
        where = ", ".join(places) if len(places) <= _NAMED else f"{len(places)} line settings"
        yield f"Asked at {where}: {searched.words}."


def bounds(bounds: Iterable[Bound]) -> Iterator[str]:
    """What can have been missed, line settings of one bound together."""
    alike: defaultdict[tuple[int, float, float], list[str]] = defaultdict(list)
    for bound in bounds:
        key = bound.asked_times, bound.missed_share, bound.found_with
        alike[key].append(str(bound.settings))
    for (times, share, found_with), places in alike.items():
        where = ", ".join(places) if len(places) <= _NAMED else f"{len(places)} line settings"
        yield (
            f"Asked {times} times at {where}: a unit that misses {100 * share:.0f} % of the"
            f" requests is found with {100 * found_with:.0f} %."
        )


def none_carried(port: str, settings: Iterable[LineSettings]) -> str:
    """No line setting of the survey can be on the wire of `port`."""
    return f"{port} cannot carry {', '.join(map(str, settings))}: a pseudo-terminal has no parity."


def profiles_left_out(count: int) -> str:
    """Units of some profiles were not asked for what only they answer."""
    profiles = "1 profile" if count == 1 else f"{count} profiles"
    return (
        f"Silent addresses were not asked for the registers of {profiles}: a unit that answers"
        " nothing else is not found. Name its register as one to try also."
    )


NO_DEVICE_ADDRESS = (
    "Its device address point is not implemented: it cannot be readdressed that way."
)


def other_device_address(holds: int) -> str:
    """Of a SunSpec unit whose device address point does not say where it answers."""
    return f"Its device address point holds {holds}, not the unit address it answers at."


def models(found: ModelMap) -> str:
    """The SunSpec models of a unit."""
    listed = ", ".join(str(model.id) for model in found.models) or "none"
    end = "" if found.ended else "; its end was not seen, so there may be more"
    return f"It follows SunSpec from register {found.base} on: models {listed}{end}."


def not_recognised(itself: Iterable[str]) -> str:
    """That no profile could be told, and what the unit says of `itself`."""
    said = "".join(f"; {each}" for each in itself)
    return f"No stored profile fits well enough to say what it is{said}."


def gives_no_values(what: object) -> str:
    """Of a unit that somebody said to be `what`."""
    return f"It gives none of the values of {what}, which it was said by hand to be."


def contradicts(what: object) -> str:
    """Of a unit that somebody said to be `what`, and that says otherwise itself."""
    return f"It cannot be {what}, as was said by hand: what it says of itself contradicts that."


def _kinds(probes: Iterable[Probe]) -> str:
    """Function codes with the registers they read: a unit that has others only stays silent."""
    registers: defaultdict[int, set[int]] = defaultdict(set)
    for probe in probes:
        registers[probe.function].update([probe.register] if probe.reads else [])
    kinds = (f"{int(code)}{_at(sorted(registers[code]))}" for code in sorted(registers))
    return f"function {', '.join(kinds)}"


def _at(registers: Sequence[int]) -> str:
    listed = ", ".join(map(str, registers))
    return f" (register{'s' if len(registers) > 1 else ''} {listed})" if registers else ""


def _span(least: int, most: int) -> str:
    return str(least) if least == most else f"{least} to {most}"

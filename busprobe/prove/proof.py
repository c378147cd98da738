"""The proof of a segment: what an endurance run showed, all units together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from busprobe.errors import UsageError
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, exception_name
from busprobe.prove.statistics import Pattern, Times, error_bound, find_pattern
from busprobe.prove.tally import Key, Kind, UnitTally

FORMAT = "busprobe.proof/1"
"""Format and version of a stored proof."""


@dataclass(frozen=True)
class Proof:
    """What an endurance run showed so far."""

    units: tuple[UnitTally, ...]
    reply_wait: float
    """Seconds that were waited for a reply."""
    late_wait: float
    """Seconds that were listened on after a poll that its unit did not answer."""
    pause: float
    """Silence in seconds demanded before each request; 0 is full speed, 3.5 characters are always
    kept."""
    seconds: float = 0.0
    """How long it ran, interruptions left out."""
    rounds: int = 0
    """Whole rounds; in each one every unit was asked all its requests."""
    shared_rounds: int = 0
    """Whole rounds in which two or more units failed."""
    shared_pairs: int = 0
    """Pairs of units that failed in the same whole round, over all of them."""
    round_times: Times = field(default_factory=Times)
    """How long whole rounds took: the cycle time as measured."""
    strays: int = 0
    """Sound frames that no request of ours accounts for."""
    asked_rounds: int | None = None
    """Rounds it was to run; None where time was to end it."""
    asked_seconds: float | None = None
    """Seconds it was to run; None where rounds were to end it."""
    complete: bool = False
    """Whether it ran as long as was asked for."""
    interruption: str = ""
    """Why it ended early, in words; empty if it did not."""

    @property
    def polls(self) -> int:
        """Polls of all units."""
        return sum(unit.polls for unit in self.units)

    @property
    def failed(self) -> int:
        """Failed polls of all units."""
        return sum(unit.failed for unit in self.units)

    @property
    def clean(self) -> bool:
        """Whether each unit was polled, none failed, and nobody else talked."""
        return all(unit.polls for unit in self.units) and not self.failed and not self.strays

    @property
    def pattern(self) -> Pattern[Key]:
        """Where and when the failures came."""
        failed_rounds = {unit.key: unit.failed_rounds for unit in self.units}
        return find_pattern(self.rounds, failed_rounds, self.shared_rounds, self.shared_pairs)

    @property
    def wire_share(self) -> float:
        """Share of the run's time in which bits were on the pair; the rest was waiting for units
        and gaps."""
        if not self.seconds:
            return 0.0
        on_wire = sum(
            unit.settings.wire_time(unit.bytes_sent + unit.bytes_received) for unit in self.units
        )
        return on_wire / self.seconds

    @property
    def findings(self) -> tuple[str, ...]:
        """What the run showed, in sentences: what it proves, and what the failures point to."""
        cut_short = (f"The run was cut short: {self.interruption}",) if self.interruption else ()
        if not self.polls:
            return ("No unit was polled, so nothing is proven.", *cut_short)
        found = [
            f"{self.failed} of {self.polls} polls failed in {self.seconds:.0f} s: error rate at"
            f" most {100 * error_bound(self.polls, self.failed):.3g} % with 95 % confidence, as far"
            " as failures are independent."
        ]
        pattern = self.pattern
        if pattern.together:
            found.append(
                f"Failures strike several units at once ({self.shared_rounds} of {self.rounds}"
                " rounds): look for noise on the pair, a common supply, or the adapter, before you"
                " suspect a unit."
            )
        if pattern.standing_out:
            listed = ", ".join(
                f"{both_forms(address)} at {settings}" for address, settings in pattern.standing_out
            )
            found.append(
                f"Failures gather at unit {listed}: look at this unit, its terminals and its"
                " address first."
            )
        if self.failed == self.polls:
            found.append(
                "Not one poll was answered as it should be: look first at what all units share, the"
                " port, the adapter, the line settings, the supply and the two wires."
            )
        elif self.failed and not pattern.together and not pattern.standing_out:
            found.append(
                "The failures show no pattern in time or by unit, or are too few to show one."
            )
        if late := sum(unit.late for unit in self.units):
            found.append(
                f"Late replies: {late}, after the wait of {1000 * self.reply_wait:.0f} ms. A master"
                " with this timeout takes them for replies to its next request."
            )
        if foreign := [unit for unit in self.units if unit.count(Kind.FOREIGN)]:
            number = sum(unit.count(Kind.FOREIGN) for unit in foreign)
            asked = ", ".join(both_forms(unit.address) for unit in foreign)
            found.append(
                f"Replies from another address than the one asked: {number}, when {asked} was"
                " asked. A unit has another address than the list says, or another master is"
                " talking."
            )
        if self.strays:
            found.append(
                f"Sound frames that no request accounts for: {self.strays}. "
                "Another master is talking, or two units share an address."
            )
        if junk := sum(unit.count(Kind.OK_AFTER_JUNK) for unit in self.units):
            found.append(
                f"Sound replies after junk bytes: {junk}. That is no failure, but a sign of a"
                " missing or weak bias or of an adapter that turns round badly."
            )
        return (*found, *self._exceptions(), *cut_short)

    def _exceptions(self) -> Iterator[str]:
        """Who answered with which exception: one sentence a code, since units of a type all refuse
        the same."""
        codes = sorted(
            {code for unit in self.units for code in unit.exceptions}.difference(GATEWAY_EXCEPTIONS)
        )
        for code in codes:
            units = [unit for unit in self.units if code in unit.exceptions]
            named = f"Unit {both_forms(units[0].address)}"
            if len(units) > 1:
                named = f"Units {format_addresses(unit.address for unit in units)}"
            yield (
                f"{named} answered {sum(unit.exceptions[code] for unit in units)} of"
                f" {sum(unit.polls for unit in units)} polls with exception {exception_name(code)}:"
                " that is no failure of the line."
            )

    def document(self) -> dict[str, object]:
        """As stored in the job and read by the hand over; times in seconds unless the name says
        ms."""
        return {
            "format": FORMAT,
            "seconds": self.seconds,
            "rounds": self.rounds,
            "polls": self.polls,
            "failed": self.failed,
            "clean": self.clean,
            "asked_rounds": self.asked_rounds,
            "asked_seconds": self.asked_seconds,
            "complete": self.complete,
            "interruption": self.interruption,
            "reply_wait": self.reply_wait,
            "late_wait": self.late_wait,
            "pause": self.pause,
            "round_times": self.round_times.document(),
            "shared_rounds": self.shared_rounds,
            "shared_pairs": self.shared_pairs,
            "strays": self.strays,
            "wire_share": round(self.wire_share, 4),
            "findings": list(self.findings),
            "units": [unit.document() for unit in self.units],
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Proof:
        """Read back what `document` wrote, so that a run can go on later; raises `UsageError` on
        another format."""
        if document.get("format") != FORMAT:
            raise UsageError(
                f"The stored endurance run has the format '{document.get('format')}', not"
                f" '{FORMAT}'.",
                todo="Start a new run; the stored one stays in the job as it is.",
            )
        return cls(
            units=tuple(UnitTally.from_document(unit) for unit in document["units"]),
            reply_wait=document["reply_wait"],
            late_wait=document["late_wait"],
            pause=document["pause"],
            seconds=document["seconds"],
            rounds=document["rounds"],
            shared_rounds=document["shared_rounds"],
            shared_pairs=document["shared_pairs"],
            round_times=Times.from_document(document["round_times"]),
            strays=document["strays"],
            asked_rounds=document.get("asked_rounds"),  # runs kept by earlier versions do not say
            asked_seconds=document.get("asked_seconds"),
            complete=document["complete"],
            interruption=document["interruption"],
        )

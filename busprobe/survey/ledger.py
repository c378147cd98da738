"""The survey's own books: what was asked, who was found, what was left out and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace

from busprobe.errors import PortError
from busprobe.line.settings import LineSettings
from busprobe.survey.control import Blindness
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.result import Asked, Earlier, SurveyResult, Untested
from busprobe.survey.schedule import Sweep

_Key = tuple[LineSettings, str, int]
"""Settings, name of the probe, round."""


def _key(sweep: Sweep) -> _Key:
    return sweep.settings, sweep.probe.name, sweep.round


@dataclass
class Ledger:
    """All that goes into the result; filled while the survey runs."""

    settings: tuple[LineSettings, ...]
    addresses: tuple[int, ...]
    expect: int | None
    findings: dict[tuple[LineSettings, int], Finding] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    dropped: list[Untested] = field(default_factory=list)
    blindness: Blindness | None = None
    impostors: set[LineSettings] = field(default_factory=set)
    other_master: bool = False
    stuck: bool = False
    """Whether the pair is never quiet."""
    noise_bytes: int = 0
    exchanges: int = 0
    echoes: int = 0
    """How many of the exchanges gave back what was sent; another master that asks the same can look
    like it, once."""
    noisy: bool = False
    """Whether bytes came before anybody was asked."""
    pulses: int = 0
    """Requests that were followed by a pulse or two and nothing else."""
    heard: bool = False
    """Whether anything followed a request besides pulses and our own echo."""
    earlier_seconds: float = 0.0
    aliases: set[tuple[LineSettings, int]] = field(default_factory=set)
    """Where a unit answers that is listed at other settings."""
    _asked: dict[_Key, set[int]] = field(default_factory=lambda: defaultdict(set))
    _waits: dict[_Key, float] = field(default_factory=dict)

    def resume(self, earlier: Earlier) -> None:
        """Take over what an interrupted survey had."""
        for asked in earlier.asked:
            key = asked.settings, asked.probe, asked.round
            self._asked[key].update(asked.addresses)
            self._waits[key] = asked.wait
        self.findings = {(f.settings, f.address): f for f in earlier.findings}
        self.blindness = earlier.blindness
        self.impostors = set(earlier.impostors)
        self.notes = list(earlier.notes)
        self.noise_bytes, self.pulses = earlier.noise_bytes, earlier.pulses
        self.earlier_seconds = earlier.seconds

    def asked(self, sweep: Sweep, address: int, wait: float) -> None:
        """Book one probe of `sweep`."""
        key = _key(sweep)
        self._asked[key].add(address)
        self._waits[key] = min(wait, self._waits.get(key, wait))

    def was_asked(self, sweep: Sweep, address: int) -> bool:
        """Whether this probe was sent already, or need not be: somebody was found there."""
        at = sweep.settings, address
        return (
            at in self.findings or at in self.aliases or address in self._asked.get(_key(sweep), ())
        )

    @property
    def probes_sent(self) -> int:
        """How many different probes were sent."""
        return sum(len(addresses) for addresses in self._asked.values())

    def note(self, words: str) -> bool:
        """Keep a note about the line; whether it is a new one."""
        if words in self.notes:
            return False
        self.notes.append(words)
        return True

    def drop(self, sweeps: Iterable[Sweep], why: str) -> None:
        """Book that `sweeps` will not be done."""
        left: dict[LineSettings, tuple[dict[str, None], set[int]]] = {}
        for sweep in sweeps:
            probes, addresses = left.setdefault(sweep.settings, ({}, set()))
            probes[sweep.probe.name] = None
            addresses.update(a for a in sweep.addresses if not self.was_asked(sweep, a))
        self.dropped += [
            Untested(s, tuple(p), tuple(sorted(a)), why) for s, (p, a) in left.items() if a
        ]

    def leave_open(
        self, unfinished: Iterable[tuple[LineSettings, int]], what: str, why: str
    ) -> None:
        """Book where `what` is missing: a survey that goes on asks there again."""
        places: defaultdict[LineSettings, set[int]] = defaultdict(set)
        for settings, address in unfinished:
            places[settings].add(address)
        for settings, addresses in places.items():
            for (at, _, _), asked in self._asked.items():
                if at == settings:
                    asked -= addresses
            said = {
                a
                for u in self.dropped
                if (u.settings, u.why) == (settings, why)
                for a in u.addresses
            }
            if addresses - said:
                self.dropped.append(
                    Untested(settings, (what,), tuple(sorted(addresses - said)), why)
                )

    @property
    def echo(self) -> bool:
        """Whether the adapter gives back what it sends."""
        return 2 * self.echoes > self.exchanges

    @property
    def count(self) -> int:
        """How many units are known to be there: a clash is at least two."""
        return sum({Kind.UNIT: 1, Kind.CLASH: 2}.get(f.kind, 0) for f in self.findings.values())

    def known_at(self, address: int, settings: Iterable[LineSettings]) -> Finding | None:
        """An earlier finding at `address` and one of `settings`."""
        return next(
            (self.findings[s, address] for s in settings if (s, address) in self.findings), None
        )

    def also_at(self, known: Finding, settings: LineSettings) -> Finding:
        """Note that a known unit answers at further settings too."""
        self.aliases.add((settings, known.address))
        words = f"Also answers at {settings}."
        if words not in known.notes:
            known = replace(known, notes=(*known.notes, words))
            self.findings[known.settings, known.address] = known
        return known

    def result(
        self,
        *,
        seconds: float,
        complete: bool,
        failure: PortError | None = None,
        pending: Collection[tuple[LineSettings, int]] = (),
    ) -> SurveyResult:
        """Close the books; where something is `pending` does not count as asked."""
        asked = {
            key: tuple(sorted(a for a in addresses if (key[0], a) not in pending))
            for key, addresses in self._asked.items()
        }
        return SurveyResult(
            settings=self.settings,
            addresses=self.addresses,
            expect=self.expect,
            findings=tuple(
                sorted(
                    self.findings.values(),
                    key=lambda f: (self.settings.index(f.settings), f.address),
                )
            ),
            seconds=self.earlier_seconds + seconds,
            complete=complete,
            asked=tuple(
                Asked(settings, probe, number, addresses, self._waits[settings, probe, number])
                for (settings, probe, number), addresses in asked.items()
                if addresses
            ),
            untested=tuple(self.dropped),
            notes=tuple(self.notes),
            echo=self.echo,
            other_master=self.other_master,
            noise_bytes=self.noise_bytes,
            pulses=self.pulses,
            blindness=self.blindness,
            impostors=frozenset(self.impostors),
            failure=failure,
        )

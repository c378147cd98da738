"""What a survey knows while it runs: what was asked, what was found, what was left out and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace

from busprobe.errors import PortError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.survey import words
from busprobe.survey.findings import (
    About,
    Asked,
    Finding,
    IgnoredSettings,
    Kind,
    LineNote,
    Reason,
    SurveyResult,
    Unfinished,
    Untested,
)
from busprobe.survey.probes import Probe
from busprobe.survey.schedule import Sweep

_Key = tuple[LineSettings, Probe, int]
"""Settings, kind of probe, round."""


def _key(sweep: Sweep) -> _Key:
    return sweep.settings, sweep.probe, sweep.round


@dataclass
class SurveyState:
    """All that goes into the result; filled while the survey runs."""

    settings: tuple[LineSettings, ...]
    addresses: tuple[int, ...]
    expect: int | None
    findings: dict[Place, Finding] = field(default_factory=dict)
    line_notes: list[LineNote] = field(default_factory=list)
    dropped: list[Untested] = field(default_factory=list)
    ignored: IgnoredSettings | None = None
    answered_everywhere: set[LineSettings] = field(default_factory=set)
    """Where one unit answers every address."""
    other_master: bool = False
    stuck: bool = False
    """Whether the bus is never quiet."""
    noise_bytes: int = 0
    exchanges: int = 0
    echoes: int = 0
    """How many of the exchanges gave back what was sent; another master that asks the same can look
    like it, once."""
    noisy: bool = False
    """Whether bytes came before the first request."""
    pulses: int = 0
    """Requests that were followed by a pulse or two and nothing else."""
    heard: bool = False
    """Whether anything followed a request but pulses and our own echo."""
    earlier_seconds: float = 0.0
    aliases: set[Place] = field(default_factory=set)
    """Where a unit answers that is listed at other settings."""
    _left_open: dict[tuple[LineSettings, Unfinished], set[int]] = field(
        default_factory=lambda: defaultdict(set)
    )
    """Addresses at which something is missing, by line settings and what it is."""
    _asked: dict[_Key, set[int]] = field(default_factory=lambda: defaultdict(set))
    _waits: dict[_Key, float] = field(default_factory=dict)

    def resume(self, earlier: SurveyResult) -> None:
        """Take over what an interrupted survey had."""
        for asked in earlier.asked:
            key = asked.settings, asked.probe, asked.round
            self._asked[key].update(asked.addresses)
            self._waits[key] = asked.wait_ms / 1000
        self.findings = {finding.place: finding for finding in earlier.findings}
        self.ignored = earlier.ignored
        self.answered_everywhere = set(earlier.answered_everywhere)
        self.line_notes = list(earlier.line_notes)
        self.noise_bytes, self.pulses = earlier.noise_bytes, earlier.pulses
        self.earlier_seconds = earlier.seconds

    def asked(self, sweep: Sweep, address: int, wait: float) -> None:
        """Book one probe of `sweep`."""
        key = _key(sweep)
        self._asked[key].add(address)
        self._waits[key] = min(wait, self._waits.get(key, wait))

    def was_asked(self, sweep: Sweep, address: int) -> bool:
        """Whether this probe was sent already, or need not be: a unit was found there."""
        at = Place(address, sweep.settings)
        return (
            at in self.findings or at in self.aliases or address in self._asked.get(_key(sweep), ())
        )

    @property
    def probes_sent(self) -> int:
        """How many different probes were sent."""
        return sum(len(addresses) for addresses in self._asked.values())

    def note(self, about: About, said: str, at: Place | LineSettings | None = None) -> bool:
        """Keep a note about the line; whether there was none about the same at the same place."""
        if any((note.about, note.at) == (about, at) for note in self.line_notes):
            return False
        self.line_notes.append(LineNote(about, said, at))
        return True

    def drop(self, sweeps: Iterable[Sweep], reason: Reason) -> None:
        """Book that `sweeps` will not be done."""
        left: dict[LineSettings, tuple[dict[str, None], set[int]]] = {}
        for sweep in sweeps:
            probes, addresses = left.setdefault(sweep.settings, ({}, set()))
            probes[str(sweep.probe)] = None
            addresses.update(a for a in sweep.addresses if not self.was_asked(sweep, a))
        why = words.why(reason, self.expect)
        self.dropped += [
            Untested(s, tuple(p), tuple(sorted(a)), why) for s, (p, a) in left.items() if a
        ]

    def leave_open(self, unfinished: Iterable[Place], missing: Unfinished, reason: Reason) -> None:
        """Book where something is `missing`: a survey that goes on asks there again."""
        places: defaultdict[LineSettings, set[int]] = defaultdict(set)
        for place in unfinished:
            places[place.settings].add(place.address)
        for settings, addresses in places.items():
            for (at, _, _), asked in self._asked.items():
                if at == settings:
                    asked -= addresses
            known = self._left_open[settings, missing]
            if addresses - known:
                new = tuple(sorted(addresses - known))
                why = words.why(reason, self.expect, missing)
                self.dropped.append(Untested(settings, (words.UNFINISHED[missing],), new, why))
                known |= addresses

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
        places = (Place(address, each) for each in settings)
        return next((self.findings[at] for at in places if at in self.findings), None)

    def also_at(self, known: Finding, settings: LineSettings) -> Finding:
        """Note that a known unit answers at further settings too."""
        self.aliases.add(Place(known.address, settings))
        if settings not in known.also_at:
            known = replace(known, also_at=(*known.also_at, settings))
            self.findings[known.place] = known
        return known

    def result(
        self,
        *,
        seconds: float,
        complete: bool,
        failure: PortError | None = None,
        pending: Collection[Place] = (),
    ) -> SurveyResult:
        """Close the books; where something is `pending` does not count as asked."""
        asked = {
            key: tuple(sorted(a for a in addresses if Place(a, key[0]) not in pending))
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
                Asked(
                    settings,
                    probe,
                    number,
                    addresses,
                    int(1000 * self._waits[settings, probe, number]),
                )
                for (settings, probe, number), addresses in asked.items()
                if addresses
            ),
            untested=tuple(self.dropped),
            line_notes=tuple(self.line_notes),
            echo=self.echo,
            other_master=self.other_master,
            noise_bytes=self.noise_bytes,
            pulses=self.pulses,
            ignored=self.ignored,
            answered_everywhere=tuple(sorted(self.answered_everywhere)),
            failure=failure,
        )

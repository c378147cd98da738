"""What a survey knows while it runs: what was asked, what was found, what was left out and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import replace

from busprobe.errors import PortError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.survey import words
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import (
    About,
    Asked,
    Finding,
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


class SurveyState:
    """What a survey has shown, and what else it needs to know to go on."""

    def __init__(
        self, settings: tuple[LineSettings, ...], addresses: tuple[int, ...], expect: int | None
    ) -> None:
        self.shown = SurveyResult(
            settings, addresses, expect, findings=(), seconds=0.0, asked=(), line_notes=()
        )
        """What goes into the result as it is; the rest is added at the end."""
        self.findings: dict[Place, Finding] = {}
        self.seen: dict[Place, Examination] = {}
        """The close look at each finding of this run."""
        self.stuck = False
        """Whether the bus is never quiet."""
        self.crowded = False
        """Whether another master leaves no pause that is long enough for a request."""
        self.exchanges = 0
        self.echoes = 0
        """How many of the exchanges gave back what was sent; another master that asks the same can
        look like it, once."""
        self.noisy = False
        """Whether bytes came before the first request."""
        self.heard = False
        """Whether anything followed a request but pulses and our own echo."""
        self.aliases: set[Place] = set()
        """Where a unit answers that is listed at other settings."""
        self._left_open: defaultdict[tuple[LineSettings, Unfinished], set[int]] = defaultdict(set)
        """Addresses at which something is missing, by line settings and what it is."""
        self._asked: defaultdict[_Key, set[int]] = defaultdict(set)
        self._waits: dict[_Key, float] = {}

    def resume(self, earlier: SurveyResult) -> None:
        """Take over what an interrupted survey had."""
        for asked in earlier.asked:
            key = asked.settings, asked.probe, asked.round
            self._asked[key].update(asked.addresses)
            self._waits[key] = asked.wait_ms / 1000
        self.findings = {each.place: each.at_end(silent=False) for each in earlier.findings}
        for each in earlier.findings:
            self.aliases |= each.places - {each.place}
        shown = self.shown
        self.shown = replace(
            earlier,
            settings=shown.settings,
            addresses=shown.addresses,
            expect=shown.expect,
            untested=(),
            other_master=False,
            ended=None,
        )

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
        notes = self.shown.line_notes
        if any((note.about, note.at) == (about, at) for note in notes):
            return False
        self.shown = replace(self.shown, line_notes=(*notes, LineNote(about, said, at)))
        return True

    def noted(self, about: About) -> bool:
        """Whether there is any note about this."""
        return any(note.about is about for note in self.shown.line_notes)

    def drop(self, sweeps: Iterable[Sweep], reason: Reason) -> None:
        """Book that `sweeps` will not be done."""
        left: dict[LineSettings, tuple[dict[str, None], set[int]]] = {}
        for sweep in sweeps:
            probes, addresses = left.setdefault(sweep.settings, ({}, set()))
            probes[str(sweep.probe)] = None
            addresses.update(a for a in sweep.addresses if not self.was_asked(sweep, a))
        why = words.why(reason, self.shown.expect)
        self._leave_out(
            Untested(s, tuple(p), tuple(sorted(a)), why) for s, (p, a) in left.items() if a
        )

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
                why = words.why(reason, self.shown.expect, missing)
                self._leave_out([Untested(settings, (words.UNFINISHED[missing],), new, why)])
                known |= addresses

    def add_noise(self, count: int) -> None:
        """Book so many bytes that belong to no frame."""
        self.shown = replace(self.shown, noise_bytes=self.shown.noise_bytes + count)

    def _leave_out(self, untested: Iterable[Untested]) -> None:
        self.shown = replace(self.shown, untested=(*self.shown.untested, *untested))

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
        known = known.answering_at(settings)
        self.findings[known.place] = known
        return known

    def also_for(self, known: Finding, address: int) -> Finding:
        """Note that a known unit replies to requests to a further address too."""
        self.aliases.add(Place(address, known.settings))
        known = known.answering_for(address)
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
        left = {
            key: tuple(sorted(a for a in addresses if Place(a, key[0]) not in pending))
            for key, addresses in self._asked.items()
        }
        asked = (
            Asked(*key, addresses, int(1000 * self._waits[key]))
            for key, addresses in left.items()
            if addresses
        )
        order = self.shown.settings
        findings = sorted(
            self.findings.values(), key=lambda f: (order.index(f.settings), f.address)
        )
        return replace(
            self.shown,
            findings=tuple(findings),
            seconds=self.shown.seconds + seconds,
            complete=complete,
            asked=tuple(asked),
            echo=self.echo,
            failure=failure,
        )

"""Who answers for everybody: found by control probes, and told from units that are there."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Set
from dataclasses import replace

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply
from busprobe.survey.asking import Step
from busprobe.survey.control import Everywhere, everywhere
from busprobe.survey.events import Event, Found
from busprobe.survey.examine import Examination
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.ledger import Ledger
from busprobe.survey.probes import Probe
from busprobe.survey.schedule import PATIENCE


class Voices:
    """At each line setting: whether one unit answers every address, or somebody speaks for absent
    ones."""

    def __init__(self, line: Line, ledger: Ledger) -> None:
        self._line = line
        self._ledger = ledger
        self._controlled: set[LineSettings] = set()
        self._everywhere: dict[LineSettings, Everywhere] = {}
        self._nobodies: dict[LineSettings, Finding] = {}
        """Where somebody speaks for absent units, the first address it spoke for."""

    def control(self, seen: Examination) -> Generator[Step, None, Everywhere | None]:
        """At the first reply at a setting: whoever answers everywhere there.  Raises `PortError` if
        the port fails."""
        answered = next((r for r in seen.replies if r.present), None)
        if seen.settings in self._controlled:
            return None
        self._controlled.add(seen.settings)
        if answered is None or seen.latency is None:
            return None
        known = {address for at, address in self._ledger.findings if at == seen.settings}
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * seen.latency.maximum)))
        who = yield from everywhere(
            self._line, Probe.of(answered.request), waits, {*known, seen.address}
        )
        if who is not None:
            self._everywhere[seen.settings] = who
        return who

    @property
    def places(self) -> Set[LineSettings]:
        """Line settings at which somebody answers for everybody."""
        return self._everywhere.keys()

    def is_unit(self, reply: Reply) -> bool:
        """Whether a reply shows that a unit is there, rather than that somebody speaks for absent
        ones."""
        who = self._everywhere.get(reply.exchange.settings)
        return reply.present and (who is None or not who.explains(reply))

    def finding(self, seen: Examination) -> Finding | None:
        """What is to be booked of `seen`; None where somebody only spoke for an absent unit."""
        finding = seen.finding()
        who = self._everywhere.get(seen.settings)
        if who is None:
            return finding
        nobody = replace(finding, kind=Kind.UNSURE, notes=(who.words, *finding.notes))
        if who.voice is None:
            return nobody
        if all(who.explains(r) for r in seen.replies if r.present):
            self._nobodies.setdefault(seen.settings, nobody)
            return None
        return finding

    def conclude(self) -> Iterator[Event]:
        """Where somebody speaks for absent units and no unit said anything else, that somebody is
        all there is."""
        for settings, nobody in self._nobodies.items():
            if not any(at == settings for at, _ in self._ledger.findings):
                self._ledger.findings[settings, nobody.address] = nobody
                yield Found(nobody)

"""From replies to findings: what each reply of a sweep means, and what to ask because of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterator
from dataclasses import replace

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import Request
from busprobe.modbus.traffic import Frame, sound_frames
from busprobe.survey.control import Blindness, Everywhere, blindness, everywhere
from busprobe.survey.events import Asking, Event, Found, Heard, Trouble
from busprobe.survey.examine import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.ledger import Ledger
from busprobe.survey.listen import who_asks_whom
from busprobe.survey.probes import LADDER, Probe
from busprobe.survey.schedule import PATIENCE, Pace, Schedule, Sweep, rounds_needed
from busprobe.survey.surroundings import (
    can_answer,
    frames_besides,
    is_altered_echo,
    is_damaged,
    is_unexplained,
    stray_bytes,
)

_LATE_FOR = 3.0
"""Seconds for which a frame from an address that was asked may be its late reply."""
_MOST_SUSPECTS = 40
"""Addresses asked again with patience after one sweep; more of them are noise."""
_PATIENT = Waits(reply=PATIENCE)
_LONG_LOOK = replace(CLOSE_LOOK, reply=2 * PATIENCE)
_REPEAT = Waits(reply=0.25)
_REPEATS = 2
_STRAY = 2
"""Bytes that pulses do not explain."""
_SEVERAL_ECHOES = 3
"""Echoes gone wrong before it is put down to the adapter."""
_SLOW = 0.3
"""Seconds from which a unit is slow, and no measure for the others."""
_EVERYWHERE = "because one unit answers every address"
_BEGINS_WELL = (Verdict.CRC_BAD_HEAD_OK, Verdict.CRC_SWAPPED)


class Inquiry:
    """What is being found out, and the schedule that changes with it."""

    def __init__(self, line: Line, ledger: Ledger, schedule: Schedule) -> None:
        self.schedule = schedule
        self.pace = Pace()
        self._line = line
        self._ledger = ledger
        self._slowest = 0.0
        self._open: deque[tuple[float, Request]] = deque()
        """Requests without a reply, and when they were sent."""
        self._suspects: list[tuple[Request, ...]] = []
        """For each time that bytes came which nobody owned up to: who was asked shortly before."""
        self._echoes = 0
        self._strangers: deque[Frame] = deque()
        self._second_looks: set[tuple[LineSettings, int]] = set()
        self._controlled: set[LineSettings] = set()
        self._everywhere: dict[LineSettings, Everywhere] = {}
        self._voices: dict[LineSettings, Finding] = {}
        """Where somebody speaks for absent units, the first address it spoke for."""
        self._lost: dict[LineSettings, tuple[int, int]] = {}
        """Requests of close looks that a unit there missed, of how many."""

    def resume(self) -> None:
        """Take the ledger of an interrupted survey into account."""
        findings = list(self._ledger.findings.values())
        for finding in findings:
            self.schedule = self.schedule.promoted(finding.settings).deepened(finding.settings)
        self.schedule = self.schedule.less(self._ledger.was_asked)
        for settings in self._ledger.impostors:
            self.drop_setting(settings, _EVERYWHERE)
        if self._ledger.blindness is not None and findings:
            self._leave_out_what_is_the_same(findings[0].settings, self._ledger.blindness)

    def switch(self, settings: LineSettings) -> None:
        """Set the line; raises `PortError`."""
        if settings != self._line.settings:
            self._open.clear()
            self._line.apply(settings)

    def next(self) -> Iterator[Event]:
        """Send the next probe of the schedule, unless it need not be sent, and draw the conclusions."""
        sweep = self.schedule.sweeps[0]
        address = sweep.addresses[0]
        if self._ledger.was_asked(sweep, address):
            self.schedule = self.schedule.advanced()
            return
        self.switch(sweep.settings)
        wait = self.pace.wait(sweep.probe)
        reply = yield from self.ask(sweep.probe.request(address), Waits(reply=wait))
        self._ledger.asked(sweep, address, wait)
        self.schedule = self.schedule.advanced()
        yield from self._weigh(reply)

    def ask(self, request: Request, waits: Waits) -> Generator[Event, None, Reply]:
        """One exchange with its event; raises `PortError`."""
        yield Asking(self._line.settings, request.address, request.words, request.frame, waits)
        exchange = self._line.exchange(request, waits)
        reply = judge(request, exchange)
        while self._open and self._open[0][0] < exchange.ended - _LATE_FOR:
            self._open.popleft()
        if not reply.present:
            self._open.append((exchange.sent, request))
        return reply

    def end_sweep(self, sweep: Sweep, *, changes: bool, unwanted: Callable[[], object]) -> Iterator[Event]:
        """Ask the suspects with patience; before the settings change, wait for late replies.

        As soon as `unwanted` says so the rest is left out, and noted.
        """
        groups, self._suspects = self._suspects, []
        asked: set[int] = set()
        for group in groups:
            for request in group:
                if self._is_known(sweep.settings, {r.address for r in group}) or len(asked) >= _MOST_SUSPECTS:
                    break  # whose bytes they were has been found out; or it is noise
                if unwanted():
                    self._ledger.note(f"Bytes at {sweep.settings} were not followed up with patience.")
                    return
                if request.address not in asked:
                    asked.add(request.address)
                    reply = yield from self.ask(request, _PATIENT)
                    yield from self._weigh(reply)
        if changes and not sweep.foretaste and not unwanted():
            for frame in sound_frames(self._line.listen(PATIENCE).data):
                yield from self._credit(frame, frame.address)

    def insist(self) -> bool:
        """Where units were seen to miss requests, plan as many more rounds as it takes; whether there are any."""
        before = self.schedule
        for settings, (lost, asked) in self._lost.items():
            self.schedule = self.schedule.repeated(settings, rounds_needed(lost, asked))
        self._lost.clear()
        return self.schedule is not before

    def conclude(self) -> Iterator[Event]:
        """Where somebody speaks for absent units and no unit said anything else, that somebody is all there is."""
        for settings, nobody in self._voices.items():
            if not any(at == settings for at, _ in self._ledger.findings):
                self._ledger.findings[settings, nobody.address] = nobody
                yield Found(nobody)

    def drop_setting(self, settings: LineSettings, why: str) -> None:
        """Leave out what is left at `settings`."""
        self._drop(lambda sweep: sweep.settings == settings, why)

    def other_master(self, words: str) -> Iterator[Event]:
        """Book that somebody else asks on this pair."""
        if not self._ledger.other_master:
            self._ledger.other_master = True
            self._ledger.note(words)
            yield Heard(words)

    def _weigh(self, reply: Reply) -> Iterator[Event]:
        if is_altered_echo(reply):
            yield from self._note_echo(reply)
        frames = frames_besides(reply)
        if reply.verdict is Verdict.FOREIGN:
            frames.append(Frame(reply.frame))
        if self._shows(reply) or reply.verdict in _BEGINS_WELL:
            yield from self._look(reply.request.address)
        elif is_unexplained(reply) or (stray_bytes(reply.exchange.leftover) >= _STRAY and not frames):
            yield from self._ask_again(reply)
        self._strangers.extend(frames)
        while self._strangers:
            yield from self._credit(self._strangers.popleft(), reply.request.address)

    def _note_echo(self, reply: Reply) -> Iterator[Event]:
        """The adapter gives back its own transmission, but not faithfully."""
        self._echoes += 1
        if self._echoes < _SEVERAL_ECHOES:
            return
        more_ones = len(reply.exchange.received) >= len(reply.request.frame)
        words = (
            f"At {self._line.settings} the adapter hears its own transmission with ones where zeros were sent: it "
            "cannot drive this baud rate. Use a higher one, or an adapter that switches direction properly."
            if more_ones
            else "The adapter hears part of its own transmission: it switches direction while it still sends."
        )
        if self._ledger.note(words):
            yield Trouble(words)

    def _ask_again(self, reply: Reply) -> Iterator[Event]:
        """Bytes came that make no frame: somebody at this address, a late reply cut in pieces, or noise."""
        self._ledger.noise_bytes += len(reply.exchange.leftover + reply.exchange.received)
        since = reply.exchange.ended - PATIENCE
        for _ in range(_REPEATS):
            again = yield from self.ask(reply.request, _REPEAT)
            if again.present or is_damaged(again):
                yield from self._look(reply.request.address)
                return
        self._suspect(since)

    def _suspect(self, since: float) -> None:
        """Whoever was asked from clock time `since` on without a reply is asked again with patience."""
        group = tuple(request for sent, request in self._open if sent >= since)
        if group:
            self._suspects.append(group)

    def _is_known(self, settings: LineSettings, addresses: set[int]) -> bool:
        """Whether somebody was found at one of `addresses`."""
        return any((settings, address) in self._ledger.findings for address in addresses)

    def _credit(self, frame: Frame, asked: int) -> Iterator[Event]:
        """A sound frame that answers nothing just asked: a late reply, a second unit, or another master's business."""
        settings = self._line.settings
        if any(can_answer(frame, probe.request(frame.address)) for probe in LADDER):
            # Perhaps a unit that is late; perhaps one that answers under another address than it is asked at.
            for address, waits in ((frame.address, _LONG_LOOK), (asked, CLOSE_LOOK)):
                at = settings, address
                if at not in self._second_looks:
                    self._second_looks.add(at)
                    yield from self._look(address, waits)
                if at in self._ledger.findings or at in self._ledger.aliases:
                    return
        yield from self.other_master(f"Another master talks at {settings}: {who_asks_whom([frame])}.")

    def _look(self, address: int, waits: Waits = CLOSE_LOOK) -> Iterator[Event]:
        """Look closely at an address where something was heard, and book what is there."""
        settings = self._line.settings
        if address not in self._ledger.addresses:
            words = f"Unit {both_forms(address)} answered at {settings}, though it was not to be asked."
            if self._ledger.note(words):
                yield Trouble(words)
            return
        yield Asking(settings, address, f"Look closely at {both_forms(address)}.", b"", waits)
        self._await_late_replies(address)
        before = self._line.clock.now() - PATIENCE
        seen = examine(self._line, address, waits=waits, repeats=1 if waits is _LONG_LOOK else 3)
        self._strangers.extend(seen.foreign)
        if seen.kind is Kind.UNIT and any(is_damaged(r) for r in seen.replies):
            # What spoilt them may have been the late reply of somebody asked just before.
            self._suspect(before)
        if seen.kind is Kind.SILENT:
            return
        if settings not in self._controlled:
            self._controlled.add(settings)
            yield from self._control(seen)
        finding = seen.finding()
        who = self._everywhere.get(settings)
        if who is not None:
            nobody = replace(finding, kind=Kind.UNSURE, notes=(who.words, *finding.notes))
            if who.voice is None:
                finding = nobody
            elif all(who.explains(r) for r in seen.replies if r.present):
                self._voices.setdefault(settings, nobody)
                return
        if self._ledger.blindness is None and finding.kind is Kind.UNIT and len(self._ledger.settings) > 1:
            finding = yield from self._check_port(seen, finding)
        yield from self._book(finding)
        self._learn(seen)

    def _await_late_replies(self, address: int) -> None:
        """Let replies pass that a slow unit still owes to earlier requests, so that they are not taken for others."""
        asked = [sent for sent, request in self._open if request.address == address]
        left = max(asked, default=0.0) + 2 * PATIENCE - self._line.clock.now()
        if asked and left > 0:
            frames = sound_frames(self._line.listen(left).data)
            self._strangers.extend(frame for frame in frames if frame.address != address)

    def _learn(self, seen: Examination) -> None:
        """How fast units answer here, and how often they miss a request."""
        latency = seen.latency
        if latency is not None and latency.maximum < _SLOW:
            self._slowest = max(self._slowest, latency.maximum)
            self.pace = Pace().learnt(self._slowest)
        if seen.kind is Kind.UNIT:
            lost, asked = self._lost.get(seen.settings, (0, 0))
            answered = {r.request.frame for r in seen.replies if r.present}
            # Not the first: a unit that sleeps through it loses no others.
            known = [r.present for r in seen.replies[1:] if r.request.frame in answered]
            self._lost[seen.settings] = lost + known.count(False), asked + len(known)

    def _book(self, finding: Finding) -> Iterator[Event]:
        settings = finding.settings
        same = (s for s in self._ledger.settings if s != settings and self._same(s, settings))
        known = self._ledger.known_at(finding.address, same)
        if known is not None:
            self.schedule = self.schedule.demoted(settings)
            yield Found(self._ledger.also_at(known, settings))
            return
        likelier = self._one_stop_bit_less(settings)
        if likelier is not None:
            self.switch(likelier)
            seen = examine(self._line, finding.address)
            self.switch(settings)
            if seen.kind is finding.kind:
                yield from self._book(seen.finding())
                yield from self._book(finding)
                return
        self._ledger.findings[settings, finding.address] = finding
        if settings not in self._ledger.impostors:
            self.schedule = self.schedule.promoted(settings).deepened(settings)
        yield Found(finding)

    def _one_stop_bit_less(self, settings: LineSettings) -> LineSettings | None:
        """The likelier setting at which a unit found at `settings` answers too, if it is searched as well."""
        less = replace(settings, stop_bits=1)
        return less if settings.stop_bits == 2 and less in self._ledger.settings else None

    def _same(self, one: LineSettings, other: LineSettings) -> bool:
        """Whether a unit at `one` is heard at `other` too: a second stop bit is idle line to most receivers."""
        stop_bits_only = one.baud == other.baud and one.parity is other.parity and one.data_bits == other.data_bits
        return stop_bits_only or (self._ledger.blindness is not None and self._ledger.blindness.same(one, other))

    def _shows(self, reply: Reply) -> bool:
        """Whether a reply shows that a unit is there, rather than that somebody speaks for absent ones."""
        who = self._everywhere.get(reply.exchange.settings)
        return reply.present and (who is None or not who.explains(reply))

    def _control(self, seen: Examination) -> Iterator[Event]:
        """The first reply at a setting: does somebody answer everywhere?"""
        answered = next((r for r in seen.replies if r.present), None)
        if answered is None or seen.latency is None:
            return
        known = {address for at, address in self._ledger.findings if at == seen.settings}
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * seen.latency.maximum)))
        who = everywhere(self._line, Probe.of(answered.request), waits, {*known, seen.address})
        if who is None:
            return
        self._everywhere[seen.settings] = who
        self._ledger.note(f"{seen.settings}: {who.words}")
        yield Trouble(self._ledger.notes[-1])
        if who.voice is None:
            self._ledger.impostors.add(seen.settings)
            self.drop_setting(seen.settings, _EVERYWHERE)

    def _check_port(self, seen: Examination, finding: Finding) -> Generator[Event, None, Finding]:
        """The first unit of all: does the port apply what it is told?"""
        answered = next(r for r in seen.replies if r.present)
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * (finding.latency or 0.0))))
        self._ledger.blindness = blind = blindness(self._line, seen.address, Probe.of(answered.request), waits)
        self._open.clear()
        if not blind.words:
            return finding
        self._ledger.note(blind.words)
        self._leave_out_what_is_the_same(seen.settings, blind)
        yield Trouble(blind.words)
        return replace(finding, notes=(*finding.notes, blind.words))

    def _leave_out_what_is_the_same(self, found: LineSettings, blind: Blindness) -> None:
        """Ask once only what this port makes no difference between."""
        order = (found, *self._ledger.settings)
        stands_for = {s: next(o for o in order if blind.same(o, s)) for s in self._ledger.settings}
        if blind.baud and blind.parity:
            # Whatever is set, the same goes out: to ask at one setting is to ask at all.
            self.schedule = self.schedule.without(lambda s: stands_for[s.settings] != s.settings)
        else:
            self._drop(lambda s: stands_for[s.settings] != s.settings, "because this port makes no difference there")

    def _drop(self, pick: Callable[[Sweep], bool], why: str) -> None:
        self._ledger.drop((s for s in self.schedule.sweeps if pick(s)), why)
        self.schedule = self.schedule.without(pick)

"""From replies to findings: what each reply of a sweep means, and what to ask because of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterator
from dataclasses import replace

from busprobe.line.exchange import Echo, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict, judge
from busprobe.modbus.requests import Request
from busprobe.modbus.traffic import Frame, sound_frames
from busprobe.survey.asking import Asking, Listening
from busprobe.survey.control import Blindness, blindness
from busprobe.survey.events import Event, Found, Heard, Trouble
from busprobe.survey.examine import CLOSE_LOOK, Examination, look_closely
from busprobe.survey.experience import Experience
from busprobe.survey.findings import Evidence, Finding, Kind
from busprobe.survey.ledger import Ledger
from busprobe.survey.listen import who_asks_whom
from busprobe.survey.owed import Owed
from busprobe.survey.probes import LADDER, Probe
from busprobe.survey.schedule import MOST_ROUNDS, PATIENCE, Schedule, Sweep, may_miss, rounds_needed
from busprobe.survey.surroundings import (
    answer,
    can_answer,
    frames_besides,
    is_damaged,
    is_gateways_word,
    is_silence,
    is_unexplained,
    stray_bytes,
)
from busprobe.survey.troubles import Troubles
from busprobe.survey.voices import Voices

_MOST_SUSPECTS = 40
"""Requests sent again with patience after one sweep; more of them are noise."""
_PATIENT = Waits(reply=PATIENCE)
_APART = Waits(reply=0.15)
"""For asking suspects once more at another pace, so that a late reply does not meet a request of
ours again."""
_LONG_LOOK = replace(CLOSE_LOOK, reply=2 * PATIENCE)
_REPEAT = Waits(reply=0.25)
_REPEATS = 2
_STRAY = 2
"""Bytes that pulses do not explain."""
_EVERYWHERE = "because one unit answers every address"
_ONCE_AND_LATE = (
    "It answered one request, late, and nothing when asked again: noise, a bad contact, or a unit"
    " that sleeps."
)
_UNREADABLE = (
    "Somebody is there who cannot be read for sure: what spoils these replies can hide other units."
    " Clear that up, then survey again."
)
_BEGINS_WELL = (Verdict.CRC_BAD_HEAD_OK, Verdict.CRC_SWAPPED)


class Inquiry:
    """What is being found out, and the schedule that changes with it."""

    def __init__(self, line: Line, ledger: Ledger, schedule: Schedule) -> None:
        self.schedule = schedule
        self.experience = Experience()
        self._line = line
        self._ledger = ledger
        self._owed = Owed()
        self._troubles = Troubles(line, ledger, self.experience, self._owed)
        self._strangers: deque[Frame] = deque()
        self._under_way: set[tuple[LineSettings, int]] = set()
        """Where something was heard that is being followed up."""
        self._second_looks: set[tuple[LineSettings, int]] = set()
        self._voices = Voices(line, ledger)

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
            self._owed.forget()
            self._line.apply(settings)

    def next(self) -> Iterator[Event]:
        """Send the next probe of the schedule, unless it need not be sent, and draw the
        conclusions."""
        sweep = self.schedule.sweeps[0]
        address = sweep.addresses[0]
        if self._ledger.was_asked(sweep, address):
            self.schedule = self.schedule.advanced()
            return
        self.switch(sweep.settings)
        wait = self.experience.pace.wait(sweep.probe)
        reply = yield from self.ask(sweep.probe.request(address), Waits(reply=wait))
        self._ledger.asked(sweep, address, wait)
        self.schedule = self.schedule.advanced()
        yield from self._weigh(reply)

    @property
    def unfinished(self) -> set[tuple[LineSettings, int]]:
        """Where something was heard that was not followed up to its end."""
        here = self._line.settings
        suspects = {(here, request.address) for group in self._owed.suspects for request in group}
        strangers = {
            (here, frame.address)
            for frame in self._strangers
            if frame.address in self._ledger.addresses
        }
        return {
            at for at in self._under_way | suspects | strangers if at not in self._ledger.findings
        }

    @property
    def awaited(self) -> set[tuple[LineSettings, int]]:
        """Where a late reply may still come from."""
        recent = self._owed.since(self._line.clock.now() - PATIENCE)
        return {
            (self._line.settings, request.address) for request in recent
        } - self._ledger.findings.keys()

    def ask(self, request: Request, waits: Waits) -> Generator[Event, None, Reply]:
        """One exchange with its event; raises `PortError`."""
        yield Asking.of(request, self._line.settings, waits)
        exchange = self._line.exchange(request, waits)
        reply = judge(request, exchange)
        self._owed.book(request, exchange, answered=reply.present)
        self._ledger.exchanges += 1
        self._ledger.echoes += exchange.echo is Echo.FULL
        if answer(reply) and is_silence(reply):
            yield from self._troubles.pulse()
        elif answer(reply):
            self._ledger.heard = True
        return reply

    def end_sweep(
        self, sweep: Sweep, *, changes: bool, unwanted: Callable[[], object]
    ) -> Iterator[Event]:
        """Ask the suspects again; before the settings change, wait for late replies.

        As soon as `unwanted` says so the rest is left out, and stays `unfinished`.
        """
        for waits, most in (
            (_APART, max(_MOST_SUSPECTS, len(self._ledger.addresses))),
            (_PATIENT, _MOST_SUSPECTS),
        ):
            if self._owed.suspects and not unwanted():
                patient = Waits(reply=max(waits.reply, self.experience.pace.least))
                yield from self._ask_suspects(sweep.settings, patient, most, unwanted)
                changes = changes or waits is _APART
            if changes and not sweep.foretaste and not unwanted():
                yield from self._wait_for_late_replies()
                changes = False
        if not unwanted():
            self._owed.take_suspects()  # asked with patience, and still nobody owned up: noise

    def _ask_suspects(
        self, settings: LineSettings, waits: Waits, most: int, unwanted: Callable[[], object]
    ) -> Iterator[Event]:
        groups = self._owed.take_suspects()
        asked: set[bytes] = set()
        for number, group in enumerate(groups):
            for request in reversed(group):
                if self._is_known(settings, {r.address for r in group}) or len(asked) >= most:
                    break  # whose bytes they were has been found out; or it is noise
                if unwanted():
                    self._owed.suspects += groups[number:]
                    return
                if (
                    request.frame not in asked
                ):  # a unit may answer one request of several to its address
                    asked.add(request.frame)
                    reply = yield from self.ask(request, waits)
                    yield from self._weigh(reply)

    def _wait_for_late_replies(self) -> Iterator[Event]:
        yield Listening(self._line.settings, PATIENCE)
        for frame in sound_frames(self._line.listen(PATIENCE).data):
            yield from self._credit(frame, frame.address)

    def insist(self) -> bool:
        """Where units were seen to miss requests, plan as many more rounds as it takes; whether
        there are any."""
        before = self.schedule
        for settings, (lost, asked) in self.experience.losses.items():
            more = self.schedule.repeated(settings, rounds_needed(lost, asked))
            if more is not self.schedule:
                self.schedule = more.less(self._ledger.was_asked)
            if may_miss(lost, asked):
                self._ledger.note(
                    f"At {settings} so many requests to units that are there bring no sound reply"
                    f" that even asked {MOST_ROUNDS} times a unit can be missed: mend the pair,"
                    " then survey again."
                )
        self.experience.losses.clear()
        return self.schedule is not before

    def conclude(self) -> Iterator[Event]:
        """Book what only the whole of the replies shows."""
        yield from self._voices.conclude()
        unsure = [f for f in self._ledger.findings.values() if f.kind is Kind.UNSURE]
        if any(finding.settings not in self._voices.places for finding in unsure):
            self._ledger.note(_UNREADABLE)

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
        at = reply.exchange.settings, reply.request.address
        if reply.exchange.received:
            self._under_way.add(at)
        yield from self._draw_conclusions(reply)
        self._under_way.discard(at)

    def _draw_conclusions(self, reply: Reply) -> Iterator[Event]:
        self._strangers.extend((yield from self._troubles.flood(reply)))
        if self._ledger.stuck:
            return
        if reply.exception in GATEWAY_EXCEPTIONS:
            yield from self._troubles.gateway()
        yield from self._troubles.echo(reply)
        frames = frames_besides(reply)
        if reply.verdict is Verdict.FOREIGN:
            frames.append(Frame(reply.frame))
        if self._voices.is_unit(reply) or (reply.verdict in _BEGINS_WELL and not is_silence(reply)):
            yield from self._look(reply.request.address)
        elif is_unexplained(reply) or (
            stray_bytes(reply.exchange.leftover) >= _STRAY and not frames
        ):
            yield from self._ask_again(reply)
        self._strangers.extend(frames)
        while self._strangers:
            yield from self._credit(self._strangers.popleft(), reply.request.address)

    def _ask_again(self, reply: Reply) -> Iterator[Event]:
        """Bytes came that make no frame: somebody at this address, a late reply cut in pieces, or
        noise."""
        since = reply.exchange.ended - PATIENCE
        for _ in range(_REPEATS):
            again = yield from self.ask(reply.request, _REPEAT)
            self._strangers.extend((yield from self._troubles.flood(again)))
            if self._ledger.stuck:
                return
            if again.present or is_damaged(again):
                yield from self._look(reply.request.address)
                break
        else:
            self._owed.suspect(since)
        if not self._is_known(reply.exchange.settings, {reply.request.address}):
            self._ledger.noise_bytes += len(reply.exchange.leftover + reply.exchange.received)

    def _is_known(self, settings: LineSettings, addresses: set[int]) -> bool:
        """Whether somebody was found at one of `addresses`."""
        return any((settings, address) in self._ledger.findings for address in addresses)

    def _credit(self, frame: Frame, asked: int) -> Iterator[Event]:
        """A sound frame that answers nothing just asked: a late reply, a second unit, or another
        master's business."""
        settings = self._line.settings
        owed = self._owed.settle(frame)
        if is_gateways_word(frame):
            yield from self._troubles.gateway(
                0.0 if owed is None else self._line.clock.now() - owed[0]
            )
            return
        if any(can_answer(frame, probe.request(frame.address)) for probe in LADDER):
            # Perhaps a unit that is late; perhaps one that answers under another address than it is
            # asked at.
            for address, waits in ((frame.address, _LONG_LOOK), (asked, CLOSE_LOOK)):
                at = settings, address
                if at not in self._second_looks:
                    self._second_looks.add(at)
                    yield from self._look(address, waits)
                if at in self._ledger.findings or at in self._ledger.aliases:
                    return
        if owed is not None:
            # A reply to a question of ours is no other master's, even where noise spoils all that
            # follow.
            evidence = Evidence(owed[1].frame, frame.data, f"{owed[1].words} → late: {frame.words}")
            finding = Finding(
                frame.address, settings, Kind.UNSURE, None, (evidence,), (_ONCE_AND_LATE,)
            )
            yield from self._book(finding)
            return
        yield from self.other_master(
            f"Another master talks at {settings}: {who_asks_whom([frame])}."
        )

    def _look(self, address: int, waits: Waits = CLOSE_LOOK) -> Iterator[Event]:
        """Look closely at an address where something was heard, and book what is there."""
        settings = self._line.settings
        if address not in self._ledger.addresses:
            words = (
                f"Unit {both_forms(address)} answered at {settings}, though it was not to be asked."
            )
            if self._ledger.note(words):
                yield Trouble(words)
            return
        self._under_way.add((settings, address))
        yield from self._look_at(address, waits)
        self._under_way.discard((settings, address))

    def _look_at(self, address: int, waits: Waits) -> Iterator[Event]:
        yield from self._await_late_replies(address, everybodys=waits is _LONG_LOOK)
        before = self._line.clock.now() - PATIENCE
        begun = self._line.clock.now()
        repeats = 1 if waits is _LONG_LOOK else 3
        seen = yield from look_closely(
            self._line, address, waits=waits, repeats=repeats, noisy=self._ledger.noisy
        )
        if seen.clean and waits is CLOSE_LOOK:
            self.experience.looked(self._line.clock.now() - begun)
        self._strangers.extend(seen.foreign)
        if seen.kind is Kind.UNIT and any(is_damaged(r) for r in seen.replies):
            # What spoilt them may have been the late reply of somebody asked just before.
            self._owed.suspect(before)
        if seen.kind is Kind.SILENT:
            return
        yield from self._control(seen)
        finding = self._voices.finding(seen)
        if finding is None:
            return
        if (
            self._ledger.blindness is None
            and finding.kind is Kind.UNIT
            and len(self._ledger.settings) > 1
        ):
            finding = yield from self._check_port(seen, finding)
        yield from self._book(finding)
        self.experience.learn(seen)
        yield from self._troubles.hand_over()

    def _await_late_replies(self, address: int, *, everybodys: bool) -> Iterator[Event]:
        """Let replies pass that a slow unit still owes to earlier requests, so that they are not
        taken for others.

        Where one unit is slow others may be: what they owe cuts its replies short, and the next
        comes one too late.
        """
        asked, last = self._owed.last_asked(address), self._owed.last
        until = 0.0 if asked is None else asked + 2 * PATIENCE
        if everybodys and last is not None:
            until = max(until, last + PATIENCE)
        if until > self._line.clock.now():
            yield Listening(self._line.settings, until - self._line.clock.now())
            left = max(0.0, until - self._line.clock.now())  # it may have been held meanwhile
            frames = sound_frames(self._line.listen(left).data)
            self._strangers.extend(frame for frame in frames if frame.address != address)

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
            seen = yield from look_closely(self._line, finding.address)
            self.switch(settings)
            if seen.kind is finding.kind:
                yield from self._book(seen.finding())
                yield from self._book(finding)
                return
        self._ledger.findings[settings, finding.address] = finding
        if settings not in self._ledger.impostors:
            self.schedule = self.schedule.promoted(settings).deepened(settings)
        self.schedule = self.schedule.spared(settings, finding.address)
        yield Found(finding)

    def _one_stop_bit_less(self, settings: LineSettings) -> LineSettings | None:
        """The likelier setting at which a unit found at `settings` answers too, if it is searched
        as well."""
        less = replace(settings, stop_bits=1)
        return less if settings.stop_bits == 2 and less in self._ledger.settings else None

    def _same(self, one: LineSettings, other: LineSettings) -> bool:
        """Whether a unit at `one` is heard at `other` too: a second stop bit is idle line to most
        receivers."""
        stop_bits_only = (
            one.baud == other.baud
            and one.parity is other.parity
            and one.data_bits == other.data_bits
        )
        return stop_bits_only or (
            self._ledger.blindness is not None and self._ledger.blindness.same(one, other)
        )

    def _control(self, seen: Examination) -> Iterator[Event]:
        """Look whether somebody answers everywhere, and leave out what that makes pointless."""
        who = yield from self._voices.control(seen)
        if who is None:
            return
        self._ledger.note(f"{seen.settings}: {who.words}")
        yield Trouble(self._ledger.notes[-1])
        if who.voice is None:
            self._ledger.impostors.add(seen.settings)
            self.drop_setting(seen.settings, _EVERYWHERE)

    def _check_port(self, seen: Examination, finding: Finding) -> Generator[Event, None, Finding]:
        """The first unit of all: does the port apply what it is told?"""
        answered = next(r for r in seen.replies if r.present)
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * (finding.latency or 0.0))))
        blind = yield from blindness(self._line, seen.address, Probe.of(answered.request), waits)
        self._ledger.blindness = blind
        self._owed.forget()
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
            self._drop(
                lambda s: stands_for[s.settings] != s.settings,
                "because this port makes no difference there",
            )

    def _drop(self, pick: Callable[[Sweep], bool], why: str) -> None:
        self._ledger.drop((s for s in self.schedule.sweeps if pick(s)), why)
        self.schedule = self.schedule.without(pick)

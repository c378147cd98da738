"""The survey: who is on this pair, at which settings and addresses, and where do two share one?"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from busprobe.errors import PortError
from busprobe.line.exchange import Echo, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import Function, Request
from busprobe.modbus.traffic import Frame, sound_frames
from busprobe.profiles.plan import fingerprint_blocks
from busprobe.profiles.schema import Profile
from busprobe.survey.analysis import can_answer, frames_besides, is_damaged, is_silence, is_unexplained, stray_bytes
from busprobe.survey.control import Blindness, blindness, impostor
from busprobe.survey.events import Asking, Event, Finished, Found, Heard, Progress, Started, Trouble
from busprobe.survey.examine import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.ledger import Ledger
from busprobe.survey.listen import listen, who_asks_whom
from busprobe.survey.probes import LADDER, Probe
from busprobe.survey.result import Earlier, SurveyResult
from busprobe.survey.schedule import PATIENCE, Pace, Schedule, Sweep

_LISTEN_FIRST = 2.0
"""Seconds of listening before the first probe; the technician may listen longer before the survey."""
_LATE_FOR = 3.0
"""Seconds for which a frame from an address that was asked may be its late reply."""
_MOST_SUSPECTS = 40
"""Addresses asked again with patience after one sweep; more of them are noise."""
_PATIENT = Waits(reply=PATIENCE)
_LONG_LOOK = replace(CLOSE_LOOK, reply=2 * PATIENCE)
_REPEAT = Waits(reply=0.25)
_REPEATS = 2
_STRAY = 2
"""Bytes that are more than the trace of an adapter's turn-round."""
_SLOW = 0.3
"""Seconds from which a unit is slow, and no measure for the others."""
_LISTEN_AT = 7
"""Further settings to listen at when bytes make no frames."""
_TELL_EVERY = 8
"""Probes from one word of progress to the next."""
_EVERYWHERE = "because one unit answers every address"
_BEGINS_WELL = (Verdict.CRC_BAD_HEAD_OK, Verdict.CRC_SWAPPED)


class Survey:
    """One survey of a line; iterate over it for its events.

    `cancel`, `pause`, `unpause`, `skip_setting` and `go_on` may be called from any thread while it runs.  A failing
    port does not raise: it ends the survey with what was found so far.
    """

    def __init__(
        self,
        line: Line,
        settings: Sequence[LineSettings],
        addresses: Collection[int],
        *,
        expect: int | None = None,
        profiles: Iterable[Profile] = (),
        resume: Mapping[str, Any] | None = None,
        listen_first: float = _LISTEN_FIRST,
    ) -> None:
        """Search `addresses` at each of `settings`, which come in order of likelihood.

        With `expect` it stops when so many units are found.  `resume` is the progress document of an interrupted
        survey; raises `UsageError` if it is none.
        """
        profiles = tuple(profiles)
        self._line = line
        self._ledger = Ledger(tuple(settings), tuple(sorted(addresses)), expect)
        self._schedule = Schedule.plan(settings, addresses, (p.factory.address for p in profiles), _suggested(profiles))
        if resume is not None:
            self._resume(Earlier.read(resume))
        self._pace = Pace()
        self._started = line.clock.now()
        self._listen_first = listen_first
        self._controlled: set[LineSettings] = set()
        self._open: deque[tuple[float, Request]] = deque()
        self._second_looks: set[tuple[LineSettings, int]] = set()
        self._strangers: deque[Frame] = deque()
        self._slowest = 0.0
        self._stuck = False
        self._suspects: dict[bytes, Request] = {}
        self._cancelled = threading.Event()
        self._running = threading.Event()
        self._running.set()
        self._skip = threading.Event()
        self._despite_master = threading.Event()

    def cancel(self) -> None:
        """End the survey before its next request; the result says what was not tested."""
        self._cancelled.set()
        self._running.set()

    def pause(self) -> None:
        """Hold before the next request until `unpause`."""
        self._running.clear()

    def unpause(self) -> None:
        """Go on after `pause`."""
        self._running.set()

    def skip_setting(self) -> None:
        """Leave the rest of the present line settings out."""
        self._skip.set()

    def go_on(self) -> None:
        """Survey although another master talks: whoever calls this has asked the technician."""
        self._despite_master.set()

    def so_far(self) -> SurveyResult:
        """What a survey under way has shown: its progress document is what to go on from after a crash."""
        return self._result(complete=False)

    def __iter__(self) -> Iterator[Event]:
        self._started = self._line.clock.now()
        failure = None
        why = ""
        try:
            why = yield from self._run()
        except PortError as error:
            failure = error
            why = "because the port failed"
            yield Trouble(str(error))
        self._ledger.drop(self._schedule.sweeps, why)
        yield Finished(self._result(complete=not self._ledger.dropped and failure is None, failure=failure))

    def _result(self, *, complete: bool, failure: PortError | None = None) -> SurveyResult:
        return self._ledger.result(
            seconds=self._line.clock.now() - self._started,
            complete=complete,
            echo=self._line.echo is Echo.FULL,
            failure=failure,
        )

    def _resume(self, earlier: Earlier) -> None:
        self._ledger.resume(earlier)
        for finding in earlier.findings:
            self._schedule = self._schedule.promoted(finding.settings).deepened(finding.settings)
        self._schedule = self._schedule.less(self._ledger.was_asked)
        for settings in earlier.impostors:
            self._drop_setting(settings, _EVERYWHERE)
        if earlier.blindness is not None and earlier.findings:
            self._leave_out_what_is_the_same(earlier.findings[0].settings, earlier.blindness)

    def _run(self) -> Generator[Event, None, str]:
        """The survey itself; returns why something is left, if something is."""
        yield Started(self._ledger.settings, self._ledger.addresses, self._estimate())
        yield from self._listen_before_asking()
        last: Sweep | None = None
        while (sweep := self._schedule.head) is not None:
            self._running.wait()
            if why := self._reason_to_stop():
                return why
            if self._skip.is_set():
                self._skip.clear()
                self._drop_setting(sweep.settings, "because it was skipped")
                continue
            if last is not None and (last.settings, last.probe) != (sweep.settings, sweep.probe):
                yield from self._end(last, changes=last.settings != sweep.settings)
                last = None
                continue
            self._schedule = self._schedule.advanced()
            address = sweep.addresses[0]
            if self._ledger.was_asked(sweep, address):
                continue
            self._switch(sweep.settings)
            last = sweep
            reply = yield from self._ask(sweep.probe, address, Waits(reply=self._pace.wait(sweep.probe)))
            yield from self._weigh(reply)
            if self._schedule.probes_left % _TELL_EVERY == 0:
                yield self._progress()
        if last is not None:
            yield from self._end(last, changes=True)
        yield from self._check_again()
        self._conclude()
        return self._reason_to_stop()

    def _reason_to_stop(self) -> str:
        if self._cancelled.is_set():
            return "because the survey was cancelled"
        if self._stuck:
            return "because the pair is never quiet"
        if self._ledger.other_master and not self._despite_master.is_set():
            return "because another master talks on this pair"
        expect = self._ledger.expect
        if expect is not None and self._ledger.count >= expect:
            return f"because all {expect} expected units were found"
        return ""

    def _listen_before_asking(self) -> Iterator[Event]:
        first, *others = self._ledger.settings
        self._switch(first)
        heard = listen(self._line, self._listen_first, others[:_LISTEN_AT])
        self._ledger.noise_bytes += heard.noise_bytes
        if heard.frames:
            yield from self._other_master(heard.words)
        elif not heard.quiet:
            self._stuck = heard.stuck
            self._ledger.note(heard.words)
            yield Trouble(heard.words)

    def _switch(self, settings: LineSettings) -> None:
        if settings != self._line.settings:
            self._open.clear()
            self._line.apply(settings)

    def _ask(self, probe: Probe, address: int, waits: Waits) -> Generator[Event, None, Reply]:
        request = probe.request(address)
        yield Asking(self._line.settings, address, request.words, request.frame, waits)
        exchange = self._line.exchange(request, waits)
        reply = judge(request, exchange)
        self._ledger.asked(self._line.settings, probe, address, waits.reply)
        while self._open and self._open[0][0] < exchange.ended - _LATE_FOR:
            self._open.popleft()
        if not reply.present:
            self._open.append((exchange.sent, request))
        return reply

    def _weigh(self, reply: Reply) -> Iterator[Event]:
        """Draw the conclusions from one reply of a sweep."""
        frames = frames_besides(reply)
        if reply.verdict is Verdict.FOREIGN:
            frames.append(Frame(reply.frame))
        if reply.present or reply.verdict in _BEGINS_WELL:
            yield from self._look(reply.request.address)
        elif is_unexplained(reply) or (stray_bytes(reply.exchange.leftover) >= _STRAY and not frames):
            yield from self._ask_again(reply)
        self._strangers.extend(frames)
        while self._strangers:
            yield from self._credit(self._strangers.popleft(), reply.request.address)

    def _ask_again(self, reply: Reply) -> Iterator[Event]:
        """Bytes came that make no frame: somebody at this address, a late reply cut in pieces, or noise."""
        self._ledger.noise_bytes += len(reply.exchange.leftover + reply.exchange.received)
        for _ in range(_REPEATS):
            again = judge(reply.request, self._line.exchange(reply.request, _REPEAT))
            if again.present or stray_bytes(again.exchange.received) >= _STRAY:
                yield from self._look(reply.request.address)
                return
        self._suspect(reply.exchange.ended - PATIENCE)

    def _suspect(self, since: float) -> None:
        """Whoever was asked from clock time `since` on without a reply is asked again with patience."""
        for sent, request in self._open:
            if sent >= since and request.frame not in self._suspects:
                self._suspects[request.frame] = request

    def _credit(self, frame: Frame, asked: int) -> Iterator[Event]:
        """A sound frame that answers nothing just asked: a late reply, a second unit, or another master's business."""
        key = self._line.settings, frame.address
        if any(can_answer(frame, probe.request(frame.address)) for probe in LADDER):
            if key not in self._second_looks:
                self._second_looks.add(key)
                yield from self._look(frame.address, _LONG_LOOK)
            if key in self._ledger.findings or (self._line.settings, asked) in self._ledger.findings:
                return
            if (self._line.settings, asked) not in self._second_looks:
                self._second_looks.add((self._line.settings, asked))
                yield from self._look(asked)  # perhaps it answers under another address than it is asked at
                if (self._line.settings, asked) in self._ledger.findings:
                    return
        if not self._ledger.other_master:
            yield from self._other_master(f"Another master talks at {self._line.settings}: {who_asks_whom([frame])}.")

    def _other_master(self, words: str) -> Iterator[Event]:
        self._ledger.other_master = True
        self._ledger.note(words)
        yield Heard(words)

    def _look(self, address: int, waits: Waits = CLOSE_LOOK) -> Iterator[Event]:
        """Look closely at an address where something was heard, and book what is there."""
        settings = self._line.settings
        if address not in self._ledger.addresses:
            if self._ledger.note(f"Unit {both_forms(address)} answered at {settings}, though it was not to be asked."):
                yield Trouble(self._ledger.notes[-1])
            return
        yield Asking(settings, address, f"Look closely at {both_forms(address)}.", b"", waits)
        before = self._line.clock.now() - PATIENCE
        seen = examine(self._line, address, waits=waits)
        self._strangers.extend(seen.foreign)
        if any(is_damaged(r) for r in seen.replies):
            # What spoilt them may have been the late reply of somebody asked just before.
            self._suspect(before)
        if seen.kind is Kind.SILENT:
            return
        finding = seen.finding()
        if settings not in self._controlled:
            finding = yield from self._control(seen, finding)
        yield from self._book(finding)
        latency = seen.latency
        if latency is not None and latency.maximum < _SLOW:
            self._slowest = max(self._slowest, latency.maximum)
            self._pace = Pace().learnt(self._slowest)

    def _book(self, finding: Finding) -> Iterator[Event]:
        settings = finding.settings
        known = self._ledger.same_as(finding, (s for s in self._ledger.settings if self._same(s, settings)))
        if known is not None:
            self._schedule = self._schedule.demoted(settings)
            yield Found(self._ledger.also_at(known, settings))
            return
        self._ledger.findings[settings, finding.address] = finding
        self._schedule = self._schedule.promoted(settings).deepened(settings)
        yield Found(finding)

    def _same(self, one: LineSettings, other: LineSettings) -> bool:
        """Whether a unit at `one` is heard at `other` too: a second stop bit is idle line to most receivers."""
        stop_bits_only = one.baud == other.baud and one.parity is other.parity and one.data_bits == other.data_bits
        return stop_bits_only or (self._ledger.blindness is not None and self._ledger.blindness.same(one, other))

    def _control(self, seen: Examination, finding: Finding) -> Generator[Event, None, Finding]:
        """The first unit at a setting: does it answer everywhere, and does the port apply what it is told?"""
        settings = finding.settings
        self._controlled.add(settings)
        answered = next((r for r in seen.replies if r.present), None)
        if answered is None:
            return finding
        probe = Probe(answered.request.function, int.from_bytes(answered.request.frame[2:4], "big"))
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * (answered.exchange.latency or 0.0))))
        known = {address for at, address in self._ledger.findings if at == settings}
        everywhere = impostor(self._line, probe, waits, {*known, finding.address})
        if everywhere is not None:
            self._ledger.impostors.add(settings)
            self._drop_setting(settings, _EVERYWHERE)
            yield Trouble(f"{both_forms(finding.address)} at {settings}: {everywhere}")
            return replace(finding, kind=Kind.UNSURE, notes=(everywhere, *finding.notes))
        if self._ledger.blindness is None and finding.kind is Kind.UNIT and len(self._ledger.settings) > 1:
            self._ledger.blindness = blindness(self._line, finding.address, probe, waits)
            self._open.clear()
            if words := self._ledger.blindness.words:
                self._ledger.note(words)
                self._leave_out_what_is_the_same(settings, self._ledger.blindness)
                yield Trouble(words)
                return replace(finding, notes=(*finding.notes, words))
        return finding

    def _leave_out_what_is_the_same(self, found: LineSettings, blind: Blindness) -> None:
        """Ask once only what this port makes no difference between."""
        if not (blind.baud or blind.parity):
            return
        order = (found, *self._ledger.settings)
        stands_for = {s: next(o for o in order if blind.same(o, s)) for s in self._ledger.settings}
        if blind.baud and blind.parity:
            # Whatever is set, the same goes out: to ask at one setting is to ask at all.
            self._schedule = self._schedule.without(lambda s: stands_for[s.settings] != s.settings)
        else:
            self._drop(lambda s: stands_for[s.settings] != s.settings, "because this port makes no difference there")

    def _drop_setting(self, settings: LineSettings, why: str) -> None:
        self._drop(lambda sweep: sweep.settings == settings, why)

    def _drop(self, pick: Callable[[Sweep], bool], why: str) -> None:
        self._ledger.drop((s for s in self._schedule.sweeps if pick(s)), why)
        self._schedule = self._schedule.without(pick)

    def _end(self, sweep: Sweep, *, changes: bool) -> Iterator[Event]:
        """After a sweep: ask the suspects with patience; before the settings change, wait for late replies."""
        suspects = list(self._suspects.values())[:_MOST_SUSPECTS]
        self._suspects.clear()
        for request in suspects:
            if (sweep.settings, request.address) not in self._ledger.findings and not self._reason_to_stop():
                yield Asking(sweep.settings, request.address, request.words, request.frame, _PATIENT)
                reply = judge(request, self._line.exchange(request, _PATIENT))
                if reply.present or reply.verdict in _BEGINS_WELL or is_unexplained(reply):
                    yield from self._look(request.address)
        if changes and not sweep.foretaste and not self._reason_to_stop():
            for frame in sound_frames(self._line.listen(PATIENCE).data):
                yield from self._credit(frame, frame.address)

    def _check_again(self) -> Iterator[Event]:
        """Units that locked up under the survey are told apart from those that were never there."""
        for finding in list(self._ledger.findings.values()):
            if finding.kind is not Kind.UNIT or self._reason_to_stop():
                continue
            self._switch(finding.settings)
            for probe in LADDER:
                reply = yield from self._ask(probe, finding.address, _PATIENT)
                if not is_silence(reply):
                    break
            else:
                note = "It answered at first and was silent at the end of the survey."
                changed = replace(finding, notes=(*finding.notes, note))
                self._ledger.findings[finding.settings, finding.address] = changed
                yield Found(changed)

    def _conclude(self) -> None:
        """What only the whole survey shows."""
        expect, count = self._ledger.expect, self._ledger.count
        if expect is not None and count < expect:
            self._ledger.note(
                f"{count} of {expect} expected units were found. Units of the same kind at the same address can answer "
                "as one: take units off one at a time and see whether the address falls silent."
            )
        if not self._ledger.findings and not self._ledger.noise_bytes:
            self._ledger.note(
                "Nobody answered and not one byte was heard: check the supply of the units, the two wires at both "
                "ends, and the adapter's own send and receive lamps."
            )

    def _estimate(self) -> float:
        return self._listen_first + self._schedule.seconds_left(self._pace)

    def _progress(self) -> Progress:
        sent, left = self._ledger.probes_sent, self._schedule.probes_left
        return Progress(sent, sent + left, self._schedule.seconds_left(self._pace))


def _suggested(profiles: Iterable[Profile]) -> Iterator[tuple[LineSettings, Probe, int]]:
    """Where a stored profile expects a unit that may be silent on all but its own registers."""
    for profile in profiles:
        for block in fingerprint_blocks([profile]):
            probe = Probe(Function(block.function), block.register)
            if probe not in LADDER:
                yield profile.factory.settings, probe, profile.factory.address

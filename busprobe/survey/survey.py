"""The survey: which units are on this bus, at which settings and addresses, and where do two
share one?"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from busprobe.errors import PortError, UsageError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.profiles.read_requests import fingerprint_blocks
from busprobe.profiles.schema import Profile, factories
from busprobe.survey import words
from busprobe.survey.close_look import Examination
from busprobe.survey.estimate import LISTEN_FIRST, Estimate, estimate
from busprobe.survey.events import (
    Event,
    Fault,
    Finished,
    FirstPassOver,
    Found,
    Identifying,
    Progress,
    Started,
)
from busprobe.survey.findings import (
    About,
    Finding,
    FirstPass,
    Kind,
    Reason,
    SurveyResult,
    Unfinished,
)
from busprobe.survey.identify import Identified
from busprobe.survey.interference import is_silence
from busprobe.survey.listen import listening
from busprobe.survey.probes import (
    LADDER,
    Asking,
    FurtherProbes,
    Listening,
    LookingQuickly,
    Probe,
)
from busprobe.survey.schedule import Schedule, Sweep
from busprobe.survey.search import Search
from busprobe.survey.state import SurveyState
from busprobe.survey.waits import PATIENCE

Identify = Callable[[Place, Examination | None], Identified]
"""Asks the unit at a place, at the line's present settings, what it is and reads its values; given
the close look that this survey took at it, if it did.  Raises `PortError` if the port fails."""

_LISTEN_AT = 7
"""Further settings to listen at when bytes make no frames."""
_NOISY = 16
"""Bytes from which it is said: two frames' worth."""
_MORE_THAN_A_CLICK = 4
"""Bytes heard without a request from which the bus counts as noisy."""
_TO_WAKE = 3
"""Requests that wake a unit that dozes."""
_BETWEEN = 0.25
"""Seconds from one of them to the next."""
_TELL_EVERY = 8
"""Probes from one word of progress to the next."""


class Survey:
    """One survey of a line; iterate over it for its events.

    `cancel`, `pause`, `unpause`, `skip_setting`, `only_where_found`, `stop_here` and `go_on` may be
    called from any thread while it runs.  A failing port does not raise: it ends the survey with
    what was found so far.
    """

    def __init__(
        self,
        line: Line,
        settings: Sequence[LineSettings],
        addresses: Collection[int],
        *,
        expect: int | None = None,
        profiles: Iterable[Profile] = (),
        also: Iterable[Probe] = (),
        identify: Identify | None = None,
        resume: Mapping[str, Any] | None = None,
        listen_first: float = LISTEN_FIRST,
        quick_look: bool = True,
        further: bool = True,
    ) -> None:
        """Search `addresses` at each of `settings`, which come in order of likelihood.

        With `expect` it stops when so many units are found.  A unit is matched against `profiles`
        as it is found, as far as it says what it is; `identify` is called for each at the end, for
        all that it says and its values.  Addresses that stay silent are asked last of all by the
        probes of `also` and, unless `further` says otherwise, for coils, inputs and registers of
        `profiles`, which come with the likeliest first.  Several settings are searched after a
        `quick_look` at each, where the line is quiet.  `resume` is the progress document of an
        interrupted survey; raises `UsageError` if it is none.  What the port cannot carry is left
        out; raises `UsageError` if nothing is left.
        """
        if not any(map(line.carries, settings)):
            raise UsageError(
                words.none_carried(line.name, settings), todo="Name line settings without parity."
            )
        profiles = tuple(profiles)
        factory = (factory.address for factory in factories(profiles))
        self._line = line
        self._state = SurveyState(tuple(settings), tuple(sorted(addresses)), expect)
        last = FurtherProbes.of(profiles, also, only_named=not further)
        schedule = Schedule.plan(
            settings,
            addresses,
            factory,
            _suggested(profiles),
            last.probes,
            quick_look=quick_look,
        )
        self._identify = identify
        self._profiles_left_out = last.profiles_left_out
        self._search = Search(line, self._state, schedule, profiles)
        if resume is not None:
            self._state.resume(SurveyResult.from_progress(resume))
            self._search.resume()
        for each in settings:
            if not line.carries(each):
                self._search.drop_setting(each, Reason.NOT_CARRIED)
        self._started = line.clock.now()
        self._listen_first = listen_first
        self._cancelled = threading.Event()
        self._pause = PauseSwitch()
        self._paused_seconds = 0.0
        self._skip = threading.Event()
        self._only_where_found = threading.Event()
        self._enough = threading.Event()
        self._despite_master = threading.Event()

    def cancel(self) -> None:
        """End the survey before anything else is sent; the result says what was not tested."""
        self._cancelled.set()
        self._pause.resume()

    def pause(self) -> None:
        """Wait before the next request until `unpause`."""
        self._pause.pause()

    def is_paused(self) -> bool:
        """Whether it waits, or will."""
        return self._pause.on

    def wait_until_paused(self) -> None:
        """Come back when a paused survey uses the line no more, or is over; for the thread that
        wants to use it.

        Before it goes on it sets the line as it was.
        """
        self._pause.wait_until_paused()

    def unpause(self) -> None:
        """Go on after `pause`."""
        self._pause.resume()

    def skip_setting(self) -> None:
        """Leave the rest of the present line settings out; during the quick look all that is left
        of it, and while only further probes are left all of them."""
        self._skip.set()

    def only_where_found(self) -> None:
        """Leave the line settings out at which nothing was found."""
        self._only_where_found.set()

    def stop_here(self) -> None:
        """End the search; the units found are still read."""
        self._enough.set()

    def go_on(self) -> None:
        """Survey although another master talks: whoever calls this has asked the technician."""
        self._despite_master.set()

    def so_far(self) -> SurveyResult:
        """What a survey under way has shown: its progress document is what to go on from after a
        crash.

        Who may still reply late, or was heard and not looked at yet, does not count as asked.
        """
        return self._result(complete=False, pending=self._search.unfinished | self._search.awaited)

    def __iter__(self) -> Iterator[Event]:
        self._started = self._line.clock.now()
        failure = None
        reason = None
        try:
            reason = yield from self._passed_on(self._run())
        except PortError as error:
            failure = error
            reason = Reason.PORT_FAILED
        finally:
            self._pause.end()
        if reason is not None:
            self._state.shown = replace(self._state.shown, ended=reason)
            self._state.drop(self._search.schedule.sweeps, reason)
            unfinished = self._search.unfinished
            self._state.leave_open(unfinished, Unfinished.CLOSE_LOOK, reason)
            self._state.leave_open(self._search.awaited - unfinished, Unfinished.LATE_REPLY, reason)
        complete = not self._state.shown.untested and failure is None
        yield Finished(self._result(complete=complete, failure=failure))

    @property
    def _seconds(self) -> float:
        return self._line.clock.now() - self._started - self._paused_seconds

    def _result(
        self,
        *,
        complete: bool,
        failure: PortError | None = None,
        pending: Collection[Place] = (),
    ) -> SurveyResult:
        return self._state.result(
            seconds=self._seconds,
            complete=complete,
            failure=failure,
            pending=pending,
        )

    def _passed_on(
        self, steps: Generator[Event, None, Reason | None]
    ) -> Generator[Event, None, Reason | None]:
        """Pass the events of `steps` on; before each exchange wait while paused, and end it there
        when cancelled."""
        while True:
            try:
                event = next(steps)
            except StopIteration as done:
                reason: Reason | None = done.value
                return reason
            yield event
            if isinstance(event, Asking | LookingQuickly | Listening | Identifying):
                self._wait_while_paused(event.settings)
                if self._cancelled.is_set():
                    steps.close()
                    return Reason.CANCELLED

    def _wait_while_paused(self, settings: LineSettings) -> None:
        """Wait while paused; another task may use the line meanwhile."""
        if not self._pause.on:
            return
        begun = self._line.clock.now()
        self._pause.wait_while_paused()
        self._paused_seconds += self._line.clock.now() - begun
        self._line.apply(settings)

    def _run(self) -> Generator[Event, None, Reason | None]:
        """The survey itself; returns why something is left, if something is."""
        reason = yield from self._search_all()
        if reason is Reason.ALL_FOUND:
            self._state.note(About.COUNT, words.as_many_as_expected(self._state.count))
        if reason in (None, Reason.ALL_FOUND, Reason.ENOUGH) and not self._state.shown.other_master:
            yield from self._identify_all()
        return reason

    def _search_all(self) -> Generator[Event, None, Reason | None]:
        search, shown = self._search, self._state.shown
        yield Started(
            shown.settings, shown.addresses, self._left(search.schedule).after(self._listen_first)
        )
        yield from self._listen_before_asking()
        last: Sweep | None = None
        step = 0
        while True:
            if reason := self._reason_to_stop():
                return reason
            if self._only_where_found.is_set() and self._state.findings:
                self._only_where_found.clear()
                search.drop_where_nothing_was_found()
            sweep = search.schedule.head
            if last is not None and (sweep is None or not last.goes_on_as(sweep)):
                changes = sweep is None or last.settings != sweep.settings
                yield from search.end_sweep(last, changes=changes, unwanted=self._reason_to_stop)
                last = None
            elif self._is_first_pass_over:
                yield self._first_pass_over()
            elif sweep is None:
                if not search.plan_more_rounds():
                    break
            elif self._state.shown.other_master and not search.rhythm_learnt:
                search.switch(sweep.settings)
                yield from search.learn_rhythm()
                yield self._progress()
            elif last is None and search.schedule.quick_look_is_due:
                yield from search.look_quickly(self._is_quick_look_unwanted)
                if self._skip.is_set():
                    self._skip.clear()
                    search.schedule = search.schedule.without_quick_looks()
                yield self._progress()
            elif self._skip.is_set():
                self._skip.clear()
                search.skip(sweep)
            else:
                yield from search.next()
                last = sweep
                step += 1
                if step % _TELL_EVERY == 0:
                    yield self._progress()
        yield self._progress()
        yield from search.conclude()
        yield from self._check_again()
        self._conclude()
        return self._reason_to_stop()

    @property
    def _is_first_pass_over(self) -> bool:
        """Whether it has not been told yet that the first pass is over."""
        if self._state.shown.first_pass is not None or not self._state.findings:
            return False
        schedule = self._search.schedule
        return bool(schedule.sweeps) and not schedule.in_first_pass(self._search.settings_found)

    def _first_pass_over(self) -> FirstPassOver:
        """Tell it, with what there is to choose from."""
        seconds = self._state.shown.seconds + self._seconds
        first_pass = FirstPass(len(self._state.findings), round(seconds, 1))
        self._state.shown = replace(self._state.shown, first_pass=first_pass)
        schedule, found = self._search.schedule, self._search.settings_found
        where_found = schedule.without(lambda sweep: sweep.settings not in found)
        less = None if where_found == schedule else self._left(where_found)
        return FirstPassOver(first_pass, self._left(schedule), less)

    def _reason_to_stop(self) -> Reason | None:
        if self._cancelled.is_set():
            return Reason.CANCELLED
        if self._enough.is_set():
            return Reason.ENOUGH
        if self._state.stuck:
            return Reason.NEVER_QUIET
        if self._state.shown.other_master and not self._despite_master.is_set():
            return Reason.OTHER_MASTER
        if self._state.crowded:
            return Reason.NO_PAUSE
        expect = self._state.shown.expect
        if expect is not None and self._state.count >= expect:
            return Reason.ALL_FOUND
        return None

    def _is_quick_look_unwanted(self) -> bool:
        return self._skip.is_set() or self._reason_to_stop() is not None

    def _listen_before_asking(self) -> Iterator[Event]:
        first, *others = filter(self._line.carries, self._state.shown.settings)
        self._search.switch(first)
        heard = yield from listening(self._line, self._listen_first, others[:_LISTEN_AT])
        if len(heard.frames) == 1:
            # It may be a slow unit's late reply to an earlier request; a master asks again.
            heard = yield from listening(self._line, self._listen_first, others[:_LISTEN_AT])
        if heard.frames:
            yield from self._search.other_master(heard.settings, heard.frames)
        elif not heard.quiet:
            self._search.schedule = self._search.schedule.without_quick_looks()
            self._state.stuck = heard.stuck
            noisy = heard.noise_bytes >= _MORE_THAN_A_CLICK
            if noisy and not heard.stuck:
                yield from self._search.listen_for_others()
            if not self._search.rhythm_learnt and not self._state.shown.other_master:
                self._state.noisy = noisy
                self._state.add_noise(heard.noise_bytes)
                self._state.note(About.LISTENING, heard.words)
                yield Fault(heard.words)

    def _check_again(self) -> Iterator[Event]:
        """Units that locked up under the survey are told apart from those that were never there;
        second units that reply late are heard once more.

        Where no unit answers any more the bus may have been cut at any time: silence since then
        says nothing.
        """
        state = self._state
        silent: set[Place] = set()
        answered = False
        for settings in state.shown.settings:
            units = [
                (at, finding)
                for at, finding in state.findings.items()
                if at.settings == settings and finding.kind is Kind.UNIT
            ]
            for at, finding in units:
                if self._reason_to_stop():
                    return
                self._search.switch(settings)
                if (yield from self._answers(at)):
                    answered = True
                else:
                    silent.add(at)
                changed = finding.at_end(silent=at in silent)
                if changed != finding:
                    state.findings[at] = changed
                    yield Found(changed)
            yield from self._search.look_where_heard_once(settings)
            if units:
                yield from self._search.wait_for_late_replies()
        state.leave_open(silent, Unfinished.REPLY_AT_END, Reason.SILENT_AT_END)
        if silent and not answered:
            others = {
                Place(a, s) for s in state.shown.settings for a in state.shown.addresses
            } - state.findings.keys()
            state.leave_open(others, Unfinished.WORKING_BUS, Reason.ALL_SILENT_AT_END)

    def _answers(self, at: Place) -> Generator[Event, None, bool]:
        """Whether anything comes back from a unit that is known."""
        for probe, wait in self._at_end(at):
            reply = yield from self._search.ask(probe.request(at.address), Waits(reply=wait))
            if not is_silence(reply):
                return True
        return False

    def _at_end(self, at: Place) -> Iterator[tuple[Probe, float]]:
        """How a unit is asked once more, with the seconds waited for a reply.

        What it answered before comes first; several times in quick succession, since it may doze.
        """
        seen = self._state.seen.get(at)
        replies = () if seen is None else seen.replies
        answered = [Probe.of(r.request) for r in replies if r.present] or LADDER
        yield from ((probe, _BETWEEN) for probe in [answered[0]] * _TO_WAKE)
        yield from ((probe, PATIENCE) for probe in dict.fromkeys((*answered, *LADDER)))

    def _identify_all(self) -> Iterator[Event]:
        """Let each unit that was not read yet be identified with its values."""
        if self._identify is None:
            return
        units = [
            finding
            for finding in self._state.findings.values()
            if finding.kind is Kind.UNIT and not finding.silent_at_end and not finding.readings
        ]
        units.sort(key=lambda finding: self._state.shown.settings.index(finding.settings))
        for number, finding in enumerate(units, 1):
            yield Identifying(finding.place, number, len(units))
            self._search.switch(finding.settings)
            identified = self._identify(finding.place, self._state.seen.get(finding.place))
            known = identified.add_to(finding)
            self._state.findings[finding.place] = known
            yield Found(known)
        yield from self._compare_serial_numbers()

    def _compare_serial_numbers(self) -> Iterator[Event]:
        """Units that give the same serial number may be one that answers at several addresses."""
        by_serial: defaultdict[tuple[str, ...], list[Finding]] = defaultdict(list)
        for finding in self._state.findings.values():
            said = finding.identity or {}
            if said.get("serial"):
                same = finding.settings, said["serial"], said.get("vendor"), said.get("product")
                by_serial[tuple(map(str, same))].append(finding)
        for findings in by_serial.values():
            for finding in findings:
                others = [one.address for one in findings if one is not finding]
                if others:
                    known = finding.noted(words.same_serial_number(others))
                    self._state.findings[finding.place] = known
                    yield Found(known)

    def _conclude(self) -> None:
        """What only the whole survey shows."""
        state = self._state
        if self._profiles_left_out:
            state.note(About.PROFILES, words.profiles_left_out(self._profiles_left_out))
        expect = state.shown.expect
        if expect is not None and state.count < expect:
            state.note(About.COUNT, words.fewer_than_expected(state.count, expect))
        noise = state.shown.noise_bytes
        if noise >= _NOISY or (noise and not state.findings):
            state.note(About.STRAY_BYTES, words.stray_bytes(noise))
        if not state.findings and not noise:
            heard = words.no_reply(pulses=bool(state.shown.pulses), echo=state.echo)
            state.note(About.NO_REPLY, words.BYTES_BUT_NO_UNIT if state.heard else heard)

    def _left(self, schedule: Schedule) -> Estimate:
        search, state = self._search, self._state
        left = estimate(
            schedule,
            search.learned.pace,
            found=len(state.findings),
            expect=state.shown.expect,
            look=search.learned.mean_look,
        )
        return left.slowed(search.traffic.slowdown)

    def _progress(self) -> Progress:
        sent = self._state.probes_sent
        schedule = self._search.schedule
        only_further = bool(schedule.sweeps) and all(map(schedule.is_further, schedule.sweeps))
        return Progress(sent, sent + schedule.probes_left, self._left(schedule), only_further)


def _suggested(profiles: Iterable[Profile]) -> Iterator[tuple[LineSettings, Probe, int]]:
    """Where a stored profile expects a unit that may be silent on all but its own registers."""
    for profile in profiles:
        if profile.factory is None:
            continue
        for block in fingerprint_blocks([profile]):
            probe = Probe(Function(block.function), block.register)
            if probe not in LADDER:
                yield profile.factory.settings, probe, profile.factory.address


class PauseSwitch:
    """Whether work may go on; the worker's thread waits at it, other threads set it."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._on = False
        self._waiting = False
        self._over = False

    @property
    def on(self) -> bool:
        """Whether the work is to wait, or waits."""
        return self._on

    def pause(self) -> None:
        """Let the work wait at its next `wait_while_paused`."""
        with self._changed:
            self._on = True

    def resume(self) -> None:
        """Let the work go on."""
        with self._changed:
            self._on = False
            self._changed.notify_all()

    def end(self) -> None:
        """The work is over and will not come by any more."""
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def wait_while_paused(self) -> None:
        """In the worker's thread: wait while paused."""
        with self._changed:
            self._waiting = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._on)
            self._waiting = False

    def wait_until_paused(self) -> None:
        """Come back when the work waits, or is over."""
        with self._changed:
            self._changed.wait_for(lambda: self._over or (self._on and self._waiting))

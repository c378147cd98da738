"""From replies to findings: what each reply of a sweep means, and what to ask because of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import replace

from busprobe.line.echo import OWED_FOR, Echo
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict
from busprobe.modbus.requests import Request
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.profiles.schema import Profile
from busprobe.survey import words
from busprobe.survey.absent_units import AbsentUnits
from busprobe.survey.close_look import CLOSE_LOOK, Examination, look_closely
from busprobe.survey.events import Event, Fault, Found, OtherMasterHeard
from busprobe.survey.findings import About, Finding, IgnoredSettings, Kind, Reason, Unfinished
from busprobe.survey.interference import (
    STRAY,
    answer,
    can_answer,
    is_altered_echo,
    is_damaged,
    is_gateway_exception,
    is_silence,
    is_unexplained,
    other_frames,
    stray_bytes,
)
from busprobe.survey.late_replies import LateReply, OpenRequests
from busprobe.survey.line_faults import LineFaults, find_ignored
from busprobe.survey.listen import listening
from busprobe.survey.other_traffic import OtherTraffic, needed
from busprobe.survey.probes import LADDER, Listening, Probe, WireStep
from busprobe.survey.quick_look import Hit, QuickLook, Suspect
from busprobe.survey.recognition import with_type
from busprobe.survey.schedule import Schedule, Sweep, common_settings
from busprobe.survey.state import SurveyState
from busprobe.survey.waits import MOST_ROUNDS, PATIENCE, LearnedWaits, may_miss, rounds_needed
from busprobe.text import hex_bytes

_MOST_SUSPECTS = 40
"""Requests sent again with patience after one sweep; more of them are noise."""
_PATIENT = Waits(reply=PATIENCE)
_APART = Waits(reply=0.15)
"""For asking suspects once more at another pace, so that a late reply does not meet a request of
ours again."""
_LOOK = replace(CLOSE_LOOK, after=0.0)
"""A second unit's late reply is heard in the next exchange, with this address or another, and is
then followed up by a long look."""
_LONG_LOOK = Waits(reply=2 * PATIENCE, after=PATIENCE)
_REPEAT = Waits(reply=0.25)
_REPEATS = 2
_MANY_UNEXPLAINED = 8
"""Requests followed by bytes of unknown origin after which it is listened for another master."""
_UNTIL_ECHO = Waits(reply=OWED_FOR + 0.05)
_IN_VAIN = 2
"""Times that something was heard in a quick look and no unit found, after which it ends."""
_FEW_REMNANTS = 3
"""Single bytes without a unit to explain them after which they are noise."""
_SURE = 2.5
"""Times that bytes were to be expected after which they do not come with nothing asked."""
_LONGEST_LISTEN = 10.0
_MARGIN = 1.2
"""How much longer than before a device may take that answers for absent units."""
_BEGINS_WELL = (Verdict.CRC_BAD_HEAD_OK, Verdict.CRC_SWAPPED)


class Search:
    """What is being found out, and the schedule that changes with it."""

    def __init__(
        self, line: Line, state: SurveyState, schedule: Schedule, profiles: Sequence[Profile] = ()
    ) -> None:
        """Units are matched against `profiles` as they are found."""
        self.schedule = schedule
        self._profiles = profiles
        self.learned = LearnedWaits()
        self._line = line
        self._state = state
        self._open_requests = OpenRequests(line.settings)
        self._faults = LineFaults(line, state, self.learned, self._open_requests)
        self._foreign: deque[tuple[Frame, LateReply | None]] = deque()
        """Frames that were heard and are not credited yet, and what they answer late."""
        self._under_way: set[Place] = set()
        """Where something was heard that is being followed up."""
        self._second_looks: set[Place] = set()
        self._heard_once: set[Place] = set()
        """Where a late reply came and then none."""
        self._unexplained = 0
        """Requests that bytes followed once which make no frame, and nothing when asked again."""
        self._pulses_count = True
        """Whether a pulse heard in a quick look may be what is left of a reply."""
        self._remnants = 0
        """Bytes that may each be all that is left of a late reply."""
        self._absent = AbsentUnits(self.ask, state)
        self.traffic = OtherTraffic(line)
        """Of another master, where one was heard."""
        self.rhythm_learnt = False
        """Whether requests are sent in the pauses of other traffic, where there are any."""

    def resume(self) -> None:
        """Take the state of an interrupted survey into account."""
        findings = list(self._state.findings.values())
        for finding in findings:
            self.schedule = self.schedule.promoted(finding.settings).deepened(finding.settings)
        self.schedule = self.schedule.less(self._state.was_asked).without_quick_looks()
        for settings in self._state.shown.answered_everywhere:
            self.drop_setting(settings, Reason.ANSWERED_EVERYWHERE)
        ignored = self._state.shown.ignored
        if ignored is not None and findings:
            self._leave_out_what_is_the_same(findings[0].settings, ignored)

    def switch(self, settings: LineSettings) -> None:
        """Set the line; raises `PortError`."""
        if settings != self._line.settings:
            self._line.apply(settings)
            self._open_requests.switch(settings, self._line.clock.now())

    def look_quickly(self, unwanted: Callable[[], object]) -> Iterator[Event]:
        """The next quick look: whoever may have been heard is asked again, and where no unit is
        found by that the sweeps come first."""
        settings, *rest = self.schedule.quick
        self.schedule = replace(self.schedule, quick=tuple(rest))
        self.switch(settings)
        if self._line.echo is None:
            # As long as that is not known our own bytes could be taken for another's.
            first = LADDER[0].request(self.schedule.everywhere[0])
            yield from self._follow_up((yield from self.ask(first, _UNTIL_ECHO)))
            if self._line.echo is None:
                self.schedule = self.schedule.without_quick_looks()
                return
        look = QuickLook(
            self._line,
            self.schedule.everywhere,
            self._open_requests,
            pulses_count=self._pulses_count,
        )
        in_vain = 0
        while in_vain < _IN_VAIN and settings not in self._absent.places:
            hit = yield from look.until_heard(unwanted)
            if hit is None:
                break
            known = len(self._state.findings)
            yield from self._find(hit, unwanted)
            if unwanted():
                return
            if len(self._state.findings) == known and hit.only_pulses:
                # The adapter or the pair makes them by itself.
                look.pulses_count = self._pulses_count = False
            elif len(self._state.findings) == known:
                in_vain += 1
        if in_vain:
            self.schedule = self.schedule.promoted(settings)

    def _find(self, hit: Hit, unwanted: Callable[[], object]) -> Iterator[Event]:
        """Ask those again that a quick look has heard, and those that it may have heard until one
        of them is found."""
        self._hear(hit.foreign)
        for suspect in hit.answered:
            if not unwanted():
                yield from self._ask_suspect(suspect)
        known = len(self._state.findings)
        for suspect in hit.suspects:
            if len(self._state.findings) > known or unwanted():
                break
            yield from self._ask_suspect(suspect)

    def _ask_suspect(self, suspect: Suspect) -> Iterator[Event]:
        at = Place(suspect.request.address, self._line.settings)
        if at in self._state.findings or at in self._state.aliases:
            return
        self._open_requests.drop(at.address)
        waits = Waits(reply=max(suspect.wait, self.learned.pace.least))
        yield from self._follow_up((yield from self.ask(suspect.request, waits)))

    def next(self) -> Iterator[Event]:
        """Send the next probe of the schedule, unless it need not be sent, and draw the
        conclusions."""
        sweep = self.schedule.sweeps[0]
        address = sweep.addresses[0]
        if self._state.was_asked(sweep, address):
            self.schedule = self.schedule.advanced()
            return
        self.switch(sweep.settings)
        wait = sweep.wait(self.learned.pace)
        reply = yield from self.ask(sweep.probe.request(address), Waits(reply=wait))
        self._state.asked(sweep, address, wait)
        self.schedule = self.schedule.advanced()
        yield from self._follow_up(reply)

    @property
    def unfinished(self) -> set[Place]:
        """Where something was heard that was not followed up to its end."""
        here = self._line.settings
        suspects = {
            Place(request.address, here)
            for group in self._open_requests.suspects
            for request in group.requests
        }
        strangers = {
            Place(frame.address, here)
            for frame, _ in self._foreign
            if frame.address in self._state.shown.addresses
        }
        return {
            at for at in self._under_way | suspects | strangers if at not in self._state.findings
        }

    @property
    def awaited(self) -> set[Place]:
        """Where a late reply may still come from."""
        recent = self._open_requests.since(self._line.clock.now() - PATIENCE)
        return {
            Place(request.address, self._line.settings) for request in recent
        } - self._state.findings.keys()

    def ask(self, request: Request, waits: Waits) -> Generator[Event, None, Reply]:
        """One exchange with its event; what else was heard is credited by the next `_follow_up`.

        Raises `PortError`.
        """
        reply = yield from self._ask_in_pause(self._line, request, waits)
        self._hear(other_frames(reply))
        if reply.verdict is Verdict.FOREIGN:
            self._hear([Frame(reply.frame)])
        self._open_requests.book(reply)
        self._state.exchanges += 1
        self._state.echoes += reply.exchange.echo is Echo.FULL
        if answer(reply) and is_silence(reply):
            yield from self._faults.pulse()
        elif answer(reply):
            self._state.heard = True
        return reply

    def _ask_in_pause(
        self, line: Line, request: Request, waits: Waits
    ) -> Generator[WireStep, None, Reply]:
        """One exchange when no other master sends."""
        reply = yield from self.traffic.ask(line, request, waits)
        self._hear(self.traffic.overheard)
        self.traffic.overheard = ()
        return reply

    def end_sweep(
        self, sweep: Sweep, *, changes: bool, unwanted: Callable[[], object]
    ) -> Iterator[Event]:
        """Ask the suspects again; before the settings change, wait for late replies.

        As soon as `unwanted` says so the rest is left out, and stays `unfinished`.
        """
        for waits, most in (
            (_APART, max(_MOST_SUSPECTS, len(self._state.shown.addresses))),
            (_PATIENT, _MOST_SUSPECTS),
        ):
            if self._open_requests.suspects and not unwanted():
                patient = Waits(reply=max(waits.reply, self.learned.pace.least))
                yield from self._ask_suspects(sweep.settings, patient, most, unwanted)
                changes = changes or waits is _APART
            if changes and not sweep.preliminary and not unwanted():
                yield from self.wait_for_late_replies()
                changes = False
        if not unwanted():
            self._open_requests.take_suspects()  # no reply however long was waited: noise

    def _ask_suspects(
        self, settings: LineSettings, waits: Waits, most: int, unwanted: Callable[[], object]
    ) -> Iterator[Event]:
        groups = self._open_requests.take_suspects()
        asked: set[bytes] = set()
        for number, group in enumerate(groups):
            addresses = {request.address for request in group.requests}
            for request in reversed(group.requests):
                if self._is_known(settings, addresses) or len(asked) >= most:
                    break  # whose bytes they were has been found out; or it is noise
                if unwanted():
                    self._open_requests.suspects += groups[number:]
                    return
                if (
                    request.frame not in asked
                ):  # a unit may answer one request of several to its address
                    asked.add(request.frame)
                    reply = yield from self.ask(request, waits)
                    yield from self._follow_up(reply)
            if self._is_known(settings, addresses):
                self._state.add_noise(-group.stray_bytes)

    def look_where_heard_once(self, settings: LineSettings) -> Iterator[Event]:
        """Look once more where a late reply came and then none: noise passes, and a unit wakes."""
        for place in sorted(at for at in self._heard_once if at.settings == settings):
            self._heard_once.remove(place)
            self.switch(settings)
            yield from self._look(place.address)

    def wait_for_late_replies(self) -> Iterator[Event]:
        """Listen for what still comes, and follow it up."""
        yield Listening(self._line.settings, PATIENCE)
        self._hear(valid_frames(self._line.listen(PATIENCE).data))
        while self._foreign:
            frame, late = self._foreign.popleft()
            yield from self._credit(frame, late, frame.address)

    def plan_more_rounds(self) -> bool:
        """Where units were seen to miss requests, plan as many more rounds as it takes; whether
        there are any."""
        before = self.schedule
        for settings, (lost, asked) in self.learned.losses.items():
            more = self.schedule.repeated(settings, rounds_needed(lost, asked))
            if more is not self.schedule:
                self.schedule = more.less(self._state.was_asked)
            if may_miss(lost, asked):
                said = words.lost_requests(settings, MOST_ROUNDS)
                self._state.note(About.LOST_REQUESTS, said, settings)
        self.learned.losses.clear()
        return self.schedule is not before

    def conclude(self) -> Iterator[Event]:
        """Book what only the whole of the replies shows."""
        yield from self._absent.conclude()
        spoilt = self.traffic.spoilt - self._state.findings.keys()
        self._state.leave_open(spoilt, Unfinished.PAUSE, Reason.OTHER_MASTER)
        unsure = [f for f in self._state.findings.values() if f.kind is Kind.UNSURE]
        if any(finding.settings not in self._absent.places for finding in unsure):
            self._state.note(About.UNREADABLE, words.UNREADABLE)

    def drop_setting(self, settings: LineSettings, reason: Reason) -> None:
        """Leave out what is left at `settings`."""
        self._drop(lambda sweep: sweep.settings == settings, reason)

    def skip(self, sweep: Sweep) -> None:
        """Leave out what is left at the settings of `sweep`, or all further probes where it is one
        of those."""
        if self.schedule.is_further(sweep):
            self._drop(self.schedule.is_further, Reason.SKIPPED)
        else:
            self.drop_setting(sweep.settings, Reason.SKIPPED)

    @property
    def settings_found(self) -> set[LineSettings]:
        """Where something was found."""
        return {at.settings for at in self._state.findings}

    def drop_where_nothing_was_found(self) -> None:
        """Leave out what is left at all line settings without a finding."""
        found = self.settings_found
        self._drop(lambda sweep: sweep.settings not in found, Reason.NOT_WHERE_FOUND)

    def listen_for_others(self) -> Iterator[Event]:
        """Bytes came that no request explains: where they come at regular intervals they are
        avoided from now on, and it is listened at all common line settings whether they are another
        master's."""
        yield from self.traffic.learn()
        here = self._line.settings
        if not self.traffic.even and self.traffic.leaves_room:
            self.traffic.forget()
            return
        tried = (*self._state.shown.settings, *common_settings())
        elsewhere = dict.fromkeys(settings for settings in tried if settings != here)
        heard = yield from listening(self._line, self.traffic.longest_interval, elsewhere)
        self.switch(here)
        if heard.frames:
            yield from self.other_master(heard.settings, heard.frames)
        elif self.traffic.even:
            yield from self.learn_rhythm()
        else:
            self.traffic.forget()

    def learn_rhythm(self) -> Iterator[Event]:
        """Listen for the pauses of another master, and tell how much of the time is its own."""
        if not self.traffic.learnt:
            yield from self.traffic.learn()
        self.rhythm_learnt = True
        settings = self._line.settings
        self._state.crowded = not self.traffic.leaves_room
        if self._state.crowded:
            said = words.no_pause(self.traffic.share, needed(settings))
        elif self._state.shown.other_master:
            said = words.in_pauses(self.traffic.share)
        else:
            said = words.regular_bytes(settings)
        if self._state.note(About.PAUSES, said):
            yield Fault(said)
        if not self._state.crowded and self._state.shown.other_master:
            yield from self._look_again()

    def _look_again(self) -> Iterator[Event]:
        """What was no plain unit before the other master was known may have been its doing."""
        here = self._line.settings
        doubtful = [f for f in self._state.findings.values() if f.kind is not Kind.UNIT]
        for finding in doubtful:
            self.switch(finding.settings)
            seen = yield from look_closely(
                self._line,
                finding.address,
                shared=self.traffic.talks_with(finding.address),
                ask=self._ask_in_pause,
            )
            if seen.kind is Kind.UNIT:
                yield from self._book(self._with_type(seen, seen.finding()))
        self.switch(here)

    def other_master(self, settings: LineSettings, frames: Iterable[Frame]) -> Iterator[Event]:
        """Book that another master was heard at `settings`, by `frames`."""
        if not self._state.shown.other_master:
            self.schedule = self.schedule.without_quick_looks()
            said = words.other_master(settings, frames)
            self._state.shown = replace(self._state.shown, other_master=True)
            self._state.note(About.OTHER_MASTER, said)
            yield OtherMasterHeard(said)

    def _follow_up(self, reply: Reply) -> Iterator[Event]:
        at = Place(reply.request.address, reply.exchange.settings)
        if reply.exchange.received:
            self._under_way.add(at)
        yield from self._draw_conclusions(reply)
        self._under_way.discard(at)

    def _draw_conclusions(self, reply: Reply) -> Iterator[Event]:
        self._hear((yield from self._faults.never_quiet(reply)))
        if self._state.stuck:
            return
        if reply.exception in GATEWAY_EXCEPTIONS:
            yield from self._faults.gateway()
        yield from self._faults.echo(reply)
        if self._absent.is_unit(reply) or (reply.verdict in _BEGINS_WELL and not is_silence(reply)):
            clean = reply.verdict in (Verdict.OK, Verdict.EXCEPTION)
            yield from self._look(reply.request.address, first=reply if clean else None)
        elif is_unexplained(reply) or (
            stray_bytes(reply.exchange.leftover) >= STRAY and not other_frames(reply)
        ):
            yield from self._ask_again(reply)
        elif self._is_remnant(reply) and self._remnants < _FEW_REMNANTS + len(self._state.findings):
            self._remnants += 1
            self._open_requests.suspect(reply.exchange.ended - PATIENCE)
        while self._foreign:
            frame, late = self._foreign.popleft()
            yield from self._credit(frame, late, reply.request.address)
        if reply.verdict is Verdict.FOREIGN:
            yield from self._check_alias(reply)

    def _check_alias(self, reply: Reply) -> Iterator[Event]:
        """A known unit replied where another address was asked: by chance a late reply, or each
        time?"""
        settings = reply.exchange.settings
        asked, own = Place(reply.request.address, settings), Place(reply.frame[0], settings)
        known = self._state.findings.get(own)
        if asked in self._state.findings or asked in self._state.aliases:
            return
        if known is None or known.kind is not Kind.UNIT:
            return
        for _ in range(_REPEATS):
            again = yield from self.ask(reply.request, _REPEAT)
            if again.verdict is not Verdict.FOREIGN or again.frame[0] != own.address:
                return
        self.schedule = self.schedule.found_at(settings, asked.address)
        yield Found(self._state.also_for(known, asked.address))

    def _is_remnant(self, reply: Reply) -> bool:
        """Whether a byte was heard that may be all that is left of a late reply, which came while
        this request was sent; not where noise, another master, an echo or a gateway explains
        it."""
        explained = (
            self._state.noisy
            or self._state.shown.other_master
            or is_altered_echo(reply)
            or reply.exchange.received in reply.request.frame
            or self._state.noted(About.GATEWAY)
            or reply.exchange.settings in self._absent.places
        )
        return 0 < stray_bytes(answer(reply)) < STRAY and not explained

    def _ask_again(self, reply: Reply) -> Iterator[Event]:
        """Bytes came that make no frame: a unit at this address, a late reply cut in pieces, or
        noise."""
        since = reply.exchange.ended - PATIENCE
        count = len(reply.exchange.leftover + reply.exchange.received)
        for _ in range(_REPEATS):
            again = yield from self.ask(reply.request, _REPEAT)
            self._hear((yield from self._faults.never_quiet(again)))
            if self._state.stuck:
                return
            if again.present or is_damaged(again):
                yield from self._look(reply.request.address)
                break
        else:
            self._open_requests.suspect(since, count)
            self._unexplained += 1
            if self._unexplained == _MANY_UNEXPLAINED:
                yield from self.listen_for_others()
        if not self._is_known(reply.exchange.settings, {reply.request.address}):
            self._state.add_noise(count)

    def _is_known(self, settings: LineSettings, addresses: set[int]) -> bool:
        """Whether a unit was found at one of `addresses`."""
        return any(Place(address, settings) in self._state.findings for address in addresses)

    def _hear(self, frames: Iterable[Frame]) -> None:
        """Keep frames that answer nothing just asked until they are credited."""
        now = self._line.clock.now()
        self._foreign.extend((frame, self._open_requests.settle(frame, now)) for frame in frames)

    def _credit(self, frame: Frame, late: LateReply | None, asked: int) -> Iterator[Event]:
        """A valid frame that answers nothing just asked: a late reply, a second unit's, or
        another master's."""
        settings = self._line.settings
        if is_gateway_exception(frame):
            yield from self._faults.gateway(0.0 if late is None else late.seconds)
            return
        if late is None and self.traffic.knows(frame):
            return
        if late is not None and self._absent.speaks(settings, late.request, frame.data):
            self.learned.wait_for_absent(late.seconds)
            return
        if any(
            can_answer(frame, probe.request(frame.address))
            for probe in (*LADDER, *self.schedule.further)
        ):
            # Perhaps a unit that is late; perhaps one that answers under another address than it is
            # asked at.
            for address, waits in ((frame.address, _LONG_LOOK), (asked, _LOOK)):
                at = Place(address, settings)
                if at not in self._second_looks:
                    self._second_looks.add(at)
                    yield from self._look(address, waits, further=_asked_with(late))
                if at in self._state.findings or at in self._state.aliases:
                    return
        if late is None:
            yield from self.other_master(settings, [frame])
        elif not self._absent.speaks(settings, late.request, frame.data):
            # A reply to a request of ours is no other master's, even where noise corrupts all
            # that follow.
            finding = Finding(
                frame.address,
                settings,
                Kind.UNSURE,
                evidence=(hex_bytes(frame.data),),
                exchanges=(f"{late.request.words} → late: {frame.words}",),
                notes=(words.ANSWERED_ONCE_AND_LATE,),
            )
            yield from self._book(finding)
            self._heard_once.add(finding.place)

    def _look(
        self,
        address: int,
        waits: Waits = _LOOK,
        first: Reply | None = None,
        further: Sequence[Probe] = (),
    ) -> Iterator[Event]:
        """Look closely at an address where something was heard, and book what is there."""
        settings = self._line.settings
        place = Place(address, settings)
        if address not in self._state.shown.addresses:
            said = words.not_asked_for(place)
            if self._state.note(About.NOT_ASKED_FOR, said, place):
                yield Fault(said)
            return
        self._under_way.add(place)
        yield from self._look_at(address, waits, first, further)
        self._under_way.discard(place)

    def _look_at(
        self, address: int, waits: Waits, first: Reply | None, further: Sequence[Probe]
    ) -> Iterator[Event]:
        yield from self._await_late_replies(address, of_all=waits is _LONG_LOOK)
        before = self._line.clock.now() - PATIENCE
        begun = self._line.clock.now()
        seen = yield from look_closely(
            self._line,
            address,
            waits=waits,
            repeats=1 if waits is _LONG_LOOK else 2,
            further=further,
            noisy=self._state.noisy,
            shared=self.traffic.talks_with(address),
            first=first,
            ask=self._ask_in_pause,
        )
        self._hear(seen.foreign)  # before what it may answer is too old
        for reply in seen.replies:
            self._open_requests.book(reply)
        if self.traffic.unread or (yield from self._come_unasked(seen)):
            seen = seen.doubted()
        if seen.clean and waits is _LOOK:
            self.learned.looked(self._line.clock.now() - begun)
        if seen.kind is Kind.UNIT and any(is_damaged(r) for r in seen.replies):
            # What corrupted them may be the late reply of a unit asked just before.
            self._open_requests.suspect(before)
        if seen.kind is Kind.SILENT:
            return
        yield from self._check_answers_everywhere(seen)
        finding = self._absent.finding(seen)
        if finding is None:
            return
        finding = self._with_type(seen, finding)
        if (
            self._state.shown.ignored is None
            and finding.kind is Kind.UNIT
            and len(self._state.shown.settings) > 1
        ):
            finding = yield from self._check_port(seen, finding)
        yield from self._book(finding)
        self._state.seen[finding.place] = seen
        self.learned.learn(seen)
        yield from self._faults.burst_delay()

    def _come_unasked(self, seen: Examination) -> Generator[Event, None, bool]:
        """Whether bytes that would prove a clash come with nothing asked, too: then another device
        sends them."""
        if not seen.bytes_are_all_proof:
            return False
        seconds = min(_LONGEST_LISTEN, _SURE * seen.seconds_between_such_bytes)
        yield Listening(self._line.settings, seconds)
        heard = self._line.listen(seconds)
        frames = valid_frames(heard.data)
        self._hear(frame for frame in frames if frame.address != seen.address)
        if frames or stray_bytes(heard.data) < STRAY:
            return False
        if not self.traffic.learnt:
            yield from self.listen_for_others()
        return True

    def _await_late_replies(self, address: int, *, of_all: bool) -> Iterator[Event]:
        """Let replies pass that a slow unit still has to give to earlier requests, so that they are
        not taken for others.

        Where one unit is slow others may be (`of_all`): their late replies cut its replies short,
        and the next comes one too late.
        """
        asked, last = self._open_requests.last_asked(address), self._open_requests.last
        until = 0.0 if asked is None else asked + 2 * PATIENCE
        if of_all and last is not None:
            until = max(until, last + PATIENCE)
        if until > self._line.clock.now():
            yield Listening(self._line.settings, until - self._line.clock.now())
            left = max(0.0, until - self._line.clock.now())  # it may have been held meanwhile
            frames = valid_frames(self._line.listen(left).data)
            self._hear(frame for frame in frames if frame.address != address)

    def _book(self, finding: Finding) -> Iterator[Event]:
        settings = finding.settings
        same = (s for s in self._state.shown.settings if s != settings and self._same(s, settings))
        known = self._state.known_at(finding.address, same)
        if known is not None:
            self.schedule = self.schedule.demoted(settings)
            yield Found(self._state.also_at(known, settings))
            return
        likelier = self._one_stop_bit_less(settings)
        if likelier is not None:
            self.switch(likelier)
            seen = yield from look_closely(self._line, finding.address, ask=self._ask_in_pause)
            self.switch(settings)
            if seen.kind is finding.kind:
                yield from self._book(self._with_type(seen, seen.finding()))
                yield from self._book(finding)
                return
        self._state.findings[finding.place] = finding
        if settings not in self._state.shown.answered_everywhere:
            self.schedule = self.schedule.promoted(settings).deepened(settings)
        self.schedule = self.schedule.found_at(settings, finding.address)
        yield Found(finding)

    def _with_type(self, seen: Examination, finding: Finding) -> Finding:
        return with_type(finding, seen, self._profiles)

    def _one_stop_bit_less(self, settings: LineSettings) -> LineSettings | None:
        """The likelier setting at which a unit found at `settings` answers too, if it is searched
        as well."""
        less = replace(settings, stop_bits=1)
        return less if settings.stop_bits == 2 and less in self._state.shown.settings else None

    def _same(self, one: LineSettings, other: LineSettings) -> bool:
        """Whether a unit at `one` is heard at `other` too: a second stop bit is idle line to most
        receivers."""
        stop_bits_only = (
            one.baud == other.baud
            and one.parity is other.parity
            and one.data_bits == other.data_bits
        )
        return stop_bits_only or (
            self._state.shown.ignored is not None and self._state.shown.ignored.same(one, other)
        )

    def _check_answers_everywhere(self, seen: Examination) -> Iterator[Event]:
        """Look whether one unit answers everywhere, and leave out what that makes pointless."""
        who = yield from self._absent.control(seen)
        if who is None:
            return
        said = f"{seen.settings}: {who.words}"
        self._state.note(About.ANSWERS_EVERYWHERE, said, seen.settings)
        yield Fault(said)
        if who.stock_replies is None:
            at = (*self._state.shown.answered_everywhere, seen.settings)
            self._state.shown = replace(self._state.shown, answered_everywhere=tuple(sorted(at)))
            self.drop_setting(seen.settings, Reason.ANSWERED_EVERYWHERE)

    def _check_port(self, seen: Examination, finding: Finding) -> Generator[Event, None, Finding]:
        """The first unit of all: does the port apply what it is told?"""
        answered = next(r for r in seen.replies if r.present)
        median = seen.latency.median if seen.latency else 0.0
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * median)))
        probe = Probe.of(answered.request)
        ignored = yield from find_ignored(self._line, seen.address, probe, waits)
        self._state.shown = replace(self._state.shown, ignored=ignored)
        if not ignored.any:
            return finding
        said = words.ignored_settings(ignored)
        self._state.note(About.IGNORED_SETTINGS, said)
        self._leave_out_what_is_the_same(seen.settings, ignored)
        yield Fault(said)
        return replace(finding, notes=(*finding.notes, said))

    def _leave_out_what_is_the_same(self, found: LineSettings, ignored: IgnoredSettings) -> None:
        """Ask once only what this port makes no difference between."""
        order = (found, *self._state.shown.settings)
        stands_for = {
            s: next(o for o in order if ignored.same(o, s)) for s in self._state.shown.settings
        }
        if ignored.baud and ignored.parity:
            # Whatever is set, the same goes out: to ask at one setting is to ask at all.
            self.schedule = self.schedule.without(lambda s: stands_for[s.settings] != s.settings)
        else:
            self._drop(
                lambda s: stands_for[s.settings] != s.settings,
                Reason.SAME_AT_THIS_PORT,
            )

    def _drop(self, pick: Callable[[Sweep], bool], reason: Reason) -> None:
        self._state.drop((s for s in self.schedule.sweeps if pick(s)), reason)
        self.schedule = self.schedule.without(pick)


def _asked_with(late: LateReply | None) -> tuple[Probe, ...]:
    """The kind of probe that a late reply belongs to: perhaps the only one its unit answers."""
    return () if late is None else (Probe.of(late.request),)

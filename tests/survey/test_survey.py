"""The survey on the virtual segment: its findings against the truth of each scenario."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from busprobe.errors import UsageError
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.modbus.requests import Function
from busprobe.survey.events import Event, Fault, Finished, Found, OtherMasterHeard, Progress
from busprobe.survey.findings import Finding, Kind, SurveyResult
from busprobe.survey.probes import BITS, LADDER, Asking
from busprobe.survey.schedule import common_settings
from busprobe.survey.survey import PauseSwitch, Survey
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import Scenario
from busprobe.virtual.segment import Segment
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers, together

AT_9600 = (SETTINGS,)
SEVERAL = tuple(
    LineSettings.parse(s)
    for s in ("9600-8N1", "19200-8E1", "9600-8E1", "4800-8N1", "38400-8N1", "9600-8N2")
)

Steer = Callable[[Survey, Event], None]


def on(
    line: Line,
    settings: Sequence[LineSettings] = AT_9600,
    steer: Steer | None = None,
    **options: Any,
) -> list[Event]:
    """All events of a survey; `steer` sees each before the survey goes on."""
    survey = Survey(line, settings, options.pop("addresses", ALL), **options)
    events = []
    for event in survey:
        events.append(event)
        if steer is not None:
            steer(survey, event)
    return events


def segment(scenario: str | Scenario) -> Segment:
    return Segment(
        load_scenario(scenario) if isinstance(scenario, str) else scenario, VirtualClock()
    )


def line_of(segment: Segment) -> Line:
    return Line(segment.port("virtual:test"), SETTINGS)


def result(events: list[Event]) -> SurveyResult:
    assert isinstance(events[-1], Finished)
    assert sum(isinstance(event, Finished) for event in events) == 1
    return events[-1].result


def listed(findings: Sequence[Finding]) -> dict[tuple[int, str], Kind]:
    return {(f.address, str(f.settings)): f.kind for f in findings}


def truth(segment: Segment, settings: Sequence[LineSettings]) -> dict[tuple[int, str], Kind]:
    """What a survey must find: a unit, or a clash where several share an address; a unit with
    swapped wires is mute."""
    found: dict[tuple[int, str], Kind] = {}
    for unit in segment.units:
        if unit.connected and not unit.swapped and unit.settings in settings:
            at = unit.address, str(unit.settings)
            found[at] = Kind.CLASH if at in found else Kind.UNIT
    return found


@pytest.mark.parametrize(
    "name", ["clean", "clash", "echo", "stray-bytes", "noise", "slow", "swapped", "full"]
)
def test_every_unit_and_no_other_is_found_at_one_known_setting(name: str) -> None:
    bus = segment(name)
    end = result(on(line_of(bus)))
    assert listed(end.findings) == truth(bus, AT_9600)
    assert end.complete
    assert end.echo is (name == "echo")


@pytest.mark.parametrize("name", ["mixed", "site"])
def test_units_at_several_settings_are_found_and_listed_once(name: str) -> None:
    bus = segment(name)
    end = result(on(line_of(bus), SEVERAL, addresses=[*range(1, 64), *range(240, 248)]))
    assert listed(end.findings) == truth(bus, SEVERAL)
    assert end.complete


def test_the_default_search_finds_all_settings_and_says_it_is_complete() -> None:
    bus = segment("mixed")
    everything = common_settings()
    end = result(on(line_of(bus), everything, addresses=range(1, 32)))
    assert len(everything) == 32
    assert listed(end.findings) == {
        at: kind for at, kind in truth(bus, everything).items() if at[0] < 32
    }
    assert end.complete


def test_a_unit_that_answers_every_address_is_one_finding_and_the_rest_is_not_tested() -> None:
    events = on(line_of(segment("impostor")))
    end = result(events)
    (finding,) = end.findings
    assert finding.kind is Kind.UNSURE
    assert "whatever address" in finding.notes[0]
    assert not end.complete
    assert "one unit answers every address" in end.untested[0].words
    assert any(isinstance(event, Fault) for event in events)


def gateway(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
    """Speaks for absent units: refuses registers, and says what it is itself."""
    if request[1] == 17:
        return [(0.02, frame(request[0], 17, 3, 0x47, 0x57, 0xFF))]
    return [(0.02, frame(request[0], request[1] | 0x80, 4))]


def test_units_behind_somebody_who_speaks_for_absent_ones_are_told_by_saying_something_else() -> (
    None
):
    """Met with a general-purpose library's server: exception 4 for every address that it does not
    have."""
    unit = registers(7, {0: 1, 1: 2})

    def bus(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        return list((unit if request[0] == 7 else gateway)(request, settings))

    events = on(Line(ScriptedPort(bus), SETTINGS), addresses=range(1, 40))
    end = result(events)
    assert listed(end.findings) == {(7, "9600-8N1"): Kind.UNIT}
    assert end.complete
    assert "answers for absent units" in end.notes[0]


def test_somebody_who_only_speaks_for_absent_units_is_one_unsure_finding() -> None:
    end = result(on(Line(ScriptedPort(gateway), SETTINGS), addresses=range(1, 40)))
    (finding,) = end.findings
    assert finding.kind is Kind.UNSURE
    assert "answers for absent units" in finding.notes[0]


def test_a_full_bus_is_no_impostor() -> None:
    """All 247 addresses answer, but none that no unit may have (V1.02 section 2.2)."""
    everybody = together(*(registers(address, {0: address, 1: 2}) for address in ALL))
    end = result(on(Line(ScriptedPort(everybody), SETTINGS)))
    assert len(end.findings) == 247
    assert {f.kind for f in end.findings} == {Kind.UNIT}


def test_identical_twins_pass_for_one_and_the_expected_number_gives_them_away() -> None:
    """Nothing on the wire tells them apart, so the survey says what to do instead of claiming to
    know."""
    end = result(on(line_of(segment("identical-twins")), expect=3))
    assert listed(end.findings) == {(11, "9600-8N1"): Kind.UNIT, (31, "9600-8N1"): Kind.UNIT}
    assert any("2 of 3 expected" in note and "take units off" in note for note in end.notes)


def test_another_master_ends_the_survey_before_its_first_request() -> None:
    events = on(line_of(segment("second-master")))
    end = result(events)
    assert not any(isinstance(event, Asking) for event in events)
    assert [e for e in events if isinstance(e, OtherMasterHeard)]
    assert "unit 11 (0x0B)" in end.notes[0]
    assert (end.other_master, end.complete) == (True, False)
    assert end.untested[0].addresses == ALL


def test_a_late_reply_to_whoever_asked_before_is_no_other_master() -> None:
    """The survey is begun while a slow unit still owes one; a master would be heard again."""
    port = ScriptedPort(registers(5, {0: 1, 1: 2}))
    port.chatter(0.7, frame(41, 3, 2, 0, 1))
    end = result(on(Line(port, SETTINGS), addresses=range(1, 8)))
    assert (end.other_master, end.complete) == (False, True)
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT}


def test_with_leave_the_survey_goes_on_despite_another_master_and_invents_nobody() -> None:
    def agree(survey: Survey, event: Event) -> None:
        if isinstance(event, OtherMasterHeard):
            survey.go_on()

    bus = segment("second-master")
    end = result(on(line_of(bus), steer=agree))
    assert set(listed(end.findings)) == set(truth(bus, AT_9600))
    assert Kind.CLASH not in listed(end.findings).values()


def test_progress_never_goes_back_and_ends_at_nothing_left() -> None:
    steps = [event for event in on(line_of(segment("clean"))) if isinstance(event, Progress)]
    assert [s.done for s in steps] == sorted(s.done for s in steps)
    assert all(s.done <= s.total for s in steps)
    assert steps[-1].left.seconds == 0
    assert steps[-1].done == steps[-1].total


def test_it_stops_at_the_expected_number_and_says_what_was_not_tested() -> None:
    end = result(on(line_of(segment("clean")), expect=3))
    assert len(end.findings) == 3
    assert not end.complete
    assert "all 3 expected units were found" in end.untested[0].words
    assert 200 in end.untested[0].addresses


def test_cancelling_keeps_what_was_found() -> None:
    def after_the_second(survey: Survey, event: Event) -> None:
        if isinstance(event, Found) and event.finding.address == 12:
            survey.cancel()

    end = result(on(line_of(segment("clean")), steer=after_the_second))
    assert [f.address for f in end.findings] == [11, 12]
    assert not end.complete
    assert "cancelled" in end.untested[0].words


def test_a_setting_can_be_skipped() -> None:
    skipped: list[LineSettings] = []

    def skip_the_first(survey: Survey, event: Event) -> None:
        if isinstance(event, Asking) and not skipped:
            skipped.append(event.settings)
            survey.skip_setting()

    end = result(
        on(
            line_of(segment("mixed")),
            SEVERAL,
            steer=skip_the_first,
            addresses=range(1, 30),
            quick_look=False,
        )
    )
    assert {str(f.settings) for f in end.findings} >= {"19200-8E1", "9600-8E1"}
    assert any(u.settings == skipped[0] and "skipped" in u.words for u in end.untested)


def test_an_interrupted_survey_goes_on_where_it_was() -> None:
    def at_address(survey: Survey, event: Event) -> None:
        if isinstance(event, Asking) and event.address == 39:
            survey.cancel()

    bus = segment("clean")
    line = line_of(bus)
    first = result(on(line, steer=at_address))
    events = on(line, resume=first.progress())
    asked_again = [e for e in events if isinstance(e, Asking) and e.address in range(13, 20)]
    assert not [e for e in asked_again if e.request.frame[1:4] == b"\x03\x00\x00"]
    end = result(events)
    assert listed(end.findings) == truth(bus, AT_9600)
    assert end.complete
    assert end.seconds > first.seconds


def test_cancelling_in_a_close_look_sends_nothing_more_and_the_place_is_asked_again_later() -> None:
    """A close look at somebody slow takes many seconds; what it has not settled is 'not tested',
    and not lost."""
    bus = segment("clean")
    line = line_of(bus)
    cancelled: list[float] = []

    def in_the_close_look(survey: Survey, event: Event) -> None:
        if isinstance(event, Asking) and event.request.function is Function.DIAGNOSTICS:
            survey.cancel()
            cancelled.append(line.clock.now())

    first = result(on(line, steer=in_the_close_look))
    assert cancelled == [line.clock.now()]
    assert first.findings == ()
    assert ("a close look",) in [u.probes for u in first.untested if u.addresses == (11,)]
    end = result(on(line, resume=first.progress()))
    assert listed(end.findings) == truth(bus, AT_9600)


@pytest.mark.parametrize("asked", [5, 17, 111, 270, 333])
def test_a_survey_cancelled_anywhere_goes_on_and_finds_everybody(asked: int) -> None:
    bus = segment("slow")
    line = line_of(bus)
    count = 0

    def cancel(survey: Survey, event: Event) -> None:
        nonlocal count
        count += isinstance(event, Asking)
        if count == asked:
            survey.cancel()

    addresses = range(1, 55)
    first = result(on(line, steer=cancel, addresses=addresses))
    assert not first.complete
    end = result(on(line, addresses=addresses, resume=first.progress()))
    assert listed(end.findings) == truth(bus, AT_9600)
    assert end.complete


def test_what_a_killed_survey_had_noted_takes_no_reply_that_was_still_to_come_for_silence() -> None:
    """Killed right after the last kind of probe, the only one that a slow unit answers: it is asked
    once more."""

    def slow(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(0.6, frame(3, 2, 1, 0))] if request[:2] == bytes((3, 2)) else []

    survey = Survey(Line(ScriptedPort(slow), SETTINGS), AT_9600, range(1, 9))
    noted = [
        survey.so_far()
        for event in survey
        if isinstance(event, Progress) and event.done == 8 * len((*LADDER, *BITS))
    ]
    assert noted[0].findings == ()
    end = result(
        on(
            Line(ScriptedPort(slow), SETTINGS),
            addresses=range(1, 9),
            resume=noted[0].progress(),
        )
    )
    assert listed(end.findings) == {(3, "9600-8N1"): Kind.UNIT}


def test_a_broken_progress_document_is_a_plain_error() -> None:
    with pytest.raises(UsageError, match="cannot be read back"):
        Survey(line_of(segment("clean")), AT_9600, ALL, resume={"format": "something else"})


def test_a_port_that_fails_ends_the_survey_with_what_was_found() -> None:
    port = ScriptedPort(registers(3, {0: 1, 1: 2}), fails_after=60)
    events = on(Line(port, SETTINGS))
    end = result(events)
    assert [f.address for f in end.findings] == [3]
    assert not any(isinstance(event, Fault) for event in events), "the result says it, once"
    assert not end.complete
    assert end.failure is not None
    assert "port failed" in end.untested[0].words
    assert end.document("scripted")["failure"].startswith("The adapter is gone.")


def test_a_port_that_applies_nothing_lists_each_unit_once_and_is_named() -> None:
    """A pseudo-terminal or TCP port: whatever is set, the same goes out."""
    port = ScriptedPort(registers(7, {0: 1, 1: 2}))
    end = result(on(Line(port, SETTINGS), common_settings(), addresses=range(1, 12)))
    assert listed(end.findings) == {(7, "9600-8N1"): Kind.UNIT}
    assert "does not seem to apply the baud rate" in " ".join(end.findings[0].notes)
    assert end.complete
    assert end.seconds < 20


def test_a_port_that_does_not_apply_parity_lists_each_unit_once() -> None:
    unit = registers(7, {0: 1, 1: 2})

    def at_9600(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        return list(unit(request, settings)) if settings.baud == 9600 else []

    end = result(on(Line(ScriptedPort(at_9600), SETTINGS), SEVERAL, addresses=range(1, 12)))
    assert listed(end.findings) == {(7, "9600-8N1"): Kind.UNIT}
    assert "does not seem to apply parity" in " ".join(end.findings[0].notes)
    assert {str(u.settings) for u in end.untested} == {"9600-8E1", "19200-8E1", "9600-8N2"} & {
        str(u.settings) for u in end.untested
    }


def test_two_units_at_one_address_and_different_settings_are_two_findings() -> None:
    """Factory-fresh units of two makers: the same address, each at its own setting, nothing to do
    with the port."""
    fast, slow = registers(1, {0: 1, 1: 2}), registers(1, {0: 1, 1: 2})

    def by_setting(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        chosen: dict[str, Answers] = {"9600-8N1": slow, "19200-8E1": fast}
        return list(chosen.get(str(settings), together())(request, settings))

    end = result(on(Line(ScriptedPort(by_setting), SETTINGS), SEVERAL, addresses=range(1, 12)))
    assert listed(end.findings) == {(1, "9600-8N1"): Kind.UNIT, (1, "19200-8E1"): Kind.UNIT}


def test_a_unit_that_answers_as_another_is_reported_under_the_address_asked() -> None:
    def other(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(0.02, frame(99, request[1] | 0x80, 1))] if request[0] == 5 else []

    end = result(on(Line(ScriptedPort(other), SETTINGS), addresses=range(1, 12)))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNSURE}
    assert any("99" in note for note in end.findings[0].notes)


def test_nobody_at_all_is_told_with_what_to_check() -> None:
    end = result(on(Line(ScriptedPort(together()), SETTINGS), addresses=range(1, 4)))
    assert end.findings == ()
    assert end.complete
    assert "not one byte was heard" in end.notes[0]


@pytest.mark.parametrize(
    ("back", "words"),
    [
        (lambda _sent: b"\x00", "single pulses"),
        (lambda sent: sent, "own echo"),
        (lambda sent: frame(sent[0], sent[1] | 0x80, 11), "Bytes came back"),
    ],
    ids=["pulse", "echo", "gateway"],
)
def test_nobody_at_all_is_told_by_what_came_back_instead(
    back: Callable[[bytes], bytes], words: str
) -> None:
    port = ScriptedPort(lambda sent, _settings: [(0.002, back(sent))])
    survey = Survey(Line(port, SETTINGS), AT_9600, range(1, 4))
    end = result(list(survey))
    assert end.findings == ()
    assert words in end.notes[-1]
    assert any("not come to rest" in note for note in end.notes) is (words == "single pulses")
    assert "not one byte" not in " ".join(end.notes)


def test_a_line_that_is_never_quiet_is_told_and_not_surveyed() -> None:
    port = ScriptedPort(together())
    line = Line(port, SETTINGS)
    for byte in range(5000):
        port.chatter(byte / 960, b"\x00")
    end = result(on(line))
    assert not end.complete
    assert not port.sent
    assert "stuck" in end.notes[0]


def test_the_document_has_the_fields_that_other_programs_read() -> None:
    document = result(on(line_of(segment("clash")))).document("virtual:clash")
    assert document["format"] == "busprobe.survey/1"
    assert (document["port"], document["addresses"], document["settings"]) == (
        "virtual:clash",
        "1-247",
        ["9600-8N1"],
    )
    assert document["line"] == {
        "echo": False,
        "other_master": False,
        "noise_bytes": document["line"]["noise_bytes"],
    }
    clash = document["findings"][0]
    assert (clash["address"], clash["kind"]) == (1, "clash")
    assert clash["evidence"]
    assert clash["notes"]
    assert {a["probe"] for a in document["asked"]} >= {
        "function 3, register 0",
        "function 4, register 1",
        "function 8",
    }


def echoing(unit: Answers, alter: Callable[[bytes], bytes]) -> Answers:
    """An adapter that gives back its own transmission as `alter` makes it."""

    def answers(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(0.0, alter(request)), *unit(request, settings)]

    return answers


@pytest.mark.parametrize(
    ("alter", "words"),
    [
        (lambda sent: bytes(byte | 0xF0 for byte in sent), "ones where zeros were sent"),
        (lambda sent: sent[2:], "part of its own transmission"),
        (lambda sent: sent[:-1], "part of its own transmission"),
        (lambda sent: sent[:3], "part of its own transmission"),
        (lambda sent: bytes((sent[0], sent[1] ^ 0x01, *sent[2:])), "wrong bytes in it"),
    ],
    ids=["more-ones", "tail", "head", "short-head", "wrong-byte"],
)
def test_an_echo_that_is_altered_or_cut_invents_nobody_and_is_put_down_to_the_adapter(
    alter: Callable[[bytes], bytes], words: str
) -> None:
    """More ones: both captures published of such an adapter are bitwise supersets of what was sent
    (from memory)."""
    units = together(registers(5, {0: 1, 1: 2}), registers(9, {0: 1, 1: 2}, 0.06))
    port = ScriptedPort(echoing(units, alter))
    end = result(on(Line(port, SETTINGS), addresses=range(1, 12)))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT, (9, "9600-8N1"): Kind.UNIT}
    assert [words in note for note in end.notes] == [True]
    assert end.seconds < 12, "an echo is no bytes to follow up at every address"


@pytest.mark.parametrize("cut", [1, 2])
def test_replies_that_are_cut_at_the_front_are_a_unit_and_an_adapter_that_turns_round_too_late(
    cut: int,
) -> None:
    unit = registers(5, {0: 1, 1: 2})

    def late(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(at, b"\xc5" + reply[cut:]) for at, reply in unit(request, settings)]

    end = result(on(Line(ScriptedPort(late), SETTINGS), addresses=range(1, 12)))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT}
    assert "from transmit to receive too" in end.findings[0].notes[0]


def test_a_unit_that_locks_up_under_the_survey_is_still_listed_and_said_so() -> None:
    unit = registers(5, {0: 1, 1: 2})
    answered: list[bytes] = []

    def weak(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        replies = list(unit(request, settings)) if len(answered) < 9 else []
        answered.extend(reply for _, reply in replies)
        return replies

    end = result(on(Line(ScriptedPort(weak), SETTINGS), addresses=range(1, 12)))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT}
    assert "silent at the end" in end.findings[0].notes[-1]


def test_a_pair_cut_while_it_is_surveyed_makes_nobody_silent() -> None:
    """Where no unit answers any more the others were perhaps asked in vain; who goes on asks them
    again."""
    units = together(registers(5, {0: 1, 1: 2}), registers(9, {0: 1, 1: 2}))
    whole = ScriptedPort(units)
    port = ScriptedPort(
        lambda request, settings: units(request, settings) if port.clock.now() < 2.7 else []
    )
    cut = result(on(Line(port, SETTINGS), addresses=range(1, 12)))
    assert listed(cut.findings) == {(5, "9600-8N1"): Kind.UNIT}
    assert not cut.complete
    assert {a for untested in cut.untested for a in untested.addresses} == set(range(1, 12))
    end = result(on(Line(whole, SETTINGS), addresses=range(1, 12), resume=cut.progress()))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT, (9, "9600-8N1"): Kind.UNIT}
    assert end.complete
    assert not end.findings[0].notes


def test_one_unit_unplugged_while_it_is_surveyed_leaves_the_others_as_they_are() -> None:
    units = together(registers(5, {0: 1, 1: 2}), registers(9, {0: 1, 1: 2}))
    port = ScriptedPort(
        lambda request, settings: (
            units(request, settings) if request[0] == 9 or port.clock.now() < 3.2 else []
        )
    )
    end = result(on(Line(port, SETTINGS), addresses=range(1, 12)))
    assert [untested.addresses for untested in end.untested] == [(5,)]
    assert not end.complete


def test_pausing_holds_the_survey_even_in_a_close_look_and_unpausing_goes_on() -> None:
    """Nothing is sent while it is paused; a second thread lets it go on."""
    port = ScriptedPort(registers(5, {0: 1}))
    threads: list[threading.Timer] = []
    sent: list[int] = []

    def hold(survey: Survey, event: Event) -> None:
        looks = isinstance(event, Asking) and [data[0] for _, data in port.sent[-1:]] == [5]
        if looks and not threads:

            def look_and_go_on() -> None:
                sent.append(len(port.sent))
                survey.unpause()

            survey.pause()
            sent.append(len(port.sent))
            threads.append(threading.Timer(0.05, look_and_go_on))
            threads[0].start()

    end = result(on(Line(port, SETTINGS), steer=hold, addresses=range(1, 8)))
    threads[0].join()
    assert sent[0] == sent[1]
    assert end.complete
    assert [f.address for f in end.findings] == [5]


def test_who_waits_for_a_held_survey_has_the_line_and_the_survey_sets_it_as_it_was() -> None:
    port = ScriptedPort(registers(5, {0: 1}))
    line = Line(port, SETTINGS)
    survey = Survey(line, [SETTINGS], range(1, 8))
    survey.pause()
    events: list[Event] = []
    worker = threading.Thread(target=lambda: events.extend(survey))
    worker.start()
    survey.wait_until_paused()
    assert port.sent == []
    line.apply(LineSettings.parse("19200-8E1"))
    survey.unpause()
    worker.join()
    assert {settings for settings, _ in port.sent} == {SETTINGS}
    assert isinstance(events[-1], Finished)
    assert [f.address for f in events[-1].result.findings] == [5]


def test_nobody_waits_for_work_that_is_over() -> None:
    pause = PauseSwitch()
    pause.pause()
    pause.end()
    pause.wait_until_paused()
    assert pause.on


def test_work_held_again_before_it_has_gone_on_stays_held() -> None:
    pause = PauseSwitch()
    pause.pause()
    gone_on = threading.Event()

    def work() -> None:
        pause.wait_while_paused()
        gone_on.set()

    worker = threading.Thread(target=work)
    worker.start()
    pause.wait_until_paused()
    with pause._changed:  # as if the worker were slow to wake up
        pause._on = False
        pause._on = True
    pause.wait_until_paused()
    assert not gone_on.is_set()
    pause.resume()
    worker.join()
    assert gone_on.is_set()

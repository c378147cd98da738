from __future__ import annotations

from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.listen import listen
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.survey.scripted import SETTINGS, ScriptedPort, frame, together

FAST = LineSettings.parse("19200-8E1")


def quiet_line() -> tuple[ScriptedPort, Line]:
    port = ScriptedPort(together())
    return port, Line(port, SETTINGS)


def test_a_quiet_pair_is_quiet_and_nothing_is_sent() -> None:
    port, line = quiet_line()
    heard = listen(line, 1.0)
    assert heard.quiet
    assert heard.words == "Quiet for 1.0 s."
    assert not port.sent


def test_another_master_is_told_with_whom_it_asks() -> None:
    port, line = quiet_line()
    port.chatter(0.2, frame(11, 4, 0, 1, 0, 2))
    port.chatter(0.3, frame(11, 4, 4, 0, 1, 0, 2))
    heard = listen(line, 1.0)
    assert heard.other_master
    assert heard.noise_bytes == 0
    assert "unit 11 (0x0B) with function 4 (2 frames)" in heard.words


def test_what_had_waited_unread_is_not_of_these_seconds() -> None:
    port, line = quiet_line()
    for minute in range(10):
        port.chatter(60.0 * minute, frame(11, 4, 0, 1, 0, 2))
    port.clock.sleep_until(600.0)
    assert listen(line, 3.0).quiet


def test_bytes_without_a_frame_are_noise_and_no_master() -> None:
    port, line = quiet_line()
    port.chatter(0.5, b"\x12\x34\x56")
    heard = listen(line, 1.0)
    assert (heard.noise_bytes, heard.other_master, heard.stuck, heard.quiet) == (
        3,
        False,
        False,
        False,
    )


def test_bytes_without_a_pause_are_a_stuck_line() -> None:
    port, line = quiet_line()
    for number in range(900):
        port.chatter(number / 960, b"\x00")
    heard = listen(line, 1.0)
    assert heard.stuck
    assert "sends without pause" in heard.words


def test_a_master_at_other_settings_is_found_there_and_the_line_is_left_as_it_was() -> None:
    segment = Segment(load_scenario("second-master"), VirtualClock())
    line = Line(segment.port("virtual:test"), FAST)
    heard = listen(line, 2.0, [LineSettings.parse("4800-8N1"), SETTINGS])
    assert heard.other_master
    assert heard.settings == SETTINGS
    assert {f.address for f in heard.frames} == {11, 21}
    assert line.settings == FAST

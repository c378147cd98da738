from __future__ import annotations

from collections.abc import Iterable

import pytest

from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers

PROFILES = tuple(load_all([shipped_folder()]).profiles.values())


def at(scenario: str, address: int, settings: str, profiles: Iterable[Profile] = PROFILES) -> Identified:
    segment = Segment(load_scenario(scenario), VirtualClock())
    return identify(Line(segment.port("virtual:test"), LineSettings.parse(settings)), address, profiles)


@pytest.mark.parametrize(
    ("address", "settings", "profile"),
    [
        (2, "9600-8N1", "aldermoor-at-10"),
        (21, "9600-8E1", "brookvale-bm-330"),
        (5, "19200-8E1", "corran-cd-2"),
        (247, "9600-8N1", "eskbridge-ef-5"),
        (10, "4800-8N1", "fellside-fq-3"),
    ],
)
def test_each_unit_of_the_site_is_recognised_and_reads_plausible_values(
    address: int, settings: str, profile: str
) -> None:
    unit = at("site", address, settings)
    assert unit.profile is not None
    assert unit.profile.id == profile
    assert unit.score is not None
    assert unit.score >= 0.7
    assert len(unit.readings) == len(unit.profile.points)
    assert all(r.plausible is not False for r in unit.readings)
    document = unit.document()
    assert (document["address"], document["profile"], document["kind"]) == (address, profile, "unit")


def test_what_a_unit_says_of_itself_is_its_identity_all_pages_of_it() -> None:
    """The unit's extended objects come with the level it says it has (V1.1b3 section 6.21)."""
    unit = at("site", 10, "4800-8N1")
    assert unit.identity == {"vendor": "Fellside Air", "product": "FQ-3", "revision": "1.0"}
    assert unit.objects is not None
    assert unit.objects[0x80] == "FQ-1166"


def test_a_profile_puts_no_words_into_a_units_mouth() -> None:
    unit = at("site", 2, "9600-8N1")
    assert unit.identity == {"vendor": None, "product": "AT-10", "revision": None}


def test_nothing_is_said_of_a_clash() -> None:
    unit = at("site", 1, "9600-8N1")
    assert unit.examination.kind is Kind.CLASH
    assert (unit.profile, unit.readings, unit.objects, unit.server_id) == (None, (), None, None)
    assert "Two units" in unit.notes[0]
    assert unit.document()["identity"] is None


def test_nothing_is_said_of_silence() -> None:
    unit = at("site", 99, "9600-8N1")
    assert unit.notes[0] == "Nobody answered."
    assert unit.document()["kind"] == "silent"


def test_a_stranger_is_not_forced_into_a_profile() -> None:
    line = Line(ScriptedPort(registers(5, {0: 0xFFFF, 1: 0xFFFF})), SETTINGS)
    unit = identify(line, 5, PROFILES)
    assert unit.profile is None
    assert unit.readings == ()
    assert "No stored profile fits" in unit.notes[-1]


def test_identification_goes_on_over_several_pages_and_ends_with_a_unit_that_never_does() -> None:
    """More follows, with the next object named (V1.1b3 section 6.21); here for ever."""

    def endless(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        if request[1] != 43:
            return [(0.02, frame(5, request[1] | 0x80, 1))]
        number = request[4]
        return [(0.03, frame(5, 43, 14, request[3], 0x83, 0xFF, min(number + 1, 255), 1, number, 1, 0x41))]

    answers: Answers = endless
    port = ScriptedPort(answers)
    unit = identify(Line(port, SETTINGS), 5, ())
    assert unit.objects is not None
    assert len(unit.objects) > 3
    assert len(port.sent) < 60


def test_control_codes_in_an_identity_are_written_out() -> None:
    def hostile(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        if request[1] == 17:
            return [(0.02, frame(5, 17, 5, 0x1B, 0x5B, 0x32, 0x4A, 0xFF))]
        return [(0.02, frame(5, request[1] | 0x80, 1))]

    unit = identify(Line(ScriptedPort(hostile), SETTINGS), 5, ())
    assert unit.server_id == "\\x1b[2J"

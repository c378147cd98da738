from __future__ import annotations

from collections.abc import Iterable

import pytest

from busprobe.cli.identify import document
from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Exchange, RequestFrame, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.profiles.making import profile
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers
from tests.virtual.bench import open_line, scenario

PROFILES = tuple(load_all([shipped_folder()]).profiles.values())


def at(
    scenario: str, address: int, settings: str, profiles: Iterable[Profile] = PROFILES
) -> Identified:
    segment = Segment(load_scenario(scenario), VirtualClock())
    return identify(
        Line(segment.port("virtual:test"), LineSettings.parse(settings)), address, profiles
    )


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
    said = document(unit)
    assert (said["address"], said["profile"]) == (address, profile)
    assert unit.examination.kind is Kind.UNIT


def test_what_a_unit_says_of_itself_is_its_identity_all_pages_of_it() -> None:
    """The unit's extended objects come with the level it says it has (V1.1b3 section 6.21)."""
    unit = at("site", 10, "4800-8N1")
    assert unit.identity == {
        "vendor": "Fellside Air",
        "product": "FQ-3",
        "revision": "1.0",
        "serial": "FQ-1166",
    }
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
    assert set(unit.identity.values()) == {None}


def test_nothing_is_said_of_silence() -> None:
    unit = at("site", 99, "9600-8N1")
    assert unit.notes[0] == "No reply."
    assert unit.examination.kind is Kind.SILENT


def sleepy(unit: Answers, wakes_up: float, port: list[ScriptedPort]) -> Answers:
    """A unit that is asleep, and so for `wakes_up` seconds after the first request."""
    woken: list[float] = []

    def answers(request: bytes, settings: LineSettings) -> Iterable[tuple[float, bytes]]:
        now = port[0].clock.now()
        woken.append(now)
        return unit(request, settings) if now >= woken[0] + wakes_up else []

    return answers


@pytest.mark.parametrize(
    ("named", "kind"), [(None, Kind.SILENT), (20, Kind.SILENT), (40, Kind.UNIT)]
)
def test_a_unit_that_takes_long_to_wake_up_is_waited_for_where_a_profile_says_so(
    named: int | None, kind: Kind
) -> None:
    """30 s are longer than any close look at somebody silent."""
    ports: list[ScriptedPort] = []
    port = ScriptedPort(sleepy(registers(5, {0: 1, 1: 2}), 30, ports))
    ports.append(port)
    kinds = [] if named is None else [profile(limits={"wake_up_s": named})]
    assert identify(Line(port, SETTINGS), 5, kinds).examination.kind is kind


def test_a_unit_that_dozes_off_is_given_the_time_to_wake_up_that_its_profile_names() -> None:
    """It says its name, then sleeps as soon as it is asked for its value."""
    kind = profile(
        limits={"wake_up_s": 4},
        fingerprint={"server_id": {"contains": "G-1"}},
        points=[{"name": "Level", "function": 3, "register": 100, "type": "uint16"}],
    )
    unit = registers(5, {100: 7})
    asked: list[float] = []

    def dozing(request: bytes, settings: LineSettings) -> Iterable[tuple[float, bytes]]:
        if request[1] == 17:
            return [(0.02, frame(5, 17, 4, *b"G-1", 0xFF))]
        if request[2:4] == bytes((0, 100)):
            asked.append(port.clock.now())
        return unit(request, settings) if not asked or port.clock.now() >= asked[0] + 4 else []

    port = ScriptedPort(dozing)
    (level,) = identify(Line(port, SETTINGS), 5, [kind]).readings
    assert level.value == 7
    assert len(asked) == 2


def test_a_stranger_is_not_forced_into_a_profile() -> None:
    line = Line(ScriptedPort(registers(5, {0: 0xFFFF, 1: 0xFFFF})), SETTINGS)
    unit = identify(line, 5, PROFILES)
    assert unit.profile is None
    assert unit.readings == ()
    assert "No stored profile fits" in unit.remarks[-1]


def test_identification_goes_on_over_several_pages_and_ends_with_a_unit_that_never_does() -> None:
    """More follows, with the next object named (V1.1b3 section 6.21); here for ever."""

    def endless(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        if request[1] != 43:
            return [(0.02, frame(5, request[1] | 0x80, 1))]
        number = request[4]
        return [
            (
                0.03,
                frame(5, 43, 14, request[3], 0x83, 0xFF, min(number + 1, 255), 1, number, 1, 0x41),
            )
        ]

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


def test_a_unit_that_follows_sunspec_says_what_it_is_without_a_data_sheet() -> None:
    unit = at("generic", 3, "9600-8N1")
    assert unit.profile is not None
    assert (unit.profile.id, unit.profile.generic) == ("sunspec-40000", True)
    assert unit.identity == {
        "vendor": "Lanyon Power",
        "product": "LP-40",
        "revision": "2.07",
        "serial": "LP40-00317",
    }
    assert unit.models is not None
    assert ([model.id for model in unit.models.models], unit.models.ended) == ([1, 64901], True)
    assert "It follows SunSpec from register 40000 on: models 1, 64901." in unit.notes
    assert "SunSpec unit, models at 40000 fits with 0.70 of 1" in unit.standing
    assert document(unit)["models"] == [1, 64901]


def test_a_device_address_point_that_is_not_implemented_is_told() -> None:
    unit = at("generic", 4, "9600-8N1")
    assert unit.profile is not None
    assert unit.profile.id == "sunspec-0"
    assert any("cannot be readdressed that way" in note for note in unit.notes)


def test_without_a_profile_a_unit_is_what_it_says_by_the_standards() -> None:
    assert (
        at("generic", 5, "9600-8N1").remarks[-1]
        == "No stored profile fits well enough to say what it is; "
        "by device identification (43/14) it is 'Wheal Tamsin' 'WT-5', version '0.9'."
    )
    assert (
        at("generic", 6, "9600-8N1").remarks[-1].endswith("by server id (17) it is 'RH-2 RH-0088'.")
    )


def requests_beyond_the_close_look(unit: Identified, port: ScriptedPort) -> list[bytes]:
    """To the unit; other addresses are asked whether they answer as well."""
    beyond = port.sent[len(unit.examination.replies) :]
    return [data for _, data in beyond if data[0] == unit.place.address]


def test_fingerprints_of_several_profiles_are_read_by_one_request() -> None:
    """A unit without texts that gives all registers between: one request tells it, and no other
    follows."""

    def tested(id_: str, register: int, value: int) -> Profile:
        return profile(
            id=id_,
            fingerprint={
                "registers": [
                    {"function": 3, "register": register, "equals": value},
                    {"function": 3, "register": register + 1, "equals": value},
                ]
            },
        )

    profiles = [tested("one", 10, 4711), tested("two", 30, 4712), tested("three", 60, 4713)]
    port = ScriptedPort(registers(5, {r: 4712 if r in (30, 31) else 7 for r in range(100)}))
    unit = identify(Line(port, SETTINGS), 5, profiles)
    assert unit.profile is not None
    assert unit.profile.id == "two"
    assert len(requests_beyond_the_close_look(unit, port)) == 1
    assert unit.standing == "Glenmoss Works G-1 fits with 0.85 of 1; no other profile comes near."


def test_a_unit_that_refuses_the_registers_between_is_told_all_the_same() -> None:
    def tested(id_: str, *at_: int) -> Profile:
        tests = [{"function": 3, "register": register, "equals": 4712} for register in at_]
        return profile(id=id_, fingerprint={"registers": tests})

    profiles = [tested("one", 10, 11), tested("two", 30, 40), tested("three", 60)]
    port = ScriptedPort(registers(5, {0: 1, 1: 1, 30: 4712, 40: 4712}))
    unit = identify(Line(port, SETTINGS), 5, profiles)
    assert unit.profile is not None
    assert unit.profile.id == "two"


def test_a_unit_known_by_its_texts_is_not_asked_for_other_fingerprints() -> None:
    """What a unit says of itself is enough; only the registers of its own profile are read."""
    segment = Segment(load_scenario("clean"), VirtualClock())
    line = Line(segment.port("virtual:test"), LineSettings.parse("9600-8N1"))
    asked: list[bytes] = []
    exchange = line.exchange

    def noting(request: RequestFrame, waits: Waits) -> Exchange:
        asked.append(request.frame)
        return exchange(request, waits)

    line.exchange = noting  # type: ignore[method-assign]
    unit = identify(line, 31, PROFILES)
    assert unit.profile is not None
    beyond = asked[len(unit.examination.replies) :]
    reads = [
        (frame[1], int.from_bytes(frame[2:4], "big"))
        for frame in beyond
        if frame[0] == 31 and frame[1] in (3, 4)
    ]
    assert sorted(reads) == [(3, 0), (3, 40), (4, 0)]


def test_points_are_read_one_by_one_where_the_unit_refuses_them_together() -> None:
    """The limit of registers a request is often lower than the data sheet says."""
    made = profile(
        fingerprint={"server_id": {"contains": "G-1"}},
        points=[
            {"name": f"P{r}", "function": 3, "register": r, "type": "uint16"} for r in range(10, 14)
        ],
    )

    def answers(request: bytes, settings: LineSettings) -> Iterable[tuple[float, bytes]]:
        if request[1] == 17:
            return [(0.02, frame(5, 17, 4, *b"G-1", 0xFF))]
        if request[1] == 3 and request[5] > 2:
            return [(0.02, frame(5, 0x83, 3))]
        return registers(5, dict.fromkeys(range(20), 6))(request, settings)

    unit = identify(Line(ScriptedPort(answers), SETTINGS), 5, [made])
    assert unit.profile is made
    assert [reading.value for reading in unit.readings] == [6, 6, 6, 6]
    assert not any("Refused" in reason for reason in unit.matches[0].reasons)


def test_a_unit_that_answers_every_address_is_told_when_it_is_identified() -> None:
    """What it is, is known all the same; the address is not."""
    for any_address in (True, False):
        bus = scenario({"name": "a", "type": "at-10", "address": 7, "any_address": any_address})
        found = identify(open_line(bus), 9 if any_address else 7, PROFILES)
        assert found.profile is not None
        assert any("whatever address" in note for note in found.notes) is any_address

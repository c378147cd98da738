"""Units are recognised as they are found, by what they say of themselves and by nothing more."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.survey.events import Found
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.identify import identify
from busprobe.survey.survey import Survey
from busprobe.virtual.loading import shipped_types
from tests.profiles.making import profile
from tests.survey.scripted import SETTINGS, ScriptedPort, registers
from tests.survey.test_identify import PROFILES
from tests.survey.test_survey import line_of, on, result, segment
from tests.survey.test_ugly_buses import bus


def first_found(unit: Mapping[str, object], profiles: tuple[Profile, ...] = PROFILES) -> Finding:
    """What is told of the only unit of a bus the moment it is found."""
    line = Line(bus({"address": 5, **unit}).port("virtual:test"), SETTINGS)
    events = iter(Survey(line, [SETTINGS], [5], profiles=profiles))
    return next(event.finding for event in events if isinstance(event, Found))


@pytest.mark.parametrize(
    ("kind", "found"),
    [
        ("at-10", "aldermoor-at-10"),
        ("dx-8", "dunmere-dx-8"),
        ("ef-5", "eskbridge-ef-5"),
        ("fq-3", "fellside-fq-3"),
        ("lk-2", "garnmoor-lk-2"),
    ],
)
def test_a_unit_that_says_what_it_is_is_recognised_when_it_is_found(kind: str, found: str) -> None:
    """The truth is the file of its type: identification objects and server id."""
    finding = first_found({"type": kind, "settings": str(SETTINGS)})
    assert (finding.kind, finding.profile) == (Kind.UNIT, found)
    assert finding.match is not None
    assert finding.match >= 0.7
    assert finding.reasons
    said, objects = shipped_types()[kind].server_id, shipped_types()[kind].identification
    assert finding.identity == {
        "vendor": objects.get(0),
        "product": objects.get(1, said or None),
        "revision": objects.get(2),
    }


def test_the_name_of_the_maker_alone_is_no_match() -> None:
    only_vendor = profile(
        fingerprint={"objects": [{"object": 0, "equals": "Dunmere Controls"}]}, factory=None
    )
    finding = first_found({"type": "dx-8"}, (only_vendor,))
    assert (finding.profile, finding.match, finding.reasons) == (None, None, ())
    assert finding.identity is not None
    assert finding.identity["vendor"] == "Dunmere Controls"


def test_registers_alone_settle_nothing_while_those_of_other_types_were_not_asked() -> None:
    """All its registers hold what the profile wants, and it says nothing of itself."""
    holds = {0: 0xBEEF, 1: 0xCAFE}
    tests = [{"function": 3, "register": r, "equals": value} for r, value in holds.items()]
    wanted = profile(fingerprint={"registers": tests})
    survey = Survey(
        Line(ScriptedPort(registers(5, holds)), SETTINGS), [SETTINGS], [5], profiles=[wanted]
    )
    [finding] = [event.finding for event in survey if isinstance(event, Found)]
    assert (finding.kind, finding.profile, finding.match) == (Kind.UNIT, None, None)
    port = ScriptedPort(registers(5, holds))
    identified = identify(Line(port, SETTINGS), 5, [wanted])
    assert identified.profile == wanted


def test_nothing_is_told_of_a_clash() -> None:
    line = Line(
        bus({"type": "at-10", "address": 5}, {"type": "dx-8", "address": 5}).port("virtual:test"),
        SETTINGS,
    )
    [finding] = result(on(line, addresses=[5], profiles=PROFILES)).findings
    assert finding.kind is Kind.CLASH
    assert (finding.profile, finding.match, finding.identity) == (None, None, None)


def test_the_survey_document_tells_what_its_own_evidence_says() -> None:
    found = result(
        on(
            line_of(segment("site")),
            [LineSettings.parse("4800-8N1")],
            addresses=[10],
            profiles=PROFILES,
        )
    )
    [finding] = found.document("virtual:site")["findings"]
    assert finding["profile"] == "fellside-fq-3"
    assert finding["identity"] == {"vendor": "Fellside Air", "product": "FQ-3", "revision": "1.0"}
    assert any(b"FQ-3".hex(" ").upper() in data for data in finding["evidence"])

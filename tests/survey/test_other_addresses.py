"""A unit that answers where another address is asked: noted with the unit, and counted once."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Kind, SurveyResult
from busprobe.survey.identify import Identified, identify_seen
from tests.survey.scripted import SETTINGS
from tests.survey.test_identify import PROFILES
from tests.survey.test_survey import on, result
from tests.survey.test_ugly_buses import bus


def surveyed(*units: Mapping[str, object]) -> SurveyResult:
    """A survey of 1-20 that identifies what it finds."""
    line = Line(bus(*map(dict, units)).port("virtual:test"), SETTINGS)

    def identified(_: Place, seen: Examination | None) -> Identified:
        assert seen is not None
        return identify_seen(line, seen, PROFILES)

    events = on(
        line,
        addresses=range(1, 21),
        profiles=PROFILES,
        identify=identified,
    )
    return result(events)


def test_a_reply_from_12_to_a_question_to_7_is_noted_with_12() -> None:
    """Whichever of the two is asked first."""
    for own, other in ((12, 7), (7, 12)):
        unit = {"type": "dx-8", "address": own, "also_addresses": [other], "replies_as": own}
        end = surveyed(unit)
        [finding] = end.findings
        assert (finding.address, finding.kind) == (own, Kind.UNIT)
        assert finding.also_addresses == (other,)
        assert finding.places == {Place(own, SETTINGS), Place(other, SETTINGS)}
        assert f"A request to {other} (0x{other:02X}) is answered by this unit" in finding.notes[0]
        assert end.complete
        assert all(bound.asked_times > 1 for bound in end.bounds)
        assert (
            result(
                on(
                    Line(bus(unit).port("virtual:test"), SETTINGS),
                    addresses=range(1, 21),
                    resume=end.progress(),
                )
            ).findings
            == end.findings
        )


def test_a_late_reply_is_no_other_address() -> None:
    """Slow enough to reply while the next addresses are asked."""
    for latency in (0.05, 0.3, 0.9):
        units = [{"type": "dx-8", "address": a, "latency": latency} for a in (6, 7, 12)]
        end = surveyed(*units)
        assert [finding.address for finding in end.findings] == [6, 7, 12]
        assert not any(finding.also_addresses for finding in end.findings)


def test_a_unit_that_only_ever_answers_as_another_is_no_unit_there() -> None:
    [finding] = surveyed({"type": "dx-8", "address": 7, "replies_as": 12}).findings
    assert (finding.address, finding.kind) == (7, Kind.UNSURE)
    assert finding.notes == ("Asked 7 (0x07), answered as 12 (0x0C) each time.",)


def test_the_same_serial_number_at_two_addresses_is_noted_at_both() -> None:
    """One unit at 7 and 12; two of its kind with numbers of their own, and one that has none."""
    fq = {"type": "fq-3", "settings": str(SETTINGS)}
    one = surveyed({**fq, "address": 12, "also_addresses": [7], "serial": "FQ-1"})
    assert [finding.address for finding in one.findings] == [7, 12]
    for finding, other in zip(one.findings, ("12 (0x0C)", "7 (0x07)"), strict=True):
        assert any(f"the same serial number as {other}: probably one" in n for n in finding.notes)
    two = surveyed(
        {**fq, "address": 12, "serial": "FQ-1"},
        {**fq, "address": 7, "serial": "FQ-2"},
        {**fq, "address": 9},
    )
    assert [finding.address for finding in two.findings] == [7, 9, 12]
    assert not any("serial number" in note for f in two.findings for note in f.notes)


def test_without_a_serial_number_two_that_say_the_same_are_two() -> None:
    """A second unit of the same kind cannot be told from it; nothing is claimed."""
    end = surveyed({"type": "dx-8", "address": 12, "also_addresses": [7]})
    assert [(f.address, f.kind, f.notes) for f in end.findings] == [
        (7, Kind.UNIT, ()),
        (12, Kind.UNIT, ()),
    ]

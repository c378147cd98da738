"""Line settings: the same guards, codes only from the profile, and the unit looked for at both
settings afterwards."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from busprobe.errors import RefusedError, UsageError
from busprobe.job.journal import Result, Row
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings
from busprobe.profiles.registers import AddressPart
from busprobe.profiles.schema import Profile, parse_profile
from busprobe.readdress.line_settings import change_of_settings, path, plan_settings
from busprobe.readdress.move import execute, prepare
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move
from busprobe.readdress.recovery import recover
from busprobe.readdress.words import write_words
from tests.readdress.bench import (
    BAUD_REGISTER,
    SETTINGS,
    Bench,
    Book,
    FakeUnit,
    checked,
    line_to,
    unplugged,
    yes,
)
from tests.readdress.test_recovery import unfinished

FASTER = LineSettings.parse("19200-8N1")
HERE = Place(5, SETTINGS)


def profile(part: str = "whole", **more: object) -> Profile:
    return parse_profile(
        {
            "id": "bench-unit",
            "maker": "Glenmoss Works",
            "model": "G-1",
            "kind": "relay",
            "numbering": "wire",
            "factory": {"address": 1, "settings": "9600-8N1"},
            "line_settings": {
                "function": 6,
                "baud": {
                    "register": BAUD_REGISTER,
                    "part": part,
                    "codes": {"4800": 0, "9600": 1, "19200": 2},
                },
                "format": {"register": 102, "codes": {"8N1": 0, "8E1": 1}},
                **more,
            },
        }
    )


def changed(bench: Bench, change: Move | None = None, book: Book | None = None) -> Outcome:
    line = line_to(bench)
    change = change or change_of_settings(profile(), HERE, FASTER)
    return execute(line, prepare(line, change), book or Book(), yes)


@pytest.mark.parametrize(
    ("unit", "row", "result"),
    [
        (FakeUnit(5), Row.CHANGED, Result.VERIFIED),
        (FakeUnit(5, reply_from="none"), Row.REPLY_LOST, Result.VERIFIED),
        (FakeUnit(5, restart=5), Row.CHANGED, Result.VERIFIED),
        (FakeUnit(5, effect="power cycle"), Row.PENDING, Result.WAITING),
        (FakeUnit(5, deaf=True), Row.NOT_TAKEN, Result.NOT_VERIFIED),
        (FakeUnit(5, deaf=True, readable=False), Row.UNHEARD, Result.NOT_VERIFIED),
        (FakeUnit(5, exception=4), Row.UNIT_REFUSED, Result.NOT_VERIFIED),
        (FakeUnit(5, restart=math.inf), Row.NEITHER, Result.NOT_VERIFIED),
    ],
)
def test_each_row_of_the_table(unit: FakeUnit, row: Row, result: Result) -> None:
    bench, book = Bench(replace(unit)), Book()
    outcome = changed(bench, book=book)
    assert (outcome.row, outcome.result) == (row, result)
    assert len(bench.writes) == 1
    assert write_words(book.writes[0]) == "line settings to 19200-8N1"
    if result is Result.VERIFIED:
        assert bench.units[0].settings == FASTER
        assert (
            "Unit 5 (0x05) at 19200-8N1" in outcome.why
            or "unit 5 (0x05) at 19200-8N1" in outcome.why
        )
        assert "line setting is stored" in outcome.todo
    document = outcome.document()
    assert (document["settings"], document["to_settings"]) == ("9600-8N1", "19200-8N1")


def test_after_a_power_cycle_the_unit_is_looked_for_at_both_settings() -> None:
    bench = Bench(FakeUnit(5, effect="power cycle"))
    outcome = changed(bench)
    bench.units[0].power_cycle()
    again = checked(line_to(bench), outcome)
    assert again.row is Row.KEPT
    assert changed(bench, again.move.reversed()).result is Result.WAITING
    bench.units[0].power_cycle()
    assert bench.units[0].settings == SETTINGS


def test_a_code_that_means_something_else_is_found_out() -> None:
    bench = Bench(FakeUnit(5, baud_codes=(19200, 9600, 4800)))
    outcome = changed(bench)
    assert outcome.row is Row.NEITHER
    assert "a unit answers at unit address 5 (0x05) at 4800-8N1" in outcome.why


def test_a_register_that_does_not_hold_the_code_of_the_present_setting_is_refused() -> None:
    bench = Bench(FakeUnit(5, baud_codes=(9600, 19200)))
    with pytest.raises(RefusedError, match="should be the code for 9600-8N1, 1") as caught:
        changed(bench)
    assert "codes of line settings differ" in caught.value.means
    assert bench.writes == []


def test_somebody_at_the_same_address_and_the_wanted_settings_is_refused() -> None:
    bench = Bench(FakeUnit(5), FakeUnit(5, serial=2, settings=FASTER))
    with pytest.raises(RefusedError, match=r"5 \(0x05\) at 19200-8N1 is not free"):
        changed(bench)
    assert bench.writes == []


def test_the_other_half_of_a_shared_register_is_kept() -> None:
    bench = Bench(FakeUnit(5, part=AddressPart.LOW_BYTE, other=0x0C))
    outcome = changed(bench, change_of_settings(profile(part="low-byte"), HERE, FASTER))
    assert outcome.row is Row.CHANGED
    assert bench.writes[0][4:6] == b"\x0c\x02"


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ("19200-8E1", "both to change"),
        ("57600-8N1", "has no code for 57600-8N1"),
    ],
)
def test_what_the_profile_cannot_do_in_one_write_is_refused(wanted: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        changed(Bench(FakeUnit(5)), change_of_settings(profile(), HERE, LineSettings.parse(wanted)))


def test_a_profile_without_codes_says_what_to_do() -> None:
    bare = profile().model_copy(update={"line_settings": None})
    with pytest.raises(UsageError, match="does not say how a G-1 is given 19200-8N1"):
        change_of_settings(bare, HERE, FASTER)


def test_a_change_cut_off_is_looked_into_at_both_settings() -> None:
    bench, book = Bench(FakeUnit(5)), Book()
    bench.after_send = lambda frame: unplugged(frame) if frame[1] == 6 else None
    assert changed(bench, book=book).row is Row.PORT_FAILED
    (found,) = recover(line_to(bench), unfinished(book), book)
    assert found.row is Row.FOUND_CHANGED
    assert found.move.target == Place(5, FASTER)
    assert book.unfinished == []


# -- the plan
# ------------------------------------------------------------------------------------------------

any_settings = st.builds(
    lambda baud, form: LineSettings.parse(f"{baud}-{form}"),
    st.sampled_from(COMMON_BAUDS),
    st.sampled_from(COMMON_FORMATS),
)


@dataclass
class Model:
    """Where units answer while a plan is replayed."""

    places: dict[str, Place]

    def do(self, unit: str, place: Place, settings: LineSettings) -> None:
        assert self.places[unit] == place
        assert (place.settings.baud == settings.baud) or (place.settings.format == settings.format)
        self.places[unit] = Place(place.address, settings)
        assert len(set(self.places.values())) == len(self.places)


@given(st.dictionaries(st.integers(1, 247), any_settings, min_size=1, max_size=12), any_settings)
@examples(max_examples=80)
def test_replaying_the_plan_ends_at_the_goal_with_one_write_a_difference(
    found: dict[int, LineSettings], goal: LineSettings
) -> None:
    places = {f"T{address}": Place(address, settings) for address, settings in found.items()}
    changes = plan_settings(places, goal)
    model = Model(dict(places))
    for change in changes:
        model.do(change.unit, change.place, change.settings)
    assert {place.settings for place in model.places.values()} == {goal}
    differences = sum((s.baud != goal.baud) + (s.format != goal.format) for s in found.values())
    assert len(changes) == differences


def test_units_that_share_an_address_at_different_settings_are_refused() -> None:
    with pytest.raises(RefusedError, match=r"P and Q share unit address 5 \(0x05\)"):
        plan_settings({"P": Place(5, SETTINGS), "Q": Place(5, FASTER)}, FASTER)


def test_baud_rate_and_format_are_two_changes() -> None:
    both = path(SETTINGS, LineSettings.parse("19200-8E1"))
    assert [str(settings) for settings in both] == ["19200-8N1", "19200-8E1"]
    assert path(SETTINGS, SETTINGS) == ()
    (change,) = plan_settings({"P": HERE}, FASTER)
    assert (change.place, change.settings) == (HERE, FASTER)

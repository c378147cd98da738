from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from busprobe.handover.assemble import assemble
from busprobe.job import Cabling, Job, UnitRecord
from busprobe.job.journal import Result, Role, Row, WriteIntent
from busprobe.job.records import EntryKind, PollResult
from busprobe.line.place import Place
from busprobe.modbus.requests import Function, RegisterWrite
from tests.handover.conftest import FOUND, METER_UNIT, PROFILES, SENSOR_UNIT, SETTINGS
from tests.handover.test_assemble import survey_again


def attention(job: Job) -> tuple[str, ...]:
    return assemble(job, PROFILES).attention


def not_tested(job: Job) -> tuple[str, ...]:
    return assemble(job, PROFILES).not_tested


@pytest.fixture
def sound(done: Job) -> Job:
    """A job with nothing left to worry about."""
    done.put_unit(replace(SENSOR_UNIT, counters={PollResult.OK: 100}))
    done.put_unit(replace(METER_UNIT, counters={PollResult.OK: 100}, power_cycle_verified=True))
    return done


def test_a_sound_job_needs_no_attention(sound: Job) -> None:
    assert attention(sound) == ()


def test_failed_polls_need_attention_by_kind(done: Job) -> None:
    done.put_unit(
        replace(METER_UNIT, counters={PollResult.OK: 8, PollResult.OK_AFTER_STRAY_BYTES: 2})
    )
    assert attention(done) == (
        "Address 5 (0x05) 9600-8N1: 2 of 10 replies came after stray bytes.",
        "Address 12 (0x0C) 9600-8N1 TT-12: 5 of 100 polls failed.",
        "Address 12 (0x0C) 9600-8N1 TT-12: 1 of 100 polls were refused with an exception.",
    )


def test_different_settings_and_one_address_at_two_of_them_need_attention(sound: Job) -> None:
    sound.put_unit(UnitRecord(Place.parse("12 19200-8E1")))
    assert attention(sound) == (
        (
            "The units have different line settings (9600-8N1, 19200-8E1): no master can poll them"
            " all."
        ),
        "Address 12 (0x0C) is in use at 9600-8N1 and at 19200-8E1: a clash at common settings.",
    )


@pytest.mark.parametrize(
    ("unit", "caveat"),
    [
        (
            UnitRecord(Place.parse(f"7 {SETTINGS}"), EntryKind.CLASH),
            "Address 7 (0x07) 9600-8N1: two or more units answer.",
        ),
        (
            UnitRecord(Place.parse(f"7 {SETTINGS}"), EntryKind.UNSURE),
            "Address 7 (0x07) 9600-8N1: a unit answers, but it is not clear which.",
        ),
        (
            UnitRecord(Place.parse(f"7 {SETTINGS}"), power_cycle_verified=False),
            "Address 7 (0x07) 9600-8N1: did not answer here after a power cycle.",
        ),
    ],
)
def test_what_is_not_one_sound_unit_needs_attention(
    sound: Job, unit: UnitRecord, caveat: str
) -> None:
    sound.put_unit(unit)
    assert attention(sound) == (caveat,)


def test_an_implausible_value_needs_attention(sound: Job) -> None:
    (reading,) = SENSOR_UNIT.readings
    unit = replace(
        SENSOR_UNIT, counters={}, readings=(replace(reading, text="999.9 °C", plausible=False),)
    )
    sound.put_unit(unit)
    assert attention(sound) == (
        "Address 12 (0x0C) 9600-8N1: Temperature reads 999.9 °C, which is not plausible.",
    )


def test_another_master_needs_attention(sound: Job) -> None:
    survey_again(sound, line={"other_master": True}, findings=FOUND)
    assert attention(sound) == ("Another master was heard on the pair during the survey.",)
    sound.record("listening", {"other_master": True})
    assert attention(sound)[0] == "Another master was heard on the pair before anything was asked."


def test_strays_in_the_endurance_run_need_attention_and_a_short_run_is_said(sound: Job) -> None:
    sound.record("prove", {"strays": 2, "complete": False})
    assert attention(sound) == (
        "2 frames that no request accounts for were heard during the last endurance run.",
    )
    assert not_tested(sound)[-1].endswith("was not finished.")
    sound.record("prove", {"strays": 0, "complete": True})
    assert attention(sound) == ()
    assert not any("endurance" in caveat for caveat in not_tested(sound))


def test_a_unit_that_a_later_survey_did_not_find_needs_attention(sound: Job) -> None:
    """Only where it was seen before, and really asked again."""
    sound.put_unit(replace(SENSOR_UNIT, counters={}, seen="2026-03-02T07:00:00.000Z"))
    assert attention(sound) == ()
    begun = survey_again(sound, findings=[])
    assert attention(sound) == (
        (
            "Address 12 (0x0C) 9600-8N1 TT-12: answered at 2026-03-02T07:00:00.000Z, but not in"
            f" the survey of {begun}."
        ),
    )
    survey_again(sound, settings=["19200-8E1"])
    assert attention(sound) == ()
    survey_again(sound, complete=False)
    assert attention(sound) == ()


class TestWrites:
    def write(self, job: Job, outcome: str | None, to: int = 13, row: Row | None = None) -> None:
        write = job.intend_write(
            WriteIntent(
                role=Role.ADDRESS,
                source=Place.parse(f"1 {SETTINGS}"),
                target=Place.parse(f"{to} {SETTINGS}"),
                write=RegisterWrite(257, (to,), Function.WRITE_SINGLE_REGISTER),
                request=b"\x01",
                words="Move 1",
            )
        )
        if outcome is not None:
            job.conclude_write(write, outcome=Result(outcome), row=row, reply=None, why="")

    @pytest.mark.parametrize(
        ("outcome", "end"),
        [
            (None, "its outcome is not recorded"),
            ("waiting for power cycle", "waiting for power cycle"),
            ("not verified", "not verified"),
        ],
    )
    def test_a_write_without_a_good_end_needs_attention(
        self, sound: Job, outcome: str | None, end: str
    ) -> None:
        self.write(sound, outcome)
        (caveat,) = attention(sound)
        assert caveat.startswith("Write 2 of 2026-")
        assert caveat.endswith(f"(Move 1): {end}.")

    @pytest.mark.parametrize("outcome", ["verified", "refused"])
    def test_a_write_with_a_good_end_does_not(self, sound: Job, outcome: str) -> None:
        self.write(sound, outcome)
        assert attention(sound) == ()

    def test_a_later_verified_write_to_the_same_address_settles_it(self, sound: Job) -> None:
        self.write(sound, "not verified")
        self.write(sound, "verified", to=14)
        assert len(attention(sound)) == 1, "another unit moved elsewhere says nothing of this one"
        self.write(sound, "verified")
        assert attention(sound) == ()

    def test_a_later_complete_survey_settles_it(self, sound: Job) -> None:
        self.write(sound, "not verified", row=Row.UNIT_REFUSED)
        survey_again(sound, complete=False)
        assert len(attention(sound)) == 1
        survey_again(sound, findings=FOUND)
        assert attention(sound) == ()

    @pytest.mark.parametrize(
        ("outcome", "row"),
        [(None, None), ("waiting for power cycle", Row.PENDING), ("not verified", Row.NEITHER)],
    )
    def test_no_survey_settles_what_a_unit_may_still_take(
        self, sound: Job, outcome: str | None, row: Row | None
    ) -> None:
        """It comes up there with its next power cycle, or as soon as it is connected again."""
        self.write(sound, outcome, row=row)
        survey_again(sound, findings=FOUND)
        assert len(attention(sound)) == 1


def test_wiring_that_is_not_good_needs_attention_and_gaps_are_said(sound: Job) -> None:
    def judgement(measurement: str, level: str) -> dict[str, Any]:
        return {
            "measurement": measurement,
            "level": level,
            "reading": "58 Ω",
            "words": "Fits two terminators.",
            **dict.fromkeys(("action", "limits", "source"), ""),
        }

    sound.record(
        "wiring",
        {
            "format": "busprobe.wiring/1",
            "judgements": [
                judgement("A-B resistance, power off", "good"),
                judgement("A-B idle voltage", "wrong"),
            ],
            "observations": [{"seen": "Junk was heard.", "certain": False, "hints": []}],
            "skipped": ["supply at the far unit"],
        },
    )
    assert attention(sound) == (
        "Wiring, A-B idle voltage: 58 Ω. Fits two terminators.",
        "Wiring: Junk was heard.",
    )
    assert "Wiring: supply at the far unit was left out." in not_tested(sound)
    assert "The wiring was not measured." not in not_tested(sound)


def test_what_nobody_looked_at_is_said_unit_by_unit(done: Job) -> None:
    assert not_tested(done) == (
        "Line settings other than 9600-8N1 were not searched.",
        "The wiring was not measured.",
        "No values were read: 5.",
        "Some values were not read: 12 TT-12.",
        "No endurance run: 5.",
        "Not checked after a power cycle: 5.",
    )


def test_what_a_survey_left_out_is_said(done: Job) -> None:
    left = {
        "settings": SETTINGS,
        "probes": ["read"],
        "addresses": "9-20",
        "why": "it was cancelled",
    }
    begun = survey_again(done, complete=False, untested=[left, {**left, "settings": "19200-8E1"}])
    assert not_tested(done)[:3] == (
        f"The survey of {begun} did not search all that was asked for.",
        "Survey: 9600-8N1, 19200-8E1, addresses 9-20 were not asked everything, it was cancelled.",
        "Addresses 21-247 were not searched.",
    )


def test_a_survey_that_was_cut_off_says_so(done: Job) -> None:
    done.begin_survey({"port": "COM7", "settings": [SETTINGS], "addresses": "1-247"})
    assert any("was cut off; how far it got is not known" in caveat for caveat in not_tested(done))


def placed(job: Job, *, far: dict[str, Any], near: dict[str, Any]) -> None:
    """Note more of both units: 5 is next to the master, 12 behind it."""
    for address, more in ((5, near), (12, far)):
        unit = job.unit(Place.parse(f"{address} {SETTINGS}"))
        assert unit is not None
        job.put_unit(replace(unit, **more))


@pytest.mark.parametrize(
    ("near", "far", "at_master", "caveat"),
    [
        ({"position": 2}, {}, None, "Place 2 along the cable is noted of 2 units: 5, 12 TT-12."),
        (
            *({"distance_m": 40.0}, {"distance_m": 12.5}, None),
            (
                "Address 12 (0x0C) 9600-8N1 TT-12: noted behind 5 along the cable, but nearer to"
                " the master: 12.5 m and 40 m."
            ),
        ),
        (
            *({"terminator": True}, {"terminator": True}, True),
            "3 terminators are noted; a pair has 2, one at either end (V1.02 section 3.4.5).",
        ),
        (
            *({"terminator": True}, {"terminator": False}, True),
            (
                "Address 5 (0x05) 9600-8N1: a terminator is noted here, and this is not the end of"
                " the cable."
            ),
        ),
        ({"distance_m": 12.5}, {"distance_m": 40.0, "terminator": True}, True, None),
        ({}, {"terminator": True}, None, None),
    ],
)
def test_what_is_noted_along_the_cable_and_cannot_be_needs_attention(
    sound: Job,
    near: dict[str, Any],
    far: dict[str, Any],
    at_master: bool | None,
    caveat: str | None,
) -> None:
    placed(sound, near=near, far=far)
    sound.set_cabling(Cabling(terminator_at_master=at_master))
    assert attention(sound) == (() if caveat is None else (caveat,))

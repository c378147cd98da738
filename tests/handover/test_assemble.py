from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from busprobe.errors import FileError
from busprobe.handover.assemble import assemble
from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.job import Cabling, Job, UnitRecord
from busprobe.job.intervals import USUAL, Intervals, keep_intervals
from busprobe.job.journal import Result, Role, WriteIntent
from busprobe.job.plan import PlannedUnit, keep_plan
from busprobe.job.records import EntryKind, PollResult
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, RegisterWrite
from tests.handover.conftest import METER_UNIT, POLLED, PROFILES, SENSOR_UNIT, SETTINGS


def rows(bus_list: BusList) -> dict[int, UnitRow]:
    return {row.address: row for row in bus_list.units}


def test_the_segment_sheet_says_where_who_and_with_what(bus_list: BusList) -> None:
    sheet = bus_list.segment
    assert (sheet.site, sheet.segment, sheet.tester) == ("Mill Lane", "Hall 2", "R. Vale")
    assert (sheet.port, sheet.adapter, sheet.created) == (
        "COM7",
        "USB serial adapter",
        "2026-03-02T08:00:01.000Z",
    )
    assert sheet.made > sheet.created
    assert sheet.tool.startswith("busprobe ")
    assert (sheet.settings, sheet.units, sheet.wiring) == ((SETTINGS,), 2, None)
    assert sheet.survey is not None
    assert (sheet.survey.complete, sheet.survey.seconds, sheet.survey.addresses) == (
        True,
        12.3,
        "1-247",
    )
    assert (sheet.survey.echo, sheet.survey.other_master, sheet.survey.noise_bytes) == (
        False,
        False,
        3,
    )
    assert sheet.survey.notes == ("3 bytes of junk",)


def test_what_hands_at_the_terminals_did_is_carried_over(done: Job) -> None:
    """Who read the cautions, and each hunt with its log."""
    done.record("cautions", {"by": "R. Vale"})
    for log in (["09:00:01  unit 2 answers"], []):
        done.record("hunt", {"addresses": "1-3", "log": log})
    sheet = assemble(done, PROFILES).segment
    assert sheet.cautions is not None
    assert sheet.cautions.document["by"] == "R. Vale"
    assert [hunt.document["log"] for hunt in sheet.hunts] == [["09:00:01  unit 2 answers"], []]


def test_rows_come_in_cable_order_then_by_address_then_reserved(done: Job) -> None:
    done.put_unit(UnitRecord(Place.parse(f"3 {SETTINGS}")))
    found = [(row.number, row.address, row.state) for row in assemble(done, PROFILES).units]
    assert found == [
        (1, 5, "unit"),
        (2, 12, "unit"),
        (3, 3, "unit"),
        (4, 1, "reserved"),
        (5, 240, "reserved"),
    ]


def test_a_unit_row_joins_the_record_with_its_profile(bus_list: BusList) -> None:
    assert rows(bus_list)[12] == UnitRow(
        number=2,
        state=EntryKind.UNIT,
        address=12,
        settings=SETTINGS,
        position=2,
        tag="TT-12",
        location="Hall 2, panel B",
        device_type="temperature sensor",
        maker="Garnet Sensing",
        model="GS-1",
        serial="00451",
        identity_source="profile fits 90%",
        profile="garnet-gs-1",
        match=0.9,
        factory_address=1,
        found_at="12 9600-8N1",
        identity="00451",
        previous_address=1,
        how_set="register 257",
        power_cycle_verified=True,
        read_functions=(3, 4),
        write_function=6,
        word_orders=("CDAB",),
        numbering="reference",
        registers_a_request=16,
        gap_ms=20.0,
        latency_minimum_ms=8.1,
        latency_median_ms=9.4,
        latency_maximum_ms=15.0,
        polls=100,
        timeouts=1,
        crc_errors=2,
        other_errors=2,
        exceptions=1,
        after_junk=0,
        seen="2026-03-02T09:00:00.000Z",
        remarks=("behind the fan",),
    )


def test_the_units_own_word_counts_more_than_the_profile(bus_list: BusList) -> None:
    row = rows(bus_list)[5]
    assert (row.maker, row.model, row.revision) == ("Hazel Metering", "HM-9-63", "1.4")
    assert (row.identity_source, row.device_type) == ("said by the unit", "energy meter")
    assert (row.polls, row.timeouts, row.power_cycle_verified) == (None, None, None)


def test_who_names_maker_and_model_is_told(done: Job) -> None:
    """What the list keeps as identity is the unit's own words; without any, the paper claims that a
    profile fits."""
    done.put_unit(replace(SENSOR_UNIT, identity={"vendor": "Garnet Sensing", "product": "GS-1"}))
    assert rows(assemble(done, PROFILES))[12].identity_source == "said by the unit"
    done.put_unit(replace(SENSOR_UNIT, identity={}))
    assert rows(assemble(done, PROFILES))[12].identity_source == "profile fits 90%"


def test_a_weak_match_names_no_maker(done: Job) -> None:
    """A profile that merely might fit must not become a make and model on paper."""
    done.put_unit(UnitRecord(Place.parse(f"20 {SETTINGS}"), profile="garnet-gs-1", match=0.4))
    bus_list = assemble(done, PROFILES)
    row = rows(bus_list)[20]
    assert (row.maker, row.model, row.device_type, row.factory_address) == ("", "", "", None)
    assert (row.profile, row.match) == ("garnet-gs-1", 0.4)
    assert any("fits only 40%" in caveat for caveat in bus_list.attention)
    assert any("device type is not known: 20." in caveat for caveat in bus_list.not_tested)


def test_a_profile_chosen_by_hand_says_so(done: Job) -> None:
    done.put_unit(UnitRecord(Place.parse(f"20 {SETTINGS}"), profile="garnet-gs-1"))
    assert rows(assemble(done, PROFILES))[20].identity_source == "chosen by hand"


def test_a_profile_this_computer_does_not_have_leaves_its_columns_empty(done: Job) -> None:
    bus_list = assemble(done, {})
    row = rows(bus_list)[12]
    assert (row.profile, row.maker, row.registers_a_request, row.read_functions) == (
        "garnet-gs-1",
        "",
        None,
        (),
    )
    assert [(point.name, point.sheet_register, point.text) for point in bus_list.points] == [
        ("Temperature", None, "-5.2 °C")
    ]
    assert not [row for row in bus_list.units if row.state == "reserved"]


def test_a_clash_has_no_device_facts_and_no_points(done: Job) -> None:
    """What two units say at once belongs to neither of them."""
    done.put_unit(replace(SENSOR_UNIT, place=Place.parse(f"20 {SETTINGS}"), kind=EntryKind.CLASH))
    bus_list = assemble(done, PROFILES)
    row = rows(bus_list)[20]
    assert (row.state, row.maker, row.model, row.serial, row.profile) == ("clash", "", "", "", None)
    assert not [point for point in bus_list.points if point.address == 20]
    assert "Address 20 (0x14) 9600-8N1 TT-12: two or more units answer." in bus_list.attention


def test_points_are_listed_as_read_and_the_others_as_not_read(bus_list: BusList) -> None:
    read, unread = bus_list.points
    assert (read.address, read.tag, read.name, read.value, read.text) == (
        12,
        "TT-12",
        "Temperature",
        -5.2,
        "-5.2 °C",
    )
    assert (read.function, read.register, read.sheet_register, read.numbering) == (
        4,
        1,
        30002,
        "reference",
    )
    assert (read.registers, read.plausible, read.word_order) == ((0xFFCC,), True, None)
    assert (unread.name, unread.register, unread.sheet_register) == ("Operating hours", 10, 40011)
    assert (unread.registers, unread.value, unread.text, unread.plausible) == (None, None, "", None)
    assert unread.word_order == "CDAB"
    assert "Some values were not read: 12 TT-12." in bus_list.not_tested


def test_factory_addresses_are_reserved_with_what_is_known_of_them(bus_list: BusList) -> None:
    survey = bus_list.segment.survey
    assert survey is not None
    assert rows(bus_list)[1].remarks == (
        (
            "Keep free: factory address of Garnet Sensing GS-1. Silent in the survey of"
            f" {survey.begun}."
        ),
    )
    assert (
        rows(bus_list)[240]
        .remarks[0]
        .startswith("Keep free: factory address of Hazel Metering HM-9.")
    )


def test_a_factory_address_in_use_is_not_reserved(done: Job) -> None:
    done.put_unit(UnitRecord(Place.parse("1 19200-8E1")))
    assert rows(assemble(done, PROFILES))[1].state is EntryKind.UNIT


def survey_again(job: Job, **changes: Any) -> str:
    """A later survey; returns when it was begun."""
    asked = {"port": "COM7", "settings": [SETTINGS], "addresses": "1-20"}
    survey = job.begin_survey(asked)
    job.end_survey(survey, {**asked, "complete": True, "line": {}, "findings": [], **changes})
    record = job.latest_survey()
    assert record is not None
    return record.begun


def test_a_reserved_address_never_claims_more_than_the_survey_saw(done: Job) -> None:
    begun = survey_again(done, findings=[{"address": 1, "settings": SETTINGS, "kind": "clash"}])
    found = rows(assemble(done, PROFILES))
    assert found[1].remarks[0].endswith(f"Answered in the survey of {begun}; not surveyed since.")
    assert found[240].remarks[0].endswith("Not tested.")
    survey_again(done, complete=False)
    assert rows(assemble(done, PROFILES))[1].remarks[0].endswith("Not tested to the end.")


def test_a_survey_that_is_damaged_in_the_job_is_told_with_its_file(done: Job) -> None:
    survey_again(done, settings=["fast"])
    with pytest.raises(FileError, match="the last survey is damaged"):
        assemble(done, PROFILES)


def test_spare_addresses_are_those_a_complete_survey_found_silent(done: Job) -> None:
    assert assemble(done, PROFILES).segment.spare == "2-4,6-11,13-239,241-247"
    survey_again(done, findings=[{"address": 3, "settings": SETTINGS, "kind": "unsure"}])
    assert assemble(done, PROFILES).segment.spare == "2,4,6-11,13-20"
    survey_again(done, complete=False)
    assert assemble(done, PROFILES).segment.spare is None


def test_the_journal_has_every_write_with_its_bytes(bus_list: BusList) -> None:
    (row,) = bus_list.journal
    assert (row.number, row.kind, row.from_address, row.to_address) == (1, "readdress", 1, 12)
    assert (row.request, row.outcome, row.tester) == ("01 06 01 01 00 0C", "verified", "R. Vale")
    (entry,) = row.conclusions
    assert (entry.outcome, entry.reply, entry.why) == (
        "verified",
        "01 06 01 01 00 0C",
        "12 answers, 1 is silent",
    )
    assert (row.reply_from, row.wanted_settings, row.serial, row.power_cycle_verified) == (
        1,
        SETTINGS,
        "00451",
        True,
    )


def test_a_write_that_did_not_take_names_the_unit_where_it_still_is(done: Job) -> None:
    write = done.intend_write(
        WriteIntent(
            role=Role.SETTINGS,
            source=Place(12, LineSettings.parse(SETTINGS)),
            target=Place.parse("12 19200-8E1"),
            write=RegisterWrite(257, (12,), Function.WRITE_SINGLE_REGISTER),
            request=bytes.fromhex("0C0601020007"),
            words="Tell unit 12 to talk at 19200-8E1.",
        )
    )
    done.conclude_write(write, outcome=Result.NOT_VERIFIED, reply=None, why="no reply")
    row = assemble(done, PROFILES).journal[-1]
    assert (row.settings, row.wanted_settings, row.serial) == (SETTINGS, "19200-8E1", "00451")
    assert (row.reply_from, row.power_cycle_verified) == (None, None)


def test_the_proof_sums_up_all_units_polled(done: Job) -> None:
    done.put_unit(replace(METER_UNIT, counters={PollResult.OK: 50}))
    done.record("prove", {"seconds": 60.0})
    proof = assemble(done, PROFILES).proof
    assert proof is not None
    assert (proof.units, proof.polls) == (2, 150)
    assert proof.results == {**POLLED, PollResult.OK: 144}
    assert proof.latest is not None
    assert proof.latest.document == {"seconds": 60.0}


def test_an_empty_job_claims_nothing(job: Job) -> None:
    bus_list = assemble(job, PROFILES)
    assert (bus_list.units, bus_list.points, bus_list.journal, bus_list.proof) == ((), (), (), None)
    assert bus_list.segment.survey is None
    assert bus_list.segment.spare is None
    assert bus_list.attention == ()
    assert bus_list.not_tested == ("The pair was not surveyed.", "The wiring was not measured.")


def test_each_row_says_how_it_stands_to_the_plan(done: Job) -> None:
    other = LineSettings.parse("19200-8E1")
    keep_plan(
        done,
        [
            PlannedUnit(
                "TT-12",
                12,
                profile="garnet-gs-1",
                settings=LineSettings.parse(SETTINGS),
                position=2,
            ),
            PlannedUnit("EM-5", 5, settings=other, position=1),
            PlannedUnit(
                "TT-13", 13, "Hall 3", "garnet-gs-1", position=3, distance_m=40.0, terminator=True
            ),
        ],
    )
    done.put_unit(UnitRecord(Place.parse(f"30 {SETTINGS}")))
    bus_list = assemble(done, PROFILES)
    found = rows(bus_list)
    assert found[12].plan == "as planned"  # its tag was noted
    assert found[5].plan == "planned with 19200-8E1"
    assert found[30].plan == "not planned"
    assert found[12].as_planned
    assert found[5].as_planned is found[30].as_planned is False
    missing = found[13]
    assert (missing.state, missing.tag, missing.location, missing.plan) == (
        *("planned", "TT-13", "Hall 3"),
        "planned and not found",
    )
    assert (missing.position, missing.distance_m, missing.terminator, missing.maker) == (
        3,
        40.0,
        True,
        "Garnet Sensing",
    )
    assert bus_list.segment.units == 3, "what is planned is no unit"
    assert bus_list.segment.spare is not None
    assert "13" not in bus_list.segment.spare.split(",")


def test_without_a_plan_nothing_is_said_of_one(bus_list: BusList) -> None:
    assert {unit.plan for unit in bus_list.units} == {""}


def test_what_was_noted_fills_what_the_unit_does_not_say(done: Job) -> None:
    read_off = {
        "maker": "Other",
        "model": "X",
        "serial": "777",
        "supply": "24 V DC, F3",
        "remark": "upside down",
    }
    done.put_unit(
        replace(METER_UNIT, noted=read_off, distance_m=12.5, terminator=True, label_fitted=False)
    )
    done.put_unit(UnitRecord(Place.parse(f"30 {SETTINGS}"), noted=read_off))
    done.set_cabling(Cabling(cable="2 x 2 x 0.8", keep_free="200-202,12"))
    bus_list = assemble(done, PROFILES)
    meter, unknown = rows(bus_list)[5], rows(bus_list)[30]
    assert (meter.maker, meter.model, meter.serial) == ("Hazel Metering", "HM-9-63", "777")
    assert (meter.identity_source, meter.supply, meter.remarks) == (
        "said by the unit",
        "24 V DC, F3",
        ("upside down",),
    )
    assert (meter.distance_m, meter.terminator, meter.label_fitted) == (12.5, True, False)
    assert (unknown.maker, unknown.model, unknown.identity_source) == (
        "Other",
        "X",
        "read off by hand",
    )
    assert bus_list.segment.cabling.cable == "2 x 2 x 0.8"
    reserved = [unit.address for unit in bus_list.units if unit.state == "reserved"]
    assert reserved == [1, 200, 201, 202, 240]


def test_points_know_how_often_they_are_wanted(done: Job, bus_list: BusList) -> None:
    assert (bus_list.segment.every_s, {point.every_s for point in bus_list.points}) == (
        None,
        {USUAL},
    )
    keep_intervals(done, Intervals(5.0, {("garnet-gs-1", "Temperature"): 1.0}))
    said = assemble(done, PROFILES)
    assert said.segment.every_s == 5.0
    assert {point.name: point.every_s for point in said.points} == {
        "Temperature": 1.0,
        "Operating hours": 5.0,
    }

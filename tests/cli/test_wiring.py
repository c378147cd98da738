"""Wiring commands: published worked examples by the command line, and verdicts with their exit
codes."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job
from busprobe.wiring.cautions import acknowledgement
from tests.cli.conftest import Command


def test_the_modbus_guides_own_network_idles_where_it_should(command: Command) -> None:
    """MODBUS over Serial Line V1.02, section 3.4.6: 650 ohm from 5 V with two 120 ohm terminators;
    220.6 mV and, with 28 unit loads, 206.8 mV computed from it."""
    assert command("wiring", "bias", "--resistor", 650, "--json").document[
        "idle_volts"
    ] == pytest.approx(0.2206, abs=1e-4)
    loaded = command("wiring", "bias", "--resistor", 650, "--unit-loads", 28, "--json").document
    assert loaded["idle_volts"] == pytest.approx(0.2068, abs=1e-4)


def test_largest_equal_bias_pair(command: Command) -> None:
    """5 V, two 120 ohm terminators, 200 mV wanted: 720 ohm each (computed by Kirchhoff's current
    law)."""
    assert command("wiring", "bias", "--json").document["resistor_ohms"] == pytest.approx(
        720, abs=0.1
    )


def test_a_published_stub(command: Command) -> None:
    """TI SN65HVD3x datasheet, table 9-1: 25 ns gives about 0.6 m."""
    assert command("wiring", "stub", "--rise-time", 25, "--json").document[
        "by_edge_metres"
    ] == pytest.approx(0.585)


def test_length_by_both_sources(command: Command) -> None:
    """Length times rate up to 1e8 (TI SLLA272): 868 m at 115200; the Modbus guide's 1000 m up to
    9600."""
    assert command("wiring", "length", "--baud", 115200, "--json").document[
        "metres"
    ] == pytest.approx(868, abs=0.5)
    assert command("wiring", "length", "--baud", 9600, "--json").document["metres"] == 1000


def test_drop_of_a_computed_example(command: Command) -> None:
    """100 m of AWG24 and 50 mA lose 0.842 V (computed from 84.22 ohm/km, cirris.com wire table)."""
    ran = command("wiring", "drop", "100:0.05", "--supply", 24, "--wire", "AWG24", "--json")
    assert 24 - ran.document["volts"][0] == pytest.approx(0.842, abs=1e-3)


def test_a_load_budget_with_and_without_bias(command: Command) -> None:
    """MODBUS over Serial Line V1.02, sections 3.4.1 and 3.4.6: 32 units, four fewer with
    polarization."""
    units = ["1"] * 32
    assert command("wiring", "loads", *units, "--no-bias", "--json").document["repeaters"] == 0
    assert command("wiring", "loads", *units, "--json").document["repeaters"] == 1


def test_loads_may_be_written_so_many_times(command: Command) -> None:
    assert command("wiring", "loads", "1", "31x1", "--no-bias", "--json").document["repeaters"] == 0


def test_bits_of_a_byte_with_formula_and_source(command: Command) -> None:
    """MODBUS over Serial Line V1.02, section 2.6.1: 1100 0101 has four ones: odd parity bit 1."""
    told = command("wiring", "bits", "C5", "--settings", "9600-8O1").out
    assert "C5  0 10100011 1 1" in told
    assert "Formula: start 0, data from the lowest bit" in told
    assert "Source: MODBUS over Serial Line V1.02" in told


def test_a_calculation_is_kept_in_the_job_if_one_is_named(command: Command, tmp_path: Path) -> None:
    """Beside the readings, which it leaves as they are."""
    job_file = tmp_path / "plant.busjob"
    command("wiring", "meter", "--resistance", "61", "--job", job_file)
    ran = command("wiring", "stub", "--rise-time", 25, "--job", job_file, "--json")
    with Job.open(job_file) as job:
        record = job.latest("wiring")
    assert record is not None
    assert [j["reading"] for j in record.document["judgements"]] == ["61.0 Ω"]
    (kept,) = record.document["sums"]
    assert (kept["sum"], kept["formula"]) == ("stub", ran.document["formula"])


def test_bias_without_terminators(command: Command) -> None:
    """B&B Electronics RS-422/485 Application Note, page 19: 9 kohm for both resistors, loads across
    the pair."""
    ran = command("wiring", "bias", "--no-terminators", "--unit-loads", 32, "--across", "--json")
    assert ran.document["resistor_ohms"] == 4500


def test_time_of_a_read_says_what_it_counts(command: Command) -> None:
    ran = command("wiring", "time", "--settings", "9600-8N1", "--json")
    assert (ran.document["request_bytes"], ran.document["reply_bytes"]) == (8, 7)
    assert ran.document["milliseconds"] == pytest.approx(
        15 * 10 / 9.6 + 2 * 3.5 * 10 / 9.6, abs=1e-3
    )


def test_meter_readings_are_judged_and_kept(command: Command, tmp_path: Path) -> None:
    job_file = tmp_path / "plant.busjob"
    ran = command(
        "wiring", "meter", "--resistance", "61", "--idle", "0.3", "--job", job_file, "--json"
    )
    assert ran.code == ExitCode.DONE
    assert [j["level"] for j in ran.document["judgements"]] == ["good", "good"]
    assert "supply at the far unit" in ran.document["skipped"]
    with Job.open(job_file) as job:
        record = job.latest("wiring")
    assert record is not None
    assert record.document == ran.document


@pytest.mark.parametrize(
    "arguments",
    [
        ("bias", "--resistor", 2000),
        ("loads", "40x1"),
        ("length", "--baud", 115200, "--metres", 1000),
        ("drop", "1000:5"),
    ],
)
def test_a_calculation_that_asks_for_a_change_needs_attention(
    arguments: tuple[object, ...], command: Command
) -> None:
    """Too little bias, a repeater, a shorter or slower trunk, thicker wire: scripts see it by the
    exit code."""
    assert command("wiring", *arguments).code == ExitCode.ATTENTION


def test_a_bad_reading_needs_attention_and_says_what_to_do(command: Command) -> None:
    ran = command("wiring", "meter", "--resistance", "3")
    assert ran.code == ExitCode.ATTENTION
    assert "Next:" in ran.out
    assert "Local codes and licensed practice come first" in ran.err


def test_cautions_that_were_read_in_the_job_are_not_said_again(
    command: Command, tmp_path: Path
) -> None:
    job_file = tmp_path / "plant.busjob"
    reading = ("wiring", "meter", "--resistance", "61", "--job", job_file)
    assert "Caution: " in command(*reading).err
    with Job.open(job_file) as job:
        job.record("cautions", acknowledgement("K. Marsh", datetime(2026, 1, 1, tzinfo=UTC)))
    assert "Caution: " not in command(*reading).err


@pytest.mark.parametrize(
    "arguments",
    [
        ("meter", "--resistance", "much"),
        ("drop", "50"),
        ("drop", "50:0.1", "--wire", "thick"),
        ("loads", "99"),
        ("bits", "C"),
    ],
)
def test_nonsense_is_named(arguments: tuple[str, ...], command: Command) -> None:
    ran = command("wiring", *arguments)
    assert ran.code == ExitCode.USAGE
    assert ran.err


def test_a_hunt_is_kept_in_the_job_if_one_is_named(command: Command, tmp_path: Path) -> None:
    """Who began to answer, with the time of day."""
    job_file = tmp_path / "plant.busjob"
    clean = ("--port", "virtual:clean", "--settings", "9600-8N1")
    ran = command("hunt", *clean, "--addresses", "11-12", "--rounds", 1, "--job", job_file)
    assert ran.code == ExitCode.DONE
    with Job.open(job_file) as job:
        record = job.latest("hunt")
    assert record is not None
    assert record.document["addresses"] == "11-12"
    assert [line.split("  ")[1] for line in record.document["log"]] == [
        "unit 11 answers",
        "unit 12 answers",
    ]

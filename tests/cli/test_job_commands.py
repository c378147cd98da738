"""The job by commands on virtual segments: documents, exit codes, and what is kept."""

from __future__ import annotations

import csv
import threading
from pathlib import Path

import pytest
from crccheck.crc import CrcModbus

from busprobe.errors import ExitCode
from busprobe.job import Job
from busprobe.line.clock import VirtualClock
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.text import hex_bytes
from busprobe.wiring.hunt import (
    HuntEvent,
    HuntRound,
    PortBack,
    PortEvent,
    PortLost,
    Seen,
    UnitChanged,
)
from tests.cli.conftest import Command

CLEAN = ("--port", "virtual:clean", "--settings", "9600-8N1")


def test_survey_document_has_the_fields_that_others_read(command: Command) -> None:
    ran = command("survey", *CLEAN, "--addresses", "1-60", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    document = ran.document
    assert document["format"] == "busprobe.survey/1"
    assert (document["port"], document["settings"], document["addresses"]) == (
        "virtual:clean",
        ["9600-8N1"],
        "1-60",
    )
    assert document["complete"] is True
    assert document["line"] == {"echo": False, "other_master": False, "noise_bytes": 0}
    assert [finding["address"] for finding in document["findings"]] == [11, 12, 21, 31, 41, 51]
    for finding in document["findings"]:
        assert set(finding) >= {
            "settings",
            "kind",
            "latency_ms",
            "profile",
            "match",
            "identity",
            "evidence",
            "notes",
        }
        assert finding["kind"] == "unit"
        assert finding["evidence"]


def test_a_clash_needs_attention(command: Command) -> None:
    ran = command(
        "survey",
        "--port",
        "virtual:clash",
        "--settings",
        "9600-8N1",
        "--addresses",
        "1-20",
        "--json",
    )
    assert ran.code == ExitCode.ATTENTION
    assert "clash" in {finding["kind"] for finding in ran.document["findings"]}


def test_fewer_units_than_expected_need_attention(command: Command) -> None:
    assert (
        command("survey", *CLEAN, "--addresses", "1-60", "--expect", "7").code == ExitCode.ATTENTION
    )
    assert command("survey", *CLEAN, "--addresses", "1-60", "--expect", "2").code == ExitCode.DONE


def test_nobody_is_not_called_absent(command: Command) -> None:
    ran = command("survey", *CLEAN, "--addresses", "1-5")
    assert "No reply was received. That does not prove that no unit is connected." in ran.out
    assert ran.code == ExitCode.ATTENTION


def test_an_echoing_adapter_is_told(command: Command) -> None:
    ran = command(
        "survey", "--port", "virtual:echo", "--settings", "9600-8N1", "--addresses", "11", "--json"
    )
    assert ran.document["line"]["echo"] is True


def test_another_master_stops_the_survey_unless_told_otherwise(command: Command) -> None:
    ran = command(
        "survey",
        "--port",
        "virtual:second-master",
        "--settings",
        "9600-8N1",
        "--addresses",
        "1-5",
        "--json",
    )
    assert ran.code == ExitCode.ATTENTION
    assert ran.document["complete"] is False
    assert ran.document["untested"]
    assert ran.document["line"]["other_master"] is True
    assert "--despite-master" in ran.err


def test_a_survey_names_each_unit_with_its_values(command: Command) -> None:
    """What units say of themselves is in their own evidence; values are those of the scenario."""
    ran = command("survey", *CLEAN, "--addresses", "1-60", "--json")
    by_address = {finding["address"]: finding for finding in ran.document["findings"]}
    assert by_address[31]["profile"] == "dunmere-dx-8"
    assert by_address[31]["match"] >= 0.7
    assert "ProductCode is 'DX-8', as expected." in by_address[31]["reasons"]
    assert by_address[31]["identity"]["vendor"] == "Dunmere Controls"
    temperatures = [v for v in by_address[12]["readings"] if v["name"] == "Temperature"]
    assert [v["value"] for v in temperatures] == [pytest.approx(18.9, abs=0.7)]
    assert "31 (0x1F) at 9600-8N1: unit, dunmere-dx-8" in ran.err
    told = command("survey", *CLEAN, "--addresses", "1-60").out
    assert "dunmere-dx-8 (" in told
    assert "Values of 6 of 6 read" in told


TWO = (
    *("survey", "--port", "virtual:site", "--no-quick-look"),
    *("--settings", "9600-8N1", "--settings", "38400-8N1"),
)


@pytest.mark.parametrize(
    ("then", "found", "ended", "left_out"),
    [
        ("go-on", {1, 2, 247}, None, set()),
        ("where-found", {1, 2, 247}, None, {"38400-8N1"}),
        ("stop", {1, 2}, "enough", {"9600-8N1", "38400-8N1"}),
    ],
)
def test_an_option_says_what_follows_the_first_pass(
    command: Command, then: str, found: set[int], ended: str | None, left_out: set[str]
) -> None:
    """The unit at 247 is too slow for a first pass without a quick look.  Document and exit code
    tell what was left out."""
    ran = command(*TWO, "--after-first-pass", then, "--json")
    document = ran.document
    assert document["ended"] == ended
    assert {finding["address"] for finding in document["findings"]} == found
    assert document["first_pass"]["found"] == 2
    assert {untested["settings"] for untested in document["untested"]} == left_out
    assert document["complete"] is not bool(left_out)
    assert ran.code == ExitCode.ATTENTION, "a clash among them, or something left out"
    assert all(f["readings"] for f in document["findings"] if f["kind"] == "unit")
    assert "First pass: 2 found in" in ran.err


def test_a_search_that_stopped_at_the_number_expected_proves_no_more(command: Command) -> None:
    ran = command("survey", *CLEAN, "--addresses", "1-60", "--expect", "2")
    assert ran.code == ExitCode.DONE
    assert "2 found, as many as expected: the search ended there." in ran.out
    assert "That no other unit is connected was not checked." in ran.out


def test_identify_without_an_address_asks_all_units_of_the_job(
    command: Command, tmp_path: Path
) -> None:
    job_file = tmp_path / "clash.busjob"
    asked = ("identify", "--port", "virtual:clash", "--job", job_file)
    assert command(*asked).code == ExitCode.USAGE
    clash = ("--port", "virtual:clash", "--settings", "9600-8N1", "--addresses", "1-20")
    command("survey", *clash, "--job", job_file)
    ran = command(*asked, "--json")
    document = ran.document
    assert ran.code == ExitCode.ATTENTION
    assert document["format"] == "busprobe.identify-all/1"
    with Job.open(job_file) as job:
        alone = {unit.address: unit.profile for unit in job.units() if unit.single}
        others = [unit.address for unit in job.units() if not unit.single]
    assert alone
    assert {unit["address"]: unit["profile"] for unit in document["units"]} == alone
    assert all(unit["readings"] for unit in document["units"])
    assert [(each["address"], each["kind"]) for each in document["not_asked"]] == [
        (address, "clash") for address in others
    ]
    told = command(*asked)
    assert all(f"Not asked: {address} (" in told.out for address in others)


@pytest.mark.parametrize("given", [(), ("--address", "5"), ("--settings", "9600-8N1")])
def test_identify_has_to_be_told_which_unit(command: Command, given: tuple[str, ...]) -> None:
    ran = command("identify", "--port", "virtual:clean", *given)
    assert ran.code == ExitCode.USAGE
    assert "Give --settings and --address, or --job alone" in ran.err


def test_identify_names_the_profile_and_reads_values(command: Command) -> None:
    ran = command("identify", *CLEAN, "--address", "21", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    assert ran.document["profile"] == "brookvale-bm-330"
    assert 0.7 <= ran.document["match"] <= 1
    assert ran.document["candidates"][0]["reasons"]
    assert all(reading["plausible"] is not False for reading in ran.document["readings"])
    assert "Brookvale Metering BM-330" in command("identify", *CLEAN, "--address", "21").out


def test_readdress_verifies_and_keeps_the_journal(command: Command, tmp_path: Path) -> None:
    job_file = tmp_path / "plant.busjob"
    ran = command(
        "readdress", *CLEAN, "--from", 11, "--to", 13, "--yes", "--job", job_file, "--json"
    )
    assert ran.code == ExitCode.DONE, ran.err
    document = ran.document
    assert document["format"] == "busprobe.readdress/1"
    assert (document["from"], document["to"], document["outcome"]) == (11, 13, "verified")
    body = bytes.fromhex("0B 06 01 01 00 0D")
    assert document["request"] == hex_bytes(body + CrcModbus.calc(body).to_bytes(2, "little"))
    assert (
        "Write 13 (0x000D) to holding register 257 (0x0101) of unit 11 (0x0B), function code 6."
        in ran.err
    )
    with Job.open(job_file) as job:
        (write,) = job.writes()
        assert (write.source.address, write.target.address, write.outcome) == (11, 13, "verified")
        assert [unit.address for unit in job.units()] == [13]


def test_a_taken_target_is_refused_and_nothing_is_written(command: Command, tmp_path: Path) -> None:
    job_file = tmp_path / "plant.busjob"
    ran = command(
        "readdress", *CLEAN, "--from", 11, "--to", 12, "--yes", "--job", job_file, "--json"
    )
    assert ran.code == ExitCode.REFUSED
    assert ran.document["outcome"] == "refused"
    with Job.open(job_file) as job:
        assert job.writes() == ()


def test_without_a_yes_nothing_is_written(
    command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The question is asked, and anything but a plain yes is a no."""
    asked = []
    monkeypatch.setattr("click.confirm", lambda text, **_: asked.append(text))
    ran = command(
        "readdress", *CLEAN, "--from", 11, "--to", 13, "--job", tmp_path / "plant.busjob", "--json"
    )
    assert asked == ["Send this write?"]
    assert (ran.code, ran.document["outcome"]) == (ExitCode.REFUSED, "refused")


def test_a_register_by_hand_comes_with_a_plainer_warning(command: Command, tmp_path: Path) -> None:
    ran = command(
        *("readdress", *CLEAN, "--from", 11, "--to", 13, "--register", "0x0101", "--function", 6),
        *("--yes", "--job", tmp_path / "plant.busjob", "--json"),
    )
    assert ran.code == ExitCode.DONE, ran.err
    assert "was given by hand" in ran.err


def test_survey_prove_and_hand_over_from_one_job(command: Command, tmp_path: Path) -> None:
    job_file, out = tmp_path / "plant.busjob", tmp_path / "out"
    assert (
        command("survey", *CLEAN, "--addresses", "10-60", "--job", job_file).code == ExitCode.DONE
    )
    for address in (11, 12, 21, 31, 41, 51):
        assert (
            command("identify", *CLEAN, "--address", address, "--job", job_file).code
            == ExitCode.DONE
        )
    proved = command("prove", "--port", "virtual:clean", "--job", job_file, "--rounds", 3, "--json")
    assert proved.code == ExitCode.DONE, proved.err
    assert (proved.document["rounds"], proved.document["failed"], proved.document["complete"]) == (
        3,
        0,
        True,
    )
    handed = command("handover", "--job", job_file, "--out", out, "--json")
    assert handed.code == ExitCode.DONE, handed.err
    with (out / "bus-list.csv").open(encoding="utf-8-sig", newline="") as file:
        units = [row["Address"] for row in csv.DictReader(file) if row["State"] == "unit"]
    assert units == ["11", "12", "21", "31", "41", "51"]
    again = command("handover", "--job", job_file, "--out", out)
    assert again.code == ExitCode.REFUSED
    assert command("handover", "--job", job_file, "--out", out, "--overwrite").code == ExitCode.DONE


def test_an_adapter_pulled_in_mid_survey_keeps_what_was_found_and_the_job_goes_on(
    command: Command, tmp_path: Path
) -> None:
    """Exit code 3, the findings so far printed and kept; the next survey of the job asks only what
    is left."""
    scenario = tmp_path / "pulled.toml"
    units = [("a", 2), ("b", 40)]
    scenario.write_text(
        'title = "An adapter that is pulled"\n[adapter]\nunplugged_at = 4.0\n'
        + "".join(
            f'[[units]]\nname = "{name}"\ntype = "at-10"\naddress = {address}\n'
            for name, address in units
        ),
        encoding="utf-8",
    )
    job_file = tmp_path / "plant.busjob"
    asked = ("--settings", "9600-8N1", "--addresses", "1-40", "--job", job_file, "--json")
    pulled = command("survey", "--port", f"virtual:{scenario}", *asked)
    assert pulled.code == ExitCode.PORT_FAILED
    assert pulled.document["complete"] is False
    assert [finding["address"] for finding in pulled.document["findings"]] == [2]
    assert "because the port failed" in {left["why"] for left in pulled.document["untested"]}
    assert "gone" in pulled.err
    with Job.open(job_file) as job:
        assert [unit.address for unit in job.units()] == [2]

    scenario.write_text(
        scenario.read_text(encoding="utf-8").replace("unplugged_at = 4.0", ""), encoding="utf-8"
    )
    resumed = command("survey", "--port", f"virtual:{scenario}", *asked)
    assert resumed.code == ExitCode.DONE, resumed.err
    assert resumed.document["complete"] is True
    assert [finding["address"] for finding in resumed.document["findings"]] == [2, 40]


def test_hunt_tells_who_answers(command: Command) -> None:
    ran = command("hunt", *CLEAN, "--addresses", "10-13", "--rounds", 3, "--json")
    assert ran.code == ExitCode.DONE
    assert ran.document["present"] == [11, 12]


def test_a_hunt_waits_for_an_adapter_that_was_unplugged(tmp_path: Path) -> None:
    """Pulled and put back while it runs: units are told anew, and the log has both."""
    heard: list[HuntEvent | PortEvent] = []
    cancel = threading.Event()
    with Job.create(tmp_path / "a.busjob") as job:
        connector = Connector(virtual_clock=VirtualClock())
        session = Session(job, load_all([shipped_folder()]), connector=connector)
        session.open("virtual:clean", LineSettings.parse("9600-8N1"))
        segment = connector.segment("virtual:clean")
        for event in session.hunt((11, 13), cancel):
            heard.append(event)
            match event:
                case HuntRound() if not any(isinstance(e, PortLost) for e in heard):
                    segment.unplug()
                case PortLost():
                    segment.plug_in()
                case HuntRound():
                    cancel.set()
        session.close()
    answers = [e.address for e in heard if isinstance(e, UnitChanged) and e.now is Seen.REPLIES]
    assert answers == [11, 11]
    kinds = [type(event) for event in heard]
    assert kinds.index(PortLost) + 1 == kinds.index(PortBack)


def test_hunt_tells_two_units_at_an_address_from_a_silent_one(
    command: Command, tmp_path: Path
) -> None:
    """Bytes that make no frame: exit code 1, in the document and in words."""
    twins = tmp_path / "twins.toml"
    unit = 'type = "at-10"\naddress = 7\nsettings = "9600-8N1"\nlatency = {}\njitter = 0.0\n'
    twins.write_text(
        'title = "Twins"\n'
        f'[[units]]\nname = "a"\n{unit.format(0.012)}[[units]]\nname = "b"\n{unit.format(0.0131)}'
    )
    hunt = ("hunt", "--port", f"virtual:{twins}", "--settings", "9600-8N1", "--addresses", "6-7")
    ran = command(*hunt, "--rounds", 8, "--json")
    document = ran.document
    assert (document["present"], document["garbled"]) == ([], [7])
    (event,) = document["events"]
    assert (event["address"], event["answers"], event["garbled"]) == (7, False, True)
    assert ran.code == ExitCode.ATTENTION
    said = command(*hunt, "--rounds", 8).out
    assert "GARBLED  two units at this address" in said
    assert "Bytes but no frame: 7" in said


def test_a_broken_plan_is_told_before_the_wizard_starts(command: Command, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("tag,address\nA,300\n", encoding="utf-8")
    ran = command("wizard", "--plan", plan, "--job", tmp_path / "plant.busjob")
    assert ran.code == ExitCode.USAGE
    assert "line 2, address '300'" in ran.err


def test_a_survey_in_which_a_unit_may_be_missing_needs_attention_though_it_is_complete(
    command: Command, tmp_path: Path
) -> None:
    noisy = tmp_path / "noisy.toml"
    noisy.write_text(
        'title = "Noise"\n[wires]\nbit_errors = 0.015\n'
        '[[units]]\nname = "a"\ntype = "at-10"\naddress = 7\nsettings = "9600-8N1"\n'
        '[[units]]\nname = "b"\ntype = "at-10"\naddress = 9\nsettings = "9600-8N1"\n'
    )
    ran = command(
        "survey",
        "--port",
        f"virtual:{noisy}",
        "--settings",
        "9600-8N1",
        "--addresses",
        "1-20",
        "--json",
    )
    assert ran.document["complete"]
    assert {finding["kind"] for finding in ran.document["findings"]} == {"unit"}
    assert ran.document["bounds"][0]["asked_times"] == 14
    assert ran.code == ExitCode.ATTENTION


def test_a_register_named_on_the_command_line_finds_a_unit_that_answers_nothing_else(
    command: Command, tmp_path: Path
) -> None:
    """The kinds of requests that were tried are in the document."""
    mute = tmp_path / "mute.toml"
    mute.write_text(
        'title = "Mute"\n'
        '[[units]]\nname = "a"\ntype = "m-1"\naddress = 7\nsettings = "9600-8N1"\n'
        '[types.m-1]\nmaker = "Nobody"\nmodel = "M-1"\nsettings = "9600-8N1"\nfunctions = [4]\n'
        'errors = "silence"\n'
        '[[types.m-1.input]]\nname = "x"\nat = 0x5000\ntype = "uint16"\nvalue = 7\n'
    )
    line = ("--port", f"virtual:{mute}", "--settings", "9600-8N1", "--addresses", "1-10", "--json")
    assert command("survey", *line).document["findings"] == []
    ran = command("survey", *line, "--also", "4:0x5000")
    assert [(f["address"], f["kind"]) for f in ran.document["findings"]] == [(7, "unit")]
    asked = {each["probe"] for each in ran.document["asked"]}
    assert {"function 1, register 0", "function 4, register 20480"} <= asked
    assert ran.code == ExitCode.DONE
    wrong = command("survey", *line, "--also", "6:1")
    assert wrong.code == ExitCode.USAGE
    assert "'6:1' is no read" in wrong.out + wrong.err

"""What a command leaves of its way: messages, a log, a trace; and what happens where it cannot."""

from __future__ import annotations

import logging
import os
import re
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from tests.cli.conftest import Command

UNIT = ("identify", "--port", "virtual:clean", "--settings", "9600-8N1", "--address", 11)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "log.txt"


def test_the_log_tells_the_way_of_a_command_and_stdout_is_as_without(
    command: Command, log: Path
) -> None:
    without = command(*UNIT, "--json")
    ran = command("--log", log, *UNIT, "--json")
    assert (ran.code, ran.err) == (without.code, without.err)
    assert ran.document["address"] == without.document["address"]
    lines = log.read_text(encoding="utf-8").splitlines()
    assert all(re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{3} busprobe", line) for line in lines)
    text = "\n".join(lines)
    assert "virtual:clean is open at 9600-8N1" in text
    assert "sent 0B 03 00 00 00 02 C4 A1, received 0B 83 02 E0 F3" in text
    assert "exit code 0" in lines[-1]


def test_a_log_is_added_to(command: Command, log: Path) -> None:
    for _ in range(2):
        command("--log", log, "ports")
    assert log.read_text(encoding="utf-8").count("exit code 0") == 2


def test_verbose_says_the_same_on_stderr(command: Command) -> None:
    quiet, ran = command(*UNIT), command("--verbose", *UNIT)
    assert "sent 0B 03 00 00 00 02 C4 A1" in ran.err
    assert "sent 0B" not in ran.out + quiet.err
    assert not logging.getLogger("busprobe").handlers


def test_the_journal_of_a_write_is_in_the_log(command: Command, log: Path, tmp_path: Path) -> None:
    given = ("--port", "virtual:clean", "--settings", "9600-8N1", "--from", 11, "--to", 13)
    ran = command("--log", log, "readdress", *given, "--job", tmp_path / "a.busjob", "--yes")
    assert ran.code == ExitCode.DONE
    text = log.read_text(encoding="utf-8")
    intended, concluded = text.index("is intended"), text.index("is concluded: verified")
    assert intended < text.index("sent 0B 06") < concluded


def test_an_error_is_in_the_log(command: Command, log: Path) -> None:
    ran = command("--log", log, "survey", "--port", "/dev/nowhere")
    assert ran.code == ExitCode.PORT_FAILED
    text = log.read_text(encoding="utf-8")
    assert ran.err.splitlines()[0] in text
    assert "exit code 3" in text


def test_a_fault_of_the_program_is_in_the_log_with_its_way(
    command: Command, log: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))

    def broken() -> None:
        raise ZeroDivisionError("a text\nof two lines\x1b[2J")

    monkeypatch.setattr("busprobe.cli.ports.ports", broken)
    command("--log", log, "ports")
    text = log.read_text(encoding="utf-8")
    assert "Traceback" in text
    assert "in broken" in text
    assert "\x1b" not in text


def test_what_a_unit_says_cannot_forge_a_line_of_the_log(log: Path, command: Command) -> None:
    from busprobe.cli import diagnostics

    diagnostics.begin(verbose=False, log_file=log, trace_file=None)
    logging.getLogger("busprobe.test").info("says %s", "a\n2026-01-01 forged\x1b[2J")
    diagnostics.end(0)
    assert log.read_text(encoding="utf-8").count("\n") == 3
    assert "a\\x0a2026-01-01 forged\\x1b[2J" in log.read_text(encoding="utf-8")


def test_a_trace_is_read_back(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "bus.pcapng"
    assert command("--trace", file, *UNIT).code == ExitCode.DONE
    ran = command("trace", file)
    assert ran.code == ExitCode.DONE
    assert "Read 2 holding registers from 0 (0x0000) of unit 11 (0x0B)." in ran.out
    assert "sent      0B 03 00 00 00 02 C4 A1" in ran.out
    assert "received  exception 2, illegal data address: 0B 83 02 E0 F3; begun 1" in ran.out
    document = command("trace", file, "--json").document
    assert document["format"] == "busprobe.trace/1"
    assert len(document["exchanges"]) == ran.out.count("sent  ")
    assert document["missing"] == ""


def test_a_trace_that_is_cut_off_tells_what_is_there(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "bus.pcapng"
    command("--trace", file, *UNIT)
    file.write_bytes(file.read_bytes()[:-300])
    ran = command("trace", file, "--json")
    assert ran.code == ExitCode.ATTENTION
    assert ran.document["exchanges"]
    assert "cut off" in ran.document["missing"]
    assert "cut off" in ran.err


@pytest.mark.parametrize("content", [None, "", "tag,address\n"])
def test_what_is_no_trace_is_told(command: Command, tmp_path: Path, content: str | None) -> None:
    file = tmp_path / "plan.csv"
    if content is not None:
        file.write_text(content)
    ran = command("trace", file, "--json")
    assert ran.code == ExitCode.USAGE
    assert ran.document["format"] == "busprobe.error/1"
    assert str(file) in ran.err


@pytest.mark.parametrize("option", ["--log", "--trace"])
@pytest.mark.parametrize("place", ["", "nowhere/file"])
def test_a_file_that_cannot_be_written_is_told_before_anything_is_done(
    command: Command, tmp_path: Path, option: str, place: str
) -> None:
    ran = command(option, tmp_path / place, "ports")
    assert (ran.code, ran.out) == (ExitCode.USAGE, "")
    assert str(tmp_path) in ran.err


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a device of Linux")  # noqa: PTH110
def test_a_log_on_a_full_disk_disturbs_nothing_and_is_told(command: Command) -> None:
    ran = command("--log", "/dev/full", *UNIT)
    assert ran.code == ExitCode.ATTENTION
    assert "Temperature" in ran.out
    assert "The log ends early" in ran.err
    assert "No space left on device" in ran.err


def test_the_wizard_has_its_screen_for_itself(command: Command) -> None:
    ran = command("--verbose", "wizard")
    assert ran.code == ExitCode.USAGE
    assert "--log FILE" in ran.err


@pytest.mark.parametrize("option", ["--verbose", "--log", "--trace"])
def test_where_the_options_stand_is_told(command: Command, option: str) -> None:
    ran = command(*UNIT, option)
    assert ran.code == ExitCode.USAGE
    assert f"before the command: busprobe {option}" in ran.err

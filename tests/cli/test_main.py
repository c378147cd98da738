"""The commands as a whole: help, exit codes, and every failure a sentence."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from inspect import signature
from pathlib import Path

import click
import pytest

from busprobe.cli import program
from busprobe.errors import ExitCode
from tests.cli.conftest import Command

COMMANDS = list(program.list_commands(None))  # type: ignore[arg-type]


def test_help_documents_the_exit_codes(command: Command) -> None:
    ran = command("--help")
    assert ran.code == ExitCode.DONE
    for code in ExitCode:
        assert f"\n    {int(code)}  " in ran.out


@pytest.mark.parametrize("group", [(), ("profiles",), ("wiring",)])
def test_help_says_of_every_command_what_it_does_and_cuts_nothing(
    group: tuple[str, ...], command: Command
) -> None:
    usage, *lines = command(*group, "--help").out.splitlines()
    assert usage.startswith("Usage:")
    assert ("Commands:" if group else "The whole job:") in lines
    assert not [line for line in lines if line.endswith("...") or len(line) > 80]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str, command: Command) -> None:
    ran = command(name, "--help")
    assert ran.code == ExitCode.DONE
    assert "Example:\n" in ran.out
    assert f"busprobe {name}" in ran.out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nonsense",), "No such command"),
        (("survey",), "--port"),
        (("survey", "--port", "virtual:clean", "--settings", "fast"), "is not a line setting"),
        (
            ("survey", "--port", "virtual:clean", "--addresses", "0-5"),
            "is not a set of unit addresses",
        ),
        (("survey", "--port", "virtual:nowhere"), "There is no scenario 'nowhere'"),
        (
            ("identify", "--port", "virtual:clean", "--settings", "9600-8N1", "--address", "300"),
            "300",
        ),
        (("profiles", "show", "nothing"), "There is no profile 'nothing'"),
        (("virtual", "clean"), "not said where to serve"),
        (("virtual", "clean", "--tcp", "5020"), "is not HOST:PORT"),
        (("handover", "--job", "absent.busjob", "--out", "x"), "absent.busjob"),
        (("demo", "--unattended"), "--out"),
    ],
)
def test_wrong_usage_names_what_was_wrong(
    arguments: tuple[str, ...], words: str, command: Command
) -> None:
    ran = command(*arguments)
    assert ran.code == ExitCode.USAGE
    assert words in ran.err
    assert ran.out == ""


@pytest.mark.parametrize("name", ["/dev/no-such-adapter", "socket://127.0.0.1:1", "bogus://x"])
def test_a_port_that_cannot_be_opened_ends_with_its_own_code(name: str, command: Command) -> None:
    ran = command("survey", "--port", name, "--json")
    assert ran.code == ExitCode.PORT_FAILED
    assert ran.document["exit_code"] == ExitCode.PORT_FAILED
    assert len(ran.err.strip().splitlines()) <= 3


def test_a_broken_profile_file_is_told_with_all_its_mistakes(
    command: Command, tmp_path: Path
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('id = "other"\nmaker = 3\n', encoding="utf-8")
    ran = command("profiles", "check", path, "--json")
    assert ran.code == ExitCode.USAGE
    (checked,) = ran.document["files"]
    assert len(checked["mistakes"]) >= 3
    ran = command("profiles", "check", path)
    assert ran.code == ExitCode.USAGE
    assert "maker" in ran.out


def test_a_file_that_is_no_job_is_refused_in_plain_words(command: Command, tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a job", encoding="utf-8")
    ran = command("handover", "--job", path, "--out", tmp_path / "out")
    assert ran.code == ExitCode.USAGE
    assert "notes.txt" in ran.err
    assert path.read_text(encoding="utf-8") == "not a job"


def test_a_bug_ends_in_a_sentence_and_its_details_in_a_file(
    command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busprobe.cli.ports.ports", lambda: 1 // 0)
    ran = command("ports")
    assert ran.code == ExitCode.ATTENTION
    assert "busprobe itself failed (ZeroDivisionError)" in ran.err
    details = Path(ran.err.strip().rsplit(" ", 1)[-1].rstrip("."))
    assert "ZeroDivisionError" in details.read_text(encoding="utf-8")
    details.unlink()


DECLARED = [
    command
    for module in program.sections.values()
    for command in import_module(module).COMMANDS
    if not isinstance(command, click.Group)
]


@pytest.mark.parametrize("declared", DECLARED, ids=lambda declared: declared.name)
def test_the_work_of_a_command_takes_just_what_the_command_declares(
    declared: click.Command,
) -> None:
    """Options are declared away from the function that does the work, so that help is quick."""
    work = import_module(f"busprobe.cli.{(declared.name or '').replace('-', '_')}").run
    assert set(signature(work).parameters) == {option.name for option in declared.params}


HEAVY = ("pydantic", "pymodbus", "textual", "rich", "sqlite3", "jinja2", "busprobe.session")


@pytest.mark.parametrize("arguments", [("--help",), ("survey", "--help"), ("--version",)])
def test_help_waits_for_no_room_of_the_program(arguments: tuple[str, ...]) -> None:
    program = (
        "import sys; from busprobe.cli import run; "
        f"run({arguments!r}); print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert ran.stdout.splitlines()[-1] == "[]", ran.stdout + ran.stderr

"""Settings: which of variable, file and default is in force, and every mistake of them told."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import pytest

from busprobe.cli.configuration import SETTINGS, settings_file
from busprobe.cli.job_files import default_job_file
from busprobe.errors import ExitCode
from busprobe.job import Job
from tests.cli.conftest import Command, Ran

Settings = Callable[[str], Path]


@pytest.fixture
def settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Settings:
    """Write the settings file, in a folder of the test's own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def write(text: str) -> Path:
        path = settings_file()
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    return write


def values(ran: Ran) -> dict[str, tuple[object, str]]:
    return {one["name"]: (one["value"], one["origin"]) for one in ran.document["settings"]}


def test_without_any_setting_all_is_as_busprobe_does_it(
    command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    ran = command("config", "--json")
    assert values(ran) == {
        "port": (None, "not set"),
        "job_folder": (None, "not set"),
        "tester": (None, "not set"),
        "company": (None, "not set"),
        "colours": (True, "not set"),
        "plain": (False, "not set"),
    }
    assert (ran.document["file"], ran.document["file_exists"]) == (str(settings_file()), False)


def test_a_variable_comes_before_the_file_and_an_option_before_both(
    command: Command, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = settings('port = "virtual:site"\nplain = true\n')
    monkeypatch.setenv("BUSPROBE_PORT", "virtual:clean")
    found = values(command("config", "--json"))
    assert found["port"] == ("virtual:clean", "variable BUSPROBE_PORT")
    assert found["plain"] == (True, "settings file")
    shown = command("config")
    assert "variable BUSPROBE_PORT" in shown.out
    assert str(path) in shown.err
    unit = ("--settings", "9600-8N1", "--address", 11, "--json")
    assert command("identify", *unit).document["profile"] == "aldermoor-at-10"
    assert command("identify", "--port", "virtual:echo", *unit).code != ExitCode.USAGE


def test_without_a_port_anywhere_one_is_asked_for(command: Command, settings: Settings) -> None:
    settings("")
    ran = command("survey")
    assert ran.code == ExitCode.USAGE
    assert "--port" in ran.err


@pytest.mark.parametrize("arguments", [(), ("wizard",)])
def test_the_wizard_begins_as_it_is_set(
    command: Command,
    settings: Settings,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
) -> None:
    settings('port = "virtual:clean"\nplain = true\n')
    given: list[dict[str, object]] = []
    work = import_module("busprobe.cli.wizard")
    monkeypatch.setattr(work, "run", lambda **how: given.append(how))
    assert command(*arguments).code == ExitCode.DONE
    assert [(how["port"], how["plain"]) for how in given] == [("virtual:clean", True)]


def test_name_and_company_stand_in_new_jobs_alone(
    command: Command, settings: Settings, tmp_path: Path
) -> None:
    job = tmp_path / "a.busjob"
    Job.create(tmp_path / "old.busjob", tester="B. Reed").close()
    settings('tester = "A. Marsh"\ncompany = "Marsh Controls"\n')
    for name in ("a", "old"):
        given = ("--port", "virtual:clean", "--addresses", 11, "--rounds", 1)
        command("hunt", *given, "--job", tmp_path / f"{name}.busjob")
    with Job.open(job) as made, Job.open(tmp_path / "old.busjob") as old:
        assert (made.meta.tester, old.meta.tester) == ("A. Marsh, Marsh Controls", "B. Reed")


def test_jobs_of_the_day_go_into_the_folder_that_is_set(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    settings('job_folder = "~/plant"\n')
    assert default_job_file().parent == tmp_path / "plant"
    assert default_job_file("virtual:clean").name.endswith("-practice.busjob")


@pytest.mark.parametrize(("said", "coloured"), [("no", False), ("yes", True)])
def test_colours_are_left_out_where_that_is_set(
    command: Command, monkeypatch: pytest.MonkeyPatch, said: str, coloured: bool
) -> None:
    """NO_COLOR is what programs agree on (no-color.org)."""
    import os

    monkeypatch.setenv("NO_COLOR", "")
    monkeypatch.setenv("BUSPROBE_COLOURS", said)
    command("ports")
    assert (os.environ["NO_COLOR"] == "") == coloured


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("colors = false", "colors: is no setting; did you mean colours?"),
        ("plain = 1", "plain: write true or false"),
        ("port = 7", "port: write a text in quotation marks"),
        ("port = \nplain = true", "line 1"),
        ("[wizard]\nplain = true", "wizard: is no setting"),
    ],
)
def test_a_mistake_of_the_file_is_told_with_its_place(
    command: Command, settings: Settings, text: str, told: str
) -> None:
    path = settings(text)
    ran = command("ports")
    assert ran.code == ExitCode.USAGE
    assert str(path) in ran.err.replace("\n", "")
    assert told in ran.err


def test_all_mistakes_of_the_file_are_told_at_once(command: Command, settings: Settings) -> None:
    settings('colors = false\nplain = "perhaps"\n')
    assert "2 mistakes in all" in command("config").err


def test_a_settings_file_that_is_a_folder_is_told(command: Command, settings: Settings) -> None:
    path = settings("")
    path.unlink()
    path.mkdir()
    ran = command("config")
    assert ran.code == ExitCode.USAGE
    assert "it is a folder" in ran.err


def test_a_variable_that_cannot_be_used_is_told(
    command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BUSPROBE_PLAIN", "perhaps")
    ran = command("config")
    assert ran.code == ExitCode.USAGE
    assert "BUSPROBE_PLAIN cannot be 'perhaps'" in ran.err


def test_help_has_a_settings_file_with_every_setting(command: Command) -> None:
    text = command("config", "--help").out
    assert all(f"{setting.name} = " in text for setting in SETTINGS)

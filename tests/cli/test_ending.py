"""A command that is ended from outside, or whose output cannot be written, ends in good order."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from busprobe.cli import ending, output
from busprobe.errors import ExitCode
from busprobe.job import Job, UnitRecord
from busprobe.job.journal import Result
from busprobe.line.place import Place
from tests.cli.conftest import Command

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and devices of POSIX")
pytestmark = [posix, pytest.mark.timeout(40)]
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP] if sys.platform != "win32" else []


def program(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "busprobe", *map(str, arguments)]


def environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "TMPDIR": str(folder), "COLUMNS": "80"}


@contextmanager
def begun(folder: Path, words: str, *arguments: object) -> Iterator[subprocess.Popen[str]]:
    """The program, once it has said `words`."""
    started = subprocess.Popen(
        program(*arguments),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(folder),
    )
    try:
        assert started.stdout is not None
        said = ""
        while words not in said:
            line = started.stdout.readline()
            assert line, said
            said += line
        yield started
    finally:
        with suppress(ProcessLookupError):
            started.kill()
        started.communicate()


def ended(started: subprocess.Popen[str]) -> tuple[int, str]:
    said, _ = started.communicate(timeout=20)
    assert "Traceback" not in said
    assert "busprobe itself failed" not in said
    return started.returncode, said


@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_a_served_segment_ends_by_any_of_the_signals_and_leaves_no_link(
    number: signal.Signals, tmp_path: Path
) -> None:
    link = tmp_path / "bus0"
    with begun(tmp_path, "Serving on", "virtual", "clean", "--pty", link) as serving:
        assert link.is_symlink()
        serving.send_signal(number)
        code, _ = ended(serving)
    assert code == (ExitCode.DONE if number is signal.SIGINT else 128 + number)
    assert not link.is_symlink()


@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_a_hunt_ends_by_any_of_the_signals_and_leaves_no_temporary_folder(
    number: signal.Signals, tmp_path: Path
) -> None:
    link = tmp_path / "bus0"
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    with (
        begun(tmp_path, "Serving on", "virtual", "clean", "--pty", link),
        begun(
            scratch,
            "ANSWERS",
            "hunt",
            "--port",
            link,
            "--settings",
            "9600-8N1",
            "--addresses",
            "11",
        ) as hunting,
    ):
        assert list(scratch.iterdir())
        hunting.send_signal(number)
        code, _ = ended(hunting)
    assert code == (ExitCode.DONE if number is signal.SIGINT else 128 + number)
    assert list(scratch.iterdir()) == []


@pytest.fixture
def heeded() -> Iterator[None]:
    """This process heeds signals as the program does."""
    before = {number: signal.getsignal(number) for number in SIGNALS}
    ending.heed_signals()
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_a_write_under_way_is_finished_and_on_record_and_no_other_begins(
    number: signal.Signals,
    command: Command,
    heeded: None,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.busjob"
    with Job.create(path) as job:
        for address in (11, 12):
            job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1"), profile="aldermoor-at-10"))
    say = output.say

    def say_and_be_ended(text: str) -> None:
        say(text)
        if text == "Writing the new address.":
            signal.raise_signal(number)

    monkeypatch.setattr(output, "say", say_and_be_ended)
    ran = command(
        *("readdress-all", "--no-check", "--yes", "--port", "virtual:clean", "--job", path),
        *("--set", "11=111", "--set", "12=112"),
    )
    assert ran.code == (ExitCode.ATTENTION if number is signal.SIGINT else 128 + number)
    with Job.open(path) as job:
        (write,) = job.writes()
        assert write.outcome is Result.VERIFIED
        assert {unit.address for unit in job.units()} == {111, 12}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "arguments", [("ports",), ("virtual",), ("profiles", "list", "--json"), ("--help",)]
)
def test_output_that_cannot_be_written_is_one_sentence(
    arguments: tuple[str, ...], tmp_path: Path
) -> None:
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            program(*arguments), stdout=full, stderr=subprocess.PIPE, text=True,
            env=environment(tmp_path),
        )  # fmt: skip
    assert ran.returncode == ExitCode.USAGE, ran.stderr
    assert ran.stderr.startswith("The output cannot be written; the system says: ")
    assert len(ran.stderr.splitlines()) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("arguments", [("profiles", "fields"), ("virtual",), ("--help",)])
def test_a_closed_pipe_ends_a_command_quietly(arguments: tuple[str, ...], tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    try:
        ran = subprocess.run(
            program(*arguments),
            stdout=write,
            stderr=subprocess.PIPE,
            text=True,
            env=environment(tmp_path),
        )
    finally:
        os.close(write)
    assert ran.stderr == ""
    assert ran.returncode == 128 + signal.SIGPIPE


def test_closed_standard_input_is_no_answer(tmp_path: Path) -> None:
    ran = subprocess.run(
        [
            "bash", "-c", '"$@" <&-', "-",
            *program("readdress", "--port", "virtual:clean", "--settings", "9600-8N1"),
            *("--from", "11", "--to", "99", "--job", str(tmp_path / "a.busjob")),
        ],
        capture_output=True,
        text=True,
        env=environment(tmp_path),
    )  # fmt: skip
    assert "Traceback" not in ran.stderr
    assert "busprobe itself failed" not in ran.stderr
    assert "Send this write?" in ran.stderr
    with Job.open(tmp_path / "a.busjob") as job:
        assert job.writes() == ()


@pytest.mark.parametrize(
    ("closed", "code", "said"),
    [
        (">&-", ExitCode.USAGE, "The output is closed.\n"),
        ("2>&-", ExitCode.DONE, ""),
        ("<&- >&- 2>&-", ExitCode.USAGE, ""),
    ],
)
def test_nothing_is_begun_where_its_result_has_nowhere_to_go(
    closed: str, code: ExitCode, said: str, tmp_path: Path
) -> None:
    asked = ("survey", "--port", "virtual:clean", "--settings", "9600-8N1", "--addresses", "11")
    job = tmp_path / "a.busjob"
    ran = subprocess.run(
        ["bash", "-c", f'"$@" {closed}', "-", *program(*asked, "--job", str(job))],
        capture_output=True,
        text=True,
        env=environment(tmp_path),
    )
    assert ran.returncode == code
    assert ran.stderr[: len(said)] == said
    assert "Traceback" not in ran.stderr
    assert job.exists() == (code is ExitCode.DONE)


def test_a_write_is_not_sent_where_its_frame_could_not_be_shown(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no device that is always full")
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            program(
                *("readdress", "--yes", "--port", "virtual:clean", "--settings", "9600-8N1"),
                *("--from", "11", "--to", "99", "--job", tmp_path / "a.busjob"),
            ),
            stdout=subprocess.DEVNULL,
            stderr=full,
            env=environment(tmp_path),
        )
    assert ran.returncode == ExitCode.USAGE
    if (tmp_path / "a.busjob").exists():
        with Job.open(tmp_path / "a.busjob") as job:
            assert job.writes() == ()


@pytest.mark.parametrize("number", SIGNALS, ids=lambda number: number.name)
def test_the_wizard_gives_the_terminal_back(number: signal.Signals, tmp_path: Path) -> None:
    import pty
    import termios

    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    started = subprocess.Popen(
        program("wizard", "--job", tmp_path / "a.busjob"),
        stdin=theirs, stdout=theirs, stderr=theirs,
        env={**environment(tmp_path), "TERM": "xterm-256color"},
    )  # fmt: skip
    drawn = b""
    try:
        deadline = time.monotonic() + 30
        while b"Port" not in drawn and time.monotonic() < deadline:
            drawn += os.read(ours, 65536)
        started.send_signal(number)
        os.set_blocking(ours, False)
        while started.poll() is None and time.monotonic() < deadline:
            with suppress(BlockingIOError):
                drawn += os.read(ours, 65536)
            time.sleep(0.01)
        with suppress(BlockingIOError):
            drawn += os.read(ours, 65536)
    finally:
        started.kill()
        started.wait()
        after = termios.tcgetattr(theirs)
        os.close(ours)
        os.close(theirs)
    assert started.returncode == (ExitCode.DONE if number is signal.SIGINT else 128 + number)
    assert after == before
    assert b"\x1b[?1049l" in drawn  # back from the alternate screen (xterm control sequences)
    assert b"\x1b[?25h" in drawn  # the cursor is shown


@pytest.mark.skipif(sys.platform == "win32", reason="a console of Windows is no pseudo-terminal")
def test_the_wizard_ends_with_a_terminal_that_is_closed_in_the_middle_of_a_survey(
    tmp_path: Path,
) -> None:
    """What is drawn has nowhere to go then, and is not waited for: the port would stay in use."""
    import pty

    ours, theirs = pty.openpty()
    started = subprocess.Popen(
        program("wizard", "--port", "virtual:site", "--job", tmp_path / "a.busjob"),
        stdin=theirs, stdout=theirs, stderr=theirs,
        env={**environment(tmp_path), "TERM": "xterm-256color"},
    )  # fmt: skip
    os.close(theirs)
    try:
        _await(ours, b"practice")
        os.write(ours, b"y")
        _await(ours, b"Quiet")
        os.write(ours, b"3s")
        _await(ours, b"found")
        os.close(ours)
        started.send_signal(signal.SIGHUP)
        assert started.wait(timeout=20) == 128 + signal.SIGHUP
    finally:
        started.kill()
        started.wait()


def _await(terminal: int, words: bytes) -> None:
    """Read what is drawn until it has these `words`."""
    drawn = b""
    deadline = time.monotonic() + 30
    while words not in drawn:
        assert time.monotonic() < deadline, drawn[-2000:]
        drawn += os.read(terminal, 65536)

"""``--json`` gives one document however a command ends, and a decline is one exit code however it
was given."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from busprobe.errors import ExitCode, PortError
from busprobe.job import Job
from busprobe.line.line import Line
from tests.cli.conftest import Command, Ran
from tests.cli.test_readdress_commands import AT_9600, cut_off, moved, moved_unit, on_clean

DECLINES = {"no": "n\n", "return": "\n", "end of input": ""}


@pytest.fixture
def job_file(tmp_path: Path) -> Path:
    return tmp_path / "plant.busjob"


@pytest.fixture(params=DECLINES)
def declined(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is asked is answered with a no in one of the ways there are."""
    monkeypatch.setattr("sys.stdin", io.StringIO(20 * DECLINES[request.param]))


@pytest.mark.usefixtures("declined")
def test_one_move_is_declined(command: Command, job_file: Path) -> None:
    port = ("--port", "virtual:clean", *AT_9600, "--job", job_file)
    ran = command("readdress", *port, "--from", 11, "--to", 13, "--json")
    assert (ran.code, ran.document["outcome"]) == (ExitCode.REFUSED, "refused")
    assert "not confirmed" in ran.document["why"]


@pytest.mark.usefixtures("declined")
@pytest.mark.parametrize(
    "given",
    [
        ("readdress-all", "--first", 60),
        ("line-settings", "--all", "--to", "19200-8N1"),
    ],
)
def test_a_batch_is_declined(command: Command, job_file: Path, given: tuple[object, ...]) -> None:
    on_clean(command, job_file, 31)
    name, *rest = given
    ran = command(name, "--port", "virtual:clean", "--job", job_file, *rest, "--json")
    assert ran.document["format"] == f"busprobe.{name}/1"
    assert ran.code == (ExitCode.REFUSED if ran.document["plan"] else ExitCode.ATTENTION)


@pytest.mark.usefixtures("declined")
def test_an_undo_is_declined(command: Command, job_file: Path, tmp_path: Path) -> None:
    assert moved(command, job_file).code == ExitCode.DONE
    port = ("--port", f"virtual:{moved_unit(tmp_path, 13)}", "--job", job_file)
    ran = command("undo", *port, "--write", 1, "--json")
    assert (ran.code, ran.document["outcome"]) == (ExitCode.REFUSED, "refused")


@pytest.mark.usefixtures("declined")
def test_what_a_recovery_concluded_is_told_although_the_rest_is_declined(
    command: Command, job_file: Path, tmp_path: Path
) -> None:
    ran = command("recover", *cut_off(job_file, tmp_path), "--json")
    assert ran.code == ExitCode.REFUSED
    assert [move["outcome"] for move in ran.document["moves"]] == ["verified"]
    assert [left["outcome"] for left in ran.document["open"]] == ["not confirmed"]
    with Job.open(job_file) as job:
        assert job.unfinished_writes() == ()


def test_an_undo_that_is_refused_is_told_as_a_move(
    command: Command, job_file: Path, tmp_path: Path
) -> None:
    assert moved(command, job_file).code == ExitCode.DONE
    port = ("--port", f"virtual:{moved_unit(tmp_path, 20)}", "--job", job_file)
    ran = command("undo", *port, "--write", 1, "--yes", "--json")
    assert ran.code == ExitCode.REFUSED
    assert (ran.document["from"], ran.document["to"]) == (13, 11)
    assert ran.document["outcome"] == "refused"


def failing_after(frames: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The adapter is pulled out after so many exchanges."""
    exchange, left = Line.exchange, [frames]

    def counted(line: Line, *arguments: object) -> object:
        left[0] -= 1
        if left[0] < 0:
            raise PortError("The adapter is gone.", todo="Plug it in again.")
        return exchange(line, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Line, "exchange", counted)


def batch(command: Command, job_file: Path) -> Ran:
    given = ("--port", "virtual:clean", "--job", job_file, "--first", 60, "--yes", "--json")
    return command("readdress-all", *given)


def test_a_port_that_fails_in_a_batch_leaves_told_what_was_done(
    command: Command, job_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever exchange it fails at: every write on record is in the document, and what was not
    begun."""
    on_clean(command, job_file, 11, 12)
    state = job_file.read_bytes()
    ends = set()
    for frames in range(0, 110, 9):
        job_file.write_bytes(state)
        with monkeypatch.context() as patch:
            failing_after(frames, patch)
            ran = batch(command, job_file)
        with Job.open(job_file) as job:
            written = [write.source.address for write in job.writes()]
        told = [outcome["from"] for outcome in ran.document["outcomes"]]
        left = [move["from"] for move in ran.document["left"]]
        assert told[: len(written)] == written
        assert sorted(told + left) == [11, 12]
        ends.add(ran.code)
        assert "The adapter is gone." in ran.err or ran.code == ExitCode.NOT_VERIFIED
    assert ends == {ExitCode.PORT_FAILED, ExitCode.NOT_VERIFIED}


@pytest.mark.parametrize(
    ("given", "code"),
    [
        (("undo", "--port", "virtual:clean", "--write", 7), ExitCode.USAGE),
        (("prove", "--port", "virtual:clean"), ExitCode.USAGE),
        (("recover", "--port", "/dev/nowhere"), ExitCode.PORT_FAILED),
        (("readdress-all", "--port", "virtual:clean", "--set", "9=10"), ExitCode.USAGE),
    ],
)
def test_an_error_is_a_document_too(
    command: Command, job_file: Path, given: tuple[object, ...], code: ExitCode
) -> None:
    Job.create(job_file).close()
    ran = command(*given, "--job", job_file, "--json")
    assert ran.code == code
    document = ran.document
    assert (document["format"], document["exit_code"]) == ("busprobe.error/1", code)
    assert document["what"] in ran.err
    assert document["todo"]


def test_a_batch_of_which_all_is_verified_is_done_whatever_good_practice_says(
    command: Command, job_file: Path
) -> None:
    """A unit that keeps the factory address is a remark, not a failure (common practice)."""
    on_clean(command, job_file, 11, 12)
    given = ("--port", "virtual:clean", "--job", job_file, "--set", "11=1", "--yes", "--json")
    ran = command("readdress-all", *given)
    assert [outcome["outcome"] for outcome in ran.document["outcomes"]] == ["verified"]
    assert "keep the factory address" in " ".join(ran.document["remarks"])
    assert ran.code == ExitCode.DONE


def interrupted_after(exchanges: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C is pressed in the middle of one exchange: after its request left."""
    exchange, left = Line.exchange, [exchanges]

    def counted(line: Line, *arguments: object) -> object:
        left[0] -= 1
        made = exchange(line, *arguments)  # type: ignore[arg-type]
        if left[0] == 0:
            raise KeyboardInterrupt
        return made

    monkeypatch.setattr(Line, "exchange", counted)


@pytest.mark.parametrize("exchanges", [1, 10, 40, 60])
@pytest.mark.parametrize(
    "given",
    [
        ("readdress", *AT_9600, "--from", 11, "--to", 13, "--yes"),
        ("readdress-all", "--first", 60, "--yes"),
        ("line-settings", "--all", "--to", "19200-8N1", "--yes"),
        ("survey", *AT_9600),
        ("prove",),
    ],
    ids=lambda given: given[0],
)
def test_ctrl_c_in_an_exchange_leaves_a_document(
    command: Command,
    job_file: Path,
    monkeypatch: pytest.MonkeyPatch,
    given: tuple[object, ...],
    exchanges: int,
) -> None:
    on_clean(command, job_file, 11, 12)
    interrupted_after(exchanges, monkeypatch)
    name, *rest = given
    ran = command(name, "--port", "virtual:clean", "--job", job_file, *rest, "--json")
    document = ran.document
    assert document["format"] in ("busprobe.error/1", f"busprobe.{name}/1")
    assert ran.code != ExitCode.DONE
    if document["format"] == "busprobe.error/1":
        assert document["what"] in ran.err
        assert "recover" in document["todo"]
        assert document["exit_code"] == ran.code

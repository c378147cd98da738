"""Addresses and line settings of a whole bus by commands: what is shown, asked, written, kept and
told."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job
from busprobe.job.journal import Result, Role, Row, WriteIntent
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.procedure import Move, Procedure, procedure_steps
from busprobe.readdress.words import write_words
from tests.cli.conftest import Command, Ran
from tests.job.full_disk import fill

AT_9600 = ("--settings", "9600-8N1")
PLAN = """\
tag,location,profile,address,settings
TE-1,Hall,aldermoor-at-10,12,9600-8N1
TE-2,Hall,aldermoor-at-10,11,9600-8N1
IO-1,Panel,dunmere-dx-8,31,9600-8N1
"""


@pytest.fixture
def job_file(tmp_path: Path) -> Path:
    return tmp_path / "plant.busjob"


def identified(command: Command, job_file: Path, scenario: str, *places: tuple[int, str]) -> None:
    """A job whose list has these units, with their types."""
    for address, settings in places:
        ran = command(
            *("identify", "--port", f"virtual:{scenario}", "--settings", settings),
            *("--address", address, "--job", job_file),
        )
        assert ran.code == ExitCode.DONE, ran.err


def on_clean(command: Command, job_file: Path, *addresses: int) -> None:
    identified(command, job_file, "clean", *((address, "9600-8N1") for address in addresses))


def readdress_all(
    command: Command, job_file: Path, *arguments: object, scenario: str = "clean"
) -> Ran:
    return command("readdress-all", "--port", f"virtual:{scenario}", "--job", job_file, *arguments)


def addresses(job_file: Path) -> list[int]:
    with Job.open(job_file) as job:
        return [unit.address for unit in job.units()]


def test_a_plan_is_shown_first_and_nothing_is_written(command: Command, job_file: Path) -> None:
    on_clean(command, job_file, 11, 12, 31)
    ran = readdress_all(
        command, job_file, "--set", "11=12", "--set", "12=11", "--dry-run", "--json"
    )
    assert ran.code == ExitCode.ATTENTION
    document = ran.document
    assert document["format"] == "busprobe.readdress-all/1"
    assert [(move["from"], move["to"]) for move in document["plan"]] == [
        (11, 247),
        (12, 11),
        (247, 12),
    ]
    assert document["outcomes"] == []
    assert len(document["left"]) == 3
    with Job.open(job_file) as job:
        assert job.writes() == ()


def test_the_plan_of_the_bus_is_kept_and_carried_out(
    command: Command, job_file: Path, tmp_path: Path
) -> None:
    """Every frame is shown, one power cycle proves all, and the list says so."""
    on_clean(command, job_file, 11, 12, 31)
    plan = tmp_path / "plan.csv"
    plan.write_text(PLAN.replace("31", "33"), encoding="utf-8")
    offered = readdress_all(command, job_file, "--plan", plan, "--yes", "--json")
    assert (offered.code, offered.document["outcomes"]) == (ExitCode.ATTENTION, [])
    assert "by its type alone" in offered.document["remarks"][0]
    ran = readdress_all(command, job_file, "--set", "31=33", "--yes", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    document = ran.document
    assert [
        (outcome["from"], outcome["to"], outcome["outcome"]) for outcome in document["outcomes"]
    ] == [(31, 33, "verified")]
    assert document["power_cycle"] == "done"
    assert "function code 6" in ran.err
    assert "Bytes: 1F 06" in ran.err
    assert "To be switched off and on: unit 33 (0x21)" in ran.err
    with Job.open(job_file) as job:
        assert [unit.address for unit in job.units()] == [11, 12, 33]
        moved = job.units()[2]
        assert (moved.tag, moved.power_cycle_verified) == ("", True), "the tag is only planned"
    again = readdress_all(command, job_file, "--dry-run")
    assert "The plan was only shown" in again.out
    assert "33" not in again.out


def test_counting_up_along_the_cable(command: Command, job_file: Path) -> None:
    on_clean(command, job_file, 11, 12, 31)
    ran = readdress_all(command, job_file, "--first", 60, "--spares", 1, "--yes")
    assert ran.code == ExitCode.DONE, ran.err
    assert addresses(job_file) == [60, 62, 64]
    assert "All moves are done." in ran.out
    assert ran.out.count("verified") >= 3


def test_every_move_is_asked_for_and_a_no_leaves_the_rest(
    command: Command, job_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_clean(command, job_file, 11, 12, 31)
    asked: list[str] = []
    answers = iter([True, False, True])

    def confirm(text: str, **_: object) -> bool:
        asked.append(text)
        return next(answers)

    monkeypatch.setattr("click.confirm", confirm)
    ran = readdress_all(command, job_file, "--first", 60, "--json")
    assert ran.code == ExitCode.REFUSED
    assert asked[:2] == ["Send this write?", "Send this write?"]
    assert asked[2].startswith("Switch them off and on now.")
    assert [outcome["outcome"] for outcome in ran.document["outcomes"]] == ["verified", "refused"]
    assert [(left["from"], left["to"]) for left in ran.document["left"]] == [(31, 62)]
    assert addresses(job_file) == [12, 31, 60]


def test_the_power_cycle_can_be_left_out_and_is_told_as_not_done(
    command: Command, job_file: Path
) -> None:
    on_clean(command, job_file, 11)
    ran = readdress_all(command, job_file, "--set", "11=13", "--yes", "--no-check", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    assert ran.document["power_cycle"] == "not done"
    assert ran.document["outcomes"][0]["power_cycle"] == "not tested"
    assert f"busprobe recover --port virtual:clean --job {job_file} --cycled" in ran.err


def test_a_memory_that_forgets_is_found_out(command: Command, job_file: Path) -> None:
    identified(command, job_file, "procedures", (6, "9600-8N1"))
    ran = readdress_all(command, job_file, "--set", "6=60", "--yes", scenario="procedures")
    assert ran.code == ExitCode.NOT_VERIFIED
    assert "not verified" in ran.out
    assert "Neither unit 6 (0x06) nor unit 60 (0x3C) answers" in ran.out.replace("\n", " ")


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (("--set", "5"), "not a pair of addresses"),
        (("--set", "5=x"), "not a pair of addresses"),
        (("--set", "9=10"), "no single units at address 9"),
        ((), "--plan FILE, count up with --first ADDRESS"),
        (("--first", 300), "is not in the range"),
        (("--first", 5, "--plan", "plan.csv"), "exclude each other"),
        (("--plan", "nowhere.csv"), "there is no such file"),
    ],
)
def test_wrong_usage_is_told_in_words(
    command: Command, job_file: Path, arguments: tuple[object, ...], what: str
) -> None:
    Job.create(job_file).close()
    ran = readdress_all(command, job_file, *arguments)
    assert ran.code == ExitCode.USAGE
    assert what in ran.err


def test_one_unit_gets_other_line_settings_one_change_at_a_time(
    command: Command, job_file: Path
) -> None:
    Job.create(job_file).close()
    ran = command(
        *(
            "line-settings",
            "--port",
            "virtual:harmonise",
            "--settings",
            "4800-8E1",
            "--address",
            12,
        ),
        *("--to", "9600-8N1", "--yes", "--job", job_file, "--json"),
    )
    assert ran.code == ExitCode.DONE, ran.err
    document = ran.document
    assert document["format"] == "busprobe.line-settings/1"
    assert [(o["settings"], o["to_settings"], o["outcome"]) for o in document["outcomes"]] == [
        ("4800-8E1", "9600-8E1", "verified"),
        ("9600-8E1", "9600-8N1", "verified"),
    ]
    assert document["power_cycle"] == "done"
    with Job.open(job_file) as job:
        assert [str(unit.place) for unit in job.units()] == ["12 9600-8N1"]
        assert [write_words(write) for write in job.writes()] == [
            f"{step} to {settings}"
            for settings in ("9600-8E1", "9600-8N1")
            for step in ("unlock", "line settings", "save", "relock")
        ]


def test_a_mixed_bus_is_harmonised(command: Command, job_file: Path) -> None:
    places = ((11, "9600-8N1"), (12, "4800-8E1"), (21, "19200-8N1"), (31, "19200-8E1"))
    identified(command, job_file, "harmonise", *places)
    ran = command(
        *(
            "line-settings",
            "--port",
            "virtual:harmonise",
            "--all",
            "--to",
            "9600-8N1",
            "--yes",
            "--job",
            job_file,
        )
    )
    assert ran.code == ExitCode.DONE, ran.err
    with Job.open(job_file) as job:
        assert [str(unit.settings) for unit in job.units()] == ["9600-8N1"] * 4


def test_a_unit_that_cannot_follow_needs_attention(command: Command, job_file: Path) -> None:
    identified(command, job_file, "harmonise", (21, "19200-8N1"))
    ran = command(
        *(
            "line-settings",
            "--port",
            "virtual:harmonise",
            "--all",
            "--to",
            "9600-8E1",
            "--yes",
            "--job",
            job_file,
        )
    )
    assert ran.code == ExitCode.ATTENTION
    assert "is left as it is" in ran.out.replace("\n", " ")


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (("--settings", "9600-8N1", "--to", "9600-8E1"), "not said which unit"),
        (("--all", "--address", 11, "--to", "9600-8E1"), "--all goes without"),
        (("--settings", "9600-8N1", "--address", 11, "--to", "9600-8N1"), "is to keep 9600-8N1"),
        (
            ("--settings", "9600-8N1", "--address", 11, "--to", "115200-8N1"),
            "has no code for 115200-8N1",
        ),
        (
            ("--settings", "9600-8N1", "--address", 11, "--to", "9600-8E1", "--profile", "nobody"),
            "no profile 'nobody'",
        ),
        (
            (
                "--settings",
                "9600-8N1",
                "--address",
                11,
                "--to",
                "9600-8E1",
                "--profile",
                "aldermoor-at-10",
            ),
            "does not say how a AT-10 is given",
        ),
    ],
)
def test_wrong_line_settings_are_told_in_words(
    command: Command, job_file: Path, arguments: tuple[object, ...], what: str
) -> None:
    Job.create(job_file).close()
    ran = command("line-settings", "--port", "virtual:harmonise", *arguments, "--job", job_file)
    assert ran.code == ExitCode.USAGE
    assert what in ran.err


def moved(command: Command, job_file: Path) -> Ran:
    return command(
        *(
            "readdress",
            "--port",
            "virtual:clean",
            *AT_9600,
            "--from",
            11,
            "--to",
            13,
            "--yes",
            "--job",
            job_file,
        )
    )


def test_the_journal_has_bytes_words_reply_outcome_and_time(
    command: Command, job_file: Path
) -> None:
    assert moved(command, job_file).code == ExitCode.DONE
    ran = command("journal", "--job", job_file, "--json")
    assert ran.code == ExitCode.DONE
    assert ran.document["format"] == "busprobe.journal/1"
    (write,) = ran.document["writes"]
    assert (write["number"], write["from_address"], write["to_address"]) == (1, 11, 13)
    assert write["request"].startswith("0B 06 01 01 00 0D")
    assert write["intended"].endswith("Z")
    (entry,) = write["conclusions"]
    assert (entry["outcome"], entry["reply"]) == (
        "verified",
        write["request"],
    )  # function 6 answers with the request
    text = command("journal", "--job", job_file).out
    assert (
        "Write 13 (0x000D) to holding register 257 (0x0101) of unit 11 (0x0B), function code 6."
        in text
    )
    assert "verified; reply: 0B 06 01 01 00 0D" in text


def test_a_write_of_which_nothing_is_known_needs_attention(
    command: Command, job_file: Path
) -> None:
    with Job.create(job_file) as job:
        job.intend_write(
            WriteIntent(
                role=Role.ADDRESS,
                source=Place.parse("11 9600-8N1"),
                target=Place.parse("13 9600-8N1"),
                write=RegisterWrite(257, (13,), Function.WRITE_SINGLE_REGISTER),
                request=bytes(8),
                words="Write it.",
            )
        )
    ran = command("journal", "--job", job_file)
    assert ran.code == ExitCode.ATTENTION
    assert "not known" in ran.out


def test_a_journal_that_is_empty_or_not_there_is_told(command: Command, job_file: Path) -> None:
    missing = command("journal", "--job", job_file)
    assert missing.code == ExitCode.USAGE
    assert not job_file.exists()
    Job.create(job_file).close()
    assert "Nothing was ever written" in command("journal", "--job", job_file).out


def moved_unit(tmp_path: Path, address: int) -> Path:
    """A segment on which the unit of `clean` at 11 has been moved, as it is found on the next
    day."""
    scenario = tmp_path / "moved.toml"
    scenario.write_text(
        f'title = "One unit"\n[[units]]\nname = "te"\ntype = "at-10"\naddress = {address}\n',
        encoding="utf-8",
    )
    return scenario


def test_a_move_is_undone_by_its_number(command: Command, job_file: Path, tmp_path: Path) -> None:
    """Every command opens its own virtual segment, so the moved unit is set up anew."""
    assert moved(command, job_file).code == ExitCode.DONE
    port = ("--port", f"virtual:{moved_unit(tmp_path, 13)}", "--job", job_file)
    ran = command("undo", *port, "--write", 1, "--yes", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    assert (ran.document["from"], ran.document["to"], ran.document["outcome"]) == (
        13,
        11,
        "verified",
    )
    assert addresses(job_file) == [11]
    again = command("undo", *port, "--write", 1, "--yes")
    assert again.code == ExitCode.REFUSED
    assert "is undone already, by write 2" in again.out


def test_an_undo_asks_first(
    command: Command, job_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert moved(command, job_file).code == ExitCode.DONE
    asked: list[str] = []
    monkeypatch.setattr("click.confirm", lambda text, **_: asked.append(text))
    ran = command(
        "undo", "--port", f"virtual:{moved_unit(tmp_path, 13)}", "--job", job_file, "--write", 1
    )
    assert (ran.code, asked) == (ExitCode.REFUSED, ["Send this write?"])
    assert addresses(job_file) == [13]


@pytest.mark.parametrize(("number", "what"), [(7, "has no write 7"), (0, "is not in the range")])
def test_an_undo_of_nothing_is_told(
    command: Command, job_file: Path, number: int, what: str
) -> None:
    Job.create(job_file).close()
    ran = command("undo", "--port", "virtual:clean", "--job", job_file, "--write", number)
    assert ran.code == ExitCode.USAGE
    assert what in ran.err


def test_an_undo_without_a_journal_opens_no_port(command: Command, job_file: Path) -> None:
    ran = command("undo", "--port", "virtual:clean", "--job", job_file, "--write", 1)
    assert ran.code == ExitCode.USAGE
    assert not job_file.exists()


@pytest.mark.parametrize("name", ["readdress-all", "line-settings"])
def test_what_was_under_way_is_looked_into_first(
    command: Command, job_file: Path, tmp_path: Path, name: str
) -> None:
    """The program was killed after the write had left; the next command says which move, and what
    is true."""
    frame = bytes.fromhex("0B 06 01 01 00 0D 19 5D")
    with Job.create(job_file) as job:
        job.intend_write(
            WriteIntent(
                role=Role.ADDRESS,
                source=Place.parse("11 9600-8N1"),
                target=Place.parse("13 9600-8N1"),
                write=RegisterWrite(257, (13,), Function.WRITE_SINGLE_REGISTER),
                request=frame,
                words="Write it.",
            )
        )
    port = ("--port", f"virtual:{moved_unit(tmp_path, 13)}", "--job", job_file, "--yes")
    rest = ("--set", "13=14") if name == "readdress-all" else ("--all", "--to", "9600-8N1")
    ran = command(name, *port, *rest)
    assert "Write 1 was under way when the program ended: Write it." in ran.err
    assert (
        "An earlier move from unit address 11 (0x0B) at 9600-8N1 to unit address 13 (0x0D)"
        in ran.err
    )
    assert "verified" in ran.err
    with Job.open(job_file) as job:
        assert job.unfinished_writes() == ()
        assert [unit.address for unit in job.units()] == [13]


LOCKED = """\
title = "A locked unit that was given address 45 before the program was killed"
[[units]]
name = "pt"
type = "lk-2"
address = 45
"""


def cut_off(job_file: Path, tmp_path: Path) -> tuple[object, ...]:
    """Unlocked, written and saved, and never locked again; the arguments for a command that looks
    into it."""
    scenario = tmp_path / "locked.toml"
    scenario.write_text(LOCKED, encoding="utf-8")
    with Job.create(job_file) as job:
        procedure = Procedure.from_profile(load_all([shipped_folder()]).profiles["garnmoor-lk-2"])
        move = Move(
            Place(1, LineSettings.parse("9600-8N1")),
            Place(45, LineSettings.parse("9600-8N1")),
            procedure,
        )
        listed = procedure_steps(move, ())
        for position, step in enumerate(listed[:-1]):
            number = job.intend_write(
                WriteIntent(
                    role=step.role,
                    source=move.source,
                    target=move.target,
                    write=step.write,
                    request=step.request.frame,
                    words=step.request.words,
                    move=1 if position else None,
                    planned=() if position else listed,
                )
            )
            if number != 2:
                job.conclude_write(number, outcome=Result.ACKNOWLEDGED, reply=None, why="ok")
    return ("--port", f"virtual:{scenario}", "--job", job_file)


def test_what_is_left_of_a_procedure_is_named_by_other_commands_and_sent_by_its_own(
    command: Command, job_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A no sends nothing and leaves it open; a yes locks the unit, and then nothing is left."""
    port = cut_off(job_file, tmp_path)
    other = command("readdress-all", *port, "--set", "45=46", "--dry-run")
    assert "A move was under way" in other.err
    monkeypatch.setattr("click.confirm", lambda *_, **__: False)
    declined = command("recover", *port)
    assert declined.code == ExitCode.REFUSED
    assert "found changed" in command("journal", "--job", job_file).out
    assert "unit 45 (0x2D) answers alone now" in declined.out.replace("\n", " ")
    assert "Not done at unit address 45 (0x2D) at 9600-8N1: relock." in declined.err
    told = command("readdress", *port, *AT_9600, "--from", 45, "--to", 45, "--yes")
    assert "'busprobe recover' offers to send what is left." in told.err
    ran = command("recover", *port, "--yes", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    (left,) = ran.document["open"]
    assert (left["steps"], left["outcome"]) == (["relock"], "procedure finished")
    assert "no procedure is open" in command("recover", *port).out


def test_moves_that_were_not_proven_are_looked_at_once_the_power_was_cycled(
    command: Command, job_file: Path, tmp_path: Path
) -> None:
    assert moved(command, job_file).code == ExitCode.DONE
    ran = command(
        "recover",
        "--port",
        f"virtual:{moved_unit(tmp_path, 13)}",
        "--job",
        job_file,
        "--cycled",
        "--json",
    )
    assert ran.code == ExitCode.DONE, ran.err
    assert [move["power_cycle"] for move in ran.document["moves"]] == ["kept over a power cycle"]
    with Job.open(job_file) as job:
        assert job.units()[0].power_cycle_verified is True


@pytest.mark.parametrize("name", ["readdress-all", "line-settings", "journal", "undo", "recover"])
def test_each_has_an_example(command: Command, name: str) -> None:
    ran = command(name, "--help")
    assert ran.code == ExitCode.DONE
    assert f"busprobe {name} " in ran.out
    assert "Example" in ran.out


@pytest.mark.parametrize("name", ["readdress", "readdress-all", "line-settings", "undo", "recover"])
def test_an_outcome_that_cannot_be_stored_is_not_a_success(
    command: Command, job_file: Path, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full once the write has left: the move is named, and what is to be done then."""
    scenario, place = "clean", "13 (0x0D)"
    given: tuple[object, ...] = ()
    match name:
        case "readdress":
            Job.create(job_file).close()
            given = (*AT_9600, "--from", 11, "--to", 13)
        case "readdress-all":
            on_clean(command, job_file, 11)
            given = ("--set", "11=13")
        case "line-settings":
            scenario = "harmonise"
            identified(command, job_file, scenario, (11, "9600-8N1"))
            given, place = ("--all", "--to", "19200-8N1"), "11 (0x0B) at 19200-8N1"
        case "undo":
            assert moved(command, job_file).code == ExitCode.DONE
            scenario, given, place = str(moved_unit(tmp_path, 13)), ("--write", 1), "11 (0x0B)"
        case "recover":
            assert moved(command, job_file).code == ExitCode.DONE
            scenario, given = str(moved_unit(tmp_path, 13)), ("--cycled",)
    conclude = Job.conclude_write

    def full(job: Job, *arguments: object, **more: object) -> None:
        fill(job)
        conclude(job, *arguments, **more)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(Job, "conclude_write", full)
        yes = () if name == "recover" else ("--yes",)
        port = ("--port", f"virtual:{scenario}", "--job", job_file)
        ran = command(name, *port, *given, *yes, "--json")
    assert ran.code == ExitCode.NOT_VERIFIED
    assert "NOT STORED: from unit address" in ran.err
    assert f"to unit address {place}" in ran.err
    assert f"Then: busprobe recover --port virtual:{scenario} --job {job_file}" in ran.err
    assert "the disk is full" in ran.err
    assert '"stored": false' in ran.out


def test_a_wrong_register_is_refused_and_a_yes_is_not_enough(
    command: Command, job_file: Path
) -> None:
    """Register 0 of this type holds its outputs, 5."""
    wrong = (
        *("readdress", "--port", "virtual:clean", *AT_9600, "--from", "31", "--to", "33"),
        *("--register", "0", "--function", "6", "--job", job_file),
    )
    ran = command(*wrong, "--yes")
    assert ran.code == ExitCode.REFUSED
    assert "Register 0 (0x0000) holds 5 (0x0005)" in ran.out
    assert "--although-register-holds 5" in ran.err
    other = command(*wrong, "--although-register-holds", "0x6", "--yes")
    assert other.code == ExitCode.REFUSED
    with Job.open(job_file) as job:
        assert job.writes() == ()
    ran = command(*wrong, "--although-register-holds", "5", "--yes")
    assert ran.code == ExitCode.NOT_VERIFIED
    assert "probably another setting" in ran.out
    assert "into use" not in ran.out
    with Job.open(job_file) as job:
        (write,) = job.writes()
    assert (write.held, write.holds, write.row) == (5, 33, Row.OTHER_REGISTER)


@pytest.mark.parametrize("value", ["-1", "65536", "five"])
def test_what_a_register_cannot_hold_is_wrong_usage(command: Command, value: str) -> None:
    ran = command(
        *("readdress", "--port", "virtual:clean", *AT_9600, "--from", "31", "--to", "33"),
        *("--register", "0", f"--although-register-holds={value}"),
    )
    assert ran.code == ExitCode.USAGE
    assert "is not what a register can hold" in ran.err


UNLOCKS = """\
id = "garnmoor-lk-2"
maker = "Garnmoor Pressure"
model = "LK-2"
kind = "pressure transmitter"
numbering = "wire"

[readdress]
register = 0x0410
effect = "after-save"
unlock = { register = 0x0400, values = [0x4C4B, 0x3200] }
save = { register = 0x0420, values = [1], function = 6 }
"""
"""As the shipped profile, but without the step that locks again."""


def test_a_unit_that_nothing_locks_again_is_told_of_until_a_power_cycle(
    command: Command, job_file: Path
) -> None:
    folder = job_file.parent / "profiles"
    folder.mkdir()
    (folder / "garnmoor-lk-2.toml").write_text(UNLOCKS, encoding="utf-8")
    ran = command(
        *("readdress", "--port", "virtual:procedures", *AT_9600, "--from", "1", "--to", "45"),
        *("--profile", "garnmoor-lk-2", "--yes", "--job", job_file),
    )
    assert ran.code == ExitCode.DONE, ran.err
    recover = ("recover", "--port", "virtual:procedures", "--job", job_file, "--json")
    ran = command(*recover)
    assert ran.code == ExitCode.ATTENTION
    (told,) = ran.document["unlocked"]
    assert (told["to"], told["locks_itself_after_s"]) == (45, None)
    assert "no write is known that locks it" in told["why"]
    assert command(*recover, "--cycled").document["unlocked"] == []
    assert command(*recover).document["unlocked"] == []


def test_a_unit_that_is_not_there_at_a_service_address_is_refused(
    command: Command, job_file: Path
) -> None:
    ran = command(
        *("readdress", "--port", "virtual:clean", *AT_9600, "--from", "255", "--to", "33"),
        *("--profile", "aldermoor-at-10", "--yes", "--job", job_file),
    )
    assert ran.code == ExitCode.REFUSED
    assert "unit address 255" in ran.out

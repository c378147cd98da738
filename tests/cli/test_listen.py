"""``busprobe listen`` on virtual segments: what is heard, what it fits, the exit code, and what is
kept."""

from __future__ import annotations

from pathlib import Path

import pytest

import busprobe.virtual
from busprobe.errors import ExitCode
from busprobe.job import Job
from busprobe.wiring.causes import Cause
from tests.cli.conftest import Command, Ran


def listen(command: Command, scenario: object, *more: object) -> Ran:
    return command(
        "listen", "--port", f"virtual:{scenario}", "--settings", "9600-8N1", "--json", *more
    )


def causes(ran: Ran) -> list[str]:
    """The likeliest cause of each observation."""
    return [observation["hints"][0]["cause"] for observation in ran.document["observations"]]


def swapped_adapter(tmp_path: Path, scenario: str) -> Path:
    """A shipped scenario whose two wires are exchanged at the adapter."""
    text = (Path(busprobe.virtual.__file__).parent / "scenarios" / f"{scenario}.toml").read_text(
        encoding="utf-8"
    )
    path = tmp_path / "swapped-adapter.toml"
    path.write_text(f"{text}\n[adapter]\nswapped = true\n", encoding="utf-8")
    return path


def test_a_sound_pair_with_its_turn_round(command: Command) -> None:
    ran = listen(command, "clean", "--probe", 11)
    assert ran.code == ExitCode.DONE, ran.err
    document = ran.document
    assert document["format"] == "busprobe.listen/1"
    assert (document["port"], document["settings"], document["seconds"]) == (
        "virtual:clean",
        "9600-8N1",
        10.0,
    )
    assert (document["bytes"], document["echo"], document["observations"]) == (0, False, [])
    (asked,) = document["asked"]
    assert asked["present"] is True
    assert 8 < asked["reply_ms"] < 16
    assert (
        "Nothing odd was heard.  A computer cannot see voltages"
        in command(
            *("listen", "--port", "virtual:clean", "--settings", "9600-8N1", "--probe", 11)
        ).out
    )


def test_nothing_is_sent_without_a_probe(command: Command) -> None:
    ran = listen(command, "echo")
    assert (ran.code, ran.document["asked"], ran.document["echo"]) == (ExitCode.DONE, [], None)
    assert listen(command, "echo", "--probe", 11).document["echo"] is True


def test_junk_on_a_pair_without_bias(command: Command) -> None:
    ran = listen(command, "stray-bytes", "--probe", 11)
    assert ran.code == ExitCode.ATTENTION
    assert ran.document["noise_bytes"] > 0
    assert set(causes(ran)) == {Cause.MISSING_BIAS}
    assert not any(observation["certain"] for observation in ran.document["observations"])


def test_another_master_is_heard_and_not_disturbed(command: Command) -> None:
    ran = listen(command, "second-master", "--probe", 12)
    assert ran.code == ExitCode.ATTENTION
    assert (ran.document["other_master"], ran.document["asked"]) == (True, [])
    assert ran.document["left_unasked"] == [12]
    assert causes(ran) == [Cause.OTHER_MASTER]
    assert ran.document["observations"][0]["certain"] is True
    told = command(
        "listen", "--port", "virtual:second-master", "--settings", "9600-8N1", "--probe", 12
    ).out
    assert "Unit 12 (0x0C) was not asked: another master is at work." in told
    assert "Only possible cause:" in told


def test_a_pair_swapped_at_the_adapter(command: Command, tmp_path: Path) -> None:
    """Nobody can be read: the swap comes first, and an adapter's glitch is not ruled out."""
    ran = listen(command, swapped_adapter(tmp_path, "clean"), "--probe", 11)
    assert ran.code == ExitCode.ATTENTION
    assert causes(ran) == [Cause.SWAPPED_AT_ADAPTER]
    assert len(ran.document["observations"][0]["hints"]) > 1


def test_another_master_through_a_swapped_adapter_is_not_called_noise(
    command: Command, tmp_path: Path
) -> None:
    ran = listen(command, swapped_adapter(tmp_path, "second-master"))
    assert ran.code == ExitCode.ATTENTION
    assert ran.document["flagged_bytes"] > 0
    assert causes(ran) == [Cause.SWAPPED_AT_ADAPTER]


def test_a_silent_unit_is_not_called_absent(command: Command) -> None:
    """Swapped at that unit alone: from here it may be several things, and what to do is said for
    each."""
    told = command("listen", "--port", "virtual:swapped", "--settings", "9600-8N1", "--probe", 31)
    assert told.code == ExitCode.ATTENTION
    assert "No reply from unit 31." in told.out
    assert str(Cause.SWAPPED_AT_UNIT) in told.out
    assert "Swap the two wires at that unit only" in told.out


def test_a_job_keeps_it_beside_the_meters_readings(command: Command, tmp_path: Path) -> None:
    job_file = tmp_path / "plant.busjob"
    assert command("wiring", "meter", "--resistance", "61", "--job", job_file).code == ExitCode.DONE
    assert listen(command, "stray-bytes", "--job", job_file).code == ExitCode.ATTENTION
    again = command("wiring", "meter", "--idle", "0.02", "--job", job_file, "--json")
    with Job.open(job_file) as job:
        records = [record.document for record in job.records("wiring")]
        heard = job.latest("listening")
    assert [j["reading"] for j in records[1]["judgements"]] == ["61.0 Ω"]
    assert records[1]["observations"] != []
    assert "listening to the pair" not in records[1]["skipped"]
    assert heard is not None
    assert heard.document["noise_bytes"] > 0
    assert again.document == records[2]
    assert [j["reading"] for j in records[2]["judgements"]] == ["61.0 Ω", "+0.020 V"]
    assert records[2]["observations"] == records[1]["observations"]


@pytest.mark.parametrize(
    "arguments", [("--seconds", "0"), ("--probe", "0"), ("--probe", "256"), ("--settings", "fast")]
)
def test_nonsense_is_named(arguments: tuple[str, str], command: Command) -> None:
    ran = command("listen", "--port", "virtual:clean", *arguments)
    assert ran.code == ExitCode.USAGE
    assert arguments[0] in ran.err


def test_a_port_that_is_not_there(command: Command) -> None:
    ran = command("listen", "--port", "/dev/no-such-adapter", "--seconds", 1)
    assert ran.code == ExitCode.PORT_FAILED
    assert "There is no port" in ran.err

"""``busprobe profiles``: what is stored, what is wrong with a file, and a unit described with the
unit at hand."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job
from busprobe.profiles.loading import load_profile
from busprobe.profiles.store import own_folder, shipped_folder
from tests.cli.conftest import Command

GENERIC = ("--port", "virtual:generic", "--settings", "9600-8N1")
WIND = (*GENERIC, "--address", 5, "--point", "31 Wind", "--point", "33 Direction")


def profile_file(folder: Path, name: str, model: str, fingerprint: str = "") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.toml"
    path.write_text(
        f'id = "{name}"\nmaker = "Glenmoss Works"\nmodel = "{model}"\nkind = "relay"\nnumbering ='
        f' "wire"\n{fingerprint}'
    )
    return path


def test_list_says_which_file_wins_shipped_own_or_the_jobs(
    command: Command, tmp_path: Path
) -> None:
    own = profile_file(own_folder(), "aldermoor-at-10", "AT-10 my own")
    of_job = profile_file(tmp_path / "profiles", "aldermoor-at-10", "AT-10 of this job")
    job_file = tmp_path / "plant.busjob"
    shipped = shipped_folder() / "aldermoor-at-10.toml"
    listed = {p["id"]: p for p in command("profiles", "list", "--json").document["profiles"]}
    assert (listed["aldermoor-at-10"]["file"], listed["aldermoor-at-10"]["in_place_of"]) == (
        str(own),
        [str(shipped)],
    )
    assert (listed["aldermoor-at-10"]["from"], listed["corran-cd-2"]["from"]) == ("mine", "shipped")
    ran = command("profiles", "list", "--job", job_file)
    assert ran.code == ExitCode.DONE
    assert f"Profile aldermoor-at-10 is that of {of_job}, in place of {own}." in ran.err
    shown = command("profiles", "show", "aldermoor-at-10", "--job", job_file)
    assert "AT-10 of this job" in shown.out
    assert f"in place of {shipped}" in shown.err


def test_a_broken_own_profile_is_told_and_takes_nothing_with_it(command: Command) -> None:
    profile_file(own_folder(), "broken", "G-1", "points = 5\n")
    ran = command("profiles", "list", "--json")
    assert ran.code == ExitCode.ATTENTION
    assert "points" in ran.document["problems"][0]
    assert len(ran.document["profiles"]) > 6
    identified = command(
        "identify", "--port", "virtual:clean", "--settings", "9600-8N1", "--address", 21
    )
    assert identified.code == ExitCode.DONE
    assert "broken.toml" in identified.err


def test_check_tells_all_mistakes_with_their_lines_also_those_between_files(
    command: Command, tmp_path: Path
) -> None:
    one = profile_file(tmp_path, "one", "G-1", '[fingerprint]\nserver_id = { contains = "G-1" }\n')
    two = profile_file(
        tmp_path, "two", "G-1 B", '[fingerprint]\nserver_id = { equals = "G-1 B" }\n'
    )
    wrong = profile_file(tmp_path, "wrong", "G-2", 'color = "red"\n[limits]\nregisters = 900\n')
    ran = command("profiles", "check", one, two, wrong)
    assert ran.code == ExitCode.USAGE
    assert "fingerprint (line 6): fits every unit of 'two' (Glenmoss Works G-1 B) too" in ran.out
    assert f"{two}: valid" in ran.out
    assert "color (line 6): is not a known field" in ran.out
    assert "limits.registers (line 8)" in ran.out
    alone = command("profiles", "check", one)
    assert alone.code == ExitCode.DONE


def test_fields_are_explained(command: Command) -> None:
    ran = command("profiles", "fields")
    assert ran.code == ExitCode.DONE
    assert "points[].scale_register.means: may be left out" in ran.out


def test_draft_shows_the_plausible_ways_first_and_names_an_off_by_one(command: Command) -> None:
    ran = command("profiles", "draft", *WIND, "--json")
    assert ran.code == ExitCode.ATTENTION
    document = ran.document
    assert (document["format"], document["off_by"], document["numbering"]) == (
        "busprobe.profile-draft/1",
        -1,
        "one-based",
    )
    best = document["points"][0]["interpretations"][0]
    assert (best["function"], best["register"], best["type"], best["order"]) == (
        3,
        30,
        "float32",
        "CDAB",
    )
    assert document["given"] == [{"function": 3, "register": 30, "count": 3}]
    assert document["file"] is None
    stated = command("profiles", "draft", *WIND, "--numbering", "one-based", "--json")
    assert (stated.document["off_by"], stated.document["numbering"]) == (0, "one-based")
    printed = command("profiles", "draft", *WIND)
    assert "Numbering is off by one" in printed.out
    assert "nothing is written to it" in printed.err


def test_a_drafted_profile_is_valid_and_recognises_its_unit(command: Command) -> None:
    ran = command("profiles", "draft", *WIND, "--save", "wheal-tamsin-wt-5")
    path = own_folder() / "wheal-tamsin-wt-5.toml"
    assert f"The profile is in {path}." in ran.out
    assert load_profile(path).numbering == "one-based"
    assert command("profiles", "check", path).code == ExitCode.DONE
    identified = command("identify", *GENERIC, "--address", 5, "--json")
    assert identified.document["profile"] == "wheal-tamsin-wt-5"
    assert [reading["name"] for reading in identified.document["readings"]] == ["Wind", "Direction"]


def test_a_draft_replaces_no_file_unasked(command: Command, tmp_path: Path) -> None:
    path = profile_file(own_folder(), "wheal-tamsin-wt-5", "WT-5 by hand")
    before = path.read_text()
    ran = command("profiles", "draft", *WIND, "--save", "wheal-tamsin-wt-5")
    assert ran.code == ExitCode.REFUSED
    assert "is there already" in ran.err
    assert path.read_text() == before
    into_job = command(
        "profiles",
        "draft",
        *WIND,
        "--save",
        "wheal-tamsin-wt-5",
        "--job",
        tmp_path / "plant.busjob",
    )
    assert str(tmp_path / "profiles" / "wheal-tamsin-wt-5.toml") in into_job.out
    command("profiles", "draft", *WIND, "--save", "wheal-tamsin-wt-5", "--overwrite")
    assert path.read_text() != before


def test_notes_and_what_the_display_shows_settle_a_draft(command: Command, tmp_path: Path) -> None:
    """What the data sheet says in any order; the display tells the scale."""
    notes = tmp_path / "notes.toml"
    notes.write_text(
        '[[points]]\nregister = 11\nname = "Temperature"\nunit = "°C"\nshows ='
        " -3.2\n\n[limits]\ngap_s = 0.02\n",
        encoding="utf-8",
    )
    ran = command(
        *(
            "profiles",
            "draft",
            *GENERIC,
            "--address",
            6,
            "--notes",
            notes,
            "--point",
            "20 Energy kWh =184203",
        ),
        *("--save", "rosehill-rh-2"),
    )
    assert ran.code == ExitCode.DONE, ran.out
    made = load_profile(own_folder() / "rosehill-rh-2.toml")
    assert [(p.name, p.function, p.at.wire, str(p.type), p.scale) for p in made.points] == [
        ("Temperature", 4, 11, "int16", 0.1),
        ("Energy", 4, 20, "uint32", 0.1),
    ]
    assert made.limits.gap_s == 0.02


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ((), ExitCode.USAGE, "Nothing is said of any register"),
        (("--point", "Wind"), ExitCode.USAGE, "No register is named"),
        (("--point", "31 Phase 1"), ExitCode.USAGE, "31 and 1 could each be the register"),
        (("--point", "70000 Wind"), ExitCode.USAGE, "70000 is no register"),
        (("--point", "31 Wind", "--save", "../x"), ExitCode.USAGE, "cannot be the short name"),
        (("--notes", "absent.toml"), ExitCode.USAGE, "absent.toml"),
    ],
)
def test_wrong_notes_are_told_before_the_unit_is_asked(
    command: Command, arguments: tuple[str, ...], code: ExitCode, words: str
) -> None:
    ran = command("profiles", "draft", *GENERIC, "--address", 5, *arguments)
    assert ran.code == code
    assert words in ran.err
    assert "Reading the unit" not in ran.err


def test_nothing_is_drafted_where_nobody_answers(command: Command) -> None:
    ran = command("profiles", "draft", *GENERIC, "--address", 99, "--point", "31 Wind")
    assert ran.code == ExitCode.REFUSED
    assert "Nothing can be drafted at address 99 (0x63): No reply." in ran.err


def test_a_unit_that_follows_sunspec_is_readdressed_through_its_device_address_point(
    command: Command, tmp_path: Path
) -> None:
    """No data sheet was needed: the generic profile is recognised and says how."""
    job_file = tmp_path / "plant.busjob"
    identified = command("identify", *GENERIC, "--address", 3, "--json")
    assert identified.document["profile"] == "sunspec-40000"
    assert identified.document["identity"]["vendor"] == "Lanyon Power"
    assert identified.document["models"] == [1, 64901]
    ran = command(
        "readdress", *GENERIC, "--from", 3, "--to", 33, "--yes", "--job", job_file, "--json"
    )
    assert ran.code == ExitCode.DONE, ran.err
    assert (ran.document["outcome"], ran.document["request"][:20]) == (
        "verified",
        "03 10 9C 84 00 01 02",
    )


def test_identify_says_how_far_the_second_best_is(command: Command) -> None:
    ran = command("identify", "--port", "virtual:clean", "--settings", "9600-8N1", "--address", 21)
    assert "Brookvale Metering BM-330 fits with" in ran.out
    assert " is 0." in ran.out or "no other profile comes near" in ran.out


VALVE = """
[types.{name}]
maker = "Glenmoss Works"
model = "GV-4"
settings = "9600-8N1"
functions = [43]

[types.{name}.identification]
"0x00" = "Glenmoss Works"
"0x01" = "GV-4"
"0x02" = "{version}"

[[units]]
name = "{name}"
type = "{name}"
address = {address}
"""


def test_another_firmware_among_units_of_one_type_is_flagged_by_a_profile_of_the_job(
    command: Command, tmp_path: Path
) -> None:
    """The profile lives beside the job file; the third of three units has another revision than its
    siblings."""
    units = [("one", "1.4", 7), ("two", "1.4", 8), ("three", "1.5", 9)]
    scenario = tmp_path / "valves.toml"
    scenario.write_text(
        'title = "Three valves, one of another batch"\n'
        + "".join(
            VALVE.format(name=name, version=version, address=address)
            for name, version, address in units
        )
    )
    profile_file(
        tmp_path / "profiles",
        "glenmoss-gv-4",
        "GV-4",
        '[fingerprint]\nobjects = [{ object = 0, equals = "Glenmoss Works" }, { object = 1, equals'
        ' = "GV-4" }]\n',
    )
    found = [
        command(
            *(
                "identify",
                "--port",
                f"virtual:{scenario}",
                "--settings",
                "9600-8N1",
                "--address",
                address,
            ),
            *("--job", tmp_path / "plant.busjob", "--json"),
        ).document
        for _, _, address in units
    ]
    assert {document["profile"] for document in found} == {"glenmoss-gv-4"}
    flags = [[note for note in document["notes"] if "siblings" in note] for document in found]
    assert flags == [[], [], ["Its version is '1.5', other than with its siblings: '1.4' at 7-8."]]
    with Job.open(tmp_path / "plant.busjob") as job:
        noted = {
            unit.address: [note for note in unit.remarks if "siblings" in note]
            for unit in job.units()
        }
    other = "Its version is '1.4', other than with its siblings: '1.5' at 9."
    assert noted == {7: [other], 8: [other], 9: flags[2]}


def test_a_serial_number_in_an_object_of_the_makers_own_is_shown_neutralised(
    command: Command, tmp_path: Path
) -> None:
    """Where the profile says so it is the serial number; otherwise it is shown as the object that
    it is."""
    scenario = tmp_path / "valve.toml"
    own = '"0x80" = "\\u001b[2J=SN 0417"\n\n[[units]]'
    scenario.write_text(
        'title = "A valve"\n'
        + VALVE.format(name="one", version="1", address=7).replace("[[units]]", own)
    )
    asked = ("identify", "--port", f"virtual:{scenario}", "--settings", "9600-8N1", "--address", 7)
    unknown = command(*asked)
    assert "object 0x80: \\x1b[2J=SN 0417" in unknown.out
    text = (
        'objects = [{ object = 0x80, tells = "serial" }]\n[fingerprint]\n'
        'objects = [{ object = 1, equals = "GV-4" }, { object = 0, equals = "Glenmoss Works" }]\n'
    )
    profile_file(own_folder(), "glenmoss-gv-4", "GV-4", text)
    assert command(*asked, "--json").document["identity"]["serial"] == "\\x1b[2J=SN 0417"


def test_identify_shows_the_data_sheets_numbering_too(command: Command) -> None:
    ran = command("identify", "--port", "virtual:clean", "--settings", "9600-8N1", "--address", 21)
    assert "52 (0x0034)  30053" in ran.out


def test_a_reading_against_the_display_is_not_saved_without_asking(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    point = ("--address", 5, "--point", "33 Direction U16 =4711")
    against = (*GENERIC, *point, "--save", "wheal-tamsin-wt-5")
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    refused = command("profiles", "draft", *against)
    assert refused.code == ExitCode.ATTENTION
    assert "which the display shows" in refused.err
    assert not list(tmp_path.rglob("wheal-tamsin-wt-5.toml"))
    assert "Nothing was saved" in refused.err
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert command("profiles", "draft", *against).code == ExitCode.ATTENTION
    assert list(tmp_path.rglob("wheal-tamsin-wt-5.toml"))

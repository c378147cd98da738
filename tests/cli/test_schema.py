"""Published schemas: each document of the commands is as its schema says, checked by jsonschema."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import ValidationError

import busprobe
from busprobe.cli.schema import DOCUMENTS, document_schema, format_of
from busprobe.errors import ExitCode
from tests.cli.conftest import Command
from tests.documents import check_document

AT = ("--port", "virtual:clean", "--settings", "9600-8N1")


def documents(command: Command, folder: Path) -> dict[str, Any]:
    """One document of each kind, as the commands print it."""
    job, trace = folder / "a.busjob", folder / "bus.pcapng"
    on_job = ("--port", "virtual:clean", "--job", job)
    to_19200 = ("--all", "--to", "19200-8N1", "--yes")
    made = [
        command(*given, "--json").document
        for given in (
            ("survey", *AT, "--addresses", "11-12", "--job", job),
            ("--trace", trace, "identify", *AT, "--address", 11, "--job", job),
            ("identify", *on_job),
            ("trace", trace),
            ("listen", *AT, "--seconds", 0.2, "--probe", 11, "--job", job),
            ("hunt", *AT, "--addresses", 11, "--rounds", 2),
            ("ports",),
            ("config",),
            ("wiring", "meter", "--resistance", 61, "--idle", 0.25, "--job", job),
            ("wiring", "bias", "--unit-loads", 12),
            ("profiles", "list"),
            ("profiles", "show", "aldermoor-at-10"),
            ("profiles", "check", "profiles/aldermoor-at-10.toml", folder / "none.toml"),
            ("profiles", "draft", *AT, "--address", 11, "--point", "1 Temperature S16 0.1 C"),
            ("prove", *on_job, "--rounds", 3, "--try-table"),
            ("targets", "--job", job, "--start", 100),
            ("readdress-all", *on_job, "--first", 60, "--dry-run"),
            ("readdress", *AT, "--from", 11, "--to", 13, "--job", job, "--yes"),
            ("recover", *on_job),
            ("journal", "--job", job),
            ("handover", "--job", job, "--out", folder / "out"),
            (
                *("play-master", "--port", "virtual:clean", "--seconds", 1),
                *("--table", folder / "out" / "master-points.csv"),
            ),
            ("compare", job, job),
            ("job", "rescue", job),
            ("survey", *AT, "--addresses", "11", "--job", folder / "b.busjob"),
            ("line-settings", *AT[:2], "--job", folder / "b.busjob", *to_19200),
            ("undo", *on_job, "--write", 99),
        )
    ]
    made.append(json.loads((folder / "out" / "bus-list.json").read_text(encoding="utf-8")))
    made += [document["polling"] for document in made if "polling" in document]
    return {document["format"]: document for document in made}


def test_a_document_of_each_kind_is_as_its_schema_says(command: Command, tmp_path: Path) -> None:
    made = documents(command, tmp_path)
    for document in made.values():
        check_document(document)
    known = {format_of(name) for name in DOCUMENTS if name != "wiring-calculation"}
    assert set(made) == known | {"busprobe.wiring-bias/1"}


def test_no_document_is_left_out() -> None:
    """Each dataclass of the program with a format name is among those that are published."""
    sources = Path(busprobe.__file__).parent.rglob("*.py")
    declared = {
        name
        for source in sources
        for name in re.findall(
            r'format: Literal\["(busprobe\.[^"]+)"\]', source.read_text(encoding="utf-8")
        )
    }
    assert declared == {format_of(name) for name in DOCUMENTS if name != "wiring-calculation"}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_schema_is_printed(command: Command, name: str) -> None:
    ran = command("schema", name)
    assert ran.code == ExitCode.DONE
    schema = json.loads(ran.out)
    assert schema == document_schema(name)
    assert schema["title"].startswith("busprobe.")
    assert "format" in schema["required"]
    assert schema["description"]


def test_all_schemas_are_listed(command: Command) -> None:
    ran = command("schema")
    assert all(name in ran.out for name in DOCUMENTS)


def test_a_name_that_no_document_has_is_told(command: Command) -> None:
    ran = command("schema", "surveys")
    assert ran.code == ExitCode.USAGE
    assert "Did you mean survey?" in ran.err


ERROR = {"format": "busprobe.error/1", "what": "a", "means": "", "todo": "b", "exit_code": 2}


def test_the_check_of_the_tests_passes_what_is_right() -> None:
    check_document(ERROR)


@pytest.mark.parametrize(
    "change", [{"more": 1}, {"exit_code": "2"}, {"what": None}, {"format": "busprobe.error/2"}]
)
def test_the_check_of_the_tests_fails_on_what_no_schema_says(change: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        check_document({**ERROR, **change})


def test_the_check_of_the_tests_fails_on_what_is_missing() -> None:
    with pytest.raises(ValidationError):
        check_document({key: value for key, value in ERROR.items() if key != "todo"})

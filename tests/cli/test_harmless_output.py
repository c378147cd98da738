"""Whatever a command shows, nothing in it acts on the terminal."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import busprobe.cli
from tests.cli.conftest import Command
from tests.hostile_job import HOSTILE, make_hostile

NAME = "x\x1b]0;owned\x07\u202e\n"


def acting(text: str) -> set[str]:
    return {c for c in text if not c.isprintable() and c != "\n"}


@pytest.mark.parametrize(
    "arguments",
    [
        ("journal", "--job", "{job}"),
        ("journal", "--job", "{job}", "--json"),
        ("handover", "--job", "{job}", "--out", "{out}"),
        ("handover", "--job", "{job}", "--out", "{out}", "--json"),
        ("compare", "{job}", "{job}", "--json"),
        ("compare", "{older}", "{job}"),
        ("prove", "--port", "virtual:clean", "--job", "{job}", "--rounds", "1"),
        ("recover", "--port", "virtual:clean", "--job", "{job}"),
        ("undo", "--port", "virtual:clean", "--job", "{job}", "--yes"),
        ("survey", "--port", "virtual:clean", "--addresses", "11-12", "--job", "{job}"),
        ("survey", "--port", f"socket://{NAME}:1"),
        ("survey", "--port", f"/dev/{NAME}", "--json"),
        ("journal", "--job", NAME),
        ("virtual", NAME, "--tcp", "127.0.0.1:0"),
        ("virtual", "clean", "--tcp", NAME),
        ("profiles", "show", NAME),
        ("profiles", "check", NAME),
        ("profiles", "check", "{scenario}"),
        ("virtual", "{scenario}", "--tcp", "127.0.0.1:0"),
        ("handover", "--job", "{job}", "--out", "x", "--format", NAME),
        ("survey", "--port", "virtual:clean", "--settings", NAME),
        ("wiring", "meter", NAME),
        (NAME,),
        ("journal", f"--{NAME}"),
    ],
)
def test_no_text_of_whatever_source_acts_on_the_terminal(
    arguments: tuple[str, ...], command: Command, tmp_path: Path
) -> None:
    for name in ("a.busjob", "b.busjob"):
        make_hostile(tmp_path / name).close()
    (tmp_path / "s.toml").write_text('title = "m"\n"a\\u001bb" = 1\n', encoding="utf-8")
    places = {"scenario": "s.toml", "job": "a.busjob", "older": "b.busjob", "out": "out"}
    given = {key: str(tmp_path / name) for key, name in places.items()}
    ran = command(*(a.format(**given) if "{" in a else a for a in arguments))
    assert acting(ran.out + ran.err) == set()
    assert "busprobe itself failed" not in ran.err


def test_a_text_with_a_line_end_cannot_pass_for_a_line_of_ours(
    command: Command, tmp_path: Path
) -> None:
    make_hostile(tmp_path / "a.busjob").close()
    ran = command("journal", "--job", tmp_path / "a.busjob")
    assert "\\x1b]0;owned\\x07\\x9b31m\\u202e" in ran.out
    assert HOSTILE.rpartition("\n")[2] in ran.out
    assert not any(line.startswith("Done: verified") for line in ran.out.splitlines())


def test_commands_show_nothing_beside_the_module_that_makes_it_harmless() -> None:
    folder = Path(busprobe.cli.__file__).parent
    beside = [
        f"{path.relative_to(folder)}:{node.lineno}"
        for path in folder.rglob("*.py")
        if path.name != "output.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and ast.unparse(node.func)
        in ("print", "console.print", "click.echo", "click.secho", "sys.stdout.write", "rich.print")
    ]
    assert beside == []

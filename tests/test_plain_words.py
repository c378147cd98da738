"""No text that a person reads has one of the words that technicians abroad had to read twice.

The list was drawn up for this project: each word has a plain one in the standard or the trade.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "busprobe"
COMMANDS = PACKAGE / "cli" / "commands"
NOT_USED = re.compile(
    r"\b(reckon\w*|wreck\w*|lumps?|nobody|somebody|owned up|hands? [\w ]*\bbytes? over|besides|junk"
    r"|lamps?|papers?|sums|soundly|sound(?! pressure)|(?:what )?became of|turn-round)\b|\bMind:",
    re.IGNORECASE,
)
KEPT = {"ok after junk": "a value in the job files of all versions"}


def sentences(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of each literal of a module that can be a sentence: of docstrings, the help of
    commands only."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    notes = {
        id(statement.value)
        for node in ast.walk(tree)
        for statement in (
            [] if isinstance(node, ast.Lambda | ast.IfExp) else getattr(node, "body", [])
        )
        if isinstance(statement, ast.Expr)
        and not (COMMANDS in path.parents and isinstance(node, ast.FunctionDef))
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in notes:
            if re.fullmatch(r"[#.\w-]*", node.value) and not node.value[:1].isupper():
                continue  # a name
            if node.value not in KEPT:
                yield node.lineno, node.value


def texts() -> Iterator[Path]:
    """Files other than modules that a person reads."""
    yield ROOT / "README.md"
    for folder in (PACKAGE, ROOT / "profiles"):
        for suffix in ("toml", "html", "md", "txt", "csv", "jinja"):
            yield from folder.rglob(f"*.{suffix}")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("Nobody answered.", True),
        ("lumps of bytes", True),
        ("hands these bytes over", True),
        ("Mind: it is read.", True),
        ("a sound reply", True),
        ("sum of loads", False),
        ("Sound pressure level", False),
    ],
)
def test_the_words_are_found(text: str, found: bool) -> None:
    assert bool(NOT_USED.search(text)) is found


def test_sentences_of_the_package_are_plain() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{line}: {match[0]!r} in {text[:80]!r}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line, text in sentences(path)
        if (match := NOT_USED.search(text))
    ]
    assert wrong == []


def test_the_other_texts_are_plain() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{number}: {match[0]!r}"
        for path in sorted(texts())
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if (match := NOT_USED.search(line))
    ]
    assert wrong == []

"""A program whose sentences say something else: what is decided must be the same.

Run as ``python -m tests.rewording SEED``: every sentence in the services and the session is put
into other words, differently at each place where it stands, before the program is loaded.  Then
whole jobs are done on virtual segments, and all that was decided is printed as JSON.  Seed 0
rewords nothing.
"""

from __future__ import annotations

import ast
import importlib.abc
import importlib.machinery
import importlib.util
import json
import random
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busprobe.line.line import Line

ROOMS = ("survey", "readdress", "prove", "wiring", "session", "handover", "modbus", "line")
"""Rooms whose sentences are reworded; wizard and commands only show them."""

WORD = re.compile(r"\{[^{}]*\}|[A-Za-z]{2,}")
"""A word of a sentence, or a field of it, which stays."""

SENTENCE = re.compile(r"[A-Za-z]{2,}[,;:]? +[A-Za-z]{2,}.*[ .:?!]|[A-Za-z]{2,}( +[a-z]{2,}){3,}")
"""A text of several words; shorter ones are names of columns and files, which others rely on."""

NO_SENTENCE = re.compile(r"^\s*(SELECT|INSERT|UPDATE|DELETE|CREATE|ALTER|DROP|PRAGMA)\b")


class Reworded(ast.NodeTransformer):
    """Each word of each sentence becomes another word, at random."""

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance
        self.count = 0

    def visit_Constant(self, node: ast.Constant) -> ast.Constant:
        if isinstance(node.value, str) and self._is_sentence(node.value):
            self.count += 1
            return ast.copy_location(ast.Constant(WORD.sub(self._word, node.value)), node)
        return node

    def visit_FormattedValue(self, node: ast.FormattedValue) -> ast.FormattedValue:
        node.value = self.visit(node.value)  # a format spec is no sentence
        return node

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.ClassDef:
        if any("Enum" in ast.unparse(base) for base in node.bases):
            return node  # its values are names in documents
        self.generic_visit(node)
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.JoinedStr:
        said = " ".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))
        sentence = len(WORD.findall(said)) > 1
        for place, part in enumerate(node.values):
            if sentence and isinstance(part, ast.Constant):
                self.count += 1
                words = WORD.sub(self._word, str(part.value))
                node.values[place] = ast.copy_location(ast.Constant(words), part)
            else:
                node.values[place] = self.visit(part)
        return node

    def _is_sentence(self, text: str) -> bool:
        return bool(SENTENCE.search(text)) and not NO_SENTENCE.match(text)

    def _word(self, match: re.Match[str]) -> str:
        if match[0].startswith("{"):
            return match[0]
        letters = "bdfgklmnprstvz"
        return "".join(
            self._chance.choice(letters) + self._chance.choice("aeiou")
            for _ in range(self._chance.randint(1, 4))
        )


class Loader(importlib.machinery.SourceFileLoader):
    """Loads a module with its sentences reworded; docstrings stay."""

    chance: random.Random
    count = 0

    def source_to_code(  # type: ignore[override]
        self, data: Any, path: str, *, _optimize: int = -1
    ) -> Any:
        tree = ast.parse(data, path)
        for node in ast.walk(tree):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
                node.body = [each for each in node.body if not _is_docstring(each)] or [ast.Pass()]
        reworded = Reworded(Loader.chance)
        tree = ast.fix_missing_locations(reworded.visit(tree))
        Loader.count += reworded.count
        return compile(tree, path, "exec", dont_inherit=True, optimize=_optimize)

    def get_code(self, fullname: str) -> Any:
        path = self.get_filename(fullname)
        return self.source_to_code(self.get_data(path), path)  # never from a cache


def _is_docstring(node: ast.stmt) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


class Finder(importlib.abc.MetaPathFinder):
    """Finds the modules of the rooms whose sentences are reworded."""

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        parts = name.split(".")
        if parts[0] != "busprobe" or len(parts) < 2 or parts[1] not in ROOMS:
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path, target)
        if spec is not None and spec.origin is not None:
            spec.loader = Loader(name, spec.origin)
        return spec


SCENARIOS = ("clash", "noise", "impostor", "second-master")


def decided(folder: Path) -> dict[str, Any]:
    """What is decided in a whole job, in surveys of ugly buses, and of what is heard on them."""
    from busprobe.session.demo import run_unattended

    true = run_unattended(folder, lambda _: None)
    document = json.loads((folder / "bus-list.json").read_text(encoding="utf-8"))
    return {
        "true": true,
        "bus list": document,
        "surveys": {name: surveyed(name) for name in SCENARIOS},
        "heard": {name: heard(name) for name in ("clean", "swapped", "noise")},
    }


def surveyed(name: str) -> dict[str, Any]:
    """What a survey of a scenario concludes."""
    from busprobe.line.settings import LineSettings
    from busprobe.survey.events import Finished, OtherMasterHeard
    from busprobe.survey.survey import Survey

    survey = Survey(line(name), [LineSettings.parse("9600-8N1")], range(1, 16))
    for event in survey:
        if isinstance(event, OtherMasterHeard):
            survey.go_on()
        if isinstance(event, Finished):
            result = event.result
    return {
        "findings": [
            (str(f.place), f.kind, [str(s) for s in f.also_at], f.silent_at_end)
            for f in result.findings
        ],
        "complete": result.complete,
        "seconds": result.seconds,
        "asked": [(str(a.settings), str(a.probe), a.addresses, a.wait_ms) for a in result.asked],
        "untested": [(str(u.settings), u.addresses) for u in result.untested],
        "notes": [(note.about, str(note.at)) for note in result.line_notes],
        "line": (result.echo, result.other_master, result.noise_bytes, result.pulses),
    }


def heard(name: str) -> list[list[str]]:
    """The causes that what is heard on a scenario's bus points to."""
    from busprobe.wiring.hunt import probes
    from busprobe.wiring.listening import listen_and_ask

    known = (11, 12)
    found = listen_and_ask(line(name), 2.0, [probes(address) for address in known], expected=known)
    return [[hint.cause.name for hint in seen.hints] for seen in found.observations]


def line(name: str) -> Line:
    """A line to the virtual segment of a scenario, on simulated time."""
    from busprobe.line.clock import VirtualClock
    from busprobe.line.line import Line
    from busprobe.line.settings import LineSettings
    from busprobe.virtual.loading import load_scenario
    from busprobe.virtual.segment import Segment

    return Line(Segment(load_scenario(name), VirtualClock()).port(), LineSettings.parse("9600-8N1"))


if __name__ == "__main__":
    seed = int(sys.argv[1])
    if seed:
        Loader.chance = random.Random(seed)  # noqa: S311 - no secret
        sys.meta_path.insert(0, Finder())
    with TemporaryDirectory() as folder:
        print(json.dumps(decided(Path(folder))))
    print(Loader.count, "sentences reworded", file=sys.stderr)

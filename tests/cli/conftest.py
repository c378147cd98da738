"""Running commands in this process, away from the developer's own folders."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from busprobe.cli import run
from tests.documents import check_document


@dataclass(frozen=True)
class Ran:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document on stdout, as its published schema has it."""
        document = json.loads(self.out)
        check_document(document)
        return document


Command = Callable[..., Ran]


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run ``busprobe ARGUMENTS``; data folders are under the test's own folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("COLUMNS", "80")

    def run_command(*arguments: object) -> Ran:
        code = run([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.out + captured.err
        return Ran(code, captured.out, captured.err)

    return run_command

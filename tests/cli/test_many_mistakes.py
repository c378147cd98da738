"""A file with very many mistakes is told of in a few lines, in a time that goes with its size."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from busprobe.errors import SHOWN, ExitCode, FileError
from busprobe.job.plan import load_plan
from tests.cli.conftest import Command


def plan(folder: Path, rows: int) -> Path:
    path = folder / "plan.csv"
    path.write_text("tag,address,position\n" + "TT-1,5,3\n" * rows, encoding="utf-8")
    return path


def test_equal_rows_make_a_few_mistakes_each(tmp_path: Path) -> None:
    """A row is compared with the first of its kind, not with each one before it."""
    with pytest.raises(FileError) as caught:
        load_plan(plan(tmp_path, 500))
    assert len(caught.value.mistakes) == 3 * 499
    assert str(caught.value).count("; ") == SHOWN
    assert f"and {3 * 499 - SHOWN} more" in str(caught.value)


@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("command_line", "content"),
    [
        (("profiles", "check"), "".join(f"field_{n} = 1\n" for n in range(5000))),
        (("profiles", "check"), "a = " + "[\n" * 100_000),
        (("profiles", "check"), ".".join("a" * 200_000) + " = 1\n"),
        (("profiles", "check"), "a = " + "{a=" * 1_000 + "1" + "}" * 1_000),
        (("profiles", "check"), "".join(f"[[points]]\nname = {n}\n" for n in range(3000))),
        (("virtual", "--tcp", "127.0.0.1:0"), "[[units]]\n" * 20_000),
    ],
    ids=["fields", "deep list", "long key", "deep table", "points", "units"],
)
def test_a_file_full_of_mistakes_is_told_of_in_a_few_lines(
    command_line: tuple[str, ...], content: str, command: Command, tmp_path: Path
) -> None:
    path = tmp_path / "x.toml"
    path.write_text(content, encoding="utf-8")
    begun = time.process_time()
    ran = command(*command_line, path)
    assert ran.code == ExitCode.USAGE
    assert "busprobe itself failed" not in ran.err
    assert len((ran.out + ran.err).splitlines()) <= SHOWN + 5
    assert len(ran.out + ran.err) < 20_000
    assert time.process_time() - begun < 30  # the square of any of these is hours

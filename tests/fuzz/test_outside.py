"""A part of what the benchmark does in bulk: replies, lying ports, damaged files."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busprobe.line.port import Chunk
from busprobe.modbus import traffic
from tests.fuzz import files, replies, runs

SEEDS = st.integers(0, 2**32)


@settings(max_examples=20)
@given(seed=SEEDS)
def test_whatever_comes_back_is_judged(seed: int) -> None:
    replies.many(100, seed)


@settings(max_examples=8)
@given(seed=SEEDS)
@example(seed=46)  # times that go back became waits of a million seconds
def test_every_run_ends_whatever_the_port_says_and_invents_no_unit(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    runs.one(seed, tmp_path_factory.mktemp("run"))


@settings(max_examples=60)
@given(seed=SEEDS)
def test_a_damaged_file_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    folder = tmp_path_factory.mktemp("file")
    for number in range(20):
        files.one(seed + number, folder)


def test_noise_is_looked_through_once_however_many_questions_are_asked_about_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_at, heard = [], []
    look, receive = traffic._frame_at, runs.LyingPort.receive

    def looks(data: bytes) -> bytes | None:
        looked_at.append(1)
        return look(data)

    def receives(port: runs.LyingPort, until: float) -> Chunk | None:
        chunk = receive(port, until)
        heard.append(len(chunk.data) if chunk else 0)
        return chunk

    monkeypatch.setattr(traffic, "_frame_at", looks)
    monkeypatch.setattr(runs.LyingPort, "receive", receives)
    runs.one(2, tmp_path)  # a survey that hears 250 kB in 20 s; each byte was looked at 11 times
    assert sum(heard) > 200_000
    assert len(looked_at) < 2 * sum(heard)


def test_the_damage_leaves_files_that_are_read_and_files_that_are_not(tmp_path: Path) -> None:
    ends = {files.one(seed, tmp_path) for seed in range(400)}
    assert ends == {f"{kind.name} {end}" for kind in files.kinds() for end in ("read", "refused")}

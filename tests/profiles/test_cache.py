"""The cache of parsed profile files never says anything that the files do not say now."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.files.toml_file import TomlFile
from busprobe.profiles.cache import FORMAT, TableCache
from busprobe.profiles.loading import load_profile
from busprobe.profiles.store import load_all, shipped_folder

SHIPPED = shipped_folder() / "aldermoor-at-10.toml"
LONG_AGO = 1_700_000_000


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    made = tmp_path / SHIPPED.name
    made.write_bytes(SHIPPED.read_bytes())
    os.utime(made, (LONG_AGO, LONG_AGO))
    return made


@pytest.fixture
def kept(tmp_path: Path, profile: Path) -> Path:
    """A cache that knows the profile."""
    path = tmp_path / "cache" / "profiles.json"
    cache = TableCache(path)
    load_profile(profile, cache=cache)
    cache.save()
    return path


@contextmanager
def without_toml(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """No file is parsed, or it is told."""
    with monkeypatch.context() as now:
        now.setattr(TomlFile, "read", lambda *_, **__: pytest.fail("the file was parsed"))
        yield


def test_an_unchanged_file_is_not_parsed_again(
    profile: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with without_toml(monkeypatch):
        assert load_profile(profile, cache=TableCache(kept)) == load_profile(
            profile, cache=TableCache(kept)
        )
    assert load_profile(profile, cache=TableCache(kept)) == load_profile(profile)


def test_a_changed_file_of_the_same_size_is_read_anew(profile: Path, kept: Path) -> None:
    text = profile.read_text()
    profile.write_text(text.replace('"Aldermoor Instr', '"Oldermoor Instr'))
    os.utime(profile, (LONG_AGO, LONG_AGO))
    assert load_profile(profile, cache=TableCache(kept)).maker == "Oldermoor Instruments"


def test_mistakes_of_a_file_are_told_each_time(profile: Path, kept: Path) -> None:
    profile.write_text(profile.read_text() + "\nnonsense = 1\n")
    for _ in range(2):
        cache = TableCache(kept)
        with pytest.raises(FileError):
            load_profile(profile, cache=cache)
        cache.save()


def test_a_file_that_was_changed_just_now_is_not_kept(profile: Path, tmp_path: Path) -> None:
    """Two changes within one tick of a coarse clock look like one."""
    os.utime(profile)
    path = tmp_path / "new.json"
    cache = TableCache(path)
    load_profile(profile, cache=cache)
    cache.save()
    assert not path.exists()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b'{"format": "another"}',
        json.dumps({"format": FORMAT, "files": []}).encode(),
        b"[" * 100_000,
    ],
)
def test_a_damaged_cache_is_left_aside(profile: Path, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "damaged.json"
    path.write_bytes(content)
    assert load_profile(profile, cache=TableCache(path)) == load_profile(profile)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
)


@given(JSON)
def test_whatever_stands_in_the_cache_only_a_valid_profile_comes_out(entry: object) -> None:
    cache = TableCache(Path("/nowhere/at/all"))
    cache._entries = {str(SHIPPED.absolute()): entry}  # type: ignore[dict-item]
    assert load_profile(SHIPPED, cache=cache) == load_profile(SHIPPED)
    good = TableCache(Path("/nowhere/at/all"))
    load_profile(SHIPPED, cache=good)
    for kept in good._entries.values():
        kept["tables"] = entry
    assert load_profile(SHIPPED, cache=good) == load_profile(SHIPPED)


def test_a_cache_that_cannot_be_written_stops_nothing(profile: Path, tmp_path: Path) -> None:
    (tmp_path / "blocked").write_text("a file, where the folder should be")
    cache = TableCache(tmp_path / "blocked" / "profiles.json")
    load_profile(profile, cache=cache)
    cache.save()
    assert (tmp_path / "blocked").read_text() == "a file, where the folder should be"


def test_files_that_are_gone_are_forgotten_and_others_stay(
    profile: Path, kept: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other" / SHIPPED.name
    other.parent.mkdir()
    other.write_bytes(SHIPPED.read_bytes())
    os.utime(other, (LONG_AGO, LONG_AGO))
    profile.unlink()
    cache = TableCache(kept)
    load_profile(other, cache=cache)
    cache.save()
    assert list(json.loads(kept.read_text())["files"]) == [str(other)]
    assert [path.name for path in kept.parent.iterdir()] == [kept.name]


def test_the_store_is_the_same_with_and_without_what_was_kept(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert load_all([shipped_folder()]) == load_all([shipped_folder()])

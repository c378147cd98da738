"""Where profiles live, and which one wins."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.profiles import store
from busprobe.profiles.store import load_all

SHIPPED = (
    "aldermoor-at-10",
    "brookvale-bm-330",
    "corran-cd-2",
    "dunmere-dx-8",
    "eskbridge-ef-5",
    "fellside-fq-3",
)


def profile_file(folder: Path, name: str = "glenmoss-g-1", model: str = "G-1") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / f"{name}.toml"
    path.write_text(
        f'id = "{name}"\nmaker = "Glenmoss Works"\nmodel = "{model}"\nkind = "relay"\nnumbering ='
        ' "wire"\nfactory = { address = 1, settings = "9600-8N1" }\n'
    )
    return path


def test_shipped_profiles_are_found_and_sound() -> None:
    found = load_all([store.shipped_folder()])
    assert set(SHIPPED) <= set(found.profiles)
    assert found.problems == ()


def test_technicians_folder_comes_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = profile_file(tmp_path, "aldermoor-at-10", "AT-10 my own")
    monkeypatch.setattr(store, "own_folder", lambda: tmp_path)
    found = load_all(store.folders())
    assert found.profiles["aldermoor-at-10"].model == "AT-10 my own"
    assert found.origins["aldermoor-at-10"][0] == own
    assert found.replaced("aldermoor-at-10") == (store.shipped_folder() / "aldermoor-at-10.toml",)
    assert found.replaced("corran-cd-2") == ()
    assert found.remarks == (
        (
            f"Profile aldermoor-at-10 is that of {own}, in place of"
            f" {store.shipped_folder() / 'aldermoor-at-10.toml'}."
        ),
    )


def test_a_jobs_folder_comes_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = profile_file(tmp_path / "own", "aldermoor-at-10", "AT-10 my own")
    of_job = profile_file(tmp_path / "profiles", "aldermoor-at-10", "AT-10 of this job")
    monkeypatch.setattr(store, "own_folder", lambda: tmp_path / "own")
    found = load_all(store.folders(tmp_path / "plant.busjob"))
    assert found.profiles["aldermoor-at-10"].model == "AT-10 of this job"
    assert found.origins["aldermoor-at-10"] == (
        of_job,
        own,
        store.shipped_folder() / "aldermoor-at-10.toml",
    )


def test_a_folder_named_twice_replaces_nothing(tmp_path: Path) -> None:
    profile_file(tmp_path)
    assert load_all([tmp_path, tmp_path]).replaced("glenmoss-g-1") == ()


def test_technicians_folder_is_where_the_system_keeps_such_things(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "user_data_path", lambda *names, **options: tmp_path / names[0])
    assert store.own_folder() == tmp_path / "busprobe" / "profiles"


def test_installed_profiles_are_preferred_to_a_checkouts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.resources.files", lambda package: tmp_path)
    assert store.shipped_folder() == Path(store.__file__).parents[2] / "profiles"
    (tmp_path / "shipped").mkdir()
    assert store.shipped_folder() == tmp_path / "shipped"


def test_one_broken_file_takes_nothing_else_with_it(tmp_path: Path) -> None:
    profile_file(tmp_path, "a-1")
    (tmp_path / "b-1.toml").write_text("broken")
    profile_file(tmp_path, "c-1")
    (tmp_path / "notes.txt").write_text("not a profile")
    found = load_all([tmp_path])
    assert list(found.profiles) == ["a-1", "c-1"]
    assert [problem.path for problem in found.problems] == [str(tmp_path / "b-1.toml")]


def test_a_broken_file_does_not_replace_a_sound_one(tmp_path: Path) -> None:
    first = profile_file(tmp_path / "first")
    (tmp_path / "second").mkdir()
    (tmp_path / "second" / first.name).write_text("broken")
    found = load_all([tmp_path / "first", tmp_path / "second"])
    assert found.origins["glenmoss-g-1"] == (first,)
    assert len(found.problems) == 1


def test_folders_that_are_not_there_are_empty_and_unusable_ones_are_problems(
    tmp_path: Path,
) -> None:
    assert load_all([tmp_path / "none"]).problems == ()
    (tmp_path / "file").touch()
    (problem,) = load_all([tmp_path / "file"]).problems
    assert "cannot be listed" in problem.what

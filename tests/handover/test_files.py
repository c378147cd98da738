from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError, RefusedError, UsageError
from busprobe.handover import files
from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS, file_name, left_over, write

_NAMES = (
    "segment",
    "bus-list",
    "found-and-left",
    "addresses",
    "point-list",
    "journal",
    "proof",
    "wiring",
    "acceptance",
    "caveats",
)
TABLES = [f"{name}.csv" for name in _NAMES]
NAMES = [*TABLES, "bus-list.json"]


def contents(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in folder.iterdir()}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "papers"


def test_each_format_writes_its_files_and_nothing_else(bus_list: BusList, folder: Path) -> None:
    assert write(bus_list, folder, ["csv", "json"]) == [folder / name for name in NAMES]
    assert sorted(contents(folder)) == sorted(NAMES)
    assert all(contents(folder).values())


def test_all_formats_fit_into_one_folder(bus_list: BusList, folder: Path) -> None:
    """No two files want the same name, also where a file system does not tell capitals."""
    written = write(bus_list, folder, EXPORTERS)
    assert sorted(contents(folder)) == sorted(path.name for path in written)
    assert len({path.name.casefold() for path in written}) == len(written)
    assert {path.name for path in written} >= {
        "bus-list.xlsx",
        "bus-list.html",
        "thing-012-9600-8N1.td.json",
    }


def test_files_of_units_that_have_moved_away_are_pointed_out(
    bus_list: BusList, folder: Path
) -> None:
    """They are not ours to take away, and a stale description must not look like a true one."""
    folder.mkdir()
    (folder / "thing-001-9600-8N1.td.json").write_text("{}")
    written = write(bus_list, folder, ["things"])
    assert left_over(folder, written) == [folder / "thing-001-9600-8N1.td.json"]
    assert (folder / "thing-001-9600-8N1.td.json").exists()


def test_names_that_a_file_system_may_take_for_one_are_numbered(
    bus_list: BusList, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ("Pump.csv", "pump.csv", "P/ump.csv", "P\\ump.csv", "\u00c5.csv", "\u212b.csv")
    monkeypatch.setattr(
        files, "EXPORTERS", {"tags": lambda _: {name: name.encode() for name in names}}
    )
    written = [path.name for path in write(bus_list, folder, ["tags"])]
    assert written == [
        "Pump.csv",
        "pump-2.csv",
        "P_ump.csv",
        "P_ump-2.csv",
        "\u00c5.csv",
        "\u212b-2.csv",
    ]
    assert sorted(contents(folder).values()) == sorted(name.encode() for name in names)


def test_an_unknown_format_is_named_with_the_known_ones(bus_list: BusList, folder: Path) -> None:
    with pytest.raises(UsageError, match=r"'papyrus' is no format. Formats are: csv, json"):
        write(bus_list, folder, ["csv", "papyrus"])
    assert not folder.exists()


def test_an_existing_file_is_never_replaced_unasked(bus_list: BusList, folder: Path) -> None:
    folder.mkdir()
    (folder / "point-list.csv").write_text("mine")
    with pytest.raises(RefusedError, match=r"there is already .*point-list.csv"):
        write(bus_list, folder, ["csv"])
    assert contents(folder) == {"point-list.csv": b"mine"}
    write(bus_list, folder, ["csv"], overwrite=True)
    assert sorted(contents(folder)) == sorted(TABLES)
    assert contents(folder)["point-list.csv"] != b"mine"


def test_a_link_is_replaced_and_what_it_points_to_is_left_alone(
    bus_list: BusList, folder: Path
) -> None:
    folder.mkdir()
    outside = folder.parent / "outside"
    outside.write_text("mine")
    (folder / "bus-list.json").symlink_to(outside)
    with pytest.raises(RefusedError):
        write(bus_list, folder, ["json"])
    write(bus_list, folder, ["json"], overwrite=True)
    assert outside.read_text() == "mine"
    assert not (folder / "bus-list.json").is_symlink()


def failing(real: Callable[[Path, Path], Path], name: str) -> Callable[[Path, Path], Path]:
    """`Path.replace`, but for a file that another program holds open."""

    def replace(self: Path, target: Path) -> Path:
        if target.name == name:
            raise PermissionError(13, "The file is in use")
        return real(self, target)

    return replace


@pytest.mark.parametrize(
    ("earlier", "blocked"),
    [({}, NAMES[2]), (dict.fromkeys(NAMES, b"mine"), f"{NAMES[2]}.old")],
)
def test_a_file_that_cannot_be_placed_leaves_the_folder_as_it_was(
    bus_list: BusList,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    earlier: dict[str, bytes],
    blocked: str,
) -> None:
    """Not even the files that had been placed before it stay."""
    folder.mkdir()
    for name, content in earlier.items():
        (folder / name).write_bytes(content)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", failing(Path.replace, blocked))
        with pytest.raises(FileError, match="The file is in use"):
            write(bus_list, folder, ["csv", "json"], overwrite=True)
    assert contents(folder) == earlier


def test_a_full_disk_leaves_the_folder_as_it_was(
    bus_list: BusList, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    folder.mkdir()
    (folder / "bus-list.csv").write_text("mine")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match="No space left on device"):
        write(bus_list, folder, ["csv"], overwrite=True)
    assert contents(folder) == {"bus-list.csv": b"mine"}


def test_a_folder_in_the_way_is_kept(bus_list: BusList, folder: Path) -> None:
    (folder / "bus-list.json").mkdir(parents=True)
    (folder / "bus-list.json" / "inside").write_text("mine")
    with pytest.raises(FileError, match=r"bus-list.json is a folder"):
        write(bus_list, folder, ["csv", "json"], overwrite=True)
    assert [entry.name for entry in folder.iterdir()] == ["bus-list.json"]
    assert (folder / "bus-list.json" / "inside").read_text() == "mine"


def test_a_file_where_the_folder_should_be_is_said(bus_list: BusList, folder: Path) -> None:
    folder.write_text("mine")
    with pytest.raises(FileError, match="cannot be written"):
        write(bus_list, folder, ["csv"])


def test_a_name_from_outside_cannot_leave_the_folder(
    bus_list: BusList, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        files, "EXPORTERS", {"tags": lambda _: {"../../escaped": b"x", "/etc/passwd": b"y"}}
    )
    assert write(bus_list, folder, ["tags"]) == [folder / "escaped", folder / "etc_passwd"]
    assert contents(folder) == {"escaped": b"x", "etc_passwd": b"y"}


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("bus-list.csv", "bus-list.csv"),
        ("TT-12 Pumpe Süd", "TT-12_Pumpe_Süd"),
        ("", "_"),
        ("..", "_"),
        (".hidden", "hidden"),
        ("CON", "_CON"),
        ("com1.txt", "_com1.txt"),
        ("C:\\x", "C_x"),
        ("a\x00b", "a_x00b"),
    ],
)
def test_names_become_file_names(text: str, name: str) -> None:
    assert file_name(text) == name


@given(
    st.text(
        alphabet=st.one_of(st.sampled_from("./\\:~ ACONUL1$*?\x00"), st.characters()), max_size=90
    )
)
def test_every_file_name_stays_in_its_folder_and_suits_every_system(text: str) -> None:
    name = file_name(text)
    assert name not in ("", ".", "..")
    assert not set(name) & set('/\\:*?"<>|\x00\n ')
    assert len(name.encode()) <= 245, (
        "with what is added while writing, common file systems take 255"
    )
    assert not name.startswith(".")
    assert not name.endswith((".", " "))
    assert name.partition(".")[0].upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT9"}

"""Put files into a folder: all of them or none, each one whole, and no other file replaced unless
that was said.

A folder that is not there yet appears with all its files at once.  In one that is there, files take
their names one after the other, after all of them lie complete beside; a failure takes everything
back.  What is replaced waits aside until all are in place, in a folder that a program killed just
then leaves behind: nothing is lost, and the next try says so instead of writing over it.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from busprobe.errors import FileError, Mistake, RefusedError

_ASIDE = ".busprobe-"
"""What the names of folders begin with in which files wait."""

_OLD = ".old"

_EVERYBODY, _OWNER, _READ = 0o777, 0o700, 0o444
"""Permissions (POSIX)."""


def place(
    folder: Path,
    contents: Mapping[str, bytes],
    *,
    overwrite: bool = False,
    source: Path | None = None,
) -> None:
    """Write the files of these names into `folder`.

    They are open to whom the user lets new files be open to (umask), and to nobody who may not see
    `source`, the file that they are made from; so is the folder, where it is made.
    Raises `RefusedError` where that would replace a file unasked, `FileError` where an earlier try
    was killed, and OSError where the files cannot be written; the folder is as it was then.
    """
    allowed = _EVERYBODY if source is None else stat.S_IMODE(source.stat().st_mode) | _OWNER
    if not os.path.lexists(folder) and _appears(folder, contents, allowed):
        return
    folder.mkdir(parents=True, exist_ok=True)
    _refuse_remains(folder)
    aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
    try:
        _write(aside, contents, allowed)
        _move_in(folder, aside, contents, overwrite=overwrite)
    except BaseException:
        if not any(aside.glob(f"*{_OLD}")):
            shutil.rmtree(aside, ignore_errors=True)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _appears(folder: Path, contents: Mapping[str, bytes], allowed: int) -> bool:
    """Have the folder appear with all its files; False where somebody made one of that name
    meanwhile."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(
        prefix=_ASIDE, dir=folder.parent, ignore_cleanup_errors=True
    ) as aside:
        made = (
            Path(aside) / "made"
        )  # the folder around it is for our eyes only, and this one shall not be
        made.mkdir()
        _write(made, contents, allowed)
        narrow(made, allowed | (allowed & _READ) >> 2)  # a folder is read by who may enter it
        try:
            made.rename(folder)
        except OSError:
            if not os.path.lexists(folder):
                raise
            return False
    return True


def _write(folder: Path, contents: Mapping[str, bytes], allowed: int) -> None:
    for name, content in contents.items():
        with (folder / name).open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        narrow(folder / name, allowed)


def narrow(path: Path, allowed: int) -> None:
    """Take off all permissions that are not in `allowed` (POSIX; Windows keeps none of them)."""
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & ~allowed and sys.platform != "win32":
        path.chmod(mode & allowed)


def _move_in(folder: Path, aside: Path, names: Mapping[str, bytes], *, overwrite: bool) -> None:
    """Give every file its name, or take back what was done."""
    try:
        for name in names:
            file, here = aside / name, folder / name
            if here.is_dir():
                raise IsADirectoryError(errno.EISDIR, f"{name} is a folder")
            if not overwrite:
                _take_name(file, here)
            else:
                if os.path.lexists(here):
                    here.replace(aside / (name + _OLD))
                file.replace(here)
    except BaseException as error:
        for name in names:
            if _is_ours(aside / name, folder / name):
                (folder / name).unlink(missing_ok=True)
        moved = [name for name in names if os.path.lexists(aside / (name + _OLD))]
        stuck = [name for name in moved if not _moved_back(aside / (name + _OLD), folder / name)]
        if stuck:
            words = f"{error}; as they were, {', '.join(stuck)} can be found in {aside.name}"
            raise OSError(errno.EIO, words) from error
        if isinstance(error, FileExistsError):
            raise RefusedError(
                f"{here} was made by another program meanwhile.",
                means="Nothing was written.",
                todo="Choose another folder, or say that existing files may be replaced.",
            ) from error
        raise


def _is_ours(file: Path, here: Path) -> bool:
    """Whether what is here is what waited as `file`: moved, or linked."""
    return not file.exists() or (here.exists() and here.samefile(file))


def _moved_back(old: Path, here: Path) -> bool:
    try:
        old.replace(here)
    except OSError:
        return False
    return True


def _take_name(file: Path, name: Path) -> None:
    """Give the file a name that is free; raises FileExistsError where it is not, and replaces
    nothing."""
    try:
        os.link(file, name)
    except FileExistsError:
        raise
    except OSError:  # file systems without hard links, like those of memory sticks
        name.touch(exist_ok=False)
        try:
            file.replace(name)
        except BaseException:
            name.unlink()
            raise


def _holds_old(remains: Path, folder: Path) -> bool:
    """Whether old files wait in `remains`; names that were reserved for new ones there, and not
    used, are freed."""
    try:
        waiting = list(remains.iterdir())
        for file in waiting:
            name = folder / file.name
            if name.is_file() and not name.stat().st_size and file.stat().st_size:
                name.unlink()
    except FileNotFoundError:  # whoever is at work there has just come to its end
        return False
    return any(file.name.endswith(_OLD) for file in waiting)


def _refuse_remains(folder: Path) -> None:
    """Do not go on where a killed program, or one that is at work right now, has put old files
    aside."""
    for remains in sorted(folder.glob(f"{_ASIDE}*")):
        if _holds_old(remains, folder):
            what = (
                "its handover documents are being replaced now, or that was interrupted; the files"
                f" as they were are in its folder {remains.name}, with {_OLD} behind their names"
            )
            todo = (
                "If no other program is writing there, take what you need out of that folder,"
                " delete it, and write again."
            )
            raise FileError(str(folder), [Mistake("", what)], kind="folder", todo=todo)

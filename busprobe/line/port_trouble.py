"""Why a port cannot be opened or has failed, and what to do: operating system errors turned into
plain words."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path
from urllib.parse import urlsplit

import serial

from busprobe.errors import PortError

_LOCKED = (errno.EBUSY, errno.EAGAIN)
_PERMISSION = (errno.EACCES, errno.EPERM)
_ABSENT = (errno.ENOENT, errno.ENXIO, errno.ENODEV)


def port_errors() -> tuple[type[Exception], ...]:
    """The exceptions by which pyserial reports a failed port on this system."""
    try:
        import termios
    except ImportError:
        return (serial.SerialException, OSError)
    return (serial.SerialException, OSError, termios.error)  # which is no OSError


def is_pseudo_terminal(name: str) -> bool:
    """Whether `name` leads to a pseudo-terminal (Linux and macOS paths)."""
    return "://" not in name and str(Path(name).resolve()).startswith(("/dev/pts/", "/dev/ttys"))


def check_url(name: str) -> None:
    """Raise `PortError` if `name` is a URL that cannot lead to a port; other names are left to the
    system."""
    if "://" not in name:
        return
    try:
        parts = urlsplit(name)
        usable = (
            parts.scheme in ("socket", "rfc2217")
            and bool(parts.hostname)
            and parts.port is not None
        )
    except ValueError:  # a port number or a host that is none
        usable = False
    if not usable:
        raise PortError(
            f"'{name}' is not a port.",
            todo=(
                "Write a device path, COM7, socket://HOST:PORT, rfc2217://HOST:PORT or"
                " virtual:NAME."
            ),
        )


def open_trouble(name: str, error: Exception) -> PortError:
    """What kept `name` from opening."""
    code = _error_number(error)
    if "://" in name:
        return PortError(
            f"{name} cannot be reached: {_reason(error)}.",
            todo=(
                "Check host, port number and that the converter is on the network, then try again."
            ),
        )
    if code in _ABSENT:
        return PortError(
            f"There is no port {name} on this computer.",
            todo="Plug the adapter in and pick it from the list that 'busprobe ports' shows.",
        )
    # Windows reports a port held by somebody else as "access denied", which is no matter of rights
    # there.
    if code in _LOCKED or (code in _PERMISSION and sys.platform == "win32"):
        return PortError(
            f"{name} is open in another program.",
            means="Two programs on one port steal each other's bytes.",
            todo="Close the other program, then try again.",
        )
    if code in _PERMISSION:
        return PortError(f"You may not open {name}.", todo=_permission_remedy(name))
    if code in (errno.ENOTTY, errno.EINVAL, errno.EISDIR) or isinstance(error, ValueError):
        return PortError(
            f"{name} is not a serial port, or does not take these line settings.",
            todo="Pick a port that 'busprobe ports' lists, or other line settings.",
        )
    return PortError(
        f"{name} cannot be opened: {_reason(error)}.",
        todo="Unplug the adapter, plug it in, try again.",
    )


def use_trouble(name: str, error: Exception) -> PortError:
    """What ended an open port `name`."""
    if "://" in name:
        return PortError(
            f"The connection to {name} broke: {_reason(error)}.",
            means="What went into the job until now is kept.",
            todo="Check the network and the converter, then go on from where it stopped.",
        )
    return PortError(
        f"The adapter at {name} is gone or has failed.",
        means="What went into the job until now is kept.",
        todo=(
            "Plug it in again, check its name with 'busprobe ports', and go on from where it"
            " stopped."
        ),
    )


def other_holder(name: str) -> str | None:
    """Name and number of another process that has the device `name` open, where the system shows it
    (Linux).

    A lock alone does not tell: Linux lets a second program open a port that the first did not lock.
    Pseudo-terminals are left out, since whoever serves one holds it open by design.
    """
    device = Path(name)
    if not sys.platform.startswith("linux") or not device.exists():
        return None
    real = str(device.resolve())
    if not real.startswith("/dev/") or is_pseudo_terminal(name):
        return None
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        # Processes end while being looked at, and those of others may not be looked into.
        with contextlib.suppress(OSError):
            if any(str(link.readlink()) == real for link in (process / "fd").iterdir()):
                command = (process / "comm").read_text().strip()
                return f"{command} (process {process.name})"
    return None


def _permission_remedy(name: str) -> str:
    try:
        import grp

        group = grp.getgrgid(Path(name).stat().st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return "Ask whoever looks after this computer for the right to use serial ports."
    return (
        f"The port belongs to the group {group}: run 'sudo usermod -aG {group} $USER', log out and"
        " in again."
    )


def _error_number(error: Exception) -> int | None:
    """The operating system's error number, also where pyserial has only put it into its text
    (Windows)."""
    if isinstance(error, OSError) and error.errno is not None:
        return error.errno
    if (
        error.__context__ is not None
        and error.__context__.args
        and isinstance(error.__context__.args[0], int)
    ):
        return error.__context__.args[0]  # termios.error is no OSError
    text = str(error)
    if "FileNotFoundError" in text:
        return errno.ENOENT
    return errno.EACCES if "PermissionError" in text else None


def _reason(error: Exception) -> str:
    """The cause alone, without pyserial's preface that repeats the port's name."""
    return str(error).rsplit("] ", 1)[-1].rstrip(".")

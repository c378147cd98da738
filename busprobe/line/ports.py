"""The serial ports of this computer, with what helps to recognise an adapter."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo


@dataclass(frozen=True)
class PortInfo:
    """One port.  Texts come from the adapter and have been made harmless; empty where it says
    nothing."""

    device: str
    """What to open: a device path or ``COM7``."""
    description: str
    maker: str
    usb_id: str
    """Vendor and product id, ``0403:6001``; empty for a port that is not on USB."""
    serial_number: str
    """Many cheap adapters have none, and then only the socket they are plugged into tells them
    apart."""
    location: str
    """The USB socket."""
    stable_name: str
    """A path that stays the same when ports are renumbered (Linux); empty elsewhere."""
    latency_timer_ms: int | None
    """What the driver waits before it hands over a few bytes (Linux, some chips); None where
    unknown."""

    @property
    def words(self) -> str:
        """What is known, in one line."""
        parts = [
            self.description,
            self.usb_id and f"USB {self.usb_id}",
            self.serial_number and f"no. {self.serial_number}",
        ]
        if self.latency_timer_ms is not None:
            parts.append(f"latency timer {self.latency_timer_ms} ms")
        return ", ".join(part for part in parts if part) or "no description"


def ports() -> tuple[PortInfo, ...]:
    """All serial ports, USB adapters first."""
    found = [_info(port) for port in list_ports.comports()]
    return tuple(sorted(found, key=lambda port: (not port.usb_id, port.device)))


def _info(port: ListPortInfo) -> PortInfo:
    return PortInfo(
        device=port.device,
        description=port.description if port.description not in (None, "n/a") else "",
        maker=port.manufacturer or "",
        usb_id=(
            f"{port.vid:04X}:{port.pid:04X}"
            if port.vid is not None and port.pid is not None
            else ""
        ),
        serial_number=port.serial_number or "",
        location=port.location or "",
        stable_name=_stable_name(port.device),
        latency_timer_ms=_latency_timer(port.device),
    )


def _stable_name(device: str) -> str:
    """The name by identity, or by socket for adapters without a serial number."""
    for folder in (Path("/dev/serial/by-id"), Path("/dev/serial/by-path")):
        if folder.is_dir():
            for link in sorted(folder.iterdir()):
                if link.resolve() == Path(device).resolve():
                    return str(link)
    return ""


def _latency_timer(device: str) -> int | None:
    attribute = Path("/sys/bus/usb-serial/devices") / Path(device).name / "latency_timer"
    try:
        return int(attribute.read_text())
    except (OSError, ValueError):
        return None

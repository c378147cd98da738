"""``busprobe ports``: the adapters on this computer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from busprobe.cli import output
from busprobe.line.ports import PortInfo, ports


@dataclass(frozen=True, kw_only=True)
class PortsDocument:
    """What ``busprobe ports --json`` prints."""

    format: Literal["busprobe.ports/1"] = "busprobe.ports/1"
    ports: tuple[PortInfo, ...]


def run(as_json: bool) -> None:
    """Do what ``busprobe ports`` is asked for."""
    found = ports()
    if as_json:
        output.publish(PortsDocument(ports=tuple(found)))
        return
    if not found:
        output.say(
            "No serial port on this computer.  Plug the adapter in and ask again; 'virtual:site'"
            " works without one."
        )
        return
    output.table(
        ("Port", "What it is", "Stable name"), [(p.device, p.words, p.stable_name) for p in found]
    )

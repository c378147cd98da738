"""``busprobe ports``: the adapters on this computer."""

from __future__ import annotations

from dataclasses import asdict

import click

from busprobe.cli import options, output
from busprobe.line.ports import ports


@click.command()
@options.as_json
def command(as_json: bool) -> None:
    """List the serial ports of this computer, with what helps to recognise an adapter.

    \b
    Example:
      busprobe ports
    """
    found = ports()
    if as_json:
        output.document({"format": "busprobe.ports/1", "ports": [asdict(port) for port in found]})
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

"""Sets of unit addresses as the user writes them: ``1-247``, ``1,5,10-20``.

Source: MODBUS over Serial Line V1.02, section 2.2: 1 to 247 are units, 248 to 255 reserved, 0 is
the broadcast.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated

from busprobe.errors import UsageError
from busprobe.files.documents import AsText
from busprobe.line.place import HIGHEST_ADDRESS

FIRST, LAST = 1, 247
"""The addresses a unit may have."""

ALL = tuple(range(FIRST, LAST + 1))
"""Every address a unit may have."""

_PART = re.compile(r"\s*(\d{1,3})\s*(?:-\s*(\d{1,3})\s*)?")


def parse_addresses(text: str) -> tuple[int, ...]:
    """Read an address set; the result is sorted and without repeats.  Raises `UsageError`.

    Reserved addresses are taken, too: some units answer there (common practice).
    """
    found: set[int] = set()
    for part in text.split(","):
        match = _PART.fullmatch(part)
        low = int(match[1]) if match else 0
        high = int(match[2]) if match and match[2] else low
        if not FIRST <= low <= high <= HIGHEST_ADDRESS:
            raise UsageError(
                f"'{text}' is not a set of unit addresses.",
                todo=(
                    f"Write addresses from {FIRST} to {LAST} and ranges of them, like 1-247 or"
                    " 1,5,10-20."
                ),
            )
        found.update(range(low, high + 1))
    return tuple(sorted(found))


def format_addresses(addresses: Iterable[int]) -> str:
    """Write an address set the shortest way; the reverse of `parse_addresses`, empty for an empty
    set."""
    runs: list[list[int]] = []
    for address in sorted(set(addresses)):
        if runs and runs[-1][-1] == address - 1:
            runs[-1][1:] = [address]
        else:
            runs.append([address])
    return ",".join("-".join(str(end) for end in run) for run in runs)


AddressSet = Annotated[
    tuple[int, ...], AsText(lambda text: parse_addresses(text) if text else (), format_addresses)
]
"""Addresses that are a text such as ``1-247`` in every document."""


def both_forms(address: int) -> str:
    """An address in decimal and hex, since mixing them up is a common mistake: ``32 (0x20)``."""
    return f"{address} (0x{address:02X})"

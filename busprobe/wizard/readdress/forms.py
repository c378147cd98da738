"""What is asked before addresses are proposed, or a box of units is taken one by one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.readdress.move_list import Practice
from busprobe.wizard.common.form import Field

BOX = (
    Field("settings", "Line settings of the new units", "9600-8N1"),
    Field("factory", "Their factory address", "1", kind="integer"),
    Field(
        "first", "First address to give (the plan decides where there is one)", "10", kind="integer"
    ),
)


@dataclass(frozen=True)
class BoxOrder:
    """Where new units are found and which addresses they get."""

    settings: LineSettings
    factory: int
    first: int


def read_box_order(given: Mapping[str, str]) -> BoxOrder:
    """Read the form's texts; raises `UsageError`."""
    settings = LineSettings.parse(given["settings"])
    return BoxOrder(settings, read_address(given["factory"]), read_address(given["first"]))


PRACTICE_WORDS = (
    "No plan of the bus says where units should be; these are rules of good practice. 'needed' are"
    " units at a factory or shared address. Change what you like."
)

PRACTICE = (
    Field("which", "Units: needed, or all", "needed"),
    Field("first", "First address", "10", kind="integer"),
    Field("spares", "Free addresses between units", "0", kind="integer"),
    Field("order", "Order: cable, or address", "cable"),
    Field("free", "Keep factory addresses free", "yes"),
)


def read_practice(given: Mapping[str, str]) -> Practice:
    """Read the form's texts; raises `UsageError`."""
    first = read_address(given["first"])
    if not given["spares"].isdecimal():
        raise UsageError(
            f"'{given['spares']}' is not a number of addresses.", todo="Write 0, 1, 2 and so on."
        )
    return Practice(
        first=first,
        spares=int(given["spares"]),
        only_needed=_is_first(given["which"], "needed", "all"),
        along_cable=_is_first(given["order"], "cable", "address"),
        factory_free=_is_first(given["free"], "yes", "no"),
    )


def _is_first(text: str, first: str, second: str) -> bool:
    """Whether `text` is the first of two words, or a beginning of it; raises `UsageError` if it is
    neither."""
    word = text.lower()
    if word and first.startswith(word):
        return True
    if word and second.startswith(word):
        return False
    raise UsageError(f"'{text}' is not understood.", todo=f"Write '{first}' or '{second}'.")


def read_address(text: str) -> int:
    """A unit address in decimal; raises `UsageError`."""
    if not text.isdigit() or int(text) not in ALL:
        raise UsageError(f"'{text}' is not a unit address.", todo="Write a number from 1 to 247.")
    return int(text)

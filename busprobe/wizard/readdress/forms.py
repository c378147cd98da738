"""What is asked before addresses are proposed, a unit is moved by hand, or a box of units is taken
one by one."""

from __future__ import annotations

from functools import partial
from typing import Any

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.readdress.procedure import Procedure
from busprobe.session.moves import BoxOrder
from busprobe.wizard.common.form import Field, optional, whole_number


def read_address(text: str) -> int:
    """A unit address in decimal; raises `UsageError`."""
    if not text.isdigit() or int(text) not in ALL:
        raise UsageError(f"'{text}' is not a unit address.", todo="Write a number from 1 to 247.")
    return int(text)


def is_first(first: str, second: str, text: str) -> bool:
    """Whether `text` is the first of two words, or a beginning of it; raises `UsageError` if it is
    neither."""
    word = text.lower()
    if word and first.startswith(word):
        return True
    if word and second.startswith(word):
        return False
    raise UsageError(f"'{text}' is not understood.", todo=f"Write '{first}' or '{second}'.")


def _spares(text: str) -> int:
    if not text.isdecimal():
        raise UsageError(f"'{text}' is not a number of addresses.", todo="Write 0, 1, 2 and so on.")
    return int(text)


def _register(text: str) -> int:
    if not text:
        raise UsageError("No register was given.", todo="Take it from the data sheet.")
    return whole_number(text)


def _count(text: str) -> int:
    count = whole_number(text)
    if not count:
        raise UsageError("A box of no units is done.", todo="Write 1 or more, or leave it empty.")
    return count


def _function(text: str) -> int:
    return whole_number(text or "0")


WANTED = Field(
    "address",
    "Wanted unit address, 1 to 247 (decimal)",
    kind="integer",
    read=optional(read_address),
    write=lambda address: str(address or ""),
)

BY_HAND = (
    Field(
        "register",
        "Holding register of the unit address (zero-based, as on the wire)",
        kind="integer",
        read=_register,
    ),
    Field("function", "Function code, 6 or 16", "6", kind="integer", read=_function),
)
"""The arguments of `busprobe.readdress.procedure.Procedure.by_hand`."""

SETTINGS = Field("settings", "Line settings for all units", "19200-8E1", read=LineSettings.parse)

BOX = (
    Field("settings", "Line settings of the new units", "9600-8N1", read=LineSettings.parse),
    Field("factory", "Their factory address", "1", kind="integer", read=read_address),
    Field(
        "first",
        "First address, if not planned",
        "10",
        kind="integer",
        read=read_address,
    ),
    Field(
        "count",
        "How many units (or empty)",
        kind="integer",
        read=optional(_count),
    ),
    Field(
        "register",
        "Register, if no profile has it",
        kind="integer",
        read=optional(whole_number),
    ),
    Field("function", "Its function code, 6 or 16", "6", kind="integer", read=_function),
)


def box_order(*, register: int | None, function: int, **order: Any) -> BoxOrder:
    """What the fields of `BOX` amount to; raises `UsageError`."""
    by_hand = None if register is None else Procedure.by_hand(register, function)
    return BoxOrder(**order, by_hand=by_hand)


PRACTICE_WORDS = (
    "No plan of the bus says where units should be; these are rules of good practice. 'needed' are"
    " units at a factory or shared address. Change what you like."
)

PRACTICE = (
    Field(
        "only_needed", "Units: needed, or all", "needed", read=partial(is_first, "needed", "all")
    ),
    Field("first", "First address", "10", kind="integer", read=read_address),
    Field("spares", "Free addresses between units", "0", kind="integer", read=_spares),
    Field(
        "along_cable",
        "Order: cable, or address",
        "cable",
        read=partial(is_first, "cable", "address"),
    ),
    Field(
        "factory_free", "Keep factory addresses free", "yes", read=partial(is_first, "yes", "no")
    ),
)
"""The fields of a `busprobe.readdress.move_list.Practice`."""

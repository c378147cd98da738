"""What is asked before addresses are proposed, a unit is moved by hand, or a box of units is taken
one by one."""

from __future__ import annotations

from typing import Any

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.readdress.procedure import Procedure
from busprobe.session.moves import BoxOrder
from busprobe.wizard.common.choice import Offered
from busprobe.wizard.common.form import Field, optional, whole_number
from busprobe.wizard.common.settings_choice import offered_settings, other_settings


def read_address(text: str) -> int:
    """A unit address in decimal; raises `UsageError`."""
    if not text.isdigit() or int(text) not in ALL:
        raise UsageError(f"'{text}' is not a unit address.", todo="Write a number from 1 to 247.")
    return int(text)


def _either(name: str, label: str, first: Offered[str], second: Offered[str]) -> Field:
    """True for the first of two choices, which it begins with."""
    return Field(
        name, label, first.value, read=lambda text: text == first.value, choices=(first, second)
    )


def _function_field(label: str) -> Field:
    return Field("function", label, "6", read=int, choices=_FUNCTIONS)


def _settings_field(label: str, value: str) -> Field:
    return Field(
        "settings",
        label,
        value,
        read=LineSettings.parse,
        choices=tuple(offered_settings()),
        other=other_settings,
    )


_FUNCTIONS = (
    Offered("6", "6", "write a single register"),
    Offered("16", "16", "write multiple registers"),
)


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
    _function_field("Function code"),
)
"""The arguments of `busprobe.readdress.procedure.Procedure.by_hand`."""

SETTINGS = _settings_field("Line settings for all units", "19200-8E1")

BOX = (
    _settings_field("Line settings of the new units", "9600-8N1"),
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
    _function_field("Its function code"),
)


def box_order(*, register: int | None, function: int, **order: Any) -> BoxOrder:
    """What the fields of `BOX` amount to; raises `UsageError`."""
    by_hand = None if register is None else Procedure.by_hand(register, function)
    return BoxOrder(**order, by_hand=by_hand)


PRACTICE_WORDS = (
    "No plan of the bus says where units should be; these are rules of good practice. Change what"
    " you like."
)

PRACTICE = (
    _either(
        "only_needed",
        "Units",
        Offered("needed", "needed", "at factory or shared addresses"),
        Offered("all", "all", "every unit of the list"),
    ),
    Field("first", "First address", "10", kind="integer", read=read_address),
    Field("spares", "Free addresses between units", "0", kind="integer", read=_spares),
    _either(
        "along_cable",
        "Order",
        Offered("cable", "cable", "by the place along it"),
        Offered("address", "address", "by the address of now"),
    ),
    _either(
        "factory_free",
        "Keep factory addresses free",
        Offered("yes", "yes", "for units to come"),
        Offered("no", "no"),
    ),
)
"""The fields of a `busprobe.readdress.move_list.Practice`."""

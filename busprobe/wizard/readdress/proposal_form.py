"""What is asked before addresses are proposed without a plan of the bus."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.errors import UsageError
from busprobe.readdress.move_list import Practice
from busprobe.wizard.common.form import Field
from busprobe.wizard.readdress.unit_moves import is_address

WORDS = (
    "No plan of the bus says where units should be; these are rules of good practice. 'needed' are"
    " units at a factory or shared address. Change what you like."
)

FIELDS = (
    Field("which", "Units: needed, or all", "needed"),
    Field("first", "First address", "10", kind="integer"),
    Field("spares", "Free addresses between units", "0", kind="integer"),
    Field("order", "Order: cable, or address", "cable"),
    Field("free", "Keep factory addresses free", "yes"),
)


def read_practice(given: Mapping[str, str]) -> Practice:
    """Read the form's texts; raises `UsageError`."""
    if not is_address(given["first"]):
        raise UsageError(
            f"'{given['first']}' is not a unit address.", todo="Write a number from 1 to 247."
        )
    if not given["spares"].isdecimal():
        raise UsageError(
            f"'{given['spares']}' is not a number of addresses.", todo="Write 0, 1, 2 and so on."
        )
    return Practice(
        first=int(given["first"]),
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

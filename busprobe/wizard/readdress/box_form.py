"""What is asked before a box of identical units is taken one by one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.wizard.common.form import Field
from busprobe.wizard.readdress.unit_moves import is_address

FIELDS = (
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
    for name in ("factory", "first"):
        if not is_address(given[name]):
            raise UsageError(
                f"'{given[name]}' is not a unit address.", todo="Write a number from 1 to 247."
            )
    return BoxOrder(settings, int(given["factory"]), int(given["first"]))

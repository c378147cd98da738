"""What the step Readdress asks for, read."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.readdress.move_list import Practice
from busprobe.readdress.procedure import Procedure
from busprobe.session.moves import BoxOrder
from busprobe.wizard.common.form import Field, values
from busprobe.wizard.readdress.forms import BOX, BY_HAND, PRACTICE, WANTED, box_order


def test_the_form_of_good_practice_takes_what_is_chosen_in_it() -> None:
    given = {
        "first": "20",
        "spares": "1",
        "only_needed": "all",
        "along_cable": "address",
        "factory_free": "no",
    }
    assert Practice(**values(PRACTICE, given)) == Practice(
        20, 1, along_cable=False, factory_free=False, only_needed=False
    )
    assert Practice(
        **values(PRACTICE, {field.name: field.value for field in PRACTICE})
    ) == Practice(only_needed=True)
    for name, wrong in (
        ("first", "0"),
        ("spares", "-1"),
    ):
        with pytest.raises(UsageError):
            values(PRACTICE, {**given, name: wrong})


@pytest.mark.parametrize(
    ("fields", "wrong"),
    [
        (BY_HAND, {"register": ""}),
        (BY_HAND, {"register": "-"}),
        (BOX, {"settings": "fast"}),
        (BOX, {"factory": "248"}),
        (BOX, {"first": ""}),
        (BOX, {"count": "0"}),
        (BOX, {"count": "-"}),
        (BOX, {"register": "+"}),
        ((WANTED,), {"address": "0"}),
    ],
)
def test_what_is_no_number_or_setting_is_told(
    fields: tuple[Field, ...], wrong: dict[str, str]
) -> None:
    """A field for numbers lets a sign through, too, with no digit behind it."""
    with pytest.raises(UsageError):
        values(fields, {field.name: field.value for field in fields} | wrong)


def test_forms_give_what_they_are_filled_in_with() -> None:
    texts = {field.name: field.value for field in BOX}
    usual = BoxOrder(LineSettings.parse("9600-8N1"), 1, 10)
    assert box_order(**values(BOX, texts)) == usual
    given = box_order(**values(BOX, {**texts, "count": "24", "register": "257", "function": "6"}))
    assert given == replace(usual, count=24, by_hand=Procedure.by_hand(257, 6))
    assert values((WANTED,), {"address": WANTED.showing(12).value}) == {"address": 12}
    assert values((WANTED,), {"address": WANTED.showing(None).value}) == {"address": None}

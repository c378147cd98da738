"""Where a unit is: one text form, one parser, one order."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings

SETTINGS = st.builds(
    lambda baud, form: LineSettings.parse(f"{baud}-{form}"),
    st.sampled_from(COMMON_BAUDS),
    st.sampled_from(COMMON_FORMATS),
)
PLACES = st.builds(Place, st.integers(0, 255), SETTINGS)


@given(PLACES)
def test_the_text_form_is_read_back(place: Place) -> None:
    assert Place.parse(str(place)) == place


@given(st.text())
def test_any_other_text_is_refused_with_a_clear_error(text: str) -> None:
    try:
        place = Place.parse(text)
    except UsageError:
        return
    assert Place.parse(str(place)) == place


@pytest.mark.parametrize(
    "text", ["", "12", "9600-8N1", "256 9600-8N1", "-1 9600-8N1", "١ 9600-8N1"]
)
def test_what_is_no_place(text: str) -> None:
    with pytest.raises(UsageError):
        Place.parse(text)


def test_places_are_in_the_order_of_addresses_then_of_baud_rates() -> None:
    texts = ["2 1200-8N1", "10 9600-8E1", "10 9600-8N1", "10 19200-8N1"]
    assert [str(place) for place in sorted(map(Place.parse, reversed(texts)))] == texts

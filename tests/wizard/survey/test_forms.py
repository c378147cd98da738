"""What the survey is asked for, read."""

from __future__ import annotations

import pytest

from busprobe.errors import UsageError
from busprobe.wizard.survey.forms import read_search


def test_common_stands_for_all_32_settings() -> None:
    search = read_search("common", "1-247", "", "")
    assert len(search.settings) == 32
    assert len(search.addresses) == 247
    assert search.expect is None


def test_settings_are_tried_in_the_order_they_are_written() -> None:
    search = read_search("19200-8e1, 9600-8N1", "1,5", "3", "")
    assert [str(one) for one in search.settings] == ["19200-8E1", "9600-8N1"]
    assert search.expect == 3


@pytest.mark.parametrize(
    ("form", "named"),
    [
        (("fast", "1-247", "", ""), "'fast' is not a line setting"),
        (("common", "0", "", ""), "'0' is not a set of unit addresses"),
        (("common", "1-247", "-3", ""), "'-3' is not a number of units"),
        (("common", "1-247", "400", ""), "'400' is not a number of units"),
        (("common", "1-247", "", "3:1,6:1"), "'6:1' is no read"),
    ],
)
def test_a_form_that_cannot_be_read_says_which_part(
    form: tuple[str, str, str, str], named: str
) -> None:
    with pytest.raises(UsageError, match=named):
        read_search(*form)


def test_what_is_to_be_tried_also_takes_its_time() -> None:
    plain, more = (read_search("9600-8N1", "1-247", "", also) for also in ("", "3:40001, 4:0x1F40"))
    assert list(map(str, more.also)) == ["function 3, register 40001", "function 4, register 8000"]
    assert more.further[:2] == more.also
    assert more.estimate.seconds > plain.estimate.seconds + 10


def test_fewer_addresses_take_less_time() -> None:
    few, all_ = (read_search("9600-8N1", addresses, "", "") for addresses in ("1-10", "1-247"))
    assert few.estimate.seconds < all_.estimate.seconds

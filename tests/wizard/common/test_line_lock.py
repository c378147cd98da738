"""One piece of work on the line at a time."""

from __future__ import annotations

import pytest

from busprobe.errors import RefusedError
from busprobe.wizard.common.line_lock import LineLock


def test_the_lock_names_what_has_the_line_and_what_was_refused() -> None:
    lock = LineLock()
    lock.claim("the survey")
    with pytest.raises(RefusedError, match="the survey is running") as refused:
        lock.claim("the move")
    assert "the move" in refused.value.means
    assert lock.holder == "the survey"


def test_a_released_lock_can_be_claimed_again() -> None:
    lock = LineLock()
    lock.claim("the survey")
    lock.release()
    lock.claim("the move")
    assert lock.holder == "the move"

"""HTML from the templates beside this file: every value is escaped, and nothing is loaded from
anywhere."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from markupsafe import Markup

from busprobe.handover.table import cell_text

if TYPE_CHECKING:
    from jinja2 import Environment


_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", re.ASCII)
"""A moment as the job writes it."""


def render(template: str, **values: object) -> bytes:
    """The page that `template` makes of `values`; texts are shown as they are, never read as
    markup."""
    return _environment().get_template(template).render(values).encode()


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined  # not needed for a screen

    environment = Environment(
        loader=PackageLoader("busprobe.handover.formats"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["longest_word"] = _longest_word
    environment.filters["moment"] = moment
    return environment


def _shown(value: object) -> object:
    """A value as it stands in the page before it is escaped; drawings are markup already."""
    if isinstance(value, Markup) or not isinstance(value, str | int | float | None):
        return value
    return cell_text(value)


def moment(value: object) -> object:
    """A moment to the second, in two words that a narrow column can break; all else as it is."""
    if not isinstance(value, str) or not _MOMENT.fullmatch(value):
        return value
    return f"{value[:10]} {value[11:19]}"


def _longest_word(value: object) -> int:
    """Characters of the longest word: a table breaks those that would spread it beyond the page."""
    return max((len(word) for word in str(value or "").split()), default=0)

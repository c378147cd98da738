"""HTML from the templates beside this file: every value is escaped, and nothing is loaded from
anywhere."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from markupsafe import Markup

from busprobe.handover.table import cell_text

if TYPE_CHECKING:
    from jinja2 import Environment


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
    return environment


def _shown(value: object) -> object:
    """A value as it stands in the page before it is escaped; drawings are markup already."""
    if isinstance(value, Markup) or not isinstance(value, str | int | float | None):
        return value
    return cell_text(value)


def _longest_word(value: object) -> int:
    """Characters of the longest word: a table breaks those that would spread it beyond the page."""
    return max((len(word) for word in str(value or "").split()), default=0)

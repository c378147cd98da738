"""The bus list as one page to read and to print, ``bus-list.html``, with a drawing of the segment
and reply-time plots.

The page is complete in itself: it has no script and loads nothing, and tells the browser so.
"""

from __future__ import annotations

from markupsafe import Markup

from busprobe.handover.bus_list import BusList
from busprobe.handover.drawings import svg
from busprobe.handover.drawings.failed_polls import failure_plot
from busprobe.handover.drawings.reply_times import reply_plots
from busprobe.handover.drawings.segment_drawing import cable_order, segment_drawing
from busprobe.handover.formats.pages import render
from busprobe.handover.table import NOT_NOTED
from busprobe.handover.tables.papers import page_tables, segment_table
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.handover.title_block import page_words, title_items
from busprobe.text import harmless

PEN = (
    "Behaviour with one unit off",
    "Cables tagged at both ends",
    "Copy left in the panel",
    "Installer: name, date, signature",
    "Witness: name, date, signature",
    "Client: name, date, signature",
)
"""What only a pen can add."""


def files(bus_list: BusList) -> dict[str, bytes]:
    """The file's name and content."""
    *tables, proof, wiring = page_tables(bus_list)
    latest = latest_proof(bus_list)
    plots = None if latest is None else reply_plots(latest)
    head, foot = page_words(bus_list)
    page = render(
        "page.html",
        title_block=tuple(title_items(bus_list)),
        head=css_string(head),
        foot=css_string(foot),
        sheet=bus_list.segment,
        attention=bus_list.attention,
        not_tested=bus_list.not_tested,
        drawing=svg.markup(segment_drawing(bus_list)),
        order=cable_order(bus_list.units),
        plots=_markup(plots),
        failures=None if latest is None else _markup(failure_plot(latest)),
        tables=tables,
        proof=proof,
        wiring=wiring,
        by_hand=by_hand(bus_list),
    )
    return {"bus-list.html": page}


def by_hand(bus_list: BusList) -> tuple[str, ...]:
    """What a complete paper says and nobody has noted, left open for a pen."""
    return (
        *(str(item) for item, value in segment_table(bus_list).rows if value == NOT_NOTED),
        *PEN,
    )


def css_string(text: str) -> Markup:
    """A text as a string of a style sheet: all but letters, digits and spaces as their numbers (CSS
    Syntax Level 3, section 4.3.7), so that no text ends it; the space behind a number belongs
    to it."""
    return Markup(  # noqa: S704 - nothing of the text is left but letters, digits and numbers
        '"'
        + "".join(
            each if each == " " or (each.isascii() and each.isalnum()) else f"\\{ord(each):06x} "
            for each in harmless(text)
        )
        + '"'
    )


def _markup(drawing: svg.Element | None) -> str | None:
    return None if drawing is None else svg.markup(drawing)

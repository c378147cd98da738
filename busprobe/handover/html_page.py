"""The bus list as one page to read and to print, ``bus-list.html``, with a drawing of the segment and reply-time plots.

The page is complete in itself: it has no script and loads nothing, and tells the browser so.
"""

from __future__ import annotations

from busprobe.handover import svg
from busprobe.handover.bus_list import BusList
from busprobe.handover.pages import render
from busprobe.handover.proof_table import latest_proof
from busprobe.handover.reply_plots import reply_plots
from busprobe.handover.segment_drawing import cable_order, segment_drawing
from busprobe.handover.tables import page_tables

BY_HAND = (
    *("Cable type", "Cable length", "Route", "Terminators fitted at", "Bias fitted at", "Common conductor connected"),
    *("Shield earthed at", "Master and its port", "Instruments used", "Labels fitted", "Witness", "Date and signature"),
)
"""What a job file has no place for and a complete paper has: left open for a pen."""


def files(bus_list: BusList) -> dict[str, bytes]:
    """The file's name and content."""
    segment, *units, points, journal, proof, wiring = page_tables(bus_list)
    latest = latest_proof(bus_list)
    plots = None if latest is None else reply_plots(latest)
    page = render(
        "page.html",
        sheet=bus_list.segment,
        attention=bus_list.attention,
        not_tested=bus_list.not_tested,
        drawing=svg.markup(segment_drawing(bus_list)),
        order=cable_order(bus_list.units),
        plots=None if plots is None else svg.markup(plots),
        segment=segment,
        units=units,
        points=points,
        journal=journal,
        proof=proof,
        wiring=wiring,
        by_hand=BY_HAND,
    )
    return {"bus-list.html": page}

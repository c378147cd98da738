"""The title block of the documents: what every printed page says of itself."""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.handover.bus_list import BusList
from busprobe.handover.table import noted


def title_items(bus_list: BusList) -> Iterator[tuple[str, str]]:
    """Each field of the title block with what it says."""
    segment = bus_list.segment
    yield "Project", noted(segment.project)
    yield "Site", noted(segment.site)
    yield "Segment", noted(segment.segment)
    yield "Document number", noted(segment.document_number)
    if bus_list.revisions:
        last = bus_list.revisions[-1]
        yield "Revision", f"{last.letter}, {last.made[:10]}, {noted(last.author)}"
        yield "Reason", last.reason


def page_words(bus_list: BusList) -> tuple[str, str]:
    """What stands at the head and at the foot of every page, in a line each."""
    segment = bus_list.segment
    revision = bus_list.revisions[-1].letter if bus_list.revisions else ""
    head = (
        *(segment.project, segment.site, segment.segment, segment.document_number),
        f"revision {revision}" if revision else "",
    )
    printed = f"printed from job {segment.job_file} at {segment.made[:16].replace('T', ' ')} UTC"
    return " · ".join(filter(None, head)), printed if segment.job_file else segment.made

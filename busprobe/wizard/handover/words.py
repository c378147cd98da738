"""What the step Hand over says at length: its help, what is open, what is not as it was at an
earlier visit."""

from __future__ import annotations

from rich.text import Text
from textual.widget import Widget

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.comparison import EarlierVisit
from busprobe.handover.table import NOT_NOTED, NOT_TESTED, cell_text, columns_of
from busprobe.modbus.addresses import both_forms
from busprobe.wizard.common.signs import toned

HELP = """\
Shows the as-built bus list before it is written, what has to be looked at first ("!") and what \
was not checked ("·"). What is not known stays empty, or says "not noted"; nothing is invented.

o lists what is missing for complete documents and who can supply it; Enter asks for it in a form, \
or goes to the step that finds it out. Enter on a unit of the list asks for its tag, place, \
distance, terminator, supply and label.

t notes what is known: the unit under the cursor, what its display shows, the cable, the job, and \
the channels of meters: what each measures, through which current transformer, and whether that \
points the right way. circuits.csv of the documents can be filled in in a spreadsheet and read \
there.

What the plan of the bus says is planned, not found: a tag with "?" and "plan" in the column Seen \
stay so in the documents until a person has seen the unit on site. v says so of the unit under the \
cursor, a of all of them; the name in the details and the time go with it.

f shows every document as it would be written. - compares with the job of an earlier visit; what \
is not as it was then stands in the documents too.

Folder is where the documents go; formats are parted by commas. A file that is there already is \
never overwritten without asking.

The column Cycle says whether the unit still answered at its address after a power cycle: yes, \
no, or "-" for not tested."""


def unit_words(row: UnitRow) -> Text:
    """All that is known of a unit, as the list has it."""
    text = Text()
    text.append(f"Unit {both_forms(row.address)}\n", style="bold")
    for each in columns_of(UnitRow):
        known = cell_text(each.content(row))
        if known not in ("", NOT_TESTED, NOT_NOTED):
            text.append(f"{each.title:21} ", style="dim").append(f"{known}\n")
    return text


def open_points(widget: Widget, listed: BusList, gaps: int) -> Text:
    """What has to be looked at, and what was not tested."""
    text = Text()
    for line in listed.attention:
        text.append_text(toned(widget, "! ", "attention")).append(f"{line}\n")
    for line in listed.not_tested:
        text.append(f"· not tested: {line}\n")
    if gaps:
        text.append(f"· {gaps} gaps in the documents: o lists them.\n")
    return text


def comparison_words(earlier: EarlierVisit) -> Text:
    """What is not as it was."""
    seen = f", units last seen {earlier.seen}" if earlier.seen else ""
    text = Text(
        f"{earlier.name}, begun {earlier.created}{seen}, by"
        f" {earlier.tester or 'a person not named'}.\n\n"
    )
    found = earlier.comparison
    for each in found.differences:
        text.append(f"! {each.kind}  ", style="bold").append(f"{each.words}\n")
    if not found.differences:
        text.append("✓ Nothing that was compared differs.\n", style="bold")
    for words in found.not_compared:
        text.append(f"· not compared: {words}\n")
    return text

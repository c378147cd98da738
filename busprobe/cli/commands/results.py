"""What proves the bus, and what is handed over."""

from __future__ import annotations

import click

from busprobe.cli import options
from busprobe.cli.groups import does

_LONGEST_PAUSE = 60_000
"""Milliseconds."""


def _formats() -> list[str]:
    from busprobe.handover.files import EXPORTERS

    return sorted(EXPORTERS)


@click.command()
@options.port
@options.job(required=True, text="Job file; the units on its list are polled.")
@click.option(
    "--minutes",
    type=click.FloatRange(0, min_open=True),
    help="Duration in minutes. Default: 1, or the rest of the run that is resumed.",
)
@click.option("--rounds", type=click.IntRange(1), help="How many rounds instead.")
@click.option(
    "--pause",
    type=click.FloatRange(0, _LONGEST_PAUSE),
    default=0.0,
    metavar="MS",
    help="Milliseconds of silence before each request; full wire speed if left out.",
)
@click.option(
    "--go-on", is_flag=True, help="Go on with the last run, if it was stopped or cut off."
)
@click.option(
    "--every",
    "wanted",
    multiple=True,
    metavar="[TYPE/POINT=]S",
    help=(
        "Seconds after which new values are wanted, of all points or of one; kept in the job. May"
        " be repeated."
    ),
)
@click.option(
    "--try-table", is_flag=True, help="Then try the polling table on the bus and measure its cycle."
)
@options.as_json
@does("busprobe.cli.prove")
def prove() -> None:
    """Poll every unit of the job, retry nothing and count every kind of error.

    After it: what to set at the master, and the polling table, the cheapest requests that fetch
    every point as often as it is wanted, with the time of a whole cycle.  What was counted is kept
    while the run goes on.

    \b
    OK      as asked                         Stray  as asked, after stray bytes
    Exc.    the unit refused what was asked  Malf.  bytes, but no sensible frame
    Silent  no reply within 1 s              Late   the reply came after that
    CRC     bytes damaged on the way         Other  another address answered

    \b
    Example:
      busprobe prove --port /dev/ttyUSB0 --job plant.busjob --minutes 5 --every 10
    """


@click.command()
@options.job(required=True, text="Job file.")
@click.option(
    "--out",
    "folder",
    type=options.FOLDER,
    required=True,
    help="Folder for the files; made if missing.",
)
@click.option(
    "--format",
    "formats",
    type=options.OneOf(_formats),
    multiple=True,
    help="Format, may be repeated; all if left out.",
)
@click.option(
    "--compare-with",
    "earlier",
    type=options.FILE,
    help="Job file of an earlier visit: the documents say what has changed since. Kept in the job.",
)
@click.option("--no-compare", is_flag=True, help="Compare with no earlier visit any more.")
@click.option(
    "--circuits",
    type=options.FILE,
    help=("What meters measure, from a filled-in circuits.csv of earlier documents: noted first."),
)
@click.option(
    "--template",
    "templates",
    type=options.FILE,
    multiple=True,
    help="Render a text file of your own as well; may be repeated. See 'busprobe templates'.",
)
@click.option(
    "--records",
    "layout",
    type=options.FILE,
    help="Layout of records of a fixed size, written into a copy of the file --into.",
)
@click.option("--into", type=options.FILE, help="The file whose copy the records are written to.")
@options.overwrite("Replace files of the same names.")
@options.as_json
@does("busprobe.cli.handover")
def handover() -> None:
    """Write the handover documents: bus list, points, journal, proof, labels, polling table, and a
    description of each unit.

    \b
    csv       a file a table; a spreadsheet that opens it may turn 007 into 7
    html      one page to read and print, with drawings
    json      everything, for programs
    labels    for units and cable ends, on A4 sheets
    markdown  for wikis and tickets
    polling   the cheapest requests for a master
    things    W3C Thing Descriptions, a file a unit
    xlsx      a workbook; it keeps 007 and 2.10 as they are

    With --template or --records only the formats that are named are written too.

    \b
    Example:
      busprobe handover --job plant.busjob --out handover --format csv
    """


@click.command()
@options.port
@click.option(
    "--table",
    type=options.FILE,
    required=True,
    help="CSV of the requests: polling-table or master-points of the documents, or your own.",
)
@options.settings("Line settings of units for which the table has none.")
@click.option(
    "--seconds",
    type=click.FloatRange(0, min_open=True),
    help="How long; until Ctrl-C if left out.",
)
@options.despite_master
@options.as_json
@does("busprobe.cli.play_master")
def play_master() -> None:
    """Play the master: ask by a table at its intervals, and show values, misses and true cycle
    times.

    The table may be edited, or be made by hand; its columns are told where one is missing.  Only
    reading requests are sent.

    \b
    Asked    turns of the request           Exc.   turns ended by an exception
    Missed   turns without a valid reply    Again  requests sent again (retries)
    Skip     turns left out: it was due again before its turn came
    Cycle s  from turn to turn, as measured: the median

    \b
    Example:
      busprobe play-master --port /dev/ttyUSB0 --table master/master-points.csv --seconds 60
    """


def _orders() -> list[str]:
    from busprobe.handover.targets import Order

    return [order.value for order in Order]  # click shows the members of an enum by their names


@click.command()
@options.job(required=True, text="Job file.")
@click.option(
    "--read",
    "listed",
    type=options.FILE,
    help="CSV with the columns tag or address, point, master variable, master address.",
)
@click.option("--start", type=click.IntRange(0), help="Propose addresses from this one on.")
@click.option(
    "--step",
    type=click.IntRange(1),
    help="From one address to the next; as many as a point takes registers if left out.",
)
@click.option(
    "--order",
    type=options.OneOf(_orders),
    default="list",
    help="Order in which the points get them; that of the list if left out.",
)
@click.option("--anew", is_flag=True, help="Also for points that have an address.")
@click.option("--keep", is_flag=True, help="Keep the proposal in the job.")
@options.as_json
@does("busprobe.cli.targets")
def targets() -> None:
    """Note where the master keeps each point, or propose addresses by a rule, and tell overlaps and
    gaps.

    They stand on the sheet master-points of the documents, and may be filled in there.

    \b
    Example:
      busprobe targets --job plant.busjob --start 1000 --order address --keep
    """


@click.command()
@click.option("--out", "folder", type=options.FOLDER, help="Write three examples into this folder.")
@does("busprobe.cli.templates")
def templates() -> None:
    """Explain what a template or a record layout of your own can say.

    A template is a text file in the language of Jinja, in a sandbox, with 10 s and 4 MiB of text at
    most.  A record layout is a TOML file; what it can say stands in the example.

    \b
    Example:
      busprobe templates --out examples
      busprobe handover --job plant.busjob --out master --template examples/points.csv.j2
    """


@click.command()
@click.argument("before", metavar="OLD", type=options.FILE)
@click.argument("now", metavar="NEW", type=options.FILE)
@options.as_json
@does("busprobe.cli.compare")
def compare() -> None:
    """Compare the job of a visit with that of an earlier one, and with the plan of the bus where
    one is kept.

    Tells what is missing, extra, moved, exchanged, has other firmware or line settings, or got
    slower: half of a unit's replies take longer than 99 of 100 did, and a quarter longer in the
    median.

    \b
    Example:
      busprobe compare spring.busjob autumn.busjob
    """


@click.command()
@click.argument("name", required=False)
@does("busprobe.cli.schema")
def schema() -> None:
    """Print the JSON schema of a document that --json prints; without NAME, list all.

    \b
    Example:
      busprobe schema survey
    """


COMMANDS = (
    prove,
    play_master,
    targets,
    handover,
    templates,
    compare,
    schema,
)

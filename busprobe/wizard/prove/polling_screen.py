"""The polling table on a screen of its own: its requests, what a cycle takes, and how often each
point is wanted."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import Screen
from textual.widgets import Static

from busprobe.handover.bus_list import PointRow
from busprobe.handover.known_bus import polling_of
from busprobe.job.intervals import USUAL, Intervals, keep_intervals, kept_intervals, parse_interval
from busprobe.line.place import Place
from busprobe.profiles.read_requests import Block
from busprobe.prove.polling_table import PollingRow
from busprobe.prove.statistics import milliseconds
from busprobe.session.session import Session
from busprobe.wizard.common.actions import Action
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.form import Field, Form, optional
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.question import Notice, if_given
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.prove.words import polling_words

_COLUMNS = (
    Column("Unit", first_word=True),
    Column("FC", right=True),
    Column("Register", right=True, brief="Reg."),
    Column("Count", right=True, may_go=True),
    Column("Every s", right=True, brief="s"),
    Column("Takes ms", right=True, brief="ms"),
    Column("Points", least=12),
)


class PollingScreen(Screen[None]):
    """The table; s tries it on the bus, t and Enter say how often values are wanted."""

    HELP: ClassVar[str] = (
        "The fewest and cheapest requests that read every point, as often as it is wanted."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Action(Verb.START, "try_it", "try the table on the bus").binding,
        Action(Verb.NOTE, "every", "note how often values are wanted").binding,
        Binding("enter", "of_these", "How often, these only", key_display="Enter"),
        Binding("escape", "close", "Close", key_display="Esc"),
    ]

    def __init__(self, session: Session, try_it: Callable[[], bool]) -> None:
        """`try_it` starts a trial of the table on the line, and says whether it could."""
        super().__init__()
        self._session = session
        self._try_it = try_it
        self._rows: dict[tuple[Place, Block], PollingRow] = {}

    def compose(self) -> ComposeResult:
        """Head, requests, what they come to, keys."""
        yield Static(
            Text("Polling table: the cheapest requests that read every point"), id="polling-head"
        )
        with Container(classes="panes"):
            yield RowTable(_COLUMNS, id="polling-requests")
            with Beside(classes="beside"):
                yield Static(id="polling-words")
        yield KeyBar()

    def on_mount(self) -> None:
        """Show the table as it follows from the job."""
        self.show_table()
        self._table.focus()

    def show_table(self) -> None:
        """Make the table anew from the job."""
        made = polling_of(self._session.bus_list())
        self._rows = {(row.place, row.block): row for row in made.table.rows}
        self._table.fill((key, _cells(row)) for key, row in self._rows.items())
        self.query_one("#polling-words", Static).update(polling_words(made))

    def say(self, words: str) -> None:
        """Show how a trial goes on."""
        self.query_one("#polling-head", Static).update(Text(words))

    def action_try_it(self) -> None:
        """Ask the bus."""
        if self._try_it():
            self.say(
                "Trying: registers in between first, then whole cycles. Esc lets it go on behind."
            )

    def action_every(self) -> None:
        """Ask how often all values are wanted."""
        known = kept_intervals(self._session.job)
        field = _interval("every", "Seconds between two readings", known.every)
        words = f"For every value without an interval of its own. Empty: {USUAL:g} s."
        self._ask(
            "How often are values wanted?",
            (field,),
            words,
            lambda every: Intervals(every, known.points),
        )

    @on(RowTable.Selected)
    def action_of_these(self) -> None:
        """Ask how often the values of one request are wanted, of every unit of its type."""
        chosen = self._table.chosen
        if chosen is None:
            return
        row = self._rows[chosen]
        points = _points_of(self._session.bus_list().points, row)
        if not points:
            self.app.push_screen(
                Notice("How often?", "No profile names these points, so all are wanted alike: e.")
            )
            return
        known = kept_intervals(self._session.job)
        fields = tuple(
            _interval(f"p{n}", point.name, point.every_s) for n, point in enumerate(points)
        )
        words = (
            f"Seconds, for every unit of the type {points[0].profile}. Empty: as all the others."
        )

        def change(**seconds_of: float | None) -> Intervals:
            changed = known
            for point, seconds in zip(points, seconds_of.values(), strict=True):
                usual = Intervals(known.every).of(None, point.name)
                own = None if seconds == usual else seconds
                changed = changed.with_point(point.profile or "", point.name, own)
            return changed

        self._ask(
            f"How often? Unit {row.place.address} at {row.place.settings}", fields, words, change
        )

    def _ask(
        self,
        title: str,
        fields: tuple[Field, ...],
        words: str,
        change: Callable[..., Intervals],
    ) -> None:
        def keep(changed: Intervals) -> None:
            keep_intervals(self._session.job, changed)
            self.show_table()

        self.app.push_screen(Form(title, fields, make=change, words=words), if_given(keep))

    def action_close(self) -> None:
        """Back to the step."""
        self.dismiss(None)

    @property
    def _table(self) -> RowTable[tuple[Place, Block]]:
        return self.query_one("#polling-requests", RowTable)


def _cells(row: PollingRow) -> list[Text | str]:
    more = sum(block.count for block in row.between)
    count = f"{row.block.count}" if not more else f"{row.block.count}/{more}"
    times = (f"{row.every_s:g}", f"{milliseconds(row.seconds):g}")
    where = (
        str(row.place),
        str(row.block.function),
        f"{row.block.register}",
        count,
    )
    return [*where, *times, ", ".join(row.names)]


def _points_of(points: tuple[PointRow, ...], row: PollingRow) -> list[PointRow]:
    """The points that a request fetches and whose type is known."""
    return [p for p in points if p.place == row.place and p.name in row.names and p.profile]


def _interval(name: str, label: str, seconds: float | None) -> Field:
    """A field for an interval, which is empty where none was given."""
    return Field(
        name, label, "" if seconds is None else f"{seconds:g}", read=optional(parse_interval)
    )

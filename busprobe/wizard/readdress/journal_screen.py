"""The journal on a screen of its own: every write ever made, with bytes, reply, outcome and time;
one can be undone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import Screen
from textual.widgets import Static

from busprobe.job.journal import Result, WriteRecord
from busprobe.readdress.words import RESULT_WORDS, role_words
from busprobe.wizard.common.actions import Action
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import Sign, signed, toned
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.readdress.words import local_time, write_text

_COLUMNS = (
    Column("No.", right=True),
    Column("Time", may_go=True),
    Column("What", least=10),
    Column("From → to", least=9),
    Column("Outcome", least=10),
)

_SIGNS = {
    Result.VERIFIED: Sign.GOOD,
    Result.ACKNOWLEDGED: Sign.GOOD,
    Result.WAITING: Sign.POWER_CYCLE,
    Result.NOT_VERIFIED: Sign.WRONG,
    Result.NOT_ACKNOWLEDGED: Sign.WRONG,
}
"""Sign by the outcome on record."""


class JournalScreen(Screen[int | None]):
    """Gives back the number of the write that is to be undone; None if none is."""

    HELP: ClassVar[str] = (
        "Every write ever made in this job, newest first; below the table all that is known of the"
        " one under the cursor."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Action(Verb.UNDO, "undo", "take the write under the cursor back").binding,
        Binding("pagedown", "scroll_down", "Scroll below", key_display="PgDn"),
        Binding("pageup", "scroll_up", show=False),
        Binding("escape", "close", "Close", key_display="Esc"),
        Action(Verb.JOURNAL, "close", "close the journal", shown=False).binding,
    ]

    def __init__(self, writes: Sequence[WriteRecord]) -> None:
        super().__init__()
        self._writes = {write.id: write for write in reversed(writes)}

    def compose(self) -> ComposeResult:
        """Title, table with the newest first, all of the write under the cursor, keys."""
        count = len(self._writes)
        yield Static(
            Text(f"JOURNAL  {count} write{'' if count == 1 else 's'}, newest first"),
            id="journal-head",
        )
        with Container(classes="panes"):
            yield RowTable(_COLUMNS, id="journal")
            with Beside(id="journal-below", classes="beside"):
                yield Static(Text("Nothing was ever written in this job."), id="journal-detail")
        yield KeyBar()

    def on_mount(self) -> None:
        """Fill the table."""
        self._table.fill((number, self._row(write)) for number, write in self._writes.items())
        self._table.focus()

    @on(RowTable.Highlighted)
    def _highlighted(self) -> None:
        chosen = self._table.chosen
        if chosen is not None:
            self.query_one("#journal-detail", Static).update(write_text(self._writes[chosen]))
            self.query_one("#journal-below").scroll_home(animate=False)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There is nothing to undo in an empty journal."""
        del parameters
        return bool(self._writes) if action == "undo" else True

    def action_undo(self) -> None:
        """Choose the write under the cursor."""
        self.dismiss(self._table.chosen)

    def action_scroll_down(self) -> None:
        """Read on below the table."""
        self.query_one("#journal-below").scroll_page_down()

    def action_scroll_up(self) -> None:
        """Read back below the table."""
        self.query_one("#journal-below").scroll_page_up()

    def action_close(self) -> None:
        """Back to the step."""
        self.dismiss(None)

    @property
    def _table(self) -> RowTable[int]:
        return self.query_one("#journal", RowTable)

    def _row(self, write: WriteRecord) -> list[Text | str]:
        outcome = self._outcome(write.outcome)
        source, target = write.source, write.target
        what = role_words(write.role, source, target)
        moved = (
            f"{source.address} → {target.address}"
            if source.settings == target.settings
            else f"{source.address}: {source.settings}→{target.settings}"
        )
        if not write.role.moves:
            what = f"  {what}"  # a step of the move it belongs to
        return [str(write.id), local_time(write.intended), what, moved, outcome]

    def _outcome(self, outcome: Result | None) -> Text:
        """The outcome on record behind a sign; one that is unknown is to be looked into."""
        if outcome is None:
            return signed(self, Sign.NOT_KNOWN)
        sign = _SIGNS[outcome]
        if outcome is Result.WAITING:
            return signed(self, sign)
        text = toned(self, f"{sign.character} ", sign.tone)
        return text.append(RESULT_WORDS[outcome], style="not bold")

"""The terminals of a virtual segment: units taken off, put back, switched off and on, their wires
exchanged."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Static

from busprobe.session.connect import SegmentTerminals, UnitTerminals
from busprobe.wizard.common.actions import Action
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.dialog import Dialog
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.verbs import Verb


class TerminalsDialog(Dialog[None]):
    """What one would do at the cabinet; only for practice segments, and work on the line goes on
    meanwhile."""

    HELP: ClassVar[str] = (
        "What hands would do at the terminals.  Work on the line goes on meanwhile."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("plus", "swap", "Swap its wires", key_display="+"),
        Binding("space", "cycle", "Power off and on", key_display="Space"),
        Action(Verb.ALL, "cycle_all", "switch all units off and on").binding,
        Binding("escape", "close", "Close", key_display="Esc"),
        Binding("f9", "close", show=False),
    ]

    def __init__(self, terminals: SegmentTerminals) -> None:
        super().__init__()
        self._terminals = terminals

    def compose(self) -> ComposeResult:
        """Title, units, keys."""
        with Vertical(classes="box"):
            yield Static(Text("Hands at the terminals of this practice segment"), classes="title")
            yield Static(
                Text("Enter takes the unit under the cursor off the pair, or puts it back."),
                classes="words",
            )
            yield RowTable(
                (
                    Column("Unit", least=8),
                    Column("What it is", least=10),
                    Column("On the bus", first_word=True, brief="On"),
                    Column("Wires", brief="Wires"),
                ),
                id="terminals",
                classes="body",
            )
        yield KeyBar()

    def on_mount(self) -> None:
        """Show how the units are connected."""
        self._fill()
        self._table.focus()

    @on(RowTable.Selected)
    def _connect(self) -> None:
        """Take the unit off the pair or put it back."""
        unit = next(unit for unit in self._terminals.units() if unit.name == self._table.chosen)
        self._terminals.connect(unit.name, connected=not unit.connected)
        self._fill()

    def action_swap(self) -> None:
        """Exchange the two wires at the unit."""
        self._terminals.swap(self._table.chosen or "")
        self._fill()

    def action_cycle(self) -> None:
        """Switch the unit off and on."""
        name = self._table.chosen or ""
        self._terminals.power_cycle(name)
        self.notify(f"{name} was switched off and on.", timeout=2, markup=False)

    def action_cycle_all(self) -> None:
        """Switch all units off and on, as by a fuse."""
        self._terminals.power_cycle()
        self.notify("All units were switched off and on.", timeout=2, markup=False)

    def action_close(self) -> None:
        """Back to the screen."""
        self.dismiss(None)

    @property
    def _table(self) -> RowTable[str]:
        return self.query_one("#terminals", RowTable)

    def _fill(self) -> None:
        self._table.fill((unit.name, _row(unit)) for unit in self._terminals.units())


def _row(unit: UnitTerminals) -> tuple[str, str, str, str]:
    connected = "● connected" if unit.connected else "- taken off"
    return unit.name, unit.what, connected, "X swapped" if unit.swapped else "right"

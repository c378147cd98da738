"""The circuits of meters as a list to fill in at the panel: channel by channel, or from a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import Screen
from textual.widgets import Static

from busprobe.errors import BusprobeError, UsageError
from busprobe.files.reading import given_path
from busprobe.handover.bus_list import CircuitRow
from busprobe.handover.circuits import LONGEST_CHANNEL, with_circuit, without_circuit
from busprobe.job import Circuit, UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms
from busprobe.session.session import Session
from busprobe.wizard.common.actions import Action
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.form import Field, Form, only, optional
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.question import Answer, Failure, Question, if_given, if_yes
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import toned
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.handover.forms import circuit_fields

_COLUMNS = (
    Column("Unit", right=True),
    Column("Tag", least=6, may_go=True),
    Column("Channel", least=7),
    Column("CT no.", least=6),
    Column("Ratio", least=6),
    Column("Phase", least=5),
    Column("Panel", least=5, may_go=True),
    Column("Circuit", least=7),
    Column("Load", least=6),
    Column("Direction", first_word=True, brief="Dir."),
)
_HOW = (
    "Enter notes what the channel under the cursor measures; v says that its current transformer"
    " was seen to point the right way. r reads a list filled in in a spreadsheet: circuits.csv of"
    " the documents is its form."
)
_EMPTY = "No profile of a unit here names channels. n names one; r reads a list from a file."


_LIST = Field("path", "File (CSV)", read=optional(given_path))


class CircuitsScreen(Screen[None]):
    """Notes circuits in the job as they are given; a form for each channel stands in front of the
    list."""

    HELP: ClassVar[str] = f"What each channel of a meter measures.\n\n{_HOW}"

    BINDINGS: ClassVar[list[BindingType]] = [
        Action(Verb.NOTE, "note", "note what the channel measures; Enter does too").binding,
        Action(Verb.CHECK, "checked", "its direction was checked, or not").binding,
        Action(Verb.NEW, "name", "name a channel that no profile names").binding,
        Action(Verb.READ, "load", "read a list from a file").binding,
        Binding("delete", "clear", "Clear", key_display="Del"),
        Binding("escape", "close", "Close", key_display="Esc"),
    ]

    def __init__(self, session: Session, at: Place | None = None) -> None:
        """Shows the circuits of `session`'s job with the cursor on the first one of the unit
        `at`."""
        super().__init__()
        self._session = session
        self._at = at
        self._rows: tuple[CircuitRow, ...] = ()

    def compose(self) -> ComposeResult:
        """Head, channels, what was read of the one under the cursor, keys."""
        yield Static(id="circuits-head", classes="screen-head")
        with Container(classes="panes"):
            yield RowTable(_COLUMNS, id="circuits")
            with Beside(classes="beside"):
                yield Static(id="circuit-words")
        yield KeyBar()

    def on_mount(self) -> None:
        """Fill the list, and begin at the unit that was asked for."""
        self._fill()
        places = [row.place for row in self._rows]
        if self._at in places:
            self._table.move_cursor(places.index(self._at))
        self._table.focus()

    def _fill(self) -> None:
        self._rows = self._session.bus_list().circuits
        noted = sum(row.circuit.noted for row in self._rows)
        head = f"CIRCUITS OF METERS  {noted} of {len(self._rows)} channels noted"
        self.query_one("#circuits-head", Static).update(Text(head))
        self._table.fill((n, self._row(row)) for n, row in enumerate(self._rows))
        self._moved()

    def _row(self, row: CircuitRow) -> list[Text | str]:
        known = row.circuit
        way = toned(self, "✓ yes", "good") if known.direction_checked else Text("-")
        cells = (
            str(row.address),
            row.tag,
            known.channel,
            known.ct,
            known.ratio,
            known.phase,
            known.panel,
        )
        return [*cells, known.circuit, known.load, way]

    @on(RowTable.Highlighted)
    def _moved(self) -> None:
        row = self._chosen
        words = Text(_EMPTY)
        if row is not None:
            words = Text(f"{_name(row)}: {row.values or 'nothing was read of it'}.\n").append(_HOW)
        self.query_one("#circuit-words", Static).update(words)

    @on(RowTable.Selected)
    def action_note(self) -> None:
        """Ask what the channel under the cursor measures, then go on to the next one."""
        row = self._chosen
        if row is None:
            return
        known = row.circuit

        def keep(noted: Circuit) -> None:
            self._keep(row, noted)
            self._table.action_cursor_down()

        form = Form(_name(row), circuit_fields(known), make=partial(Circuit, known.channel))
        self.app.push_screen(form, if_given(keep))

    def action_checked(self) -> None:
        """Say that the direction was checked, or take that back."""
        row = self._chosen
        if row is not None:
            checked = None if row.circuit.direction_checked else True
            self._keep(row, replace(row.circuit, direction_checked=checked))

    def action_name(self) -> None:
        """Name a channel that no profile names."""
        units = {unit.address: unit for unit in self._session.job.units() if unit.single}
        row = self._chosen
        known = str(row.address) if row else ""

        def place(text: str) -> Place:
            if not text.isdecimal() or int(text) not in units:
                raise UsageError(f"There is no unit at '{text}' on the list.")
            return units[int(text)].place

        fields = (
            Field("address", "Unit address", known, kind="integer", read=place),
            Field(
                "channel", "Channel, as the unit calls it", hint="like L1, A3, 7", read=_new_channel
            ),
        )

        def named(address: Place, channel: Circuit) -> tuple[Place, Circuit]:
            return address, channel

        def keep(given: tuple[Place, Circuit]) -> None:
            at, new = given
            if (at, new.channel) not in {_key(row) for row in self._rows}:
                self._revise(at, lambda known: with_circuit(known, new))

        self.app.push_screen(Form("A channel of a meter", fields, make=named), if_given(keep))

    def action_clear(self) -> None:
        """Forget what was noted of the channel under the cursor; one that no profile names goes."""
        row = self._chosen
        if row is None:
            return

        def forget() -> None:
            channel = row.circuit.channel
            self._revise(row.place, lambda known: without_circuit(known, channel))

        answers = (Answer("k", "Keep it", False), Answer("f", "Forget it", True))
        question = Question("Forget what was noted?", f"{_name(row)}.", answers)
        self.app.push_screen(question, if_yes(forget))

    def action_load(self) -> None:
        """Take what a file says."""
        words = "circuits.csv of the documents is its form: write them, fill it in, load it here."

        def keep(path: Path) -> None:
            try:
                noted = self._session.note_circuits(path)
            except BusprobeError as error:
                self.app.push_screen(Failure(error))
                return
            self.notify(
                f"{noted} channel{'' if noted == 1 else 's'} taken from the list.", markup=False
            )
            self._fill()

        form = Form("List of circuits", (_LIST,), make=only, words=words)
        self.app.push_screen(form, if_given(keep))

    def action_close(self) -> None:
        """Back to the step."""
        self.dismiss(None)

    def _keep(self, row: CircuitRow, circuit: Circuit) -> None:
        self._revise(row.place, lambda known: with_circuit(known, circuit))

    def _revise(self, place: Place, change: Callable[[UnitRecord], UnitRecord]) -> None:
        self._session.revise_unit(place, change)
        self._fill()

    @property
    def _table(self) -> RowTable[int]:
        return self.query_one("#circuits", RowTable)

    @property
    def _chosen(self) -> CircuitRow | None:
        number = self._table.chosen
        return None if number is None else self._rows[number]


def _key(row: CircuitRow) -> tuple[Place, str]:
    return row.place, row.circuit.channel


def _new_channel(name: str) -> Circuit:
    if not 0 < len(name) <= LONGEST_CHANNEL:
        raise UsageError(f"Name the channel, in at most {LONGEST_CHANNEL} characters.")
    return Circuit(name)


def _name(row: CircuitRow) -> str:
    return " ".join(
        filter(None, ("Unit", both_forms(row.address), row.tag, "channel", row.circuit.channel))
    )

"""Readdress: how does each unit get its own address without disturbing the rest?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from threading import Event as Cancel
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import DataTable, Static

from busprobe.errors import BusprobeError, UsageError
from busprobe.job.records import UnitRecord, WriteRecord
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.isolation import isolate
from busprobe.readdress.outcome import Result
from busprobe.readdress.preparing import Prepared
from busprobe.readdress.procedure import Procedure
from busprobe.survey.findings import Kind
from busprobe.wizard.box_order import FIELDS, BoxOrder, read_box_order
from busprobe.wizard.box_screen import BoxScreen
from busprobe.wizard.decision import Decision
from busprobe.wizard.dialogs.confirm_write import ConfirmWrite
from busprobe.wizard.dialogs.form import Field, Form
from busprobe.wizard.dialogs.notice import Failure
from busprobe.wizard.dialogs.put_back import PutBack
from busprobe.wizard.isolation_screen import IsolationScreen
from busprobe.wizard.move_messages import ConfirmAsked, Isolated, LookedAgain, MoveEnded, Reported
from busprobe.wizard.move_words import journal_words, outcome_text, standing
from busprobe.wizard.moves import (
    clash_with,
    is_address,
    latest_move,
    move_words,
    outcome_on_record,
    proposals,
)
from busprobe.wizard.signs import signed, toned
from busprobe.wizard.step import Step, StepState
from busprobe.wizard.unit_words import key_text, type_words
from busprobe.wizard.widgets.unit_table import UnitTable

_COLUMNS = (
    ("Address", 11),
    ("Settings", 11),
    ("Finding", 9),
    ("What it is", 18),
    ("Tag", 8),
    ("Wanted", 11),
    ("Move", 10),
)
_WANTED_KEY = "wizard.wanted"
"""Where the job keeps the wanted addresses."""


class ReaddressStep(Step):
    """Units, the addresses they are to have, and the guarded way there."""

    TITLE = "Readdress"
    HELP = """\
Each move is guarded: the unit must answer alone and cleanly at its old address, and nobody at the new one. Then you \
see exactly what will be sent, in words and bytes, and nothing leaves before you press W. It is written once, never \
repeated, and what became of it is told by who answers at both addresses afterwards.

  p  proposes addresses: from the plan of the bus, or counting up from 10 with the factory address kept free
  w  sets the wanted address of the unit under the cursor
  m  moves the unit under the cursor to the wanted address
  i  two units at one address (X clash): guides you until one is left; then move that one, and put the others back
  b  a box of identical new units: connect one, confirm, next
  v  after a power cycle: looks whether the address was kept

"verified" means that the unit answers at the new address; "kept" that it still did after a power cycle."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("p", "propose", "Propose", tooltip="propose addresses for the units that need one"),
        Binding("w", "want", "Wanted", tooltip="set the wanted address", show=False),
        Binding("m", "move", "Move"),
        Binding("i", "isolate", "Isolate", tooltip="two units at one address: guide me until one is left"),
        Binding("b", "box", "Box", tooltip="a box of identical new units, one by one"),
        Binding("v", "verify", "Cycled", tooltip="after a power cycle: was the address kept?"),
        Binding("j", "journal", "Journal", tooltip="every write ever made", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._confirmed: Decision[bool] = Decision()
        self._cancel = Cancel()
        self._isolated: tuple[int, LineSettings] | None = None
        """Where units were taken off the pair and have to be put back."""
        self._said = False

    def compose(self) -> ComposeResult:
        """The units; what is going on."""
        yield UnitTable(_COLUMNS, id="movers", padding=0)
        yield Static(id="move-said", classes="said gap")

    def first_focus(self) -> Widget:
        """The list of units."""
        return self._table

    def job_changed(self) -> None:
        """Show units, wanted addresses and what became of moves."""
        units, writes, wanted = self.session.job.units(), self.session.job.writes(), self._wanted
        self._table.fill((key_text(unit), self._row(unit, wanted, writes)) for unit in units)
        if self.working:
            return
        unfinished = self.session.unfinished()
        self.state, self.next_words = standing(units, writes, wanted, unfinished)
        if unfinished and not self._said:
            self._say(Text("\n".join(f"! Not known what became of: {write.words}" for write in unfinished)))

    # -- wanted addresses ----------------------------------------------------------------------------------

    @property
    def _wanted(self) -> dict[str, int]:
        kept = self.session.job.state(_WANTED_KEY)
        return dict(kept) if isinstance(kept, dict) else {}

    def _want(self, wanted: Mapping[str, int]) -> None:
        self.session.job.set_state(_WANTED_KEY, dict(wanted))
        self.post_message(self.JobChanged())

    def action_propose(self) -> None:
        """Fill in what the plan or good practice says."""
        try:
            proposed = proposals(self.session.job.units(), self.session.plan)
        except BusprobeError as error:
            self.app.push_screen(Failure(error))
            return
        self._want({**self._wanted, **proposed})
        if not proposed:
            self._say(Text("Every unit has an address of its own; none needs another by plan or good practice."))

    @on(DataTable.RowSelected, "#movers")
    def _selected(self) -> None:
        self.action_want()

    def action_want(self) -> None:
        """Ask for the wanted address of the unit under the cursor."""
        unit = self._chosen()
        if unit is None:
            return
        known = self._wanted.get(key_text(unit))
        fields = (Field("address", "Wanted unit address, 1 to 247 (decimal)", str(known or ""), kind="integer"),)

        def keep(given: Mapping[str, str] | None) -> None:
            if given is None:
                return
            wanted = self._wanted
            if not given["address"]:
                wanted.pop(key_text(unit), None)
            elif is_address(given["address"]):
                wanted[key_text(unit)] = int(given["address"])
            else:
                error = UsageError(f"{given['address']} is not a unit address.", todo="Write a number from 1 to 247.")
                self.app.push_screen(Failure(error))
                return
            self._want(wanted)

        self.app.push_screen(Form(f"Unit {both_forms(unit.address)} at {unit.settings}", fields), keep)

    # -- one move ------------------------------------------------------------------------------------------

    def action_move(self) -> None:
        """Move the unit under the cursor to its wanted address."""
        unit = self._chosen()
        if unit is None:
            return
        wanted = self._wanted.get(key_text(unit))
        taken = clash_with(wanted, self.session.job.units(), unit) if wanted is not None else None
        if unit.kind != "unit":
            self.wizard.explain(
                "One at a time first",
                "At this address it is not clear that one unit alone answers, so a write would reach more than one. "
                "Press i: it guides you until one is left.",
            )
        elif wanted is None or wanted == unit.address:
            self.action_want()
        elif taken is not None:
            self.wizard.explain(
                "That address is taken",
                f"{both_forms(wanted)} already belongs to a unit at {taken.settings}. Move that one first, or choose "
                "another address (w).",
            )
        elif (profile := self.session.profile_of(unit.address, LineSettings.parse(unit.settings))) is not None and (
            profile.readdress is not None
        ):
            self._begin(unit, wanted, None)
        else:
            self._ask_procedure(unit, wanted)

    def _ask_procedure(self, unit: UnitRecord, wanted: int) -> None:
        """No profile knows how: the register comes from a data sheet, by hand."""
        fields = (
            Field("register", "Holding register of the unit address (zero-based, as on the wire)", kind="integer"),
            Field("function", "Function code, 6 or 16", "6", kind="integer"),
        )
        words = "No profile says how this unit takes a new address. Take the register from its own data sheet."

        def begin(given: Mapping[str, str] | None) -> None:
            if given is None or not given["register"]:
                return
            try:
                procedure = Procedure.by_hand(int(given["register"]), int(given["function"] or 0))
            except UsageError as error:
                self.app.push_screen(Failure(error))
                return
            self._begin(unit, wanted, procedure)

        self.app.push_screen(Form("By hand", fields, words=words), begin)

    def _begin(self, unit: UnitRecord, wanted: int, procedure: Procedure | None) -> None:
        settings = LineSettings.parse(unit.settings)
        decision = self._confirmed = Decision()

        def report(words: str) -> None:
            self.post_message(Reported(words))

        def confirm(prepared: Prepared) -> bool:
            self.post_message(ConfirmAsked(prepared))
            return decision.wait()

        def work() -> None:
            prepared = self.session.prepare_move(settings, unit.address, wanted, procedure, report)
            self.post_message(MoveEnded(self.session.move(prepared, confirm, report)))

        if self.on_line("the move", work):
            self.state = StepState.DOING
            self.progress = "moves"
            self.next_words = "Wait: both addresses are looked at; nothing is written unless you say so."

    @on(Reported)
    def _reported(self, event: Reported) -> None:
        self._say(Text(f"▸ {event.words}"))

    @on(ConfirmAsked)
    def _confirm_asked(self, event: ConfirmAsked) -> None:
        prepared = event.prepared
        dialog = ConfirmWrite(
            [(step.request.words, step.request.frame) for step in prepared.steps],
            settings=str(prepared.move.settings),
            effect=prepared.expectation,
            warnings=prepared.warnings,
            rescue=prepared.rescue,
        )
        self.app.push_screen(dialog, lambda sure: self._confirmed.give(bool(sure)))

    @on(MoveEnded)
    def _move_ended(self, event: MoveEnded) -> None:
        outcome = event.outcome
        move = outcome.move
        self._say(outcome_text(self, outcome))
        if outcome.result is Result.VERIFIED:
            wanted = self._wanted
            wanted.pop(f"{move.old} {move.settings}", None)
            self._want(wanted)
            if self._isolated == (move.old, move.settings):
                self._ask_to_put_back(move.old, move.settings)

    # -- two at one address --------------------------------------------------------------------------------

    def action_isolate(self) -> None:
        """Guide the technician to one unit alone at the address under the cursor."""
        unit = self._chosen()
        if unit is None:
            return
        address, settings = unit.address, LineSettings.parse(unit.settings)
        self._cancel = Cancel()
        screen = IsolationScreen(address, self._cancel)

        def work() -> None:
            try:
                self.session.line.apply(settings)
                for sight in isolate(self.session.line, address, self._cancel):
                    screen.post_message(IsolationScreen.Seen(sight))
                if not self._cancel.is_set():
                    self.session.look_again(address, settings)
                    self.session.identify(address, settings)
                    self.post_message(Isolated(address))
            finally:
                screen.post_message(IsolationScreen.Ended())

        if self.on_line("the watch", work):
            self._isolated = (address, settings)
            self.app.push_screen(screen)

    @on(Isolated)
    def _one_left(self, event: Isolated) -> None:
        self._say(
            toned(self, f"✓ One unit answers at {both_forms(event.address)}, alone and cleanly.", "good").append(
                " Leave the others off the pair. Set its address (w), then move it (m).", style="not bold"
            )
        )
        self.post_message(self.JobChanged())

    def _ask_to_put_back(self, address: int, settings: LineSettings) -> None:
        def look(ready: bool | None) -> None:
            if ready:
                self._look_again(address, settings)

        self.app.push_screen(PutBack(address), look)

    def _look_again(self, address: int, settings: LineSettings) -> None:
        def work() -> None:
            seen = self.session.look_again(address, settings)
            if seen.kind is Kind.UNIT:
                self.session.identify(address, settings)
            self.post_message(LookedAgain(f"At unit address {both_forms(address)}: {seen.kind}."))

        if self.on_line("a close look", work):
            self._say(Text(f"▸ Looking who answers at {both_forms(address)}."))

    @on(LookedAgain)
    def _looked_again(self, event: LookedAgain) -> None:
        self._isolated = None
        self._say(Text(f"{event.words} Move it too (w, m), or press i if several answer."))

    # -- a box, a power cycle, the journal -----------------------------------------------------------------

    def action_box(self) -> None:
        """Take a box of identical units one by one."""
        words = "All units of the box must be of one type. Connect none or one of them now."

        def begin(given: Mapping[str, str] | None) -> None:
            if given is None:
                return
            try:
                self._begin_box(read_box_order(given))
            except UsageError as error:
                self.app.push_screen(Failure(error))

        self.app.push_screen(Form("One by one", FIELDS, words=words), begin)

    def _begin_box(self, order: BoxOrder) -> None:
        decision = self._confirmed = Decision()
        cancel = self._cancel = Cancel()
        screen = BoxScreen(cancel)

        def confirm(prepared: Prepared) -> bool:
            self.post_message(ConfirmAsked(prepared))
            return decision.wait()

        def work() -> None:
            for told in self.session.one_by_one(
                order.settings, order.factory, order.first, confirm=confirm, cancel=cancel
            ):
                screen.post_message(BoxScreen.Told(told))

        if self.on_line("the box", work):
            self.app.push_screen(screen)

    def action_verify(self) -> None:
        """Look at what was under way, or at the unit under the cursor after a power cycle."""

        def report(words: str) -> None:
            self.post_message(Reported(words))

        if self.session.unfinished():

            def recover() -> None:
                for outcome in self.session.recover(report):
                    self.post_message(MoveEnded(outcome))

            self.on_line("the recovery", recover)
            return
        unit = self._chosen()
        write = latest_move(unit, self.session.job.writes()) if unit is not None else None
        if write is None:
            self._say(Text("The unit under the cursor was not moved, so there is nothing to look at."))
            return
        before = outcome_on_record(write)

        def verify() -> None:
            self.post_message(MoveEnded(self.session.verify_again(before, report)))

        self.on_line("the check", verify)

    def action_journal(self) -> None:
        """Show every write ever made."""
        writes = self.session.job.writes()
        self.wizard.explain("Journal", "\n\n".join(map(journal_words, writes)) or "Nothing was ever written.")

    def stop_work(self) -> None:
        """Nothing that waits for a yes gets one; watches end."""
        self._cancel.set()
        self._confirmed.leave(False)

    def work_ended(self) -> None:
        """Show where things stand."""
        self.progress = ""
        self.post_message(self.JobChanged())

    # -- showing -------------------------------------------------------------------------------------------

    @property
    def _table(self) -> UnitTable:
        return self.query_one("#movers", UnitTable)

    def _chosen(self) -> UnitRecord | None:
        key = self._table.chosen
        return next((unit for unit in self.session.job.units() if key_text(unit) == key), None)

    def _row(self, unit: UnitRecord, wanted: Mapping[str, int], writes: Sequence[WriteRecord]) -> list[Text | str]:
        want = wanted.get(key_text(unit))
        moved = move_words(unit, latest_move(unit, writes))
        return [
            both_forms(unit.address),
            unit.settings,
            signed(self, unit.kind),
            type_words(unit, self.session.store.profiles) or "-",
            unit.tag,
            "-" if want is None else both_forms(want),
            signed(self, moved) if moved else "-",
        ]

    def _say(self, words: Text) -> None:
        self._said = True
        self.query_one("#move-said", Static).update(words)

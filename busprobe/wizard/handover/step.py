"""Hand over: what is complete, what is missing and asked for, every paper before it is written, and
the writing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import BusprobeError, RefusedError
from busprobe.files.reading import given_path
from busprobe.handover.bus_list import UnitRow
from busprobe.handover.files import EXPORTERS
from busprobe.handover.missing import Ask, Missing, missing
from busprobe.handover.preview import papers
from busprobe.job import UnitRecord
from busprobe.job.endurance_bound import EnduranceBound, keep_bound, kept_bound
from busprobe.job.plan import planned_at
from busprobe.job.records import Cabling, EntryKind
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.choice import ChoiceDialog, Offered
from busprobe.wizard.common.choice_field import ChoiceField
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.form import Field, Form, optional
from busprobe.wizard.common.question import (
    Answer,
    Failure,
    Notice,
    Question,
    if_given,
    if_yes,
)
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import OF_KIND, signed
from busprobe.wizard.common.step import Proposal, Step, StepName, StepState, go_to
from busprobe.wizard.common.unit_form import noted_unit, unit_fields
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.handover.circuits_screen import CircuitsScreen
from busprobe.wizard.handover.forms import (
    bound_fields,
    cabling_fields,
    detail_fields,
    offered_formats,
    other_formats,
    read_formats,
    references,
    value_fields,
)
from busprobe.wizard.handover.missing_screen import MissingScreen
from busprobe.wizard.handover.preview_screen import PreviewScreen
from busprobe.wizard.handover.words import HELP, comparison_words, open_points, unit_words

_COLUMNS = (
    Column("No", right=True, may_go=True),
    Column("Address", right=True, first_word=True, brief="Addr"),
    Column("Settings"),
    Column("State", first_word=True, brief=""),
    Column("Tag", least=8),
    Column("Maker and model", least=12),
    Column("Seen"),
    Column("Cycle", may_go=True),
)
_WRITTEN_KEY = "wizard.written"
"""Where the job keeps what was written last."""

_WHERE_KEY = "wizard.papers"
"""Where the job keeps the folder and the formats."""


def _nothing() -> None:
    """Nothing follows a form that was asked for by itself."""


@dataclass(frozen=True)
class _Earlier:
    """The job file of an earlier visit; None to compare with none."""

    path: Path | None


class HandoverStep(Step):
    """The bus list before it is written."""

    TITLE = StepName.HAND_OVER
    READS_ONLY = True
    HELP = HELP
    BINDINGS: ClassVar[list[BindingType]] = [*bindings(OF_STEP[StepName.HAND_OVER])]

    class ValuesRead(Message):
        """The values that were older than the last move have been read again."""

    _stopping = False
    """Whether no further unit is to be read."""

    def compose(self) -> ComposeResult:
        """Folder and formats; what is missing; the list."""
        with Horizontal(classes="row fields"):
            yield Static("Folder", classes="label")
            yield Input(id="folder", compact=True)
            yield Static("Formats", classes="label")
            yield ChoiceField(
                "Formats",
                ", ".join(EXPORTERS),
                offered_formats(),
                other_formats,
                id="formats",
            )
        yield Static(id="written", classes="said")
        with Container(classes="panes"):
            yield RowTable(_COLUMNS, id="bus-list")
            with Beside(classes="beside"):
                yield Static(id="listed-unit", classes="said")
                yield Static(id="open-points", classes="said")

    def on_mount(self) -> None:
        """Propose the folder and the formats of the last time."""
        kept = self.session.job.state(_WHERE_KEY, dict[str, str]) or {}
        self.query_one("#folder", Input).value = kept.get("folder") or str(Path.cwd() / "handover")
        if kept.get("formats"):
            self._formats.value = kept["formats"]

    def first_focus(self) -> Widget:
        """The list."""
        return self._table

    def job_changed(self) -> None:
        """Assemble the list anew."""
        listed = self.session.bus_list()
        self._table.fill((row.number, self._row(row)) for row in listed.units)
        self._moved()
        gaps = len(missing(listed))
        self.solves = (Verb.OPEN_POINTS,) if gaps else (Verb.WRITE,)
        self.query_one("#open-points", Static).update(open_points(self, listed, gaps))
        written = self.session.job.state(_WRITTEN_KEY, dict[str, str])
        self.query_one("#written", Static).update(
            Text(f"{listed.segment.units} listed as units. ", style="bold").append(
                (
                    f"Written {written['at']} to {written['folder']}."
                    if written
                    else "Nothing is written yet."
                ),
                style="not bold",
            )
        )
        write = Proposal("write the documents (w)", "write")
        if not listed.segment.units:
            self.stand(StepState.TO_DO, "No unit is known yet.", go_to(StepName.SURVEY))
        elif not written:
            self.stand(StepState.TO_DO, "Before: what is marked, and o (open points).", write)
        elif listed.attention:
            self.stand(StepState.CHECK, "See to what is marked first.", write)
        else:
            self.stand(StepState.DONE, "Done. q leaves busprobe.")

    # -- writing

    @on(Input.Submitted)
    @on(ChoiceField.Submitted)
    def _submitted(self) -> None:
        self.action_write()

    def action_write(self) -> None:
        """Write the papers; ask where that would replace a file, and whether values that were read
        before the last move are to be read again first."""
        old = self.session.read_before_last_move()
        if not old or not self.session.is_open:
            self._write(overwrite=False)
            return
        question = Question(
            "Read the values again?",
            f"Values of {len(old)} units were read before the last move:"
            f" {format_addresses(place.address for place in old)}. Reading them changes nothing on"
            " the bus. Otherwise the documents say that these are old.",
            (Answer("r", "Read, then write", True), Answer("w", "Write as it is", False)),
        )

        def chosen(again: bool) -> None:
            if again:
                self._read_again(old)
            else:
                self._write(overwrite=False)

        self.app.push_screen(question, if_given(chosen))

    def _read_again(self, places: Sequence[Place]) -> None:
        """Read the values at these places, then write."""

        def work() -> None:
            for place in places:
                if self._stopping:
                    return
                self.session.identify(place)
            self.post_message(self.ValuesRead())

        self._stopping = False
        if self.on_line("the values", work):
            self.state, self.progress = StepState.DOING, "reads"

    @on(ValuesRead)
    def _values_read(self) -> None:
        self._write(overwrite=False)

    def stop_work(self) -> None:
        """No further unit is read, and nothing is written."""
        self._stopping = True

    def work_ended(self) -> None:
        """Show what was read."""
        self.progress = ""
        self.post_message(self.JobChanged())

    def _write(self, *, overwrite: bool) -> None:
        where = {
            "folder": self.query_one("#folder", Input).value.strip(),
            "formats": self._formats.value,
        }
        folder = given_path(where["folder"])
        formats = read_formats(where["formats"])
        if not where["folder"] or not formats:
            self.notify(
                "Name a folder for the documents and at least one format.",
                severity="warning",
                markup=False,
            )
            return
        try:
            written = self.session.hand_over(folder, formats, overwrite=overwrite)
        except RefusedError as error:
            self._ask_overwrite(error)
        except BusprobeError as error:
            self.app.push_screen(Failure(error))
        else:
            self.session.job.set_state(
                _WRITTEN_KEY, {"at": self.session.job.now(), "folder": str(folder)}
            )
            self.session.job.set_state(_WHERE_KEY, where)
            names = "\n".join(f"  {path.name}" for path in written)
            self.wizard.explain("✓ Written", f"{folder}\n{names}")
            self.post_message(self.JobChanged())

    def _ask_overwrite(self, error: RefusedError) -> None:
        question = Question(
            "Replace what is there?",
            str(error),
            (Answer("k", "Keep the old files", False), Answer("r", "Replace them", True)),
            grave=True,
        )
        self.app.push_screen(question, if_yes(partial(self._write, overwrite=True)))

    # -- before it is written

    def action_preview(self) -> None:
        """Show every paper as it would be written."""
        try:
            self.app.push_screen(PreviewScreen(papers(self.session.papers())))
        except BusprobeError as error:
            self.app.push_screen(Failure(error))

    def action_missing(self) -> None:
        """Show what is missing, and ask for it."""
        self._missing(0)

    def _missing(self, at: int) -> None:
        gaps = missing(self.session.bus_list())

        def fill(gap: Missing) -> None:
            self._ask(gap, lambda: self._missing(gaps.index(gap)))

        self.app.push_screen(MissingScreen(gaps, at), if_given(fill))

    def _ask(self, gap: Missing, then: Callable[[], None]) -> None:
        """Ask for what is missing, `then` go on; what another step supplies is asked for there."""
        match gap.ask:
            case Ask.DETAILS:
                self._ask_details(gap.field, then)
            case Ask.PAIR:
                self._ask_pair(gap.field, then)
            case Ask.UNIT:
                unit = self.session.job.unit(gap.units[0])
                if unit is not None:
                    self._ask_unit(unit, gap.field, then)
            case Ask.CONFIRM:
                self.action_confirm_all()
            case Ask.VALUES:
                unit = self.session.job.unit(gap.units[0])
                if unit is not None:
                    self._ask_values(unit, then)
            case Ask.CIRCUITS:
                self._ask_circuits(gap.units[0], then)
            case _:
                self.wizard.go_to(StepName(gap.ask))

    def action_earlier(self) -> None:
        """Ask which earlier job to compare with, and show what is not as it was."""
        earlier = str(self.session.earlier or "")
        field = Field("path", "Job file of the earlier visit", earlier, read=optional(given_path))
        words = "What is not as it was then goes into the documents too. Empty: compare with none."

        def compare(chosen: _Earlier) -> None:
            try:
                compared = self.session.compare_with(chosen.path)
            except BusprobeError as error:
                self.app.push_screen(Failure(error))
                return
            if compared.earlier is not None:
                self.app.push_screen(
                    Notice("Since the earlier visit", comparison_words(compared.earlier))
                )

        self.app.push_screen(
            Form("Earlier visit", (field,), make=_Earlier, words=words), if_given(compare)
        )

    # -- what a person has seen on site

    def action_confirm(self) -> None:
        """Note that the unit under the cursor is where and what it is listed as."""
        row = self._chosen()
        if row is None or row.state is not EntryKind.UNIT:
            self.notify("One unit has to answer here first.", severity="warning", markup=False)
            return
        self._confirm([row])
        self._table.action_cursor_down()

    def action_confirm_all(self) -> None:
        """Ask once whether all units were seen, and note that."""
        rows = [row for row in self.session.bus_list().units if row.state is EntryKind.UNIT]
        if not rows:
            self.notify("There is no unit to confirm.", severity="warning", markup=False)
            return
        seen_by = self.session.job.meta.tester or "the tester, who has no name yet"
        question = Question(
            "Were all seen on site?",
            f"Every one of {len(rows)} units has the tag, the location, the place along the cable"
            f" and the terminator that it is listed with, as seen by {seen_by}.",
            (Answer("k", "Not all", False), Answer("s", "All were seen", True)),
        )
        self.app.push_screen(question, if_yes(partial(self._confirm, rows)))

    def _confirm(self, rows: Sequence[UnitRow]) -> None:
        self.session.confirm({row.place for row in rows})
        self.post_message(self.JobChanged())

    # -- forms

    def action_details(self) -> None:
        """Ask for what the head of the papers says."""
        self._ask_details()

    def _ask_details(self, start: str = "", then: Callable[[], None] = _nothing) -> None:
        def keep(given: Mapping[str, str] | None) -> None:
            if given is not None:
                self.session.job.set_meta(**given)
                self.post_message(self.JobChanged())
            then()

        self.app.push_screen(
            Form("Details", detail_fields(self.session.job.meta), make=dict, start=start), keep
        )

    def action_bound(self) -> None:
        """Ask what was agreed that an endurance run has to show."""

        def keep(agreed: EnduranceBound) -> None:
            keep_bound(self.session.job, agreed)
            self.post_message(self.JobChanged())

        fields = bound_fields(kept_bound(self.session.job))
        self.app.push_screen(Form("Endurance run", fields, make=EnduranceBound), if_given(keep))

    def action_pair(self) -> None:
        """Ask for what is known of the pair of wires."""
        self._ask_pair()

    def _ask_pair(self, start: str = "", then: Callable[[], None] = _nothing) -> None:
        def keep(noted: Cabling | None) -> None:
            if noted is not None:
                self.session.job.set_cabling(noted)
                self.post_message(self.JobChanged())
            then()

        fields = cabling_fields(self.session.job.cabling)
        self.app.push_screen(Form("The pair of wires", fields, make=Cabling, start=start), keep)

    def action_note(self) -> None:
        """Choose what is to be noted."""
        offered: tuple[Offered[Callable[[], None]], ...] = (
            Offered(
                self.action_unit, "Unit", "tag, place, distance, supply and label of the one chosen"
            ),
            Offered(
                self.action_values,
                "Values",
                "what its display shows, to compare with what was read",
            ),
            Offered(self.action_circuits, "Circuits", "what meters measure, channel by channel"),
            Offered(self.action_pair, "Cable", "length, route, terminators, shield, instruments"),
            Offered(self.action_bound, "Bound", "what an endurance run has to show, as agreed"),
            Offered(self.action_details, "Job", "site, segment, tester, project"),
        )

        def ask(chosen: Callable[[], None]) -> None:
            chosen()

        self.app.push_screen(ChoiceDialog("What is to be noted?", offered), if_given(ask))

    @on(RowTable.Highlighted, "#bus-list")
    def _moved(self) -> None:
        row = self._chosen()
        if row is not None:
            self.query_one("#listed-unit", Static).update(unit_words(row))

    @on(RowTable.Selected, "#bus-list")
    def action_unit(self) -> None:
        """Ask for what is known of the unit under the cursor and of its place."""
        row = self._chosen()
        unit = self.session.job.unit(row.place) if row is not None and row.found else None
        if unit is not None:
            self._ask_unit(unit)
        elif row is not None:
            self.wizard.explain(
                f"Address {both_forms(row.address)}", "\n".join((row.plan, *row.remarks)).strip()
            )

    def _ask_unit(
        self, unit: UnitRecord, start: str = "", then: Callable[[], None] = _nothing
    ) -> None:
        def keep(noted: Callable[[UnitRecord], UnitRecord] | None) -> None:
            if noted is not None:
                self.session.note_unit(unit.place, noted)
                self.post_message(self.JobChanged())
            then()

        title = f"Unit {both_forms(unit.address)} at {unit.settings}"
        fields = unit_fields(unit, planned=planned_at(self.session.plan, unit.address))
        self.app.push_screen(Form(title, fields, make=noted_unit, start=start), keep)

    def action_values(self) -> None:
        """Ask what the display of the unit under the cursor shows."""
        row = self._chosen()
        unit = self.session.job.unit(row.place) if row is not None else None
        if unit is not None and unit.readings:
            self._ask_values(unit)
        else:
            self.notify(
                "No values of it were read: step 4, Identify.", severity="warning", markup=False
            )

    def _ask_values(self, unit: UnitRecord, then: Callable[[], None] = _nothing) -> None:
        def keep(noted: Mapping[str, str] | None) -> None:
            if noted is not None:
                self._revise(unit, lambda known: replace(known, references=noted))
            then()

        words = "What its display or an instrument shows at the same moment. Empty: not noted."
        title = f"Values of unit {both_forms(unit.address)} at {unit.settings}"
        self.app.push_screen(
            Form(title, value_fields(unit), make=partial(references, unit), words=words), keep
        )

    def action_circuits(self) -> None:
        """Ask what the channels of meters measure, from the unit under the cursor on."""
        row = self._chosen()
        self._ask_circuits(row.place if row is not None and row.found else None)

    def _ask_circuits(self, at: Place | None, then: Callable[[], None] = _nothing) -> None:
        def closed(_: None) -> None:
            self.post_message(self.JobChanged())
            then()

        self.app.push_screen(CircuitsScreen(self.session, at), closed)

    def _revise(self, unit: UnitRecord, change: Callable[[UnitRecord], UnitRecord]) -> None:
        self.session.revise_unit(unit.place, change)
        self.post_message(self.JobChanged())

    # -- showing

    @property
    def _formats(self) -> ChoiceField:
        return self.query_one("#formats", ChoiceField)

    @property
    def _table(self) -> RowTable[int]:
        return self.query_one("#bus-list", RowTable)

    def _chosen(self) -> UnitRow | None:
        number = self._table.chosen
        return next((row for row in self.session.bus_list().units if row.number == number), None)

    def _row(self, row: UnitRow) -> list[Text | str]:
        cycle = {True: "yes", False: "no", None: "-"}[row.power_cycle_verified]
        what = " ".join(filter(None, (row.maker, row.model))) or "-"
        state = signed(self, OF_KIND[row.state]) if row.found else Text(f"· {row.state}")
        cells: list[Text | str] = [
            str(row.number),
            both_forms(row.address),
            row.settings or "-",
            state,
            f"{row.tag}?" if "tag" in row.planned else row.tag,
            what,
            "plan" if row.planned else "yes" if row.confirmed else "-",
            cycle,
        ]
        return cells

"""Hand over: what is complete, what is missing, the bus list before it is written, and the writing."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import BusprobeError, RefusedError
from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.files import EXPORTERS
from busprobe.handover.preview import missing, preview
from busprobe.modbus.addresses import both_forms
from busprobe.wizard.dialogs.form import Field, Form
from busprobe.wizard.dialogs.notice import Failure
from busprobe.wizard.dialogs.question import Answer, Question
from busprobe.wizard.signs import signed, toned
from busprobe.wizard.step import Step, StepState
from busprobe.wizard.widgets.unit_table import UnitTable

_COLUMNS = (
    ("No.", 4),
    ("Address", 11),
    ("Settings", 11),
    ("State", 11),
    ("Tag", 8),
    ("Maker and model", 28),
    ("Cycle", 5),
)
_WRITTEN_KEY = "wizard.written"
"""Where the job keeps what was written last."""


class HandoverStep(Step):
    """The bus list before it is written."""

    TITLE = "Hand over"
    HELP = """\
Shows the as-built bus list before it is written, what has to be looked at first ("!") and what nobody looked at \
("·"). What is not known stays empty in the papers; nothing is invented.

Folder is where the papers go; formats are parted by commas. A file that is there already is never overwritten \
without asking.

The column Cycle says whether the unit still answered at its address after a power cycle: yes, no, or "-" for not \
tested."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "write", "Write", tooltip="write the papers into the folder"),
        Binding("p", "preview", "Preview", tooltip="what will be in each paper"),
        Binding("m", "missing", "Missing", tooltip="what is missing for complete papers, and who can supply it"),
        Binding("d", "details", "Details", tooltip="site, segment and tester, as they stand in the papers"),
    ]

    def compose(self) -> ComposeResult:
        """Folder and formats; what is missing; the list."""
        with Horizontal(classes="row"):
            yield Static("Folder", classes="label")
            yield Input(str(Path.cwd() / "handover"), id="folder", compact=True)
            yield Static(" Formats", classes="label")
            yield Input(", ".join(EXPORTERS), id="formats", compact=True)
        yield Static(id="written", classes="said")
        yield UnitTable(_COLUMNS, id="bus-list", padding=0)
        yield Static(id="open-points", classes="said gap")

    def first_focus(self) -> Widget:
        """The list."""
        return self.query_one("#bus-list", UnitTable)

    def job_changed(self) -> None:
        """Assemble the list anew."""
        listed = self.session.bus_list()
        self.query_one("#bus-list", UnitTable).fill((str(row.number), self._row(row)) for row in listed.units)
        self.query_one("#open-points", Static).update(self._open_points(listed))
        written = self.session.job.state(_WRITTEN_KEY)
        self.query_one("#written", Static).update(
            Text(f"{listed.segment.units} listed as units. ", style="bold").append(
                f"Written {written['at']} to {written['folder']}." if written else "Nothing is written yet.",
                style="not bold",
            )
        )
        if not listed.segment.units:
            self.state = StepState.TO_DO
            self.next_words = "There is nothing to hand over yet. Start with Port, step 1."
        elif not written:
            self.state = StepState.DOING
            self.next_words = "See to what is marked, then press w to write the papers."
        else:
            self.state, self.next_words = (
                (StepState.CHECK, "See to what is marked and write again.")
                if listed.attention
                else (StepState.DONE, "Done. q leaves busprobe.")
            )

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.action_write()

    def action_write(self) -> None:
        """Write the papers; ask where that would replace a file."""
        self._write(overwrite=False)

    def _write(self, *, overwrite: bool) -> None:
        folder = Path(self.query_one("#folder", Input).value.strip()).expanduser()
        formats = [name.strip() for name in self.query_one("#formats", Input).value.split(",") if name.strip()]
        try:
            written = self.session.hand_over(folder, formats, overwrite=overwrite)
        except RefusedError as error:
            self._ask_overwrite(error)
        except BusprobeError as error:
            self.app.push_screen(Failure(error))
        else:
            self.session.job.set_state(_WRITTEN_KEY, {"at": self.session.job.now(), "folder": str(folder)})
            names = "\n".join(f"  {path.name}" for path in written)
            self.wizard.explain("✓ Written", f"{folder}\n{names}")
            self.post_message(self.JobChanged())

    def _ask_overwrite(self, error: RefusedError) -> None:
        def decide(replace: bool | None) -> None:
            if replace:
                self._write(overwrite=True)

        self.app.push_screen(
            Question(
                "Replace what is there?",
                str(error),
                (Answer("k", "Keep the old files", False), Answer("r", "Replace them", True)),
                grave=True,
            ),
            decide,
        )

    def action_preview(self) -> None:
        """Show what will be in each paper."""
        self.wizard.explain("What will be in the papers", "\n".join(preview(self.session.bus_list())))

    def action_missing(self) -> None:
        """Show what is missing and who can supply it."""
        gaps = [f"! {gap.what}\n  {gap.how} Ask {gap.who}." for gap in missing(self.session.bus_list())]
        self.wizard.explain("What is missing", "\n".join(gaps) or "Nothing is missing that can be known here.")

    def action_details(self) -> None:
        """Ask for what the head of the papers says."""
        meta = self.session.job.meta
        fields = (
            Field("site", "Site", meta.site),
            Field("segment", "Segment (name of this pair of wires)", meta.segment),
            Field("tester", "Tested by", meta.tester),
        )

        def keep(given: Mapping[str, str] | None) -> None:
            if given is not None:
                self.session.job.set_meta(**given)
                self.post_message(self.JobChanged())

        self.app.push_screen(Form("Details", fields), keep)

    def _row(self, row: UnitRow) -> list[Text | str]:
        cycle = {True: "yes", False: "no", None: "-"}[row.power_cycle_verified]
        what = " ".join(filter(None, (row.maker, row.model))) or "-"
        state = Text("· reserved") if row.state == "reserved" else signed(self, row.state)
        return [str(row.number), both_forms(row.address), row.settings or "-", state, row.tag, what, cycle]

    def _open_points(self, listed: BusList) -> Text:
        text = Text()
        for line in listed.attention:
            text.append_text(toned(self, "! ", "attention")).append(f"{line}\n")
        for line in listed.not_tested:
            text.append(f"· not tested: {line}\n")
        return text

"""The whole screen on which a unit that no profile knows is described, line by line, while it is
watched."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Input, Static

from busprobe.errors import BusprobeError, UsageError
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.drafting.choice import Choice
from busprobe.profiles.drafting.data_sheet_line import read_line
from busprobe.profiles.drafting.draft import Draft, draft
from busprobe.profiles.drafting.interpretations import Way
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.form import Form
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.question import Answer, Failure, Notice, Question, if_given, if_yes
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import signed, toned
from busprobe.wizard.identify import draft_words as words
from busprobe.wizard.identify.draft_form import by_label, completed, profile_fields, proposal
from busprobe.wizard.identify.draft_sheet import Sheet
from busprobe.wizard.identify.drafting import Drafting, Look

_POINT_COLUMNS = (
    Column("Name", least=10),
    Column("Sheet", right=True),
    Column("Reads now", right=True, least=10),
    Column("As", least=12),
    Column("Settled", first_word=True, brief="S."),
)
_WAY_COLUMNS = (
    Column("Fits", right=True),
    Column("Value", right=True, least=10),
    Column("FC", right=True),
    Column("Register", right=True, first_word=True),
    Column("Sheet", right=True, may_go=True),
    Column("As", least=12),
    Column("Raw", may_go=True),
)


class DraftScreen(Screen[Path | None]):
    """An entry line above, the values of the sheet below it, and all ways to read the one under the
    cursor.

    Gives back the file of the profile that was written; None if none was.
    """

    HELP: ClassVar[str] = words.HELP

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+s", "save", "Save", key_display="^S"),
        Binding("f3", "count", "Count", key_display="F3"),
        Binding("f4", "remarks", "More", key_display="F4"),
        Binding("f5", "again", "Read again", show=False),
        Binding("backspace", "edit", "Edit", key_display="Bksp"),
        Binding("delete", "remove", "Remove", key_display="Del"),
        Binding("down", "into_list", show=False),
        Binding("escape", "back", "Back", key_display="Esc"),
    ]

    @dataclass
    class Told(Message):
        """The unit was looked at."""

        look: Look

    class Ended(Message):
        """The unit is not looked at any more."""

    def __init__(self, drafting: Drafting, start: Callable[[], object]) -> None:
        """Shows `drafting`, whose watch `start` begins again."""
        super().__init__()
        self._drafting = drafting
        self._start = start
        self._look: Look | None = None
        self._ended = False
        self._replacing: str | None = None

    def compose(self) -> ComposeResult:
        """Head, entry, what was understood, values, ways, remarks, what to do, keys."""
        yield Static(id="draft-head")
        with Horizontal(id="draft-entry-row"):
            yield Static(Text("Data sheet"), classes="label")
            yield Input(
                id="draft-entry",
                placeholder="for example: 31 Wind speed m/s",
                compact=True,
                select_on_focus=False,
            )
        yield Static(id="draft-understood")
        yield RowTable(_POINT_COLUMNS, id="draft-points")
        yield Static(id="draft-which")
        yield RowTable(_WAY_COLUMNS, id="draft-ways")
        yield Static(id="draft-remarks")
        yield Static(id="draft-next")
        yield KeyBar()

    def on_mount(self) -> None:
        """Show what was typed before; the entry line is ready to be typed into."""
        self._entry.focus()
        self._show()

    def on_unmount(self) -> None:
        """However the screen was closed, the unit is not read any more."""
        self._drafting.stop()

    def stop(self) -> None:
        """Do not look at the unit any more."""
        self._drafting.stop()

    # -- what is known

    def on_draft_screen_told(self, event: Told) -> None:
        """Show what the unit gives now."""
        self._look, self._ended = event.look, False
        self._show()

    def on_draft_screen_ended(self) -> None:
        """Say that what is shown is not of now."""
        self._ended = True
        self._show()

    @property
    def _sheet(self) -> Sheet:
        return self._drafting.sheet

    @_sheet.setter
    def _sheet(self, sheet: Sheet) -> None:
        self._drafting.sheet = sheet
        self._show()

    def _draft(self) -> Draft | None:
        """What the unit gave, held beside what is typed now; None before it gave anything."""
        if self._look is not None and self._look.sheet is not self._sheet:
            sheet, observed = self._sheet, self._look.observed
            self._look = replace(
                self._look, sheet=sheet, draft=draft(sheet.notes, observed.seen, sheet.chosen)
            )
        return self._look.draft if self._look else None

    # -- typing

    @on(Input.Changed, "#draft-entry")
    def _typing(self, event: Input.Changed) -> None:
        told = Text()
        if event.value.strip():
            try:
                instead = f"Instead of '{self._replacing}': " if self._replacing else ""
                told = Text(instead + words.understood(read_line(event.value)))
            except UsageError as error:
                told = Text(f"{error.what} {error.todo}")
        self._say_of_entry(told)

    def _say_of_entry(self, told: Text) -> None:
        self.query_one("#draft-understood", Static).update(told)

    @on(Input.Submitted, "#draft-entry")
    def _typed(self, event: Input.Submitted) -> None:
        if not event.value.strip():
            return
        try:
            self._sheet = self._sheet.with_line(event.value, replacing=self._replacing)
        except UsageError as error:
            self._say_of_entry(toned(self, f"! {error.what} {error.todo}", "attention"))
            self.app.bell()
            return
        name = str(read_line(event.value)["name"])
        self._replacing = None
        self._entry.clear()
        self._points.choose(name)

    def action_edit(self) -> None:
        """Put the line under the cursor back into the entry line."""
        name = self._points.chosen
        if name is not None:
            self._replacing = name
            self._entry.value = self._sheet.line(name)
            self._entry.focus()
            self._entry.cursor_position = len(self._entry.value)

    def action_remove(self) -> None:
        """Take the line under the cursor off the list."""
        name = self._points.chosen
        if name is not None:
            self._sheet = self._sheet.without(name)

    def action_into_list(self) -> None:
        """From the entry line into the list."""
        if self._points.row_count:
            self._points.focus()

    # -- choosing

    @on(RowTable.Highlighted, "#draft-points")
    def _moved(self) -> None:
        self._show_ways()

    @on(RowTable.Selected, "#draft-points")
    def _opened(self) -> None:
        if self._ways.row_count:
            self._ways.move_cursor(0)
            self._ways.focus()

    @on(RowTable.Selected, "#draft-ways")
    def _taken(self) -> None:
        choice, way = self._choice(), self._ways.chosen
        if choice is not None and way is not None:
            self._sheet = self._sheet.taking(choice.noted.name, way)
            self._points.focus()

    def action_count(self) -> None:
        """Count registers in the next way there is."""
        self._sheet = self._sheet.counted_otherwise()

    def _choice(self) -> Choice | None:
        made = self._draft()
        name = self._points.chosen
        return next((c for c in made.choices if c.noted.name == name), None) if made else None

    # -- showing

    @property
    def _entry(self) -> Input:
        return self.query_one("#draft-entry", Input)

    @property
    def _points(self) -> RowTable[str]:
        return self.query_one("#draft-points", RowTable)

    @property
    def _ways(self) -> RowTable[Way]:
        return self.query_one("#draft-ways", RowTable)

    def _show(self) -> None:
        made = self._draft()
        self.query_one("#draft-head", Static).update(self._head())
        if made is None:
            self._points.fill((str(p["name"]), self._unread(p)) for p in self._sheet.points)
        else:
            self._points.fill((choice.noted.name, self._row(choice)) for choice in made.choices)
        remarks = list(made.remarks) if made else []
        if self._ended:
            remarks.insert(0, words.ENDED)
        self.query_one("#draft-remarks", Static).update(
            Text("\n".join(f"! {remark}" for remark in remarks))
        )
        self.query_one("#draft-next", Static).update(Text(f"→ {words.to_do(made)}"))
        self._show_ways()

    def _head(self) -> Text:
        unit = self._drafting.unit
        head = Text(f"DESCRIBE  unit {both_forms(unit.address)} at {unit.settings}")
        if self._look is None:
            return head.append("  no answer yet" if self._ended else "  asking it what it is …")
        head.append(f"  {words.counting(self._sheet.notes)}", style="not bold")
        return head

    def _unread(self, point: Mapping[str, object]) -> list[Text | str]:
        return [str(point["name"]), str(point["register"]), "…", "", ""]

    def _row(self, choice: Choice) -> list[Text | str]:
        return [*words.point_cells(choice), signed(self, words.state(choice))]

    def _show_ways(self) -> None:
        choice = self._choice()
        which = (
            ""
            if choice is None
            else f"Ways to read '{choice.noted.name}', the plausible ones first"
        )
        self.query_one("#draft-which", Static).update(Text(which))
        rows = words.ways(choice) if choice else ()
        self._ways.fill((way.way, cells) for way, cells in rows)

    def action_remarks(self) -> None:
        """All remarks, and what the unit says of itself."""
        made, look = self._draft(), self._look
        if made is None or look is None:
            return
        said = [f"The unit says: {d.words}." for d in look.observed.seen.descriptions] or [
            "It says nothing of itself."
        ]
        known = look.observed.identified
        stored = [f"A stored profile fits it already. {known.standing}"] if known.profile else []
        silent = (
            [
                "Not answered, so nothing is known of:"
                f" {', '.join(block.words for block in look.observed.seen.silent)}."
            ]
            if look.observed.seen.silent
            else []
        )
        self.app.push_screen(
            Notice("Remarks", "\n\n".join([*said, *stored, *made.remarks, *silent]))
        )

    def action_again(self) -> None:
        """Look at the unit again after the port failed."""
        if self._ended:
            self._start()

    # -- saving

    def action_save(self) -> None:
        """Ask what the type is called and where the profile shall be kept."""
        made = self._draft()
        if made is None or not any(choice.ways for choice in made.choices):
            self.notify(
                "There is nothing to save yet: no line has been read from the unit.", markup=False
            )
            return
        unread = [choice.noted.name for choice in made.choices if choice.unasked]
        if unread and not self._ended:
            self.notify(
                f"Still being read: {', '.join(unread)}. Save again in a moment.", markup=False
            )
            return
        fields = profile_fields(proposal(made, self._sheet.about))
        form = Form("Save this profile", fields, make=self._read, words=words.BEFORE_SAVING)
        self.app.push_screen(form, if_given(self._save))

    def _read(self, **given: str) -> Mapping[str, str]:
        """The same; raises `UsageError` where no valid profile comes of it, and keeps what was
        typed all the same."""
        self._sheet = self._sheet.saying(given)
        made = self._draft()
        profile_id = completed(given)["id"]
        self._drafting.target(profile_id, given["folder"])
        try:
            if made is not None:
                made.toml(profile_id)
        except UsageError as error:
            raise UsageError(by_label(error.what)) from error
        return given

    def _save(
        self, given: Mapping[str, str], *, overwrite: bool = False, contradicted: bool = False
    ) -> None:
        """Save it; `contradicted` says that a person wants it although a display shows something
        else."""
        made = self._draft()
        if made is None:
            return
        if made.contradictions and not contradicted:
            self._ask_to_contradict(made.contradictions, given)
            return
        try:
            path = self._drafting.target(completed(given)["id"], given["folder"])
            if path.exists() and not overwrite:
                self._ask_to_replace(path, given, contradicted=contradicted)
                return
            remarks = self._drafting.save(made, path, overwrite=overwrite)
        except BusprobeError as error:
            self.app.push_screen(Failure(error))
            return
        said = "\n\n".join(
            (f"The profile is in\n{path}", *remarks, "The unit is now identified again.")
        )
        self.app.push_screen(Notice("✓ Saved", said), lambda _: self._close(path))

    def _ask_to_contradict(self, found: Sequence[str], given: Mapping[str, str]) -> None:
        question = Question(
            "Save it all the same?",
            "\n".join(found),
            (Answer("k", "Keep drafting", False), Answer("s", "Save it", True)),
        )
        self.app.push_screen(question, if_yes(partial(self._save, given, contradicted=True)))

    def _ask_to_replace(self, path: Path, given: Mapping[str, str], *, contradicted: bool) -> None:
        question = Question(
            "Replace it?",
            f"There is a profile of that short name already:\n{path}",
            (Answer("k", "Keep the old one", False), Answer("r", "Replace it", True)),
        )
        again = partial(self._save, given, overwrite=True, contradicted=contradicted)
        self.app.push_screen(question, if_yes(again))

    def action_back(self) -> None:
        """From the ways to the list, from there to the entry line; clear what is being typed; with
        nothing typed, close."""
        if self.focused is self._ways:
            self._points.focus()
        elif self.focused is self._points:
            self._entry.focus()
        elif self._entry.value:
            self._replacing = None
            self._entry.clear()
        else:
            self._close(None)

    def _close(self, path: Path | None) -> None:
        self._drafting.stop()
        self.dismiss(path)

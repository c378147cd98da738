"""The arithmetic of the pair on a screen: choose a sum, change its figures, read the result as you
type."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer, Input, OptionList, Static

from busprobe.errors import UsageError
from busprobe.wiring.calculations import Reckoned
from busprobe.wizard.common.signs import toned
from busprobe.wizard.wiring.calculation_forms import SumForm


class SumsScreen(Screen[None]):
    """The list of sums, and beside it the figures and the result of the one under the cursor."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f2", "keep", "Keep in the job", key_display="F2", priority=True),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
        Binding("pagedown", "scroll(1)", show=False, priority=True, tooltip="on in a long result"),
        Binding("pageup", "scroll(-1)", show=False, priority=True),
        Binding("escape", "back", "List, then back", key_display="Esc"),
    ]

    def __init__(self, forms: Sequence[SumForm], keep: Callable[[Reckoned], None]) -> None:
        """Shows `forms`; a result that is to be kept is handed to `keep`."""
        super().__init__()
        self._forms = tuple(forms)
        self._keep = keep
        self._chosen = 0
        self._reckoned: Reckoned | None = None

    def compose(self) -> ComposeResult:
        """Title, list, figures, result, keys."""
        yield Static(
            Text("Arithmetic of the pair   Enter: to the figures   Esc: to the list"),
            id="sums-title",
        )
        with Horizontal():
            yield OptionList(
                *(Text(form.title) for form in self._forms), id="sums-list", markup=False
            )
            with VerticalScroll(can_focus=False, id="sums-work"):
                yield Static(id="sums-head")
                for place, form in enumerate(self._forms):
                    with Vertical(id=f"sum-{place}", classes="sum"):
                        for field in form.fields:
                            with Horizontal(classes="figure"):
                                yield Static(Text(field.label), classes="figure-label")
                                yield Input(
                                    field.value,
                                    placeholder=field.hint,
                                    id=f"figure-{place}-{field.name}",
                                    compact=True,
                                    select_on_focus=True,
                                )
                yield Static(id="sums-result")
        yield Footer(compact=True, show_command_palette=False)

    def on_mount(self) -> None:
        """Begin at the list."""
        self.query_one(OptionList).focus()
        self._show()

    @on(OptionList.OptionHighlighted)
    def _turned_to(self, event: OptionList.OptionHighlighted) -> None:
        self._chosen = event.option_index
        self._show()

    @on(OptionList.OptionSelected)
    def _take_up(self) -> None:
        self.query(f"#sum-{self._chosen} Input").first().focus()

    @on(Input.Changed)
    def _typed(self) -> None:
        self._show()

    @on(Input.Submitted)
    def _next(self, event: Input.Submitted) -> None:
        inputs = list(self.query(f"#sum-{self._chosen} Input"))
        inputs[(inputs.index(event.input) + 1) % len(inputs)].focus()

    def action_keep(self) -> None:
        """Keep the result that is on the screen."""
        if self._reckoned is None:
            self.notify("There is no result to keep.", timeout=2, markup=False)
            return
        self._keep(self._reckoned)
        self.notify("Kept in the job, with what went into it.", timeout=2, markup=False)

    def action_scroll(self, pages: int) -> None:
        """Scroll a result that is longer than the screen."""
        work = self.query_one("#sums-work")
        work.scroll_relative(y=pages * work.size.height, animate=False)

    def action_back(self) -> None:
        """From a figure to the list, from the list to the step."""
        if isinstance(self.focused, Input):
            self.query_one(OptionList).focus()
        else:
            self.dismiss(None)

    def _show(self) -> None:
        for place in range(len(self._forms)):
            self.query_one(f"#sum-{place}").display = place == self._chosen
        form = self._forms[self._chosen]
        self.query_one("#sums-head", Static).update(Text(form.title, style="bold"))
        typed = {
            field.name: self.query_one(f"#figure-{self._chosen}-{field.name}", Input).value
            for field in form.fields
        }
        try:
            self._reckoned = form.reckon(typed)
        except UsageError as error:
            self._reckoned = None
            said = toned(self, f"✖ {error.what}", "wrong").append(
                f"\n{error.todo}", style="not bold"
            )
        else:
            said = self._told(self._reckoned)
        self.query_one("#sums-result", Static).update(said)

    def _told(self, reckoned: Reckoned) -> Text:
        first, *more = reckoned.lines
        text = (
            Text(f"{first}\n", style="bold")
            if reckoned.sound
            else toned(self, f"! {first}\n", "attention")
        )
        for line in more:
            text.append(f"{line}\n", style="not bold")
        text.append(f"\nFormula: {reckoned.formula}.\n", style="not bold")
        return text.append(f"Source: {reckoned.source}.", style="not bold dim")

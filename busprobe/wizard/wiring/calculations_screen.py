"""The calculations on a screen: choose one, change its inputs, read the result as you type."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Input, OptionList, Static

from busprobe.errors import UsageError
from busprobe.wiring.calculations import CALCULATIONS, Calculated, Calculation
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.signs import toned


class CalculationsScreen(Screen[None]):
    """The list of calculations, and beside it the inputs and the result of the one under the
    cursor."""

    HELP: ClassVar[str] = (
        "Arrows choose a calculation, Enter goes to its figures.  The result follows as you type, "
        "with formula and source."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f2", "keep", "Keep in the job", key_display="F2", priority=True),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
        Binding("pagedown", "scroll(1)", show=False, priority=True, tooltip="on in a long result"),
        Binding("pageup", "scroll(-1)", show=False, priority=True),
        Binding("escape", "back", "List, then back", key_display="Esc"),
    ]

    def __init__(self, known: Mapping[str, str], keep: Callable[[Calculated], None]) -> None:
        """`known` are texts of inputs by name, to begin with; a result that is to be kept is handed
        to `keep`."""
        super().__init__()
        self._known = known
        self._keep = keep
        self._chosen = 0
        self._result: Calculated | None = None

    def compose(self) -> ComposeResult:
        """Title, list, figures, result, keys."""
        yield Static(
            Text("Arithmetic of the pair   Enter: to the figures   Esc: to the list"),
            id="calculations-title",
        )
        with Horizontal():
            yield OptionList(
                *(Text(each.short_title) for each in CALCULATIONS),
                id="calculations-list",
                markup=False,
            )
            with VerticalScroll(can_focus=False, id="calculations-work"):
                yield Static(id="calculations-head")
                for calculation in CALCULATIONS:
                    with Vertical(id=calculation.name, classes="calculation"):
                        for each in calculation.fields:
                            with Horizontal(classes="figure"):
                                yield Static(Text(each.field_label), classes="figure-label")
                                yield Input(
                                    each.first(self._known),
                                    placeholder=each.hint,
                                    id=f"{calculation.name}-{each.name}",
                                    compact=True,
                                    select_on_focus=True,
                                )
                yield Static(id="calculations-result")
        yield KeyBar()

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
        self.query(f"#{self._calculation.name} Input").first().focus()

    @on(Input.Changed)
    def _typed(self) -> None:
        self._show()

    @on(Input.Submitted)
    def _next(self, event: Input.Submitted) -> None:
        inputs = list(self.query(f"#{self._calculation.name} Input"))
        inputs[(inputs.index(event.input) + 1) % len(inputs)].focus()

    def action_keep(self) -> None:
        """Keep the result that is on the screen."""
        if self._result is None:
            self.notify("There is no result to keep.", timeout=2, markup=False)
            return
        self._keep(self._result)
        self.notify("Kept in the job, with what went into it.", timeout=2, markup=False)

    def action_scroll(self, pages: int) -> None:
        """Scroll a result that is longer than the screen."""
        work = self.query_one("#calculations-work")
        work.scroll_relative(y=pages * work.size.height, animate=False)

    def action_back(self) -> None:
        """From a figure to the list, from the list to the step."""
        if isinstance(self.focused, Input):
            self.query_one(OptionList).focus()
        else:
            self.dismiss(None)

    @property
    def _calculation(self) -> Calculation:
        return CALCULATIONS[self._chosen]

    def _show(self) -> None:
        chosen = self._calculation
        for each in CALCULATIONS:
            self.query_one(f"#{each.name}").display = each is chosen
        self.query_one("#calculations-head", Static).update(Text(chosen.short_title, style="bold"))
        typed = {
            each.name: self.query_one(f"#{chosen.name}-{each.name}", Input).value
            for each in chosen.fields
        }
        try:
            self._result = chosen.result(typed)
        except UsageError as error:
            self._result = None
            said = toned(self, f"✖ {error.what}", "wrong").append(
                f"\n{error.todo}", style="not bold"
            )
        else:
            said = self._told(self._result)
        self.query_one("#calculations-result", Static).update(said)

    def _told(self, result: Calculated) -> Text:
        first, *more = result.lines
        text = (
            Text(f"{first}\n", style="bold")
            if result.sufficient
            else toned(self, f"! {first}\n", "attention")
        )
        for line in more:
            text.append(f"{line}\n", style="not bold")
        text.append(f"\nFormula: {result.formula}.\n", style="not bold")
        return text.append(f"Source: {result.source}.", style="not bold dim")

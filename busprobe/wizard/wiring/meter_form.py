"""The meter form: what to measure, the readings, and how each is judged as it is typed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Container, Horizontal, Vertical
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.wiring.meter import Judgement, Level, Measurement
from busprobe.wiring.wire_names import Labels
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.signs import Sign, signed, toned
from busprobe.wizard.wiring import words
from busprobe.wizard.wiring.meter_fields import FIELDS, Judged, MeterField, judge_form

_SIGNS = {
    Level.GOOD: Sign.GOOD,
    Level.ATTENTION: Sign.ATTENTION,
    Level.WRONG: Sign.WRONG,
    Level.NOT_MEASURED: Sign.NOT_MEASURED,
}
"""What a reading is worth, as a sign."""


class ReadingRow(Horizontal):
    """A label, a field and a verdict."""

    def __init__(self, field: MeterField) -> None:
        super().__init__(classes="reading")
        self.field = field

    def compose(self) -> ComposeResult:
        """Label, field, verdict."""
        yield Static(Text(self.field.label), classes="reading-label")
        yield Input(
            placeholder=self.field.hint,
            id=f"reading-{self.field.name}",
            compact=True,
            classes="reading-input",
        )
        yield Static(classes="reading-verdict")

    @property
    def value(self) -> str:
        """What was typed."""
        return self.query_one(Input).value.strip()

    @value.setter
    def value(self, text: str) -> None:
        self.query_one(Input).value = text

    def say(self, verdict: Text) -> None:
        """Show how the reading is judged; cut where it does not fit."""
        verdict.no_wrap = True
        verdict.overflow = "ellipsis"
        self.query_one(".reading-verdict", Static).update(verdict)


class MeterForm(Container):
    """The readings and how the terminals are marked; beside or below them the detail of the field
    that is typed in, and what else is told of the pair."""

    def __init__(self, *told: Widget) -> None:
        super().__init__(classes="panes")
        self._told = told
        self._labels = Labels.SIGN
        self._field = FIELDS[0]

    def compose(self) -> ComposeResult:
        """Rows, marks, names, detail."""
        with Vertical(id="readings"):
            for field in FIELDS:
                yield ReadingRow(field)
            yield Static(id="labels")
            yield Static(Text(words.NAMES), id="names")
        with Beside(classes="beside"):
            yield Static(id="meter-detail", classes="said")
            yield from self._told

    @property
    def typed(self) -> dict[str, str]:
        """What was typed, under the fields' names, and how the terminals are marked."""
        return {**self._readings, "labels": str(self._labels)}

    def fill(self, typed: Mapping[str, Any]) -> None:
        """Type what was `typed` before."""
        for row in self.query(ReadingRow):
            row.value = str(typed.get(row.field.name, ""))
        self._labels = Labels(typed.get("labels", Labels.SIGN))

    @property
    def judged(self) -> Judged:
        """How what was typed is judged."""
        return judge_form(self._readings, self._labels)

    def turn_labels(self) -> None:
        """The terminals are marked the other way, which decides what the sign of the idle voltage
        means."""
        self._labels = Labels.SIGN if self._labels is Labels.LETTERS else Labels.LETTERS

    def turn_to_focus(self) -> None:
        """Show the detail of the field that is typed in."""
        for row in self.query(ReadingRow):
            if row.has_focus_within:
                self._field = row.field

    def show(self, recorded: Mapping[Measurement, Judgement]) -> None:
        """Show how each reading is judged; `recorded` is what the job has, by whatever way it got
        there."""
        judged = self.judged
        for row in self.query(ReadingRow):
            row.say(self._verdict(row, judged, recorded))
        self.query_one("#labels", Static).update(Text(words.marks(self._labels)))
        self.query_one("#meter-detail", Static).update(self._detail(judged))

    @property
    def _readings(self) -> dict[str, str]:
        return {row.field.name: row.value for row in self.query(ReadingRow)}

    def _verdict(
        self, row: ReadingRow, judged: Judged, recorded: Mapping[Measurement, Judgement]
    ) -> Text:
        if row.field.name in judged.mistakes:
            return toned(self, "✖ not a reading", "wrong")
        judgement = judged.by_field.get(row.field.name)
        if judgement is None:
            return Text()
        before = recorded.get(judgement.measurement)
        if before is not None and not row.value:
            level, fits = before.level, f"  {before.reading}, as it was kept before"
        elif judgement.level is Level.NOT_MEASURED and not judgement.action:
            level, fits = judgement.level, ""
        else:
            level, fits = judgement.level, f"  {judgement.words}"
        return signed(self, _SIGNS[level]).append(fits, style="not bold")

    def _detail(self, judged: Judged) -> Text:
        if self._field.name in judged.mistakes:
            return Text(judged.mistakes[self._field.name])
        judgement = judged.by_field[self._field.judged_at or self._field.name]
        if judgement.level is Level.NOT_MEASURED and not judgement.action:
            return Text(f"{self._field.label.strip()}: {self._field.how}")
        text = Text(judgement.words)
        if judgement.action:
            text.append("\nNext: ", style="bold").append(judgement.action)
        if judgement.limits:
            text.append(f"\nLimits: {judgement.limits}. {judgement.source}.", style="dim")
        return text

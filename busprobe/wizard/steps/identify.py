"""Identify: what is each unit, and does it read sensible values?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widget import Widget
from textual.widgets import DataTable, Static

from busprobe.job import UnitRecord
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.survey.identify import Identified
from busprobe.wizard.dialogs.form import Field, Form
from busprobe.wizard.signs import signed
from busprobe.wizard.step import Step, StepState
from busprobe.wizard.unit_words import key_text, type_words
from busprobe.wizard.widgets.unit_table import UnitTable

_UNIT_COLUMNS = (("Address", 11), ("Settings", 11), ("Finding", 9), ("What it is", 28), ("Match", 7), ("Tag", 12))
_VALUE_COLUMNS = (("Value", 24), ("Reads", 20), ("Judged", 14), ("Register", 20))


def plausibility(reading: Mapping[str, Any]) -> str:
    """How a stored reading was judged, in a word that has a sign."""
    return {True: "plausible", False: "implausible"}.get(reading["plausible"], "no range")


class IdentifyStep(Step):
    """The units of the job, what each is, and what it reads."""

    TITLE = "Identify"
    HELP = """\
Each unit that the survey found is asked what it is (device identification, server id, and registers by which the \
stored profiles know their type). The match says how sure that is, and why.

By the best profile the unit's values are read and shown in engineering units. A value outside the range that the \
profile calls plausible is marked "! implausible": wrong sensor, wrong wiring, or the wrong profile.

Two units at one address (X clash) cannot be identified: give one of them another address first, in step 5."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("r", "read", "Read", tooltip="identify the unit under the cursor and read its values again"),
        Binding("a", "read_all", "Read all", tooltip="identify all units"),
        Binding("t", "tag", "Tag", tooltip="note tag, location and place along the cable"),
        Binding("w", "why", "Why", tooltip="why this profile: reasons for and against"),
    ]

    class UnitIdentified(Message):
        """One unit was asked what it is."""

        def __init__(self, identified: Identified) -> None:
            self.identified = identified
            super().__init__()

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._identified: dict[str, Identified] = {}
        self._stopping = False

    def compose(self) -> ComposeResult:
        """Units above, the chosen one's identity and values below."""
        yield UnitTable(_UNIT_COLUMNS, id="units", padding=0)
        yield Static(id="identity", classes="said gap")
        yield UnitTable(_VALUE_COLUMNS, id="values", padding=0)

    def first_focus(self) -> Widget:
        """The list of units."""
        return self._units

    def job_changed(self) -> None:
        """Show the units of the job."""
        units = self.session.job.units()
        self._units.fill((key_text(unit), self._row(unit)) for unit in units)
        lone = [unit for unit in units if unit.kind == "unit"]
        known = [unit for unit in lone if unit.profile is not None]
        odd = [unit for unit in units if unit.kind != "unit"]
        if not self.working:
            if not units:
                self.state = StepState.TO_DO
                self.next_words = "No unit is known yet. Run the survey, step 3."
            elif odd:
                self.state = StepState.CHECK
                self.next_words = f"{_count(odd)} to sort out, at {odd[0].address}: go to Readdress (5)."
            elif len(known) < len(lone):
                self.state = StepState.DOING if known else StepState.TO_DO
                self.next_words = "Press a to identify all units."
            else:
                self.state = StepState.DONE
                self.next_words = "Check the values, note the tags (t), then go on to Readdress (5)."
        self._show_chosen()

    def action_read(self) -> None:
        """Ask the unit under the cursor."""
        unit = self._chosen()
        if unit is not None:
            self._ask((unit,))

    def action_read_all(self) -> None:
        """Ask all units that answer alone."""
        self._ask([unit for unit in self.session.job.units() if unit.kind == "unit"])

    def stop_work(self) -> None:
        """No further unit is asked."""
        self._stopping = True

    def work_ended(self) -> None:
        """Say where things stand."""
        self.progress = ""
        self.post_message(self.JobChanged())

    def _ask(self, units: Sequence[UnitRecord]) -> None:
        if not units:
            self.notify("There is no unit to ask. Run the survey first, step 3.", severity="warning", markup=False)
            return
        self._stopping = False

        def work() -> None:
            for unit in units:
                if self._stopping:
                    return
                identified = self.session.identify(unit.address, LineSettings.parse(unit.settings))
                self.post_message(self.UnitIdentified(identified))

        if self.on_line("identification", work):
            self.state = StepState.DOING
            self.progress = f"0 of {len(units)}" if len(units) > 1 else "reads"
            self._total, self._done = len(units), 0

    @on(UnitIdentified)
    def _unit_identified(self, event: UnitIdentified) -> None:
        identified = event.identified
        self._identified[f"{identified.address} {identified.settings}"] = identified
        self._done += 1
        self.progress = f"{self._done} of {self._total}" if self._total > 1 else ""
        self.post_message(self.JobChanged())

    def action_why(self) -> None:
        """Show the reasons for and against the profiles."""
        unit = self._chosen()
        if unit is None:
            return
        identified = self._identified.get(key_text(unit))
        self.wizard.explain(f"Unit {both_forms(unit.address)}: why", _reasons(unit, identified))

    def action_tag(self) -> None:
        """Ask for tag, location and place along the cable."""
        unit = self._chosen()
        if unit is None:
            return
        fields = (
            Field("tag", "Tag", unit.tag),
            Field("location", "Location", unit.location),
            Field("position", "Place along the cable, from the master", str(unit.position or ""), kind="integer"),
        )

        def keep(given: Mapping[str, str] | None) -> None:
            if given is not None:
                place = int(given["position"]) if given["position"] else None
                known = self.session.job.unit(unit.address, unit.settings) or unit
                self.session.job.put_unit(replace(known, tag=given["tag"], location=given["location"], position=place))
                self.post_message(self.JobChanged())

        self.app.push_screen(Form(f"Unit {both_forms(unit.address)} at {unit.settings}", fields), keep)

    @on(DataTable.RowHighlighted, "#units")
    def _moved(self) -> None:
        self._show_chosen()

    @on(DataTable.RowSelected, "#units")
    def _selected(self) -> None:
        self.action_read()

    @property
    def _units(self) -> UnitTable:
        return self.query_one("#units", UnitTable)

    def _chosen(self) -> UnitRecord | None:
        key = self._units.chosen
        return next((unit for unit in self.session.job.units() if key_text(unit) == key), None)

    def _row(self, unit: UnitRecord) -> list[Text | str]:
        what = type_words(unit, self.session.store.profiles) or "not identified"
        match = "-" if unit.match is None else f"{100 * unit.match:.0f} %"
        return [both_forms(unit.address), unit.settings, signed(self, unit.kind), what, match, unit.tag]

    def _show_chosen(self) -> None:
        unit = self._chosen()
        self.query_one("#identity", Static).update(Text() if unit is None else self._identity(unit))
        self.query_one("#values", UnitTable).fill([] if unit is None else self._values(unit))

    def _identity(self, unit: UnitRecord) -> Text:
        text = Text(f"Unit {both_forms(unit.address)}  ", style="bold")
        if unit.kind == "clash":
            return text.append(
                "Two or more units answer here at once, so it cannot be told what they are. Go to Readdress (5) and "
                "press i: it guides you to one unit at a time.",
                style="not bold",
            )
        said = ", ".join(f"{name} {value}" for name, value in unit.identity.items()) or "says nothing of itself"
        text.append(said, style="not bold")
        text.append("\nProfile ", style="bold")
        if unit.profile is None:
            text.append("none fits well enough; press r to ask the unit, w for why", style="not bold")
        else:
            text.append(f"{unit.profile}, match {100 * (unit.match or 0):.0f} %", style="not bold")
        for note in unit.notes[-2:]:
            text.append(f"\n! {note}", style="not bold")
        return text

    def _values(self, unit: UnitRecord) -> Iterator[tuple[str, list[Text | str]]]:
        for reading in unit.readings:
            register = f"{reading['function']:02d}: {reading['register']} (0x{reading['register']:04X})"
            yield (
                str(reading["name"]),
                [str(reading["name"]), str(reading["text"]), signed(self, plausibility(reading)), register],
            )


def _reasons(unit: UnitRecord, identified: Identified | None) -> str:
    if identified is None:
        return (
            f"Profile kept in the job: {unit.profile or 'none'}.\n\nThe unit has not been asked since the wizard was "
            "started. Press r to ask it; then the reasons are shown here."
        )
    parts = [f"{note}" for note in identified.notes]
    for match in identified.matches[:4]:
        lines = [f"{match.profile.id}: {100 * match.score:.0f} %", *(f"  {reason}" for reason in match.reasons)]
        parts.append("\n".join(lines))
    return "\n\n".join(parts) or "No profile fits at all, and the unit says nothing of itself."


def _count(units: Sequence[UnitRecord]) -> str:
    return "1 address" if len(units) == 1 else f"{len(units)} addresses"

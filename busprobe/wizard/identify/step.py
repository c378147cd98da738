"""Identify: what is each unit, and does it read sensible values?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Static

from busprobe.errors import UsageError
from busprobe.job import UnitRecord
from busprobe.job.plan import planned_at
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.form import Field, Form, only
from busprobe.wizard.common.question import if_given
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import OF_KIND, signed
from busprobe.wizard.common.step import Proposal, Step, StepName, StepState, go_to
from busprobe.wizard.common.unit_form import noted_unit, unit_fields
from busprobe.wizard.common.unit_words import tag_words, type_words
from busprobe.wizard.identify.draft_screen import DraftScreen
from busprobe.wizard.identify.drafting import Drafting
from busprobe.wizard.identify.words import (
    identity,
    likeliest,
    of_store,
    plausibility,
    reasons,
    register,
)

_UNIT_COLUMNS = (
    Column("Address", right=True, first_word=True, brief="Addr"),
    Column("Settings"),
    Column("Finding", first_word=True, brief="F."),
    Column("What it is", least=14),
    Column("Match %", right=True, brief="%"),
    Column("Tag", least=6),
)
_VALUE_COLUMNS = (
    Column("Value", least=10),
    Column("Reads", right=True, least=10),
    Column("Judged", first_word=True, brief="J."),
    Column("Register, data sheet", least=8),
)

_IDENTIFY_ALL = Proposal("identify all units", "read_all", on_line=True)

_NOT_ALONE = "More than one unit may answer here. Resolve that in step 5 first."


class IdentifyStep(Step):
    """The units of the job, what each is, and what it reads."""

    TITLE = StepName.IDENTIFY
    READS_ONLY = True
    HELP = """\
Each unit that the survey found is asked what it is (device identification, server id, registers \
by which the stored profiles know their type, and the models of SunSpec). Beside the profile \
stands how well it fits and how far behind the second-best is; e shows every reason for and against.

By the best profile the unit's values are read and shown in engineering units. A value outside \
the range that the profile calls plausible is marked "! implausible": wrong sensor, wrong wiring, \
or the wrong profile. Registers are given as they go on the wire, and behind that as the data \
sheet counts them where it counts otherwise.

A unit that no profile knows can be described here (d): type what its data sheet says, compare \
with its display, and save that as a profile of your own. It is only read. Others like it that \
say nothing of themselves are given that profile by hand (y).

Two units at one address (X clash) cannot be identified: give one of them another address first, \
in step 5."""
    BINDINGS: ClassVar[list[BindingType]] = [*bindings(OF_STEP[StepName.IDENTIFY])]

    class UnitIdentified(Message):
        """One unit was asked what it is."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._stopping = False
        self._told_of: Store | None = None
        self._drafting: DraftScreen | None = None
        self._described: UnitRecord | None = None

    def compose(self) -> ComposeResult:
        """Units above, the chosen one's identity and values below."""
        yield RowTable(_UNIT_COLUMNS, id="units")
        yield Static(id="identity", classes="said gap")
        yield RowTable(_VALUE_COLUMNS, id="values")

    def first_focus(self) -> Widget:
        """The list of units."""
        return self._units

    def arrive(self) -> None:
        """Say once which profiles cannot be used, and which take the place of others."""
        if self.session.store is not self._told_of:
            self._told_of = self.session.store
            if words := of_store(self._told_of):
                self.notify(words, severity="warning", markup=False)

    def job_changed(self) -> None:
        """Show the units of the job."""
        units = self.session.job.units()
        self._units.fill((unit.place, self._row(unit)) for unit in units)
        lone = [unit for unit in units if unit.single]
        known = [unit for unit in lone if self._is_read(unit)]
        odd = [unit for unit in units if not unit.single]
        if not self.working:
            strange = [
                unit
                for unit in lone
                if unit.profile is None and unit.place in self.session.identified
            ]
            clash = f"{_count(odd)} to sort out, at {odd[0].address}." if odd else ""
            onward = go_to(StepName.READDRESS)
            if not units:
                self.stand(StepState.TO_DO, "No unit is known yet.", go_to(StepName.SURVEY))
            elif len(known) + len(strange) < len(lone):
                state = StepState.DOING if known else StepState.TO_DO
                state = StepState.CHECK if odd else state
                self.stand(state, clash, _IDENTIFY_ALL)
            elif odd:
                self.stand(StepState.CHECK, clash, onward)
            elif strange:
                mute = format_addresses(unit.address for unit in strange)
                words = f"No profile fits at {mute}: d describes a unit, y names its profile."
                self.stand(StepState.DOING if known else StepState.TO_DO, words, onward)
            else:
                self.stand(StepState.DONE, "Check the values, note the tags (t).", onward)
        self._show_chosen()

    def _is_read(self, unit: UnitRecord) -> bool:
        """Whether its profile is known and its values were asked for."""
        profile = self._profile(unit)
        to_read = profile is not None and profile.points and not unit.readings
        return unit.profile is not None and (not to_read or unit.place in self.session.identified)

    def action_read(self) -> None:
        """Ask the unit under the cursor."""
        unit = self._chosen()
        if unit is not None:
            self._ask((unit,))

    def action_read_all(self) -> None:
        """Ask all units that answer alone."""
        self._ask([unit for unit in self.session.job.units() if unit.single])

    def stop_work(self) -> None:
        """No further unit is asked."""
        self._stopping = True
        if self._drafting is not None:
            self._drafting.stop()

    def work_ended(self) -> None:
        """Say where things stand; a unit that was described is identified by its new profile."""
        self.progress = ""
        if self._drafting is not None:
            self._drafting.post_message(DraftScreen.Ended())
        described, self._described = self._described, None
        if described is not None:
            self._ask((described,))
        self.post_message(self.JobChanged())

    def action_describe(self) -> None:
        """Describe the unit under the cursor by its data sheet, while it is watched."""
        unit = self._chosen_alone()
        if unit is None:
            return
        drafting = Drafting(self.session, unit)

        def start() -> bool:
            def work() -> None:
                drafting.watch(lambda look: screen.post_message(DraftScreen.Told(look)))

            return self.on_line("the description of a unit", work)

        def closed(path: Path | None) -> None:
            self._drafting = None
            if path is not None:
                self._described = unit
                if not self.working:
                    self.work_ended()

        screen = DraftScreen(drafting, start)
        if start():
            self._drafting = screen
            self.app.push_screen(screen, closed)

    def _ask(self, units: Sequence[UnitRecord]) -> None:
        if not units:
            self.notify(
                "There is no unit to ask. Run the survey first, step 3.",
                severity="warning",
                markup=False,
            )
            return
        self._stopping = False

        def work() -> None:
            for unit in units:
                if self._stopping:
                    return
                self.session.identify(unit.place)
                self.post_message(self.UnitIdentified())

        if self.on_line("identification", work):
            self.state = StepState.DOING
            self.progress = f"0 of {len(units)}" if len(units) > 1 else "reads"
            self._total, self._done = len(units), 0

    @on(UnitIdentified)
    def _unit_identified(self) -> None:
        self._done += 1
        self.progress = f"{self._done} of {self._total}" if self._total > 1 else ""
        self.post_message(self.JobChanged())

    def action_profile(self) -> None:
        """Let a person say what a unit is that says nothing of itself."""
        unit = self._chosen_alone()
        if unit is None:
            return
        profiles = self.session.store.profiles
        identified = self.session.identified.get(unit.place)

        def known_profile(text: str) -> str:
            if text not in ("", *profiles):
                listed = ", ".join(profiles)
                raise UsageError("There is no such profile.", todo=f"There are: {listed}.")
            return text

        field = Field(
            "profile",
            "Profile, by its short name; empty for none",
            unit.profile or likeliest(identified),
            read=known_profile,
        )

        def keep(chosen: str) -> None:
            known = self.session.job.unit(unit.place) or unit
            self.session.job.put_unit(replace(known, profile=chosen or None, match=None))
            self._ask((unit,))

        title = f"What is unit {both_forms(unit.address)}, as you see it?"
        words = (
            "For a unit that does not say what it is: go by its label. The bus list says that it"
            " was chosen by hand."
        )
        self.app.push_screen(Form(title, (field,), make=only, words=words), if_given(keep))

    def action_why(self) -> None:
        """Show the reasons for and against the profiles."""
        unit = self._chosen()
        if unit is None:
            return
        words = reasons(
            unit, self._profile(unit), self.session.identified.get(unit.place), self.session.store
        )
        self.wizard.explain(f"Unit {both_forms(unit.address)}: why", words)

    def action_tag(self) -> None:
        """Ask for tag, location and place along the cable."""
        unit = self._chosen()
        if unit is None:
            return

        def keep(noted: Callable[[UnitRecord], UnitRecord]) -> None:
            self.session.note_unit(unit.place, noted)
            self.post_message(self.JobChanged())

        title = f"Unit {both_forms(unit.address)} at {unit.settings}"
        planned = planned_at(self.session.plan, unit.address)
        fields = unit_fields(unit, "tag", "location", "position", planned=planned)
        self.app.push_screen(Form(title, fields, make=noted_unit), if_given(keep))

    @on(RowTable.Highlighted, "#units")
    def _moved(self) -> None:
        self._show_chosen()

    @on(RowTable.Selected, "#units")
    def _selected(self) -> None:
        self.action_read()

    @property
    def _units(self) -> RowTable[Place]:
        return self.query_one("#units", RowTable)

    def _chosen(self) -> UnitRecord | None:
        place = self._units.chosen
        return None if place is None else self.session.job.unit(place)

    def _profile(self, unit: UnitRecord) -> Profile | None:
        return self.session.store.profiles.get(unit.profile or "")

    def _row(self, unit: UnitRecord) -> Sequence[Text | str]:
        what = type_words(unit, self.session.store.profiles) or "not identified"
        match = "-" if unit.match is None else f"{100 * unit.match:.0f}"
        return (
            both_forms(unit.address),
            str(unit.settings),
            signed(self, OF_KIND[unit.kind]),
            what,
            match,
            tag_words(unit, self.session.plan),
        )

    def _chosen_alone(self) -> UnitRecord | None:
        """The unit under the cursor, if it is there alone; otherwise that is said."""
        unit = self._chosen()
        if unit is not None and not unit.single:
            self.notify(_NOT_ALONE, severity="warning", markup=False)
            return None
        return unit

    def _show_chosen(self) -> None:
        unit = self._chosen()
        told = Text()
        if unit is not None:
            width = self.app.size.width - 3
            told = identity(
                unit, self._profile(unit), self.session.identified.get(unit.place), width
            )
        self.query_one("#identity", Static).update(told)
        self.query_one("#values", RowTable).fill([] if unit is None else self._values(unit))

    def _values(self, unit: UnitRecord) -> Iterator[tuple[str, Sequence[Text | str]]]:
        for reading in unit.readings:
            sign = signed(self, plausibility(reading))
            cells = (reading.name, reading.text, sign, register(reading))
            yield reading.name, cells


def _count(units: Sequence[UnitRecord]) -> str:
    return "1 address" if len(units) == 1 else f"{len(units)} addresses"

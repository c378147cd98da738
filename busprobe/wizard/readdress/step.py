"""Readdress: how does each unit get its own address without disturbing the rest?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from threading import Event as StopFlag
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.widget import Widget
from textual.widgets import Static

from busprobe.errors import BusprobeError
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.box_progress import Working
from busprobe.readdress.claims import claims
from busprobe.readdress.journal import latest_move, recorded_outcome, to_be_looked_into
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_list import Goal, MoveList, Practice
from busprobe.readdress.one_by_one import BoxFinished
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Procedure
from busprobe.readdress.unfinished_steps import UnfinishedSteps, unfinished_steps
from busprobe.readdress.write_sequence import Report
from busprobe.session.moves import BoxOrder, BusMoves
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.form import Form, only
from busprobe.wizard.common.question import Failure, Notice, if_given, if_yes
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.step import Step, StepName
from busprobe.wizard.readdress.box_screen import BoxScreen
from busprobe.wizard.readdress.dialogs import (
    moves_in_order,
    what_is_left,
    where_is_it,
    which_power_cycled,
)
from busprobe.wizard.readdress.forms import (
    BOX,
    BY_HAND,
    PRACTICE,
    PRACTICE_WORDS,
    SETTINGS,
    WANTED,
    box_order,
)
from busprobe.wizard.readdress.isolation import ClashIsolation
from busprobe.wizard.readdress.journal_screen import JournalScreen
from busprobe.wizard.readdress.move_runner import MoveRunner
from busprobe.wizard.readdress.move_table import MoveTable
from busprobe.wizard.readdress.wanted import (
    clash_with,
    goal_of,
    keep_wanted,
    kept_wanted,
    wanted_by,
)
from busprobe.wizard.readdress.words import plan_text, solving, standing, unit_text


class ReaddressStep(Step):
    """Units, the addresses they are to have, and the guarded way there."""

    TITLE = StepName.READDRESS
    HELP = """\
Each move is guarded: the unit must answer alone and cleanly at its old address, and no unit at \
the new one. Then you see exactly what will be sent, in words and bytes. Nothing is sent before \
you press W. It is written once, never repeated. The result is verified by what answers at both \
addresses afterwards.

"verified" means that the unit answers at the new address; "kept" that it still did after a power \
cycle; "open" that a step after the write was never done (save, lock again): put the cursor on it \
and press v."""
    BINDINGS: ClassVar[list[BindingType]] = [*bindings(OF_STEP[StepName.READDRESS])]

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._said = False
        self._runner = MoveRunner(self, self._show, self._moved)
        self._isolation = ClashIsolation(self, self._runner)

    def compose(self) -> ComposeResult:
        """The units; what is going on."""
        with Container(classes="panes"):
            yield MoveTable(id="movers")
            with Beside(classes="beside"):
                yield Static(id="move-said", classes="said")
                yield Static(id="mover", classes="said")

    def first_focus(self) -> Widget:
        """The list of units."""
        return self._table

    @property
    def cut_off(self) -> bool:
        """Whether the outcome of a write is not known."""
        job = self.session.job
        return not self.working and bool(to_be_looked_into(job.units(), job.writes()))

    async def action_at(self, place: str, action: str) -> None:
        """Do an action with the cursor on the unit at a place."""
        self._table.choose(Place.parse(place))
        await self.run_action(action)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """While something runs here, only the key that stops it is there."""
        del parameters
        if action == "stop":
            return self.working
        return not self.working or action not in {
            "propose",
            "want",
            "move",
            "all",
            "line",
            "isolate",
            "box",
            "verify",
        }

    def job_changed(self) -> None:
        """Show units, wanted addresses and what became of moves."""
        job, wanted = self.session.job, self._wanted
        units, writes = job.units(), job.writes()
        left = unfinished_steps(writes, job.now())
        profiles, plan = self.session.store.profiles, self.session.plan
        self._table.show(units, profiles, wanted, self._offered, writes, left, plan)
        self._show_chosen()
        if self.working:
            return
        unfinished = to_be_looked_into(units, writes)
        lost = [claim for claim in claims(writes) if claim.unsettled and claim.write.conclusions]
        self.solves = solving(units, wanted, unsettled=bool(unfinished or lost or left))
        self.stand(
            *standing(
                units,
                writes,
                wanted,
                unfinished,
                left,
                in_want=self._in_want,
                offered=self._offered,
            )
        )
        if not self._said:
            told = [f"! Outcome not known: {write.words}" for write in unfinished]
            told += [f"! {claim.words}" for claim in lost]
            told += [f"! {each.words}" for each in left]
            if told:
                self._runner.say(Text("\n".join(told)))

    # -- work on the line

    def action_stop(self) -> None:
        """Stop before the next write; one that was sent is still followed up."""
        if self.working:
            self.next_words = "Stopping; a write that was sent is followed up first …"
            self._runner.stop_work()

    def stop_work(self) -> None:
        """Nothing that waits for a yes gets one; watches end."""
        self._runner.stop_work()

    def work_ended(self) -> None:
        """Show where things stand."""
        self._runner.work_ended()
        self.refresh_bindings()
        self.post_message(self.JobChanged())
        self._isolation.work_ended()

    def on_unmount(self) -> None:
        """The screen is gone: a worker must not wait for it for ever."""
        self._runner.stop_work()

    @property
    def _moves(self) -> BusMoves:
        return self._runner.moves

    def _moved(self, outcome: Outcome) -> None:
        self._isolation.moved(outcome)

    # -- wanted addresses

    @property
    def _wanted(self) -> dict[Place, int]:
        return kept_wanted(self.session.job)

    @property
    def _offered(self) -> Mapping[Place, int]:
        """What the plan has for units by their type alone, besides what is wanted already."""
        offered = self._by_plan(self._wanted).offered if self.session.plan else {}
        return {unit.place: address for unit, address in offered.items()}

    def _want(self, wanted: Mapping[Place, int]) -> None:
        keep_wanted(self.session.job, wanted)
        self.post_message(self.JobChanged())

    @property
    def _in_want(self) -> bool:
        """Whether the plan of the bus, or good practice, gives any unit another address."""
        bus, plan = self._moves.bus, self.session.plan
        try:
            goal = (
                self._by_plan(self._wanted) if plan else bus.counted_up(Practice(only_needed=True))
            )
        except BusprobeError:
            return True  # why there is no proposal is told where one is asked for
        return bool(wanted_by(goal))

    def action_propose(self) -> None:
        """Fill in what the plan says or, after asking for its rules, good practice."""
        if self.session.plan:
            self._propose(self._by_plan(self._wanted))
            return

        def count(practice: Practice) -> None:
            try:
                self._propose(self._moves.bus.counted_up(practice))
            except BusprobeError as error:
                self.app.push_screen(Failure(error))

        form = Form(
            "Propose addresses", PRACTICE, make=Practice, words=PRACTICE_WORDS, keep="Propose"
        )
        self.app.push_screen(form, if_given(count))

    def _by_plan(self, wanted: Mapping[Place, int]) -> Goal:
        return self._moves.bus.from_plan(self.session.plan, wanted)

    def _propose(self, goal: Goal) -> None:
        stay = {seat.place for seat in goal.addresses}
        proposed = wanted_by(goal)
        self._want(
            {
                **{place: want for place, want in self._wanted.items() if place not in stay},
                **proposed,
            }
        )
        what = f"{len(proposed)} proposed; change any of them with Enter, then a moves all."
        if goal.offered:
            what = (
                f"{len(proposed)} proposed, {len(goal.offered)} only offered (?): Enter on a unit"
                " accepts what fits it by its type alone."
            )
        elif not proposed:
            what = (
                "Every unit has an address of its own; none needs another by plan or good practice."
            )
        self._runner.say(Text("\n".join((what, *goal.remarks))))

    @on(RowTable.Highlighted, "#movers")
    def _show_chosen(self) -> None:
        """All that is known of the unit under the cursor, below or beside the list."""
        unit = self._chosen()
        told = Text()
        if unit is not None:
            latest = latest_move(unit, self.session.job.writes())
            told = unit_text(unit, self.session.store.profiles, latest)
        self.query_one("#mover", Static).update(told)

    @on(RowTable.Selected, "#movers")
    def _selected(self) -> None:
        if not self.working:
            self.action_want()

    def action_want(self) -> None:
        """Ask for the wanted address of the unit under the cursor."""
        unit = self._chosen()
        if unit is None:
            return
        known = self._wanted.get(unit.place, self._offered.get(unit.place))

        def changed(address: int | None) -> dict[Place, int]:
            others = {place: want for place, want in self._wanted.items() if place != unit.place}
            return others if address is None else {**others, unit.place: address}

        title = f"Unit {both_forms(unit.address)} at {unit.settings}"
        self.app.push_screen(
            Form(title, (WANTED.showing(known),), make=changed), if_given(self._want)
        )

    # -- one move

    def action_move(self) -> None:
        """Move the unit under the cursor to its wanted address."""
        unit = self._chosen()
        if unit is None:
            return
        wanted = self._wanted.get(unit.place)
        taken = clash_with(wanted, self.session.job.units(), unit) if wanted is not None else None
        if not unit.single:
            self.wizard.explain(
                "One at a time first",
                "At this address it is not clear that one unit alone answers, so a write would"
                " reach more than one. Press i: it guides you until one is left.",
            )
        elif wanted is None or wanted == unit.address:
            self.action_want()
        elif taken is not None:
            self.wizard.explain(
                "That address is taken",
                f"{both_forms(wanted)} already belongs to a unit at {taken.settings}. Move that one"
                " first, choose another address (Enter), or press a: it moves all in an order in "
                "which"
                " no two ever share an address.",
            )
        elif (profile := self.session.profile_of(unit.place)) is not None and (
            profile.readdress is not None
        ):
            self._begin(unit, wanted, None)
        else:
            self._ask_procedure(unit, wanted)

    def _ask_procedure(self, unit: UnitRecord, wanted: int) -> None:
        """No profile knows how: the register comes from a data sheet, by hand."""
        words = (
            "No profile says how this unit takes a new address. Take the register from its own data"
            " sheet."
        )

        form = Form("By hand", BY_HAND, make=Procedure.by_hand, words=words, keep="Prepare")
        self.app.push_screen(form, if_given(partial(self._begin, unit, wanted)))

    def _begin(self, unit: UnitRecord, wanted: int, procedure: Procedure | None) -> None:
        prepare = partial(self._moves.prepare_move, unit.place, wanted, procedure)
        self._runner.run_move("the move", prepare, overwriting=prepare)

    # -- all of them

    def action_all(self) -> None:
        """Move all units to their wanted addresses."""
        bus = self._moves.bus
        self._show_plan(
            "the moves",
            lambda: bus.addresses(goal_of(bus, self._wanted)),
            "No unit wants another address",
        )

    def action_line(self) -> None:
        """Give all units the same line settings."""
        words = (
            "Every unit has its own address by now? Baud rate and format are changed unit by unit,"
            " by profile."
        )

        def begin(settings: LineSettings) -> None:
            self._show_plan(
                "the line settings",
                lambda: self._moves.plan_line_settings(settings),
                "No unit can be given other line settings",
            )

        form = Form("Line settings", (SETTINGS,), make=only, words=words, keep="Show the changes")
        self.app.push_screen(form, if_given(begin))

    def _show_plan(self, what: str, plan: Callable[[], MoveList], nothing: str) -> None:
        """Show the moves in their order, and make them if that is wanted."""
        try:
            planned = plan()
        except BusprobeError as error:
            self.app.push_screen(Failure(error))
            return
        if not planned.moves:
            self.app.push_screen(Notice(nothing, plan_text(planned)))
            return

        run = partial(self._runner.run_batch, what, planned)
        self.app.push_screen(moves_in_order(planned), if_yes(run))

    # -- a clash, a box, a power cycle, the journal

    def action_isolate(self) -> None:
        """Guide the technician to one unit alone at the address under the cursor."""
        unit = self._chosen()
        if unit is not None:
            self._isolation.run(unit.place)

    def action_box(self) -> None:
        """Take a box of identical units one by one."""
        words = (
            "All units of the box must be of one type. Connect none or one of them now. Where no"
            " profile says how they take an address, give its register from the data sheet, once"
            " for all."
        )

        form = Form("One by one", BOX, make=box_order, words=words, keep="Begin")
        self.app.push_screen(form, if_given(self._begin_box))

    def _begin_box(self, order: BoxOrder) -> None:
        moves, undo = self._moves, StopFlag()
        screen = BoxScreen(self.session.line.clock, self.action_stop, undo.set)

        def working(on: Working | None) -> None:
            screen.post_message(BoxScreen.Worked(on))

        def work() -> None:
            try:
                for told in moves.one_by_one(
                    order,
                    confirm=self._runner.confirm,
                    cancel=self._runner.stop,
                    undo=undo,
                    working=working,
                ):
                    screen.post_message(BoxScreen.Told(told))
                    if isinstance(told, BoxFinished) and told.unsettled is not None:
                        self.call_later(self._runner.follow, told.unsettled)
            finally:
                screen.post_message(BoxScreen.Ended())

        if self._runner.begin("the box", work, moves=True):
            self.app.push_screen(screen)

    def action_verify(self) -> None:
        """Look at what was under way, at what is left of a procedure, or at moved units after a
        power cycle."""
        unit, job = self._chosen(), self.session.job
        if self._moves.unfinished():
            self._runner.run_recovery()
        elif (left := _left_for(unit, job.units(), self._moves.unfinished_steps())) is not None:
            self._ask_rest(left, unit)
        elif self._moves.unsettled():
            self._ask_where(unit)
        else:
            self._check(unit)

    def _ask_where(self, unit: UnitRecord | None) -> None:
        """A unit answered nowhere after its write: ask again, or check all after a power cycle."""

        def choose(now: bool) -> None:
            if now:
                self._runner.run_recovery()
            else:
                self._check(unit)

        unknown = [claim.words for claim in claims(self.session.job.writes()) if claim.unsettled]
        self.app.push_screen(where_is_it(unknown), if_given(choose))

    def _check(self, unit: UnitRecord | None) -> None:
        """Look at the unit under the cursor, or at all that are not proven yet, as was switched off
        and on."""
        write = latest_move(unit, self.session.job.writes()) if unit is not None else None
        one = () if write is None else (recorded_outcome(write),)
        every = self._moves.unproven()
        if not one and not every:
            self._runner.say(
                Text("No unit was moved that is not proven yet, so there is nothing to look at.")
            )
        elif len(every) < 2 and (one or every):
            self._runner.run_checks(one or every)
        else:

            def choose(every_one: bool) -> None:
                self._runner.run_checks(every if every_one else one)

            question = which_power_cycled(self._runner.named(every), one=bool(one))
            self.app.push_screen(question, if_given(choose))

    def _ask_rest(self, left: UnfinishedSteps, unit: UnitRecord | None) -> None:
        def choose(send: bool) -> None:
            if not send:
                self._check(unit)
            elif left.steps:
                self._runner.run_rest(left)
            else:
                self._moves.power_cycled(left)
                self.post_message(Step.JobChanged())

        self.app.push_screen(what_is_left(left), if_given(choose))

    def action_journal(self) -> None:
        """Show every write ever made; one of them can be taken back."""

        def undo(number: int) -> None:
            self._runner.run_move(
                f"the undo of write {number}", partial(self._prepare_undo, number)
            )

        self.app.push_screen(JournalScreen(self.session.job.writes()), if_given(undo))

    def _prepare_undo(self, number: int, report: Report, stop: StopFlag) -> Prepared:
        return self._moves.prepare_undo(number, report=report, stop=stop)

    # -- showing

    @property
    def _table(self) -> MoveTable:
        return self.query_one(MoveTable)

    def _chosen(self) -> UnitRecord | None:
        place = self._table.chosen
        return None if place is None else self.session.job.unit(place)

    def _show(self, words: Text) -> None:
        """What is going on or what became of it, below the units."""
        self._said = True
        self.query_one("#move-said", Static).update(words)


def _left_for(
    unit: UnitRecord | None, units: Iterable[UnitRecord], left: Iterable[UnfinishedSteps]
) -> UnfinishedSteps | None:
    """What is left of a procedure of `unit`, or else of one that is not on the list any more."""
    listed = {each.place for each in units}
    mine = [each for each in left if unit is not None and each.place == unit.place]
    lost = [each for each in left if each.place not in listed]
    return next(iter(mine + lost), None)

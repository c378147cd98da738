"""What became of moves, in words for the screen."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime

from rich.text import Text
from textual.widget import Widget

from busprobe.job.journal import Result, WriteRecord
from busprobe.job.records import EntryKind, UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress.batch import BatchFinished
from busprobe.readdress.box_progress import Phase, Working
from busprobe.readdress.claims import claims, to_be_checked
from busprobe.readdress.journal import MoveState, latest_move, move_state
from busprobe.readdress.move_list import MoveList
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.readdress.words import RESULT_WORDS
from busprobe.text import hex_bytes
from busprobe.wizard.common.signs import Sign, signed
from busprobe.wizard.common.step import Proposal, StepName, StepState, go_to
from busprobe.wizard.common.unit_words import type_words
from busprobe.wizard.common.verbs import Verb

_RESULT_SIGNS: Mapping[Result, Sign] = {
    Result.VERIFIED: Sign.VERIFIED,
    Result.WAITING: Sign.POWER_CYCLE,
    Result.NOT_VERIFIED: Sign.UNCERTAIN,
    Result.REFUSED: Sign.REFUSED,
}


_STATE_SIGNS: Mapping[MoveState, Sign] = {
    MoveState.UNKNOWN: Sign.NOT_KNOWN,
    MoveState.WAITING: Sign.POWER_CYCLE,
    MoveState.VERIFIED: Sign.VERIFIED,
    MoveState.KEPT: Sign.KEPT,
    MoveState.REFUSED: Sign.REFUSED,
    MoveState.NOT_VERIFIED: Sign.UNCERTAIN,
}


def local_time(stamp: str) -> str:
    """Day and time as on the wall, from what the job wrote down in UTC."""
    return f"{datetime.fromisoformat(stamp).astimezone():%d %b %H:%M:%S}"


def write_text(write: WriteRecord) -> Text:
    """One write with everything that was noted of it."""
    text = Text()
    text.append(f"{write.id}. ", style="bold").append(f"{write.words}\n")
    text.append("Sent    ", style="bold").append(hex_bytes(write.request))
    text.append(f", {local_time(write.intended)}{f' by {write.tester}' if write.tester else ''}\n")
    for conclusion in write.conclusions:
        text.append(
            f"{local_time(conclusion.made)}  {RESULT_WORDS[conclusion.outcome]}\n", style="bold"
        )
        if conclusion.reply:
            text.append("Reply   ", style="bold").append(f"{hex_bytes(conclusion.reply)}\n")
        text.append(f"{conclusion.why}\n")
    if not write.conclusions:
        text.append("Its outcome is not known: close this and press v.", style="bold")
    return text


def unit_text(unit: UnitRecord, profiles: Mapping[str, Profile], write: WriteRecord | None) -> Text:
    """What is known of a unit, and its last write with all bytes."""
    text = Text()
    text.append(f"Unit {both_forms(unit.address)} at {unit.settings}\n", style="bold")
    known = (type_words(unit, profiles), unit.tag, unit.location)
    text.append("\n".join(each for each in known if each))
    times = unit.latency
    if times.median_ms is not None:
        text.append(f"\nReplies after {times.median_ms:g} ms")
    if times.minimum_ms is not None and times.maximum_ms is not None:
        text.append(f" ({times.minimum_ms:g} to {times.maximum_ms:g} ms)")
    if write is not None:
        text.append("\n\nIts last move\n", style="bold").append_text(write_text(write))
    return text


def move_sign(
    unit: UnitRecord, write: WriteRecord | None, left: Iterable[UnfinishedSteps] = ()
) -> Sign | None:
    """The state of a unit's move; None if there was none."""
    if any(each.place == unit.place for each in left):
        return Sign.OPEN
    return None if write is None else _STATE_SIGNS[move_state(unit, write)]


def outcome_text(widget: Widget, outcome: Outcome) -> Text:
    """The result with its sign, what was seen, the next action, and the bytes."""
    text = signed(widget, _RESULT_SIGNS[outcome.result], outcome.word)
    moved = f"{from_to(outcome.move)}. " if not outcome.of_unfinished_steps else ""
    text.append(f"  {moved}{outcome.why}", style="not bold")
    if outcome.todo:
        text.append("\nNext: ", style="bold").append(outcome.todo, style="not bold")
    if outcome.from_record:
        text.append(
            f"\nOn record {hex_bytes(outcome.request)}; if it left, and what came back, is not.",
            style="not bold",
        )
    elif outcome.request:
        reply = hex_bytes(outcome.reply) if outcome.reply else "nothing"
        text.append(f"\nSent {hex_bytes(outcome.request)}, came back {reply}", style="not bold")
    return text


def progress_words(on: Working, done: int, seconds: float | None) -> str:
    """How far a box is, `done` units by now: ``checking 3 of 5, 12 s; 7 of 24 done, about 9 min
    left``; `seconds` are those of the check that goes on."""
    parts = []
    if seconds is not None:
        left = f"{math.ceil(seconds)} s" if seconds > 0 else "a little longer"
        parts.append(f"checking {int(on.phase)} of {len(Phase)}, {left}")
    parts.append(f"{done} done" if on.count is None else f"{done} of {on.count} done")
    said = "; ".join(parts)
    if on.seconds_left is not None and on.count != done:
        said += f", about {max(1, round(on.seconds_left / 60))} min left"
    return said


def from_to(move: Move) -> str:
    """A move in short: its two addresses, or its two line settings."""
    source, target = move.source, move.target
    if move.changes_settings:
        return f"{source.address}: {source.settings} → {target.settings}"
    return f"{source.address} → {target.address} at {source.settings}"


def unit_name(move: Move, units: Iterable[UnitRecord], profiles: Mapping[str, Profile]) -> str:
    """Tag and type of the unit that a move is about, as far as the list knows them."""
    unit = next((unit for unit in units if unit.place in (move.source, move.target)), None)
    return (
        " ".join(part for part in (unit.tag, type_words(unit, profiles)) if part)
        if unit is not None
        else ""
    )


def unit_to_cycle(outcome: Outcome, unit: str) -> str:
    """A unit that is to be switched off and on: where it answers now, and who it is."""
    move = outcome.move
    place = move.target if outcome.result is Result.VERIFIED else move.source
    at = f" at {place.settings}" if move.changes_settings else ""
    return f"{both_forms(place.address) + at:12} {unit}".rstrip()


def plan_text(plan: MoveList) -> Text:
    """The moves of a plan in their order, and what good practice has to say."""
    text = Text()
    for number, words in enumerate(plan.words, 1):
        text.append(f"{number:3}. ", style="bold").append(f"{words}\n")
    for remark in plan.remarks:
        text.append("! Note: ", style="bold").append(f"{remark}\n")
    return text


def batch_text(widget: Widget, plan: MoveList, finished: BatchFinished) -> Text:
    """What became of each move of a plan, what is left, and whether a power cycle has proven it."""
    text = Text(f"{finished.why}\n\n")
    for move, words in zip(plan.moves, plan.words, strict=True):
        outcome = finished.outcome_of(move)
        if outcome is None:
            text.append("· not begun", style="bold").append(f"  {words}\n")
            continue
        ended = signed(widget, _RESULT_SIGNS[outcome.result], outcome.word)
        text.append_text(ended).append(f"  {words}")
        if outcome.power_cycled:
            text.append(f"  {outcome.row_words}.")
        elif outcome in finished.unchecked:
            text.append("  Power cycle: not done.", style="bold")
        text.append("\n")
        if outcome.result in (Result.NOT_VERIFIED, Result.REFUSED):
            text.append(f"    {outcome.why}\n")
            if outcome.todo:
                text.append("    Next: ", style="bold").append(f"{outcome.todo}\n")
    if finished.unchecked:
        text.append("\nNext: ", style="bold").append(
            "Switch these units off and on, then press v: only that shows what was kept."
        )
    return text


def solving(
    units: Sequence[UnitRecord], wanted: Mapping[Place, int], *, unsettled: bool
) -> tuple[Verb, ...]:
    """The keys for what is most urgent; `unsettled` says that a write or a procedure is to be
    looked into."""
    if unsettled:
        return (Verb.CHECK, Verb.JOURNAL)
    if any(unit.kind is EntryKind.CLASH for unit in units):
        return (Verb.ISOLATE,)
    if any(wanted.get(unit.place, unit.address) != unit.address for unit in units):
        return (Verb.ALL, Verb.MOVE)
    return (Verb.PROPOSE,)


def standing(
    units: Sequence[UnitRecord],
    writes: Sequence[WriteRecord],
    wanted: Mapping[Place, int],
    unfinished: Collection[WriteRecord],
    left_open: Sequence[UnfinishedSteps] = (),
    *,
    in_want: bool = True,
    offered: Mapping[Place, int] | None = None,
) -> tuple[StepState, str, Proposal]:
    """How the step stands and what to do next; what is most urgent comes first.

    `in_want` says whether the plan of the bus, or good practice, gives any unit another address;
    `offered` are planned addresses that fit by the type of a unit alone.
    """
    clashes = [unit for unit in units if unit.kind is EntryKind.CLASH]
    left = [unit for unit in units if wanted.get(unit.place, unit.address) != unit.address]
    latest = [(unit, latest_move(unit, writes)) for unit in units]
    states = [(unit, move_state(unit, write)) for unit, write in latest if write is not None]
    unsure = [unit for unit, state in states if state is MoveState.NOT_VERIFIED]
    waiting = [unit for unit, state in states if state in (MoveState.WAITING, MoveState.VERIFIED)]
    if unfinished:
        return (
            StepState.CHECK,
            "A write was under way when the program ended.",
            Proposal("verify both addresses (v)", "verify", on_line=True),
        )
    if left_open:
        first = left_open[0]
        return (
            StepState.CHECK,
            f"Not done at {first.place.address}: {first.names}.",
            Proposal("finish it (v)", _at(first.place, "verify"), on_line=True),
        )
    if clashes:
        place = clashes[0].place
        return (
            StepState.CHECK,
            "Two or more units share it.",
            Proposal(f"isolate one at {place.address} (i)", _at(place, "isolate"), on_line=True),
        )
    claimed = claims(writes)
    lost = next((claim.write for claim in claimed if claim.unsettled), None)
    if lost is not None:
        return (
            StepState.CHECK,
            f"Unit {lost.source.address} → {lost.target.address} not found: connect it first.",
            Proposal("look for it (v)", "verify", on_line=True),
        )
    if left:
        return (
            StepState.DOING,
            "Or m: the one under the cursor.",
            Proposal(f"move {len(left)} (a)", "all", on_line=True),
        )
    if unsure:
        return (
            StepState.CHECK,
            f"Move of {unsure[0].address} uncertain: j shows the journal.",
            go_to(StepName.SURVEY),
        )
    if waiting or to_be_checked(claimed):
        return (
            StepState.CHECK,
            "Switch the moved units off and on first.",
            Proposal("see what was kept (v)", "verify", on_line=True),
        )
    if not units:
        return StepState.TO_DO, "No unit is known yet.", go_to(StepName.SURVEY)
    state = StepState.DONE if states else StepState.TO_DO
    if in_want:
        return state, "Or b: a box of new units.", Proposal("propose addresses (p)", "propose")
    if offered:
        place, address = next(iter(offered.items()))
        return (
            state,
            "By its type alone; or go on to Prove (6).",
            Proposal(f"accept or change {address} for {place.address}", _at(place, "want")),
        )
    words = "Each unit has its own address." if all(unit.single for unit in units) else ""
    return state, words, go_to(StepName.PROVE)


def _at(place: Place, action: str) -> str:
    """An action of the step with the cursor on a unit."""
    return f"at('{place}', '{action}')"

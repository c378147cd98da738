"""What became of moves, in words for the screen."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from rich.text import Text
from textual.widget import Widget

from busprobe.job.records import UnitRecord, WriteRecord
from busprobe.readdress.outcome import Outcome, Result
from busprobe.text import hex_bytes
from busprobe.wizard.moves import latest_move, move_words
from busprobe.wizard.signs import Tone, toned
from busprobe.wizard.step import StepState
from busprobe.wizard.unit_words import key_text

_RESULT_SIGNS: Mapping[Result, tuple[str, Tone]] = {
    Result.VERIFIED: ("✓", "good"),
    Result.WAITING: ("!", "attention"),
    Result.NOT_VERIFIED: ("✖", "wrong"),
    Result.REFUSED: ("✖", "attention"),
}


def outcome_text(widget: Widget, outcome: Outcome) -> Text:
    """The result with its sign, what was seen, the next action, and the bytes."""
    move = outcome.move
    sign, tone = _RESULT_SIGNS[outcome.result]
    text = toned(widget, f"{sign} {outcome.result}", tone)
    text.append(f"  {move.old} → {move.new} at {move.settings}. {outcome.why}", style="not bold")
    if outcome.todo:
        text.append("\nNext: ", style="bold").append(outcome.todo, style="not bold")
    if outcome.request:
        reply = hex_bytes(outcome.reply) if outcome.reply else "nothing"
        text.append(f"\nSent {hex_bytes(outcome.request)}, came back {reply}", style="not bold")
    return text


def journal_words(write: WriteRecord) -> str:
    """One write with everything that was noted of it."""
    lines = [f"{write.id}. {write.intended}  {write.words}", f"   sent {hex_bytes(write.request)} at {write.settings}"]
    for conclusion in write.conclusions:
        reply = f", came back {hex_bytes(conclusion.reply)}" if conclusion.reply else ""
        lines.append(f"   {conclusion.made}  {conclusion.outcome}: {conclusion.why}{reply}")
    if not write.conclusions:
        lines.append("   It is not known what became of it: press v.")
    return "\n".join(lines)


def standing(
    units: Sequence[UnitRecord],
    writes: Sequence[WriteRecord],
    wanted: Mapping[str, int],
    unfinished: Collection[WriteRecord],
) -> tuple[StepState, str]:
    """How the step stands and what to do next; what is most urgent comes first."""
    clashes = [unit for unit in units if unit.kind == "clash"]
    left = [unit for unit in units if wanted.get(key_text(unit), unit.address) != unit.address]
    latest = [(unit, latest_move(unit, writes)) for unit in units]
    waiting = [unit for unit, write in latest if move_words(unit, write) in ("cycle it", "verified")]
    if unfinished:
        return StepState.CHECK, "A write was under way when the program ended: press v to see what is true."
    if clashes:
        return StepState.CHECK, f"A clash at {clashes[0].address}: put the cursor on it and press i."
    if left:
        return StepState.DOING, f"{len(left)} to move: put the cursor on one and press m."
    if waiting:
        return StepState.CHECK, "Switch the moved units off and on, then press v to see what was kept."
    if not units:
        return StepState.TO_DO, "No unit is known yet. Run the survey, step 3."
    moved = any(write is not None for _, write in latest)
    return (
        StepState.DONE if moved else StepState.TO_DO,
        "Press p for a proposal, b for a box of new units, or go on to Prove (6).",
    )

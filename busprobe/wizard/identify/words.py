"""What the step Identify says of a unit: what it is, how sure that is and why, and what to mind."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from busprobe.job import UnitRecord
from busprobe.job.records import EntryKind, PointReading
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.identification import object_name
from busprobe.profiles.data_sheet import limits
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store
from busprobe.survey.identify import Identified
from busprobe.survey.words import models as models_words
from busprobe.wizard.common.signs import Sign

_CLASH = (
    "Two or more units answer here at once, so it cannot be told what they are. Go to Readdress (5)"
    " and press i: it guides you to one unit at a time."
)
_NOTES = 2
"""The newest notes that fit on the screen."""
_LIKELY = 0.3
"""Score from which a profile is proposed where a person says what a unit is."""
_CANDIDATES = 4
"""Profiles whose reasons are shown."""


def plausibility(reading: PointReading) -> Sign:
    """How a stored reading was judged."""
    signs = {True: Sign.PLAUSIBLE, False: Sign.IMPLAUSIBLE, None: Sign.NO_RANGE}
    return signs[reading.plausible]


def register(reading: PointReading) -> str:
    """Where a stored reading comes from: function, register on the wire in both forms, and as the
    data sheet has it."""
    wire, sheet = reading.register, reading.sheet_register
    counted = "" if sheet in (None, wire) else f" {sheet}"
    return f"{reading.function:02d}: {wire} (0x{wire:04X}){counted}"


def identity(
    unit: UnitRecord, profile: Profile | None, identified: Identified | None, width: int
) -> Text:
    """What is known of a unit, a line or two each; cautions and notes are cut at `width`, for there
    may be many."""
    text = Text(f"Unit {both_forms(unit.address)}  ", style="bold")
    if unit.kind is EntryKind.CLASH:
        return text.append(_CLASH, style="not bold")
    said = (
        ", ".join(f"{name} {value}" for name, value in unit.identity.items())
        or "says nothing of itself"
    )
    text.append(said, style="not bold")
    text.append("\nProfile ", style="bold").append(_standing(unit, identified), style="not bold")
    for line in (*_caution(profile), *(f"! {note}" for note in unit.remarks[-_NOTES:])):
        cut = Text(line)
        cut.truncate(width, overflow="ellipsis")
        text.append("\n").append(cut.plain, style="not bold")
    return text


def _standing(unit: UnitRecord, identified: Identified | None) -> str:
    if unit.profile is None:
        if identified is None:
            return "none; r asks the unit, d describes it from its data sheet"
        return f"none. {identified.standing} d describes the unit, y says by hand what it is."
    if unit.match is None:
        return f"{unit.profile}, chosen by hand, not by what the unit says"
    if identified is None or not identified.standing:
        return f"{unit.profile}, match {100 * unit.match:.0f} % (r asks again, then e says why)"
    return f"{unit.profile}. {identified.standing}"


def _caution(profile: Profile | None) -> tuple[str, ...]:
    if profile is None or not profile.cautions:
        return ()
    several = f" 1 of {len(profile.cautions)}, e has all" if len(profile.cautions) > 1 else ""
    return (f"! Caution{several}: {profile.cautions[0]}",)


def likeliest(identified: Identified | None) -> str:
    """The profile that fits best, where more speaks for it than the settings at delivery; empty if
    none does."""
    best = identified.matches[:1] if identified else ()
    return "".join(match.profile.id for match in best if match.score >= _LIKELY)


def of_store(store: Store) -> str:
    """How many profile files cannot be used or take the place of others, and where that is told;
    empty if none."""
    replaced = len(store.remarks) - len(store.problems)
    counts = ((len(store.problems), "cannot be used"), (replaced, "taken in place of another"))
    said = ", ".join(f"{count} {what}" for count, what in counts if count)
    return f"Profile files: {said}. e tells which." if said else ""


def reasons(
    unit: UnitRecord, profile: Profile | None, identified: Identified | None, store: Store
) -> str:
    """All that spoke for and against the profiles, what the unit says of itself, what to mind with
    it, and what is to be said of the stored profiles."""
    parts = [*_reasons(unit, profile, identified)]
    if store.remarks:
        parts.append("\n".join(("Profile files:", *(f"  {remark}" for remark in store.remarks))))
    return "\n\n".join(parts)


def _reasons(
    unit: UnitRecord, profile: Profile | None, identified: Identified | None
) -> Iterator[str]:
    if identified is None:
        yield f"Profile kept in the job: {unit.profile or 'none'}."
        yield (
            "The unit has not been asked since the wizard was started. Press r to ask it; then the"
            " reasons are shown here."
        )
    else:
        yield identified.standing or "No stored profile was compared with it."
        for match in identified.matches[:_CANDIDATES]:
            head = f"{match.profile.id}: {100 * match.score:.0f} %"
            yield "\n".join((head, *(f"  {reason}" for reason in match.reasons)))
        if identified.objects:
            objects = (
                f"  {object_name(number)}: {text}" for number, text in identified.objects.items()
            )
            yield "\n".join(("It says of itself (43/14):", *objects))
        if identified.models is not None:
            models = (
                f"  {model.id} at register {model.register}, {model.length} long"
                for model in identified.models.models
            )
            yield "\n".join((models_words(identified.models), *models))
    if unit.remarks:
        yield "\n".join(("Noted:", *(f"  {note}" for note in unit.remarks)))
    if profile is not None:
        yield f"It can take, by its profile: {limits(profile)}."
        if profile.cautions:
            yield "\n".join(("Cautions:", *(f"  {caution}" for caution in profile.cautions)))

"""The form by which a draft is saved as a profile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from busprobe.profiles.drafting.draft import Draft
from busprobe.profiles.fields import is_slug
from busprobe.wizard.common.form import Field

OWN, WITH_JOB = "mine", "job"
FOLDERS = (OWN, WITH_JOB)
"""Where a profile can be kept: in the technician's own folder, or in that of the job."""


@dataclass(frozen=True)
class ProfileField(Field):
    """A field by what it is called in the job's record of what was typed."""

    path: tuple[str, ...] = ()
    """Where it stands in a profile; empty where it is none of its fields."""


PROFILE_FIELDS = (
    ProfileField("maker", "Maker", path=("maker",)),
    ProfileField("model", "Type on its label", path=("model",)),
    ProfileField("kind", "What it is", hint="like: energy meter, three phases", path=("kind",)),
    ProfileField("id", "Short name of the profile", hint="made of maker and type if empty"),
    ProfileField(
        "delivery_address",
        "Unit address at delivery",
        hint="if the data sheet says so",
        path=("factory", "address"),
    ),
    ProfileField(
        "delivery_settings",
        "Line settings at delivery",
        hint="like 9600-8N1",
        path=("factory", "settings"),
    ),
    ProfileField(
        "address_register",
        "Register of the unit address",
        hint="if the data sheet names it",
        path=("readdress", "register"),
    ),
    ProfileField(
        "address_function",
        "  written by function code",
        hint="6 or 16; 16 if empty",
        path=("readdress", "function"),
    ),
    ProfileField(
        "folder", "Keep it: mine, or job", hint="mine: for all jobs; job: beside this one"
    ),
)


def proposal(draft: Draft | None, about: Mapping[str, str]) -> dict[str, str]:
    """What the form for saving is filled in with: what was typed before, otherwise what the unit
    says of itself."""
    said = draft.itself if draft else {}
    found = {"maker": said.get("maker") or "", "model": said.get("model") or ""}
    found |= {"folder": OWN, **{name: text for name, text in about.items() if text}}
    return completed({"id": "", **found})


def completed(given: Mapping[str, str]) -> dict[str, str]:
    """What was typed into the form for saving, with a short name where there is none."""
    return {**given, "id": given["id"] or slug(f"{given['maker']} {given['model']}")}


def profile_fields(texts: Mapping[str, str]) -> tuple[Field, ...]:
    """The form for saving, with `texts` filled in."""
    return tuple(field.showing(texts.get(field.name, "")) for field in PROFILE_FIELDS)


def by_label(mistakes: str) -> str:
    """`mistakes` of a profile with its tables' fields called as in the form for saving."""
    for field in PROFILE_FIELDS:
        if len(field.path) > 1:
            mistakes = mistakes.replace(".".join(field.path), f"'{field.label.strip()}'")
    return mistakes


def slug(text: str) -> str:
    """`text` as a short name of a profile; empty where nothing is left of it."""
    made = "-".join(
        "".join(c if c.isascii() and c.isalnum() else " " for c in text.lower()).split()
    )[:60].strip("-")
    return made if is_slug(made) else ""

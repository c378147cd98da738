"""The form by which a draft is saved as a profile."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.profiles.drafting.draft import Draft
from busprobe.profiles.fields import is_slug
from busprobe.wizard.common.form import Field
from busprobe.wizard.identify.drafting import OWN

_PROFILE_FIELDS = (
    ("maker", "Maker", ""),
    ("model", "Type on its label", ""),
    ("kind", "What it is", "like: energy meter, three phases"),
    ("id", "Short name of the profile", "made of maker and type if empty"),
    ("delivery_address", "Unit address at delivery", "if the data sheet says so"),
    ("delivery_settings", "Line settings at delivery", "like 9600-8N1"),
    ("address_register", "Register of the unit address", "if the data sheet names it"),
    ("address_function", "  written by function code", "6 or 16; 16 if empty"),
    ("folder", "Keep it: mine, or job", "mine: for all jobs; job: beside this one"),
)

_FIELD_NAMES = {
    "factory.address": "delivery_address",
    "factory.settings": "delivery_settings",
    "readdress.register": "address_register",
    "readdress.function": "address_function",
}
"""Fields of a profile, and what they are called in the form."""


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


def profile_fields(values: Mapping[str, str]) -> tuple[Field, ...]:
    """The form for saving, with `values` filled in."""
    return tuple(
        Field(name, label, values.get(name, ""), hint=hint) for name, label, hint in _PROFILE_FIELDS
    )


def by_label(mistakes: str) -> str:
    """`mistakes` of a profile with its fields called as in the form for saving."""
    labels = {name: label.strip() for name, label, _ in _PROFILE_FIELDS}
    for field, name in _FIELD_NAMES.items():
        mistakes = mistakes.replace(field, f"'{labels[name]}'")
    return mistakes


def slug(text: str) -> str:
    """`text` as a short name of a profile; empty where nothing is left of it."""
    made = "-".join(
        "".join(c if c.isascii() and c.isalnum() else " " for c in text.lower()).split()
    )[:60].strip("-")
    return made if is_slug(made) else ""

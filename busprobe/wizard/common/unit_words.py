"""How a unit of the list is named on screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from busprobe.job.plan import PlannedUnit, planned_at
from busprobe.job.records import UnitRecord
from busprobe.profiles.schema import Profile


def type_words(unit: UnitRecord, profiles: Mapping[str, Profile]) -> str:
    """What it says it is, or what its profile says; empty if neither is known."""
    return " ".join(_maker_and_model(unit, profiles)).strip()


def short_type(unit: UnitRecord, profiles: Mapping[str, Profile]) -> str:
    """The same with the model first, for columns where the maker's name may be cut off."""
    return " ".join(reversed(_maker_and_model(unit, profiles))).strip()


def model_words(unit: UnitRecord, profiles: Mapping[str, Profile]) -> str:
    """The model alone, or the maker where only that is known, for a narrow column."""
    maker, model = _maker_and_model(unit, profiles)
    return model or maker


def tag_words(unit: UnitRecord, plan: Sequence[PlannedUnit]) -> str:
    """Its tag; with a question mark where only the plan says so."""
    planned = planned_at(plan, unit.address)
    return unit.tag or (f"{planned.tag}?" if planned is not None else "")


def _maker_and_model(unit: UnitRecord, profiles: Mapping[str, Profile]) -> tuple[str, str]:
    vendor, product = unit.identity.get("vendor", ""), unit.identity.get("product", "")
    profile = profiles.get(unit.profile or "")
    if profile is not None and not (vendor and product):
        return profile.maker, profile.model
    return vendor, product

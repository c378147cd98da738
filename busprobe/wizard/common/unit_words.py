"""How a unit of the list is named on screen."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.job.records import UnitRecord
from busprobe.profiles.schema import Profile


def type_words(unit: UnitRecord, profiles: Mapping[str, Profile]) -> str:
    """What it says it is, or what its profile says; empty if nobody knows."""
    vendor, product = unit.identity.get("vendor", ""), unit.identity.get("product", "")
    profile = profiles.get(unit.profile or "")
    if profile is not None and not (vendor and product):
        return f"{profile.maker} {profile.model}"
    return f"{vendor} {product}".strip()


def short_type(unit: UnitRecord, profiles: Mapping[str, Profile]) -> str:
    """The same with the model first, for columns where the maker's name may be cut off."""
    product, vendor = unit.identity.get("product", ""), unit.identity.get("vendor", "")
    profile = profiles.get(unit.profile or "")
    if profile is not None and not (vendor and product):
        return f"{profile.model} {profile.maker}"
    return f"{product} {vendor}".strip()

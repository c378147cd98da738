"""Profiles for tests, made of as little as the test is about."""

from __future__ import annotations

from typing import Any

from busprobe.profiles.schema import Point, Profile, parse_profile


def profile(**fields: Any) -> Profile:
    """A profile with the given fields and something unremarkable for the required others."""
    usual = {
        "id": "glenmoss-g-1",
        "maker": "Glenmoss Works",
        "model": "G-1",
        "kind": "relay",
        "numbering": "wire",
        "factory": {"address": 1, "settings": "9600-8N1"},
    }
    return parse_profile({**usual, **fields})


def point(**fields: Any) -> Point:
    """A point with the given fields, an unsigned holding register 0 for the rest."""
    return profile(
        points=[{"name": "P", "function": 3, "register": 0, "type": "uint16", **fields}]
    ).points[0]

"""Readings as a job keeps them, each with what a test has to say of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from busprobe.job.records import PointReading

_PLAIN = PointReading(
    name="Point",
    function=4,
    register=0,
    count=1,
    type="uint16",
    unit="",
    scale=1.0,
    registers=(1,),
    value=1,
    text="1",
    plausible=None,
)


def reading(name: str, **said: Any) -> PointReading:
    """A reading of one input register with these fields; the rest is as plain as can be."""
    return replace(_PLAIN, name=name, **said)

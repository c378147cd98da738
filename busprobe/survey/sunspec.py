"""Does a unit describe itself by SunSpec, and by which models?

Marker, order of the base registers, first and last model as in pysunspec2 1.3.7
(sunspec2/modbus/client.py); the registers of the common model are those of the generic profiles
``sunspec-*``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from busprobe.profiles.read_requests import Block
from busprobe.profiles.registers import HIGHEST, READ_HOLDING

MARKER = (0x5375, 0x6E53)
"""``SunS``, the first two registers of the map."""
BASES = (40000, 0, 50000)
"""Where a map may begin, zero-based, in the order in which they are tried."""
END_MODEL = 0xFFFF
"""Id of the model that ends a map."""
DEVICE_ADDRESS = 68
"""Registers from the base to the point that holds the unit address."""
NOT_IMPLEMENTED = 0xFFFF
"""What an unsigned point holds that the unit does not have."""

_HEAD = 3
"""Registers read at a base: the marker and the id of the first model."""
_MOST_MODELS = 64
"""Models after which a map that does not end is cut off."""


@dataclass(frozen=True)
class Model:
    """One model of a map."""

    id: int
    register: int
    """Zero-based register of its id."""
    length: int
    """Registers behind its id and length."""


@dataclass(frozen=True)
class ModelMap:
    """The models of a unit, in their order."""

    base: int
    models: tuple[Model, ...]
    ended: bool
    """Whether the end model was seen; without it there may be more."""


Read = Callable[[Block], tuple[int, ...]]
"""Reads a block; empty where the unit does not give it."""


def find_models(read: Read) -> ModelMap | None:
    """Look for the marker at each base and walk the models; None where no marker was seen.

    Reads only: three registers a base, then two a model, or one where a map ends without a length.
    """
    for base in BASES:
        head = read(Block(READ_HOLDING, base, _HEAD))
        if head[: len(MARKER)] == MARKER:
            return _walk(read, base)
    return None


def _walk(read: Read, base: int) -> ModelMap:
    models: list[Model] = []
    at = base + len(MARKER)
    while at <= HIGHEST and len(models) < _MOST_MODELS:
        # The length of the end model may be missing, so that reading both would be refused.
        words = (at < HIGHEST and read(Block(READ_HOLDING, at, 2))) or read(
            Block(READ_HOLDING, at, 1)
        )
        if words[:1] == (END_MODEL,):
            return ModelMap(base, tuple(models), ended=True)
        if len(words) < 2:
            break
        models.append(Model(words[0], at, words[1]))
        at += 2 + words[1]
    return ModelMap(base, tuple(models), ended=False)

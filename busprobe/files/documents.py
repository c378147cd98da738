"""Documents: what JSON can say of a frozen dataclass, and the dataclass again.

Field names and types of the dataclass are the only declaration of its document.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T")


_adapters: dict[type, TypeAdapter[Any]] = {}


def _adapter(kind: type) -> TypeAdapter[Any]:
    if kind not in _adapters:
        from pydantic import TypeAdapter  # not needed by a program that only prints its help

        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def to_document(value: object) -> dict[str, Any]:
    """The fields of a dataclass as JSON can say them."""
    document: dict[str, Any] = _adapter(type(value)).dump_python(value, mode="json")
    return document


def from_document(kind: type[T], document: Mapping[str, Any]) -> T:
    """The value that `to_document` was given; raises ValueError with all mistakes on anything
    else."""
    value: T = _adapter(kind).validate_python(document)
    return value

"""Documents: what JSON can say of a frozen dataclass, and the dataclass again.

Field names and types of the dataclass are the only declaration of its document, and its schema is
made of them.  A document that is published has the field ``format`` with its name and number; the
number is raised by a change that a reader would not understand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

from busprobe.errors import UsageError

if TYPE_CHECKING:
    from pydantic import TypeAdapter
    from pydantic_core import CoreSchema

T = TypeVar("T")


class AsText:
    """Marks a field whose value is a text in the document: ``Annotated[bytes, AsText(...)]``."""

    def __init__(
        self, read: Callable[[str], Any], write: Callable[[Any], str | None], *, null: bool = False
    ) -> None:
        """`read` raises ValueError or a `UsageError` on a text that it cannot read; with `null`,
        `write` may give None."""
        self._read = read
        self._write = write
        self._null = null

    def __get_pydantic_core_schema__(self, _source: Any, _handler: Any) -> CoreSchema:
        from pydantic_core import core_schema

        def read(given: Any) -> Any:
            if not isinstance(given, str):
                return given
            try:
                return self._read(given)
            except UsageError as error:
                raise ValueError(f"{error.what} {error.todo}") from None

        text = core_schema.str_schema()
        return core_schema.no_info_plain_validator_function(
            read,
            serialization=core_schema.plain_serializer_function_ser_schema(
                self._write,
                return_schema=core_schema.nullable_schema(text) if self._null else text,
            ),
        )


NOT_KEPT = AsText(lambda _: None, lambda _: None, null=True)
"""Marks a field that no document keeps: it is null there and None again."""

_adapters: dict[type, TypeAdapter[Any]] = {}


def _adapter(kind: type) -> TypeAdapter[Any]:
    if kind not in _adapters:
        from pydantic import TypeAdapter  # not needed by a program that only prints its help

        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def to_document(value: object) -> dict[str, Any]:
    """The fields of a dataclass as JSON can say them, ``format`` first."""
    document: dict[str, Any] = _adapter(type(value)).dump_python(value, mode="json", by_alias=True)
    return {"format": document.pop("format"), **document} if "format" in document else document


def schema(kind: type) -> dict[str, Any]:
    """The JSON schema (draft 2020-12) of the documents that `to_document` makes of a `kind`."""
    from pydantic.json_schema import GenerateJsonSchema

    class AllFields(GenerateJsonSchema):
        """No field is left out of a document, whatever its default."""

        def field_is_required(self, field: Any, total: bool) -> bool:  # noqa: ARG002
            return True

    described: dict[str, Any] = _adapter(kind).json_schema(
        mode="serialization", schema_generator=AllFields
    )
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **described}


def from_document(kind: type[T], document: Mapping[str, Any]) -> T:
    """The value that `to_document` was given; raises ValueError on anything else, with the first
    mistake and how many there are."""
    from pydantic import ValidationError

    try:
        value: T = _adapter(kind).validate_python(document)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        more = f"; {error.error_count()} mistakes in all" if error.error_count() > 1 else ""
        what = first["msg"].removeprefix("Value error, ")
        raise ValueError(f"{place}: {what}{more}" if place else f"{what}{more}") from error
    return value

"""Documents against their published schemas, by a library that nobody here wrote."""

from __future__ import annotations

from functools import cache
from typing import Any

from jsonschema import Draft202012Validator

from busprobe.cli.schema import DOCUMENTS, document_schema

CALCULATION = "wiring-calculation"


def check_document(document: Any) -> None:
    """Raise where a document does not hold what its schema says, or anything more."""
    name = document["format"].removeprefix("busprobe.").partition("/")[0]
    if name not in DOCUMENTS and name.startswith("wiring-"):
        name = CALCULATION
    _validator(name).validate(document)


@cache
def _validator(name: str) -> Draft202012Validator:
    schema = document_schema(name)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema if name == CALCULATION else _closed(schema))


def _closed(schema: Any) -> Any:
    """`schema` with nothing more allowed in any object than it lists: a test is to fail on a field
    that is in no schema."""
    if isinstance(schema, list):
        return [_closed(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    closed = {key: _closed(each) for key, each in schema.items()}
    if isinstance(closed.get("properties"), dict) and closed.get("type") == "object":
        closed.setdefault("additionalProperties", False)
    return closed

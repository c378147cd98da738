"""What a move asks of whoever keeps the record; `busprobe.job` fits as it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol


class Journal(Protocol):
    """A record of writes that survives a crash at any moment."""

    def intend_write(
        self,
        *,
        kind: str,
        from_address: int | None,
        to_address: int | None,
        settings: str,
        request: bytes,
        words: str,
    ) -> int:
        """Note a write that is about to be sent; return its number once that is safe on disk."""
        ...

    def conclude_write(self, write: int, /, *, outcome: str, reply: bytes | None, why: str) -> None:
        """Note what became of a write; a later conclusion is added to an earlier one."""
        ...

    def record(self, step: str, document: Mapping[str, Any], /) -> int:
        """Keep a document, as JSON can say it, under a name."""
        ...


class ConclusionOnRecord(Protocol):
    """What became of a write, as far as was known at that moment."""

    @property
    def why(self) -> str:
        """The row of the outcome table and what was seen."""
        ...


class WriteOnRecord(Protocol):
    """A write as the journal gives it back."""

    @property
    def id(self) -> int:
        """The number `intend_write` gave it."""
        ...

    @property
    def kind(self) -> str:
        """What it was for."""
        ...

    @property
    def from_address(self) -> int | None:
        """Unit address before."""
        ...

    @property
    def to_address(self) -> int | None:
        """Unit address wanted."""
        ...

    @property
    def settings(self) -> str:
        """Line settings, ``9600-8N1``."""
        ...

    @property
    def request(self) -> bytes:
        """The frame."""
        ...

    @property
    def words(self) -> str:
        """The frame in plain words."""
        ...

    @property
    def conclusions(self) -> Sequence[ConclusionOnRecord]:
        """What became of it, the latest last."""
        ...

    @property
    def outcome(self) -> str | None:
        """The latest conclusion in a word; None when nobody knows what became of it."""
        ...

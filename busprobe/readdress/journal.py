"""What a move asks of whoever keeps the record; `busprobe.job` fits as it is."""

from __future__ import annotations

from typing import Protocol


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

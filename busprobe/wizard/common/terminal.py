"""Drawing that does not wait for a terminal that has gone.

Textual draws from a thread of its own, which ends at the first error; what is drawn after that
fills its queue, and the program waits for ever, with the port open.
"""

from __future__ import annotations

from contextlib import suppress
from typing import IO, Any

from textual.driver import Driver


class _Output:
    """What a driver draws on; what cannot be written is left out."""

    def __init__(self, file: IO[str]) -> None:
        self._file = file

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, text: str) -> None:
        with suppress(OSError, ValueError):
            self._file.write(text)

    def flush(self) -> None:
        with suppress(OSError, ValueError):
            self._file.flush()


def outliving(kind: type[Driver]) -> type[Driver]:
    """The same driver, on which a terminal that goes away costs what was drawn and nothing else."""

    class Outliving(kind):  # type: ignore[valid-type,misc]
        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            if (file := getattr(self, "_file", None)) is not None:
                self._file = _Output(file)

    return Outliving

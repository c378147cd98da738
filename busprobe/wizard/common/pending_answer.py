"""An answer that a worker thread waits for and the screen gives."""

from __future__ import annotations

from queue import SimpleQueue
from typing import Generic, TypeVar

T = TypeVar("T")


class PendingAnswer(Generic[T]):
    """One answer after the other, handed from the screen to the worker that asked."""

    def __init__(self) -> None:
        self._answers: SimpleQueue[T] = SimpleQueue()
        self._left: T | None = None

    def wait(self) -> T:
        """In the worker: the next answer.  At once, and for good, once `leave` was called."""
        if self._left is not None:
            return self._left
        return self._answers.get()

    def give(self, answer: T) -> None:
        """On the screen: answer what was asked."""
        self._answers.put(answer)

    def leave(self, answer: T) -> None:
        """On the screen: answer this and everything that may still be asked."""
        self._left = answer
        self._answers.put(answer)

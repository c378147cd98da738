"""Holding a survey from another thread, and knowing when it is held."""

from __future__ import annotations

import threading


class PauseSwitch:
    """Whether work may go on; the worker's thread waits at it, other threads set it."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._on = False
        self._waiting = False
        self._over = False

    @property
    def on(self) -> bool:
        """Whether the work is to wait, or waits."""
        return self._on

    def hold(self) -> None:
        """Let the work wait at its next `pass_by`."""
        with self._changed:
            self._on = True

    def release(self) -> None:
        """Let the work go on."""
        with self._changed:
            self._on = False
            self._changed.notify_all()

    def end(self) -> None:
        """The work is over and will not come by any more."""
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def pass_by(self) -> None:
        """In the worker's thread: wait while held."""
        with self._changed:
            self._waiting = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._on)
            self._waiting = False

    def wait_until_held(self) -> None:
        """Come back when the work waits, or is over."""
        with self._changed:
            self._changed.wait_for(lambda: self._over or (self._on and self._waiting))

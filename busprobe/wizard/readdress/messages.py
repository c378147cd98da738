"""What workers of the step Readdress tell it."""

from __future__ import annotations

from textual.message import Message

from busprobe.line.settings import LineSettings
from busprobe.readdress import batch
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_list import MoveList
from busprobe.readdress.outcome import Outcome


class Reported(Message):
    """A move says what it is doing."""

    def __init__(self, words: str) -> None:
        self.words = words
        super().__init__()


class ConfirmAsked(Message):
    """A move is ready and waits for a yes or no."""

    def __init__(self, prepared: Prepared) -> None:
        self.prepared = prepared
        super().__init__()


class PowerCycleAsked(Message):
    """Units are to be switched off and on, and the batch waits for a yes or no."""

    def __init__(self, outcomes: tuple[Outcome, ...]) -> None:
        self.outcomes = outcomes
        super().__init__()


class MoveEnded(Message):
    """It is told what became of a move."""

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome
        super().__init__()


class MoveStopped(Message):
    """Work was stopped before anything was written."""

    def __init__(self, words: str) -> None:
        self.words = words
        super().__init__()


class BatchTold(Message):
    """A batch went on."""

    def __init__(self, plan: MoveList, event: batch.BatchEvent) -> None:
        self.plan = plan
        self.event = event
        super().__init__()


class Isolated(Message):
    """One unit is left at an address that had several."""

    def __init__(self, address: int, settings: LineSettings) -> None:
        self.address = address
        self.settings = settings
        super().__init__()


class LookedAgain(Message):
    """An address was looked at after units were put back."""

    def __init__(self, words: str) -> None:
        self.words = words
        super().__init__()

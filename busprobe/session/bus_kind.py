"""Practice and real: a job has only ports of one kind, and a person is told which."""

from __future__ import annotations

from busprobe.errors import RefusedError

VIRTUAL = "virtual:"
"""Prefix of a virtual segment's name: ``virtual:clean``."""


def is_virtual(port: str) -> bool:
    """Whether that is the name of a virtual segment, and not of a real port."""
    return port.startswith(VIRTUAL)


def kind_word(*, practice: bool) -> str:
    """What stands wherever a person could take one kind of bus for the other."""
    return "PRACTICE" if practice else "REAL BUS"


def refuse_other_kind(port: str, before: str) -> None:
    """Raise `RefusedError` where one of the two ports of a job, the one that is to be opened and
    the one `before` (empty: none yet), is virtual and the other is real."""
    if not before or is_virtual(port) == is_virtual(before):
        return
    practice = is_virtual(before)
    raise RefusedError(
        f"This is a practice job ({before}). It opens no real port."
        if practice
        else f"This is the job of a real bus ({before}). It opens no virtual segment.",
        means="Practice units and real units must not be in one list and one journal.",
        todo="Start a job of its own for the real bus: busprobe wizard --job NAME.busjob"
        if practice
        else "Practise in a job of its own: busprobe demo",
    )

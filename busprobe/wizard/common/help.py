"""The help text: what a step or a screen is for, its keys, and the keys that work everywhere."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Protocol, cast

from textual.screen import Screen

from busprobe.wizard.common.actions import OF_STEP
from busprobe.wizard.common.step import Step

_EVERYWHERE = (
    ("Enter", "do what the line above the keys proposes; in a list, what the list does"),
    ("Arrows  Esc", "into the list of a step, and out of it"),
    ("1-7", "go to a step (outside text fields)"),
    ("Ctrl+N  Ctrl+B", "next step, step before (also inside fields)"),
    ("Tab  Shift+Tab", "next field, field before"),
    ("Esc", "leave a text field"),
    ("Ctrl+C", "copy what is selected"),
    ("Ctrl+Z", "bring back what was typed in a form that was left with Esc"),
    ("/", "in a list: only the rows with what is typed; Esc shows all again"),
    ("?  Ctrl+P", "list of all actions, to search in"),
    ("F1", "this help; F1 again closes it"),
    ("F8", "light or dark screen"),
    ("q  Ctrl+Q", "leave; asks first while something runs; Ctrl+Q also inside fields"),
)

_SIGNS = "On the rail:  · to do   ▸ doing   ✓ done   ! look at it again"


class _Explained(Protocol):
    """What every screen of the wizard has."""

    HELP: ClassVar[str]
    """What the screen is for and how it is used."""


def help_for(step: Step) -> str:
    """Plain text for the help of `step`."""
    own = [(action.verb.written, action.sentence) for action in OF_STEP[step.TITLE]]
    parts = [
        step.HELP.strip(),
        _listed("Keys of this step", own),
        _listed("Keys everywhere", _EVERYWHERE),
        _SIGNS,
    ]
    return "\n\n".join(parts)


def help_for_screen(screen: Screen[object]) -> str:
    """Plain text for the help of a screen in front of the steps."""
    own = [
        (binding.key_display or binding.key, binding.tooltip or binding.description)
        for _, binding, enabled, _ in screen.active_bindings.values()
        if enabled and binding.description and not binding.system
    ]
    return "\n\n".join((cast("_Explained", screen).HELP, _listed("Keys here", own))).strip()


def _listed(title: str, keys: Iterable[tuple[str, str]]) -> str:
    rows = [f"  {key:<16}{words}" for key, words in keys]
    return "\n".join((title, *rows)) if rows else ""

"""The help text: what a step is for, its keys, and the keys that work everywhere."""

from __future__ import annotations

from textual.binding import Binding

from busprobe.wizard.common.step import Step

_EVERYWHERE = (
    ("1-7", "go to a step (outside text fields)"),
    ("Ctrl+N  Ctrl+P", "next step, step before (also inside fields)"),
    ("Tab  Shift+Tab", "next field, field before"),
    ("Esc", "leave a text field"),
    ("Ctrl+C", "copy what is selected"),
    ("Ctrl+Z", "bring back what was typed in a form that was left with Esc"),
    ("F1  ?", "this help"),
    ("F8", "light or dark screen"),
    ("q  Ctrl+Q", "leave; asks first while something runs; Ctrl+Q also inside fields"),
)

_SIGNS = "On the rail:  · to do   ▸ doing   ✓ done   ! look at it again"


def help_for(step: Step) -> str:
    """Plain text for the help of `step`."""
    own = [
        (binding.key_display or binding.key, binding.tooltip or binding.description)
        for binding in step.BINDINGS
        if isinstance(binding, Binding)
    ]
    parts = [
        step.HELP.strip(),
        _listed("Keys of this step", own),
        _listed("Keys everywhere", _EVERYWHERE),
        _SIGNS,
    ]
    return "\n\n".join(part for part in parts if part)


def _listed(title: str, keys: list[tuple[str, str]] | tuple[tuple[str, str], ...]) -> str:
    return "\n".join((title, *(f"  {key:<16}{words}" for key, words in keys))) if keys else ""

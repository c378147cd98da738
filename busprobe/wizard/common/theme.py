"""Two themes of our own: dark for a cellar, light for bright sun.

Colours only repeat what signs and words say.  Blue, orange and red differ in lightness too, so that
they stay apart for people who do not tell red from green.
"""

from __future__ import annotations

from textual.theme import Theme

DARK = Theme(
    name="busprobe-dark",
    primary="#5AB4E6",
    secondary="#9FB4C7",
    accent="#F2B84B",
    success="#7FD1AE",
    warning="#F2B84B",
    error="#FF7A6B",
    foreground="#F1F3F5",
    background="#0E1318",
    surface="#161D24",
    panel="#223040",
    dark=True,
)

LIGHT = Theme(
    name="busprobe-light",
    primary="#00568C",
    secondary="#3C4A57",
    accent="#8A5200",
    success="#006B4A",
    warning="#8A5200",
    error="#B3180A",
    foreground="#0B0F13",
    background="#FFFFFF",
    surface="#F2F4F6",
    panel="#DCE4EC",
    dark=False,
)

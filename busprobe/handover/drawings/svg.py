"""Drawings as SVG elements; whatever text goes in comes out as text."""

from __future__ import annotations

from xml.etree import ElementTree

from busprobe.text import harmless

Element = ElementTree.Element


def drawing(width: float, height: float, title: str) -> Element:
    """An empty drawing with a title for those who cannot see it."""
    root = Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {width:g} {height:g}",
            "width": f"{width:g}",
            "height": f"{height:g}",
            "role": "img",
            "aria-label": harmless(title),
        },
    )
    ElementTree.SubElement(root, "title").text = harmless(title)
    return root


def add(parent: Element, tag: str, text: str | None = None, **attributes: str | float) -> Element:
    """Add a shape or a text; ``text_anchor=`` is the attribute ``text-anchor``, ``class_=`` is
    ``class``."""
    named = {
        name.rstrip("_").replace("_", "-"): value if isinstance(value, str) else f"{value:g}"
        for name, value in attributes.items()
    }
    element = ElementTree.SubElement(parent, tag, named)
    if text is not None:
        element.text = harmless(text)
    return element


def shortened(text: str, characters: int) -> str:
    """The text, or its beginning with an ellipsis; a drawing has no room for more, the tables have
    it whole."""
    return text if len(text) <= characters else f"{text[: characters - 1]}…"


def markup(root: Element) -> str:
    """The drawing as it stands in a page."""
    return ElementTree.tostring(root, encoding="unicode")

"""HTML elements as the panels write them: a name, what is inside, and attributes."""

from __future__ import annotations

from typing import Any

Element = Any
"""A Dash component; Dash's own types cannot state `data-` and `aria-` attributes."""


def element(name: str, *inside: Any, **attributes: Any) -> Element:
    """An HTML element: `element("Li", "text", className="quiet", data_choose="finding:F1")`.

    Attributes that begin with `data_` or `aria_` get their hyphens. Text is always text: nothing here, nor in the
    browser, reads it as markup.
    """
    from dash import html

    named = {
        (key.replace("_", "-") if key.startswith(("data_", "aria_")) else key): value
        for key, value in attributes.items()
        if value is not None
    }
    children = inside[0] if len(inside) == 1 else list(inside)
    return getattr(html, name)(children if inside else None, **named)


def button(*inside: Any, **attributes: Any) -> Element:
    """A button that the page's script answers."""
    return element("Button", *inside, type="button", **attributes)

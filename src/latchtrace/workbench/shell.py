"""The book around the pages: masthead, the captures as tabs, the lanes' frame, and the sheet of keys."""

from __future__ import annotations

from typing import Any

from dash import dcc

from latchtrace.workbench import entries, reading, table
from latchtrace.workbench.catalogue import Catalogue
from latchtrace.workbench.element import button, element

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
{%favicon%}
{%css%}
</head>
<body>
{%app_entry%}
<footer>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>
"""

KEYS = (
    ("← →", "move along the time axis"),
    ("+ −", "look closer, look from farther away"),
    ("0", "the whole capture"),
    ("n p", "next, previous finding"),
    (". ,", "reading line to the next, previous change"),
    ("Esc", "close what was chosen"),
    ("d", "light or dark"),
    ("?", "this sheet"),
)
MOUSE = (
    ("wheel", "look closer or farther, around the pointer"),
    ("drag", "move along the time axis"),
    ("double click", "the whole capture"),
    ("click a mark", "read the finding"),
)


def layout(catalogue: Catalogue) -> Any:
    """The whole book."""
    return element(
        "Div",
        [
            dcc.Store(id="capture"),
            dcc.Store(id="chosen"),
            dcc.Store(id="view"),
            element("A", "Skip to the findings", href="#findings-title", className="skip"),
            _masthead(catalogue),
            element("Div", [entries.layout(), _main()], className="spread"),
            _keys(),
        ],
        className="book",
    )


def _masthead(catalogue: Catalogue) -> Any:
    tabs = [button(page.name, data_capture=page.id, aria_pressed="false") for page in catalogue.pages]
    tools = [
        button("Whole capture", data_do="whole"),
        button("Light or dark", data_do="theme"),
        button("Keys", data_do="keys"),
    ]
    return element(
        "Header",
        [
            element("H1", "latchtrace"),
            element("P", id="vehicle", className="vehicle"),
            element("Nav", *tabs, className="captures", aria_label="Captures"),
            element("Div", tools, className="tools"),
        ],
        className="masthead",
    )


def _main() -> Any:
    return element(
        "Main",
        [
            element("Div", id="lanes", className="lanes", tabIndex="0", role="application", aria_label=_LANES_LABEL),
            element("P", id="spoken", className="spoken", aria_live="polite"),
            reading.layout(),
            table.layout(),
        ],
    )


_LANES_LABEL = "The lanes over time; arrow keys move, plus and minus zoom, question mark lists the keys"


def _keys() -> Any:
    def sheet(rows: tuple[tuple[str, str], ...]) -> Any:
        return element(
            "Dl", [part for key, does in rows for part in (element("Dt", element("Kbd", key)), element("Dd", does))]
        )

    return element(
        "Dialog",
        [
            element("H2", "Keys and mouse"),
            sheet(KEYS),
            sheet(MOUSE),
            button("Close", data_do="close-keys"),
        ],
        id="keys",
    )

"""The table that says in words what the lanes show, kept in step with the view."""

from __future__ import annotations

from typing import Any

from latchtrace.views.inview import in_view
from latchtrace.views.wording import moment_text
from latchtrace.workbench.catalogue import Page
from latchtrace.workbench.element import element

COLUMNS = ("Time", "Lane", "What", "For")


def layout() -> Any:
    """The table's frame, folded away until it is wanted; a callback fills it."""
    return element(
        "Details",
        [element("Summary", "What is in view, as a table"), element("Div", id="in-view")],
        className="in-view",
        open=False,
    )


def table(page: Page, start: int, end: int) -> list[Any]:
    """What begins between two times (nanoseconds, capture time base), and what held before."""
    view = in_view(page.swimlane, page.times, start, end)
    span = f"{moment_text(start, page.times)} to {moment_text(end, page.times)}"
    count = f"{view.total} entries" if view.total != 1 else "1 entry"
    if view.total > len(view.rows):
        count += f", the first {len(view.rows)} shown: zoom in for the others"
    states = element(
        "P", [element("B", "Where the view begins: "), "; ".join(f"{lane} {state}" for lane, state in view.before)]
    )
    rows = [
        element(
            "Tr", [element("Td", row.when), element("Td", row.lane), element("Td", row.what), element("Td", row.lasts)]
        )
        for row in view.rows
    ]
    head = element("Thead", element("Tr", [element("Th", name, scope="col") for name in COLUMNS]))
    caption = element("Caption", f"{span}: {count}.")
    parts: list[Any] = [element("Table", [caption, head, element("Tbody", rows)])]
    return [states, *parts] if view.before else parts

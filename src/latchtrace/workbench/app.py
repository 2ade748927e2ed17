"""Puts the workbench together: the book's pages, the routes its script asks, and the guard in front."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, tzinfo
from typing import Any

from dash import Dash, Input, Output, State, no_update
from flask import Response, abort, jsonify, request

from latchtrace.model.redaction import redacted
from latchtrace.model.results import AnalysisResult
from latchtrace.workbench import data, entries, reading, shell, table
from latchtrace.workbench.catalogue import Catalogue
from latchtrace.workbench.guard import TOKEN_HEADER, Guard, Policy

LARGEST_POST = 1 << 20
GUARD = "latchtrace.guard"


def build_app(
    results: Mapping[str, AnalysisResult], zone: tzinfo = UTC, clock_offset: int = 0, show_codes: bool = False
) -> Dash:
    """The workbench over analyses by name, ready to serve; times are shown by the clock of `zone`.

    `clock_offset` is what has to be added to the recorder's clock to get the true time (nanoseconds). Key codes and
    rolling counters are kept out of every page unless `show_codes` asks for them.
    """
    policy = Policy()
    app = Dash(
        "latchtrace.workbench",
        title="latchtrace",
        update_title="",
        index_string=shell.INDEX,
        serve_locally=True,
        url_base_pathname="/",
        assets_external_path="",
        enable_mcp=False,
        add_log_handler=False,
        csrf_token_name=policy.cookie,
        csrf_header_name=TOKEN_HEADER,
    )
    shown = results if show_codes else {name: redacted(result) for name, result in results.items()}
    catalogue = Catalogue(shown, zone, clock_offset)
    app.layout = shell.layout(catalogue)
    app.server.config["MAX_CONTENT_LENGTH"] = LARGEST_POST
    _add_routes(app, catalogue)
    _add_callbacks(app, catalogue)
    policy.script_hashes = tuple(app.csp_hashes())
    guard = Guard(app.server.wsgi_app, policy)
    app.server.wsgi_app = guard
    app.server.extensions[GUARD] = guard
    return app


def policy_of(app: Dash) -> Policy:
    """The guard's policy of an app that `build_app` made."""
    guard: Guard = app.server.extensions[GUARD]
    return guard.policy


def _add_routes(app: Dash, catalogue: Catalogue) -> None:
    @app.server.get("/lanes/<page_id>")  # type: ignore[untyped-decorator,unused-ignore]
    def lanes(page_id: str) -> Response:
        page = catalogue.page(page_id) or abort(404)
        return jsonify(data.lanes_document(page))

    @app.server.get("/stretch/<page_id>")  # type: ignore[untyped-decorator,unused-ignore]
    def stretch(page_id: str) -> Response:
        page = catalogue.page(page_id) or abort(404)
        query = request.args
        asked = data.viewport(page, query.get("from"), query.get("to"), query.get("pixels"))
        sequence = query.get("sequence", "0")
        if asked is None or not sequence.isascii() or not sequence.isdigit():
            abort(400)
        body = page.detail.payload(asked, int(sequence))
        return Response(body, mimetype="application/octet-stream")


def _add_callbacks(app: Dash, catalogue: Catalogue) -> None:
    @app.callback(Output("entries", "children"), Output("vehicle", "children"), Input("capture", "data"))  # type: ignore[untyped-decorator,unused-ignore]
    def show_entries(capture: object) -> tuple[Any, Any]:
        page = catalogue.page(capture)
        if page is None:
            return no_update, no_update
        day = data.day_text(page)
        return entries.entries(page), " · ".join(text for text in (page.result.vehicle.name, day) if text)

    @app.callback(Output("reading", "children"), Input("chosen", "data"), State("capture", "data"))  # type: ignore[untyped-decorator,unused-ignore]
    def show_reading(chosen: object, capture: object) -> Any:
        page = catalogue.page(capture)
        return reading.nothing_chosen() if page is None else reading.reading(page, chosen)

    @app.callback(Output("in-view", "children"), Input("view", "data"))  # type: ignore[untyped-decorator,unused-ignore]
    def show_table(view: object) -> Any:
        if not isinstance(view, dict):
            return no_update
        page = catalogue.page(view.get("capture"))
        asked = page and data.viewport(page, str(view.get("from")), str(view.get("to")), "1")
        return table.table(page, asked.t0, asked.t1) if page and asked else no_update

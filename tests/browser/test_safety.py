from __future__ import annotations

import http.client
from collections.abc import Iterator

import pytest

from browser.conftest import Desk, DeskMaker
from latchtrace.workbench import Server, build_app
from support.night import HOSTILE, night_result

pytestmark = pytest.mark.browser


def routes() -> Iterator[str]:
    """Every route of a workbench, its variables filled in."""
    fill = {"path": "a/b", "filename": "book.css", "page_id": "x", "package_name": "dash", "fingerprinted_path": "a.js"}
    for rule in build_app({"night": night_result()}).server.url_map.iter_rules():
        path = str(rule)
        for name, value in fill.items():
            path = path.replace(f"<path:{name}>", value).replace(f"<string:{name}>", value).replace(f"<{name}>", value)
        yield path


def status(server: Server, method: str, path: str, **headers: str) -> int:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
    try:
        connection.putrequest(method, path, skip_host=True)
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        connection.endheaders()
        return connection.getresponse().status
    finally:
        connection.close()


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST"])
def test_a_foreign_host_is_refused_on_every_route(served: Server, method: str) -> None:
    for path in routes():
        for host in ("evil.example", f"evil.example:{served.port}", "127.0.0.1.evil.example"):
            assert status(served, method, path, Host=host) == 403, path


def test_a_foreign_origin_or_site_is_refused_on_every_route_that_is_posted_to(served: Server) -> None:
    own = f"127.0.0.1:{served.port}"
    for path in routes():
        for foreign in ({"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec_Fetch_Site": "cross-site"}):
            assert status(served, "POST", path, Host=own, **foreign) == 403, path


def test_a_page_of_another_origin_cannot_read_or_frame_it(desks: DeskMaker, served: Server) -> None:
    """The same machine on another port is another origin (RFC 6454)."""
    from browser.conftest import serving

    with serving({"other": night_result()}) as other:
        desk = desks(other)
        desk.open()
        desk.page.context.unroute("**/*")
        reached = desk.page.evaluate(
            """async (url) => {
                try { return (await fetch(url, {mode: "no-cors"})).type; } catch (error) { return "refused"; }
            }""",
            served.url + "_dash-layout",
        )
        assert reached == "refused"
        desk.trouble.clear()


class TestHostileTexts:
    @pytest.fixture
    def hostile(self, desk: Desk) -> Desk:
        desk.page.locator(".captures button").nth(1).click()
        desk.until(lambda: HOSTILE in desk.page.inner_text("#entries"))
        desk.settled()
        return desk

    def test_are_shown_and_never_run(self, hostile: Desk) -> None:
        page = hostile.page
        page.click("summary:has-text('as a table')")
        chosen = page.locator("#entries [data-choose]")
        for i in range(chosen.count()):
            chosen.nth(i).locator("button").click()
            hostile.settled()
        page.locator('#entries [data-choose="finding:F1"] button').click()
        page.wait_for_selector("table.proof")
        for fold in page.locator("details:not([open]) > summary").all():
            if fold.is_visible():
                fold.click()
        box = hostile.sheet()
        for y in range(30, int(box["height"]), 12):
            page.mouse.move(box["x"] + box["width"] / 2, box["y"] + y)
        hostile.until(lambda: HOSTILE in page.inner_text("#in-view"))
        assert HOSTILE in page.inner_text("#reading")
        assert HOSTILE in page.inner_text("table.proof")
        assert page.evaluate("() => window.struck") is None
        assert page.locator("img").count() == 0
        assert page.locator("#react-entry-point script").count() == 0

    def test_are_text_in_the_lanes_too(self, hostile: Desk) -> None:
        labels = hostile.page.locator(".labels .label").all_inner_texts()
        assert HOSTILE in labels
        assert hostile.page.evaluate("() => window.struck") is None


def test_no_chart_cloud_and_no_chart_library_is_loaded(desk: Desk) -> None:
    desk.page.locator('#entries [data-choose="finding:F1"] button').click()
    desk.page.wait_for_selector("table.proof")
    loaded = desk.page.evaluate("() => performance.getEntriesByType('resource').map((entry) => entry.name)")
    assert loaded
    assert not [name for name in loaded if "plotly" in name.lower() or "graph" in name.lower()]
    assert desk.page.locator(".js-plotly-plot, .modebar, [data-title*=loud], [title*=loud]").count() == 0
    assert desk.page.evaluate("() => typeof window.Plotly") == "undefined"


def test_nothing_is_evaluated_even_if_a_page_tried(desk: Desk) -> None:
    desk.page.evaluate("""() => { setTimeout("window.evaluated = 1"); }""")
    desk.until(lambda: any("unsafe-eval" in what for what in desk.trouble), "the refusal is reported")
    assert desk.page.evaluate("() => window.evaluated") is None
    desk.trouble[:] = [what for what in desk.trouble if "eval" not in what.lower()]

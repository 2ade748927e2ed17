from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from browser.conftest import DeskMaker, serving
from latchtrace import analyse
from latchtrace.workbench import Server

pytestmark = pytest.mark.browser

DEMO = Path(__file__).parents[2] / "captures_demo"


@pytest.fixture(scope="module")
def demo() -> Iterator[Server]:
    """Every capture that comes with latchtrace, analysed afresh."""
    index = json.loads((DEMO / "index.json").read_text("utf-8"))
    results = {
        item["name"]: analyse([str(DEMO / item["capture"])], str(DEMO / item["vehicle"])).result
        for item in index["captures"]
    }
    with serving(results) as server:
        yield server


def test_every_demo_capture_opens_and_each_of_its_findings_shows_frames(desks: DeskMaker, demo: Server) -> None:
    desk = desks(demo)
    desk.open()
    tabs = desk.page.locator(".captures button")
    for i in range(tabs.count()):
        tabs.nth(i).click()
        desk.until(lambda i=i: tabs.nth(i).get_attribute("aria-pressed") == "true")  # type: ignore[misc]
        desk.settled()
        desk.until(lambda: desk.page.locator("#entries .actions li").count() > 0)
        findings = desk.page.locator('#entries [data-choose^="finding:"]')
        for k in range(min(findings.count(), 4)):
            name = findings.nth(k).get_attribute("data-choose") or ""
            findings.nth(k).locator("button").click()
            desk.page.wait_for_selector(f"#reading .head:has-text('{name.split(':')[1]}')")
            assert desk.page.locator("table.proof tbody tr").count() > 0
        desk.page.keyboard.press("Escape")


def test_the_parked_night_names_both_self_unlocks_and_what_was_ruled_out(desks: DeskMaker, demo: Server) -> None:
    desk = desks(demo)
    desk.open()
    entries = desk.page.inner_text("#entries")
    assert "2 faults, 2 warnings." in entries
    faults = desk.page.locator("#entries li.fault")
    assert faults.count() == 2
    for i in range(2):
        faults.nth(i).locator("button").click()
        desk.settled()
        desk.until(lambda: "Ruled out" in desk.page.inner_text("#reading"))
        read = desk.page.inner_text("#reading")
        assert "nobody" in read
        assert "Remote key: ruled out" in read
        assert ".log" in desk.page.inner_text("table.proof")

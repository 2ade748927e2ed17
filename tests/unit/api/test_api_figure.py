from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

import latchtrace

ROOT = Path(__file__).resolve().parents[3]
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def figure() -> Any:
    capture = ROOT / "captures_demo" / "parked-night.log.zst"
    return latchtrace.analyse(capture, ROOT / "dbc_demo" / "harbour_estate.yaml").figure()


def test_the_figure_has_a_lane_for_each_source_the_command_and_every_closure_in_the_order_of_the_chain(
    figure: Any,
) -> None:
    doors = ["front-left", "front-right", "rear-left", "rear-right", "tailgate"]
    assert list(figure.layout.yaxis.categoryarray) == [
        "request inside-handle",
        "request interior-switch",
        "request remote-button",
        "validation",
        "command all",
        *(f"latch {name}" for name in doors),
        *(f"ajar {name}" for name in sorted([*doors, "bonnet"])),
        "state ignition",
        "state speed-lock-enabled",
        "findings",
    ]


def test_each_bar_stands_in_a_lane_of_the_figure_and_runs_forward(figure: Any) -> None:
    bars = [trace for trace in figure.data if trace.type == "bar"]
    assert {bar.y[0] for bar in bars} < set(figure.layout.yaxis.categoryarray)
    assert all(bar.x[0] > 0 for bar in bars)
    unlocked = [bar for bar in bars if bar.y[0] == "latch tailgate" and bar.name == "unlocked"]
    assert len(unlocked) == 6
    assert 29_000 < unlocked[2].x[0] < 31_000  # milliseconds, the first self-unlock until its relock


def test_every_finding_is_marked_with_its_words(figure: Any) -> None:
    marks = [trace for trace in figure.data if trace.y[0] == "findings"]
    assert [mark.name for mark in marks] == ["F1", "F2", "F3", "F4"]
    assert "Unlocked by nobody" in marks[0].hovertext


def test_the_speed_stands_below_the_lanes(figure: Any) -> None:
    (speed,) = [trace for trace in figure.data if trace.name == "speed"]
    assert speed.yaxis == "y2"
    assert max(value for value in speed.y if value is not None) == pytest.approx(42, abs=1)


def test_a_car_whose_speed_is_not_visible_has_a_figure_without_it() -> None:
    capture = ROOT / "captures_demo" / "second-network-day.log.zst"
    figure = latchtrace.analyse(capture, ROOT / "dbc_demo" / "orchard_hatch.yaml").figure()
    assert {trace.yaxis for trace in figure.data} <= {None, "y"}


@pytest.mark.browser
def _opened(page_file: Path) -> tuple[list[str], list[str | None]]:
    """What a page asks for when it is opened, and the buttons it shows."""
    from playwright.sync_api import sync_playwright

    asked: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium") or shutil.which("chromium-browser"), args=FLAGS
        )
        page = browser.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.goto(page_file.as_uri())
        page.wait_for_selector(".modebar-btn", state="attached")
        buttons = [button.get_attribute("data-title") for button in page.query_selector_all(".modebar-btn")]
        browser.close()
    return asked, buttons


def test_the_figure_shows_no_button_that_sends_it_away_and_asks_nothing_of_any_other_machine(
    figure: Any, tmp_path: Path
) -> None:
    figure.write_html(tmp_path / "lanes.html")
    with ThreadPoolExecutor(1) as other:  # the browser tests' own loop may still run in this thread
        asked, buttons = other.submit(_opened, tmp_path / "lanes.html").result()
    assert "Zoom" in buttons
    assert [name for name in buttons if name and ("share" in name.lower() or "cloud" in name.lower())] == []
    assert all(url.startswith(("file:", "data:", "blob:")) for url in asked)

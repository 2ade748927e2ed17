"""A served workbench and a real Chromium that may talk to nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Thread
from time import monotonic, sleep
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Route, sync_playwright

from latchtrace.model.results import AnalysisResult
from latchtrace.workbench import Server, build_app
from support.night import hostile_result, night_result

CHROMIUM = "/usr/bin/chromium"
"""Debian's; a machine without it fails these tests, it does not skip them."""

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

OWN_DOING = "willReadFrequently"
"""The browser's advice against reading the canvas often, which only these tests do."""


@contextmanager
def serving(results: dict[str, AnalysisResult]) -> Iterator[Server]:
    """A workbench on a free port of this machine."""
    server = Server(build_app(results), port=0)
    thread = Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.close()
        thread.join(10)


@pytest.fixture(scope="session")
def served() -> Iterator[Server]:
    with serving({"/home/someone/harbour_night.log": night_result(), "hostile.log": hostile_result()}) as server:
        yield server


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


@dataclass
class Desk:
    """A page of the workbench, and everything it did that it must not."""

    page: Page
    url: str
    trouble: list[str] = field(default_factory=list)

    def open(self, query: str = "") -> None:
        """Go there, and wait for the lanes."""
        self.page.goto(self.url + query)
        self.ready()

    def ready(self) -> None:
        """Wait until the lanes are drawn from the server's answer."""
        self.page.wait_for_selector("html[data-ready]")
        self.page.wait_for_selector("#lanes[data-fresh=true]")
        self.page.wait_for_selector("#entries li")

    def until(self, holds: Callable[[], Any], why: str = "", seconds: float = 5) -> Any:
        """Wait until something holds (the page's policy forbids evaluating text, so no waiting inside it)."""
        end = monotonic() + seconds
        while not (found := holds()):
            assert monotonic() < end, f"did not happen in {seconds} s: {why or holds}"
            sleep(0.02)
            self.page.evaluate("() => 0")
        return found

    @property
    def range(self) -> tuple[int, int]:
        """What is on screen, in nanoseconds from the capture's first frame."""
        data = self.page.evaluate("() => ({...document.getElementById('lanes').dataset})")
        return int(data["from"]), int(data["to"])

    @property
    def line(self) -> int | None:
        """Where the reading line is."""
        value = self.page.evaluate("() => document.getElementById('lanes').dataset.line || ''")
        return int(value) if value else None

    def settled(self) -> tuple[int, int]:
        """The range once it no longer moves, drawn from an answer to it, and in the address bar."""
        self.page.evaluate("() => new Promise((next) => requestAnimationFrame(() => requestAnimationFrame(next)))")
        last = self.range
        for _ in range(200):
            self.page.wait_for_timeout(60)
            fresh = self.page.get_attribute("#lanes", "data-fresh") == "true"
            if fresh and self.range == last and f"from={last[0]}&to={last[1]}" in self.page.url:
                return last
            last = self.range
        raise AssertionError(f"never came to rest: {last}, {self.page.url}")

    def sheet(self) -> dict[str, float]:
        """Where the drawing is on the page."""
        box = self.page.locator(".sheet").bounding_box()
        assert box is not None
        return {"x": box["x"], "y": box["y"], "width": box["width"], "height": box["height"]}

    def x_of(self, t: int) -> float:
        """The page's x of a time."""
        box, (start, end) = self.sheet(), self.range
        return box["x"] + 1 + (t - start) * (box["width"] - 1) / (end - start)

    def row(self, short: str) -> float:
        """The page's y of the middle of a lane, by its label."""
        box = self.page.locator(".labels .label", has_text=short).first.bounding_box()
        assert box is not None
        return box["y"] + box["height"] / 2

    def pixels(self, x: float, y: float, width: int, height: int) -> list[tuple[int, ...]]:
        """Colours of the drawing in a box given in page coordinates."""
        box = self.sheet()
        read = """([x, y, w, h]) => {
            const canvas = document.querySelector("canvas.drawing");
            return Array.from(canvas.getContext("2d").getImageData(x, y, w, h).data);
        }"""
        flat = self.page.evaluate(read, [round(x - box["x"] - 1), round(y - box["y"]), width, height])
        return [tuple(flat[i : i + 4]) for i in range(0, len(flat), 4)]


DeskMaker = Callable[..., Desk]


@pytest.fixture
def desks(browser: Browser) -> Iterator[DeskMaker]:
    """Makes pages that report every request off this machine, every error, and every breach of the page's policy."""
    made: list[tuple[BrowserContext, Desk]] = []

    def make(server: Server, **options: Any) -> Desk:
        options = {"viewport": {"width": 1440, "height": 900}, "reduced_motion": "reduce", **options}
        context = browser.new_context(**options)
        desk = Desk(context.new_page(), server.url)
        own = urlsplit(server.url).netloc

        def watch(route: Route) -> None:
            address = urlsplit(route.request.url)
            if address.netloc == own or address.scheme == "data":
                route.continue_()
            else:
                desk.trouble.append(f"request off this machine: {route.request.url}")
                route.abort()

        context.route("**/*", watch)
        context.add_init_script(
            "addEventListener('securitypolicyviolation', (e) => console.error('policy broken: ' + e.blockedURI));"
        )
        page = desk.page

        def hear(message: ConsoleMessage) -> None:
            if message.type in ("error", "warning") and OWN_DOING not in message.text:
                desk.trouble.append(message.text)

        page.on("console", hear)
        page.on("pageerror", lambda error: desk.trouble.append(str(error)))
        page.on("websocket", lambda socket: desk.trouble.append(f"websocket {socket.url}"))
        made.append((context, desk))
        return desk

    yield make
    trouble = [what for _, desk in made for what in desk.trouble]
    for context, _ in made:
        context.close()
    assert trouble == []


@pytest.fixture
def desk(desks: DeskMaker, served: Server) -> Desk:
    """The night, opened."""
    made = desks(served)
    made.open()
    return made

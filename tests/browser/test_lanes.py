from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from time import monotonic

import pytest
from playwright.sync_api import Route

from browser.conftest import Desk, DeskMaker, serving
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.time import HOUR, MILLISECOND, SECOND, Interval
from latchtrace.views.lanes import swimlane
from latchtrace.workbench import Server
from support.night import LENGTH, ZERO, moment, night_result

pytestmark = pytest.mark.browser

WHOLE = (0, LENGTH * SECOND)
BLIP = 6000.0


@pytest.fixture(scope="module")
def blip() -> Iterator[Server]:
    """The night with the tailgate unlocked for one frame, while everything sleeps."""
    result = night_result()
    timeline = result.timelines[0]
    states = [
        LockEvent(EventKind.LATCH, "tailgate", value, Interval.at(moment(BLIP) + after * MILLISECOND), row=1)
        for value, after in (("unlocked", 0), ("locked", 10))
    ]
    events = tuple(sorted((*timeline.events, *states), key=lambda event: event.at.hi))
    with serving({"blip": replace(result, timelines=(replace(timeline, events=events),))}) as server:
        yield server


def since(seconds: float) -> int:
    return moment(seconds) - ZERO


class TestOpening:
    def test_the_lanes_the_car_has_are_there_in_order(self, desk: Desk) -> None:
        labels = desk.page.locator(".labels .label").all_inner_texts()
        assert labels == [*(lane.short or lane.title for lane in swimlane(night_result()).lanes), "Findings"]
        headings = desk.page.locator(".labels .heading").all_inner_texts()
        assert headings == ["Asked for", "Decided", "Closures", "Timer and driving"]

    def test_the_whole_capture_is_drawn(self, desk: Desk) -> None:
        assert desk.range == WHOLE
        box = desk.sheet()
        colours = set(desk.pixels(box["x"] + 1, box["y"], round(box["width"]) - 2, round(box["height"])))
        assert len(colours) > 30
        locked = desk.pixels(desk.x_of(since(9000)), desk.row("Tailgate") - 11, 4, 22)
        assert (0, 114, 178, 255) in locked

    def test_comes_within_three_seconds(self, desks: DeskMaker, served: Server) -> None:
        best = 99.0
        for _ in range(3):
            made = desks(served)
            start = monotonic()
            made.open()
            best = min(best, monotonic() - start)
        assert best <= 3

    def test_several_captures_are_tabs(self, desk: Desk) -> None:
        tabs = desk.page.locator(".captures button")
        assert tabs.all_inner_texts() == ["harbour_night.log", "hostile.log"]
        first = desk.page.url
        tabs.nth(1).click()
        desk.until(lambda: tabs.nth(1).get_attribute("aria-pressed") == "true")
        desk.until(lambda: desk.page.url.split("&")[0] != first.split("&")[0])
        assert tabs.nth(0).get_attribute("aria-pressed") == "false"


class TestPointer:
    def test_the_wheel_looks_closer_around_the_pointer(self, desk: Desk) -> None:
        box = desk.sheet()
        x = round(box["x"] + 1 + (box["width"] - 1) * 0.3)
        share = (x - box["x"] - 1) / (box["width"] - 1)
        before = desk.range
        under = before[0] + share * (before[1] - before[0])
        desk.page.mouse.move(x, box["y"] + 300)
        for _ in range(5):
            desk.page.mouse.wheel(0, -300)
        after = desk.settled()
        assert after[1] - after[0] < (before[1] - before[0]) / 5
        assert after[0] + share * (after[1] - after[0]) == pytest.approx(under, abs=(after[1] - after[0]) / 500)
        for _ in range(9):
            desk.page.mouse.wheel(0, 500)
        wide = desk.settled()
        assert wide[1] - wide[0] == pytest.approx(1.1 * LENGTH * SECOND, rel=0.001)

    def test_dragging_moves_the_paper_with_the_pointer(self, desk: Desk) -> None:
        desk.open(f"?from={HOUR}&to={HOUR + 1000 * SECOND}")
        before, box = desk.settled(), desk.sheet()
        desk.page.mouse.move(box["x"] + 500, box["y"] + 300)
        desk.page.mouse.down()
        desk.page.mouse.move(box["x"] + 350, box["y"] + 310, steps=5)
        desk.page.mouse.up()
        after = desk.settled()
        per_pixel = (before[1] - before[0]) / (box["width"] - 1)
        assert after[0] - before[0] == pytest.approx(150 * per_pixel, abs=2 * per_pixel)
        assert after[1] - after[0] == before[1] - before[0]
        assert desk.line is None

    def test_a_double_click_shows_the_whole_capture(self, desk: Desk) -> None:
        desk.open(f"?from={HOUR}&to={HOUR + SECOND}")
        box = desk.sheet()
        desk.page.mouse.dblclick(box["x"] + 400, box["y"] + 300)
        assert desk.settled() == WHOLE

    def test_a_click_sets_the_reading_line_and_says_what_held(self, desk: Desk) -> None:
        desk.page.mouse.click(desk.x_of(since(9000)), desk.row("Tailgate"))
        assert desk.line == pytest.approx(since(9000), abs=30 * SECOND)
        spoken = desk.page.locator("#spoken")
        desk.until(lambda: "Tailgate locked" in spoken.inner_text())
        assert "Ignition off" in spoken.inner_text()
        assert spoken.get_attribute("aria-live") == "polite"

    def test_the_tip_tells_what_lies_under_the_pointer(self, desk: Desk) -> None:
        desk.open(f"?from={since(4350)}&to={since(4400)}")
        desk.page.mouse.move(desk.x_of(since(4375)), desk.row("Driver's door"))
        tip = desk.page.locator(".tip")
        desk.until(tip.is_visible)
        text = tip.inner_text()
        assert text.startswith("Driver's door: unlocked")
        assert "began between 23:22:40.400 and 23:22:40.500" in text
        desk.page.mouse.move(desk.x_of(since(4375)), desk.row("Tailgate") - 400)
        desk.until(tip.is_hidden)

    def test_the_overview_moves_the_view(self, desk: Desk) -> None:
        desk.open(f"?from=0&to={1000 * SECOND}")
        box = desk.page.locator(".overview").bounding_box()
        assert box is not None
        desk.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 20)
        start, end = desk.settled()
        assert (start + end) / 2 == pytest.approx(WHOLE[1] / 2, abs=30 * SECOND)
        assert end - start == 1000 * SECOND


class TestKeys:
    def press(self, desk: Desk, key: str) -> tuple[int, int]:
        desk.page.keyboard.press(key)
        return desk.settled()

    def test_arrows_move_and_plus_and_minus_zoom(self, desk: Desk) -> None:
        desk.open(f"?from={HOUR}&to={2 * HOUR}")
        start, end = desk.settled()
        right = self.press(desk, "ArrowRight")
        assert right == (start + (end - start) // 5, end + (end - start) // 5)
        assert self.press(desk, "ArrowLeft") == (start, end)
        near = self.press(desk, "+")
        assert near[1] - near[0] == pytest.approx(0.6 * HOUR, rel=1e-6)
        assert sum(near) / 2 == pytest.approx(1.5 * HOUR, rel=1e-6)
        assert self.press(desk, "-") == pytest.approx((start, end), abs=2)
        assert self.press(desk, "0") == WHOLE

    def test_the_reading_line_steps_from_change_to_change(self, desk: Desk) -> None:
        desk.open(f"?from={since(4355)}&to={since(4395)}")
        seen = []
        for _ in range(3):
            before = desk.line
            desk.page.keyboard.press(".")
            seen.append(desk.until(lambda before=before: desk.line not in (None, before) and desk.line))  # type: ignore[misc]
        assert seen == pytest.approx([since(4360.32), since(4360.5), since(4360.54)], abs=500)
        spoken = desk.page.locator("#spoken")
        desk.until(lambda: "Passenger's door unlocked" in spoken.inner_text())
        desk.page.keyboard.press(",")
        desk.until(lambda: desk.line == seen[1])

    def test_the_sheet_of_keys_opens_and_closes(self, desk: Desk) -> None:
        sheet = desk.page.locator("#keys")
        assert not sheet.is_visible()
        desk.page.keyboard.press("?")
        assert sheet.is_visible()
        assert "next, previous finding" in sheet.inner_text()
        before = desk.range
        desk.page.keyboard.press("+")
        assert desk.range == before
        desk.page.keyboard.press("Escape")
        assert not sheet.is_visible()

    def test_every_key_of_the_sheet_does_something(self, desk: Desk) -> None:
        keys = " ".join(desk.page.locator("#keys kbd").all_text_contents())
        for key in ("←", "→", "+", "−", "0", "n", "p", ".", ",", "Esc", "d", "?"):
            assert key in keys.split()


class TestDetail:
    @pytest.mark.parametrize("span", [12_000.0, 3000.0, 300.0, 10.0, 0.5, 0.05, 0.02])
    def test_a_state_that_lasted_one_frame_shows_at_every_zoom(
        self, desks: DeskMaker, blip: Server, span: float
    ) -> None:
        desk = desks(blip)
        start, end = (0, 12_000 * SECOND) if span == 12_000 else (since(BLIP - span / 2), since(BLIP + span / 2))
        desk.open(f"?from={start}&to={end}")
        desk.settled()
        above_line = desk.row("Tailgate") - 7
        here = desk.pixels(desk.x_of(since(BLIP)) - 1, above_line, 4, 9)
        beside = desk.pixels(desk.x_of(since(BLIP)) - 12, above_line, 4, 9)
        assert set(here) - set(beside), "the blip has left no mark"

    def test_times_are_exact_at_two_milliseconds_a_division(self, desk: Desk) -> None:
        """Nothing drifts: hours from the start, twenty milliseconds on screen, the step lands on the nanosecond."""
        exact = since(10_035.52)
        desk.open(f"?from={exact - 10 * MILLISECOND}&to={exact + 10 * MILLISECOND}")
        desk.page.keyboard.press(".")
        desk.until(lambda: desk.line is not None)
        assert desk.line == exact
        column = desk.pixels(desk.x_of(exact) - 1, desk.row("Command") - 4, 4, 8)
        beside = desk.pixels(desk.x_of(exact) - 30, desk.row("Command") - 4, 4, 8)
        assert set(column) - set(beside)

    def test_an_answer_that_comes_too_late_is_not_shown(self, desks: DeskMaker, served: Server) -> None:
        desk = desks(served)
        desk.open()
        desk.settled()
        held: list[Route] = []

        def hold(route: Route) -> None:
            held.append(route)

        desk.page.route("**/stretch/**", hold)
        desk.page.keyboard.press("+")
        desk.until(lambda: len(held) == 1)
        desk.page.keyboard.press("n")
        desk.until(lambda: len(held) >= 2)
        for late in reversed(held):
            late.continue_()
        desk.page.unroute("**/stretch/**")
        newest = held[-1].request.url.split("sequence=")[1]
        desk.until(lambda: desk.page.get_attribute("#lanes", "data-shown") == newest)
        desk.page.wait_for_timeout(300)
        assert desk.page.get_attribute("#lanes", "data-shown") == newest

    def test_a_workbench_that_stopped_is_said_to_have_stopped(self, desks: DeskMaker) -> None:
        with serving({"night": night_result()}) as server:
            desk = desks(server)
            desk.open()
        desk.page.keyboard.press("n")
        desk.until(lambda: "no longer answers" in desk.page.inner_text("#spoken"))
        desk.trouble[:] = [what for what in desk.trouble if not unanswered(what)]


def unanswered(what: str) -> bool:
    return "ERR_CONNECTION_REFUSED" in what or "the server did not respond" in what

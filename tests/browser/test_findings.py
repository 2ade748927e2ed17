from __future__ import annotations

from collections.abc import Iterator
from time import monotonic

import pytest

from browser.conftest import Desk, DeskMaker, serving
from latchtrace.model.time import SECOND
from latchtrace.workbench import Server
from support.night import ZERO, moment, night_result

pytestmark = pytest.mark.browser

AXIS, STRIP = 26, 24


def since(seconds: float) -> int:
    return moment(seconds) - ZERO


def choose(desk: Desk, finding: str) -> None:
    desk.page.locator(f'#entries [data-choose="finding:{finding}"] button').click()
    desk.page.wait_for_selector(f"#reading .head:has-text('{finding}')")


@pytest.fixture(scope="module")
def shelf() -> Iterator[Server]:
    """More captures than tabs fit beside each other."""
    with serving({f"a capture with a long name {i}.log": night_result() for i in range(9)}) as server:
        yield server


class TestChoosing:
    def test_a_finding_in_the_list_shows_reason_sources_and_frames(self, desk: Desk) -> None:
        choose(desk, "F1")
        read = desk.page.inner_text("#reading")
        for text in (
            "Command without request",
            "The body module unlocked the car and nobody had asked for it.",
            "Remote key: ruled out (no request of it in the 2 s before the command)",
            "A connected recorder may keep the network awake",
            "Park the car locked again",
            "Request: missing",
        ):
            assert text in read, text
        rows = desk.page.locator("table.proof tbody tr")
        first = rows.nth(0).locator("td").all_inner_texts()
        assert first[0] == "23:22:40.320120"
        assert first[1:3] == ["body", "210"]
        assert first[4:7] == ["Body.Command", "unlock", "harbour_night.log"]
        assert first[7].isdigit()
        assert "No frame of body 1A0 showing a request by remote-button" in desk.page.inner_text("table.proof")

    def test_zooms_to_it_and_says_so_in_the_address(self, desk: Desk) -> None:
        choose(desk, "F3")
        start, end = desk.settled()
        assert start < since(10_033.5)
        assert since(10_035.5) < end < since(10_045)
        assert desk.page.url.endswith("&finding=F3")
        assert desk.page.locator('[data-choose="finding:F3"] button').get_attribute("aria-pressed") == "true"
        assert desk.page.locator('#entries [aria-pressed="true"]').count() == 1

    def test_shows_its_frames_within_three_hundred_milliseconds(self, desk: Desk) -> None:
        times = []
        for finding in ("F1", "F2", "F3", "F4", "F1"):
            start = monotonic()
            choose(desk, finding)
            times.append(monotonic() - start)
        assert min(times) <= 0.3

    def test_a_mark_on_the_strip_does_the_same(self, desk: Desk) -> None:
        y = desk.sheet()["y"] + AXIS + STRIP / 2
        desk.page.mouse.click(desk.x_of(since(10_035.5)), y)
        desk.page.wait_for_selector("#reading .head:has-text('F3')")

    def test_pressing_a_mark_of_several_again_shows_the_next_of_them(self, desk: Desk) -> None:
        y = desk.sheet()["y"] + AXIS + STRIP / 2
        desk.open(f"?from={since(10_000)}&to={since(10_100)}")
        seen = []
        for expected in ("F3", "F4", "F3"):
            desk.page.mouse.click(desk.x_of(since(10_035.5)), y)
            desk.page.wait_for_selector(f"#reading .head:has-text('{expected}')")
            seen.append(desk.page.inner_text("#reading .head .kind").split(" · ")[1])
            desk.page.keyboard.press("0")
            desk.settled()
        assert seen == ["F3", "F4", "F3"]

    def test_n_and_p_step_through_them_in_time_order(self, desk: Desk) -> None:
        seen = []
        for key in "nnnp":
            desk.page.keyboard.press(key)
            desk.settled()
            seen.append(desk.page.url.rsplit("=", 1)[1])
        assert seen == ["F5", "F1", "F2", "F1"]

    def test_escape_and_close_put_it_away(self, desk: Desk) -> None:
        choose(desk, "F1")
        desk.page.keyboard.press("Escape")
        desk.until(lambda: "Choose a finding" in desk.page.inner_text("#reading"))
        desk.settled()
        assert "finding" not in desk.page.url
        choose(desk, "F1")
        desk.page.click("#reading .close")
        desk.until(lambda: "Choose a finding" in desk.page.inner_text("#reading"))

    def test_cause_and_follower_lead_to_each_other(self, desk: Desk) -> None:
        choose(desk, "F2")
        desk.page.click("#reading .link:has-text('F1')")
        desk.page.wait_for_selector("#reading .head:has-text('F1')")

    def test_an_action_shows_its_chain(self, desk: Desk) -> None:
        desk.page.locator('[data-choose="action:E4"] button').click()
        desk.page.wait_for_selector("#reading .head:has-text('E4')")
        assert "Unlocked by nobody" in desk.page.inner_text("#reading")
        desk.settled()
        assert desk.page.url.endswith("&action=E4")

    def test_the_time_of_a_frame_leads_to_the_lanes(self, desk: Desk) -> None:
        choose(desk, "F1")
        desk.settled()
        desk.page.locator("table.proof .link").nth(1).click()
        start, end = desk.settled()
        assert desk.line is not None
        assert start < desk.line < end
        assert desk.line == since(4360.2 - 1310.25)

    def test_works_by_keyboard_alone(self, desk: Desk) -> None:
        desk.page.keyboard.press("Tab")
        skip = desk.page.evaluate("() => document.activeElement.textContent")
        assert skip == "Skip to the findings"
        desk.page.keyboard.press("Enter")
        desk.page.keyboard.press("Tab")
        desk.page.keyboard.press("Tab")
        desk.page.keyboard.press("Enter")
        desk.page.wait_for_selector("#reading .head:has-text('F1')")


class TestAddress:
    def test_a_reload_shows_the_same(self, desk: Desk) -> None:
        choose(desk, "F1")
        desk.page.keyboard.press("+")
        desk.page.keyboard.press("ArrowRight")
        before, url = desk.settled(), desk.page.url
        desk.page.reload()
        desk.ready()
        assert desk.settled() == before
        assert desk.page.url == url
        desk.page.wait_for_selector("#reading .head:has-text('F1')")
        assert desk.page.locator('[data-choose="finding:F1"] button').get_attribute("aria-pressed") == "true"

    def test_the_second_capture_is_restored_too(self, desk: Desk) -> None:
        desk.page.locator(".captures button").nth(1).click()
        desk.until(lambda: desk.page.locator(".captures button").nth(1).get_attribute("aria-pressed") == "true")
        desk.page.keyboard.press("+")
        before = desk.settled()
        desk.page.reload()
        desk.ready()
        assert desk.settled() == before
        assert desk.page.locator(".captures button").nth(1).get_attribute("aria-pressed") == "true"

    def test_holds_ids_and_figures_only(self, desk: Desk) -> None:
        choose(desk, "F1")
        desk.settled()
        query = desk.page.url.split("?")[1]
        assert "home" not in query
        assert "log" not in query
        assert all(part.replace("-", "").isalnum() for pair in query.split("&") for part in pair.split("="))

    @pytest.mark.parametrize(
        "query",
        [
            "?capture=nonsense&finding=F1",
            "?capture=%3Cscript%3E&from=x&to=y",
            "?from=9&to=1",
            "?from=0&to=99999999999999999999999",
            f"?from={-(10**17)}&to={10**17}",
            "?finding=%22%3E%3Cimg%20src=x%20onerror=alert(1)%3E",
        ],
    )
    def test_nonsense_in_it_shows_the_capture(self, desks: DeskMaker, served: Server, query: str) -> None:
        desk = desks(served)
        desk.open(query)
        start, end = desk.settled()
        assert 0 < end - start <= 1.1 * 12_000 * SECOND


class TestTable:
    def test_says_what_is_in_view_and_keeps_in_step(self, desk: Desk) -> None:
        desk.page.click("summary:has-text('as a table')")
        table = desk.page.locator("#in-view")
        desk.until(lambda: "entries" in table.inner_text())
        assert "22:10:00.000 to 01:30:00.000" in table.inner_text()
        choose(desk, "F1")
        desk.settled()
        desk.until(lambda: "Where the view begins: Driver's door locked" in table.inner_text())
        rows = table.locator("tbody tr").all_inner_texts()
        assert any(row.startswith("between 23:22:40.300 and 23:22:40.320\tCommand\tunlock") for row in rows)


class TestLook:
    def paper(self, desk: Desk) -> str:
        return str(desk.page.evaluate("() => getComputedStyle(document.querySelector('.spread')).backgroundColor"))

    def test_follows_the_system_and_the_choice_and_keeps_the_choice(self, desks: DeskMaker, served: Server) -> None:
        desk = desks(served, color_scheme="dark")
        desk.open()
        dark = self.paper(desk)
        assert dark == "rgb(24, 27, 32)"
        desk.page.keyboard.press("d")
        assert self.paper(desk) == "rgb(252, 250, 244)"
        desk.page.reload()
        desk.ready()
        assert self.paper(desk) == "rgb(252, 250, 244)"

    def test_the_drawing_takes_the_theme(self, desk: Desk) -> None:
        spot = (desk.x_of(since(9000)), desk.row("Tailgate") - 11, 4, 22)
        light = set(desk.pixels(*spot))
        desk.page.keyboard.press("d")
        desk.until(lambda: set(desk.pixels(*spot)) != light)
        assert (86, 180, 233, 255) in set(desk.pixels(*spot))

    def test_nothing_glides_for_those_who_want_no_motion_and_it_does_for_others(
        self, desks: DeskMaker, served: Server
    ) -> None:
        counts = {}
        for wish in ("reduce", "no-preference"):
            desk = desks(served, reduced_motion=wish)
            desk.open()
            desk.settled()
            desk.page.evaluate("""() => {
                window.seen = new Set();
                new MutationObserver(() => window.seen.add(document.getElementById("lanes").dataset.from))
                    .observe(document.getElementById("lanes"), {attributes: true, attributeFilter: ["data-from"]});
            }""")
            desk.page.keyboard.press("n")
            desk.settled()
            counts[wish] = desk.page.evaluate("() => window.seen.size")
        assert counts["reduce"] == 1
        assert counts["no-preference"] > 2

    @pytest.mark.parametrize("width", [1920, 1280, 910, 800, 600, 400])
    def test_nothing_sticks_out_at_any_width(self, desks: DeskMaker, shelf: Server, width: int) -> None:
        desk = desks(shelf, viewport={"width": width, "height": 900})
        desk.open()
        choose(desk, "F1")
        assert desk.page.evaluate("() => document.documentElement.scrollWidth") <= width

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from dash import Dash

from latchtrace.model.clock import Clock
from latchtrace.model.events import Timeline
from latchtrace.model.results import AnalysisResult
from latchtrace.model.time import HOUR, SECOND, Interval
from latchtrace.workbench import build_app, data, entries, reading, table
from latchtrace.workbench.catalogue import Catalogue, Page
from support.night import HOSTILE, ZERO, hostile_result, moment, night_result
from support.stretch import read_stretch

OWN = {"Host": "127.0.0.1:8050"}


def page_of(result: AnalysisResult) -> Page:
    return Catalogue({"night": result}).pages[0]


NIGHT = page_of(night_result())


def words(part: Any) -> str:
    """All text of Dash components, in order."""
    return " ".join(walk(part))


def walk(part: Any) -> Iterator[str]:
    if isinstance(part, str):
        yield part
    elif isinstance(part, list | tuple):
        for each in part:
            yield from walk(each)
    elif part is not None and hasattr(part, "children"):
        yield from walk(part.children)


def parts_named(part: Any, name: str) -> list[Any]:
    found = [part] if getattr(part, "_type", "") == name else []
    inside = getattr(part, "children", part if isinstance(part, list | tuple) else None)
    for each in inside if isinstance(inside, list | tuple) else [inside] if inside is not None else []:
        if not isinstance(each, str):
            found += parts_named(each, name)
    return found


class TestCatalogue:
    def test_ids_tell_nothing_of_where_files_lie(self, app: Dash) -> None:
        index = app.server.test_client().get("/", headers=OWN).text
        layout = app.server.test_client().get("/_dash-layout", headers=OWN).text
        assert "secret place" not in index + layout
        assert "harbour_night.log" in layout

    def test_ids_are_the_same_the_next_time(self) -> None:
        assert page_of(night_result()).id == NIGHT.id
        assert Catalogue({"other": night_result()}).pages[0].id != NIGHT.id

    def test_parts_that_overlap_in_time_are_pages_of_their_own(self) -> None:
        result = night_result()
        second = Timeline(1, Interval(moment(100), moment(200)), ())
        pages = Catalogue({"night": replace(result, timelines=(*result.timelines, second))}).pages
        assert [page.name for page in pages] == ["night, part 1 of 2", "night, part 2 of 2"]
        assert len(pages[0].findings) == 5
        assert set(pages[1].findings) == {"F5"}, "what names no episode is shown on every part it may belong to"

    def test_an_unknown_id_is_no_page(self) -> None:
        for page_id in ("", "x", None, 4, ["x"], "../../etc/passwd"):
            assert Catalogue({"night": night_result()}).page(page_id) is None

    def test_a_finding_is_shown_with_the_time_before_it(self) -> None:
        finding = NIGHT.findings["F1"]
        assert NIGHT.focus(finding).lo <= finding.at.lo - 2 * SECOND


class TestRoutes:
    def get(self, app: Dash, path: str) -> Any:
        return app.server.test_client().get(path, headers=OWN)

    @pytest.fixture
    def page(self, app: Dash) -> str:
        layout = json.loads(self.get(app, "/_dash-layout").text)
        tabs = [part for part in json_parts(layout) if part.get("type") == "Button"]
        return next(str(tab["props"]["data-capture"]) for tab in tabs if "data-capture" in tab["props"])

    def test_lanes_are_told_with_their_titles(self, app: Dash, page: str) -> None:
        told = self.get(app, f"/lanes/{page}").json
        assert told["lanes"][0]["title"] == "Remote key"
        assert told["span"] == [0, 12_000 * SECOND]
        assert [finding["id"] for finding in told["findings"]] == ["F1", "F2", "F3", "F4", "F5"]
        assert told["clock"]["steps"] == [[0, (22 * 60 + 10) * 60 * SECOND + 120_000]]

    def test_a_stretch_is_told_in_bytes(self, app: Dash, page: str) -> None:
        answer = self.get(app, f"/stretch/{page}?from=0&to={HOUR}&pixels=800&sequence=7")
        assert answer.mimetype == "application/octet-stream"
        assert read_stretch(answer.data).sequence == 7

    @pytest.mark.parametrize(
        "query",
        [
            "",
            "from=0&to=0&pixels=800",
            "from=9&to=1&pixels=800",
            "from=0&to=9&pixels=0",
            "from=0&to=9&pixels=99999",
            "from=0&to=1e9&pixels=800",
            "from=0&to=9&pixels=800&sequence=x",
            "from=0&to=9&pixels=800&sequence=-1",
            f"from=0&to={1 << 70}&pixels=800",
            "from=%00&to=9&pixels=800",
        ],
    )
    def test_a_stretch_that_makes_no_sense_is_refused(self, app: Dash, page: str, query: str) -> None:
        assert self.get(app, f"/stretch/{page}?{query}").status_code == 400

    @pytest.mark.parametrize("page_id", ["x", "..", "%2e%2e%2fetc%2fpasswd"])
    def test_an_unknown_page_has_no_lanes_and_no_stretch(self, app: Dash, page_id: str) -> None:
        for path in (f"/lanes/{page_id}", f"/stretch/{page_id}?from=0&to=9&pixels=9"):
            answer = self.get(app, path)
            assert answer.status_code == 404 or answer.mimetype == "text/html"
            assert "root:" not in answer.text

    def test_half_characters_in_names_do_not_break_it(self) -> None:
        broken = replace(night_result().vehicle, name="caf\udce9")
        other = build_app({"caf\udce9.log": replace(night_result(), vehicle=broken)})
        assert self.get(other, "/_dash-layout").status_code == 200


def json_parts(part: Any) -> Iterator[dict[str, Any]]:
    if isinstance(part, dict):
        yield part
        for value in part.values():
            yield from json_parts(value)
    elif isinstance(part, list):
        for value in part:
            yield from json_parts(value)


class TestClock:
    def steps(self, start: str, zone: str, hours: int) -> list[list[int]]:
        from datetime import datetime

        zero = int(datetime.fromisoformat(start).timestamp()) * SECOND
        return data._steps(Clock(zero, ZoneInfo(zone)), Interval(zero, zero + hours * HOUR))

    def test_a_change_of_the_zones_offset_is_found_to_the_second(self) -> None:
        """Central European Time ends summer time on the last Sunday of October at 01:00 UTC (EU directive 2000/84)."""
        assert self.steps("2024-10-26T22:30:00+00:00", "Europe/Berlin", 8) == [
            [0, 30 * 60 * SECOND],
            [2 * HOUR + 30 * 60 * SECOND, 23 * HOUR + 30 * 60 * SECOND],
        ]

    def test_a_plain_night_has_one_offset(self) -> None:
        assert self.steps("2024-03-08T20:00:00+00:00", "Europe/Berlin", 12) == [[0, 21 * HOUR]]

    def test_a_capture_without_dates_counts_from_its_start(self) -> None:
        result = night_result()
        files = (replace(result.capture.files[0], first=0, last=HOUR),)
        page = page_of(replace(result, capture=replace(result.capture, files=files)))
        assert data._clock(page.times, Interval(0, HOUR))["dated"] is False


class TestEntries:
    def test_are_sentences_with_clock_times(self) -> None:
        text = words(entries.entries(NIGHT))
        assert "2 faults, 2 warnings, 1 note." in text
        assert "23:22:40" in text
        assert "The body module unlocked the car and nobody had asked for it." in text
        assert "Fault · F1 · all closures" in text
        assert "Unlocked by nobody: every closure followed." in text

    def test_what_follows_from_a_fault_stands_below_it(self) -> None:
        chosen = [
            part.to_plotly_json()["props"].get("data-choose", "") for part in parts_named(entries.entries(NIGHT), "Li")
        ]
        assert [name for name in chosen if name.startswith("finding")] == [
            "finding:F5", "finding:F1", "finding:F2", "finding:F3", "finding:F4",
        ]  # fmt: skip

    def test_findings_that_explain_each_other_in_a_circle_are_all_listed(self) -> None:
        result = night_result()
        one, two, *rest = result.findings
        circle = (replace(one, explained_by=two.id), replace(two, explained_by=one.id), *rest)
        listed = [f.id for f in entries._by_cause(list(circle))]
        assert sorted(listed) == sorted(f.id for f in circle)

    def test_say_what_pass_means(self) -> None:
        assert "no violation in this capture, exercised twice" in words(entries.entries(NIGHT))

    def test_say_so_where_nothing_was_found(self) -> None:
        page = page_of(replace(night_result(), findings=(), episodes=()))
        text = words(entries.entries(page))
        assert "Nothing found." in text
        assert "Nothing in this capture." in text

    def test_tell_likely_cause_holes_and_skipped_lines(self) -> None:
        text = words(entries.entries(NIGHT))
        assert "The body module actuates without a request." in text
        assert "Not recorded from 01:17:00.000 to 01:17:40.000: the recorder stood still." in text
        assert "1 lines skipped: not a frame." in text

    def test_very_many_are_cut_and_the_rest_is_counted(self) -> None:
        result = night_result()
        many = tuple(replace(result.findings[0], id=f"F{i}") for i in range(entries.MOST_ENTRIES + 7))
        assert "And 7 more" in words(entries.entries(page_of(replace(result, findings=many))))


class TestReading:
    def test_a_finding_shows_reason_sources_cautions_and_next_steps(self) -> None:
        text = words(reading.reading(NIGHT, "finding:F1"))
        assert "Fault · F1" in text
        assert "Command without request" in text
        assert "Ruled out" in text
        assert "Remote key: ruled out (no request of it in the 2 s before the command)" in text
        assert "A connected recorder may keep the network awake" in text
        assert "Park the car locked again" in text

    def test_a_finding_shows_its_frames_and_what_was_absent(self) -> None:
        (proof,) = parts_named(reading.reading(NIGHT, "finding:F1"), "Table")
        rows = [words(row) for row in parts_named(proof, "Tr")]
        assert rows[0] == "Time Channel Id Bytes Signal Value File Line"
        assert rows[1].startswith("23:22:40.320120 body 210 ")
        assert "Body.Command unlock harbour_night.log" in rows[1]
        assert "No frame of body 1A0 showing a request by remote-button from 23:00:49.950" in " ".join(rows)

    def test_cause_and_follower_name_each_other(self) -> None:
        assert "Explains:  F2" in words(reading.reading(NIGHT, "finding:F1"))
        assert "Its cause:  F1" in words(reading.reading(NIGHT, "finding:F2"))

    def test_an_action_shows_its_chain_with_frames(self) -> None:
        text = words(reading.reading(NIGHT, "action:E3"))
        assert "Locked by the remote key (key 2): every closure followed." in text
        assert "Key check: key accepted, 22:13:10.445" in text
        assert "Driver's door: locked, between 22:13:10.600 and 22:13:10.700" in text
        assert len(parts_named(reading.reading(NIGHT, "action:E3"), "Tr")) == 9

    @pytest.mark.parametrize("chosen", [None, "", "finding:", "finding:F99", "action:F1", "rubbish", 4, {"a": 1}])
    def test_what_does_not_exist_shows_the_hint(self, chosen: object) -> None:
        assert words(reading.reading(NIGHT, chosen)).startswith("Choose a finding")

    def test_every_finding_and_every_action_can_be_read(self) -> None:
        for page in (NIGHT, page_of(hostile_result())):
            for chosen in (*(f"finding:{i}" for i in page.findings), *(f"action:{i}" for i in page.episodes)):
                assert len(reading.reading(page, chosen)) > 1

    def test_hostile_texts_reach_the_page_as_texts(self) -> None:
        parts = reading.reading(page_of(hostile_result()), "finding:F1")
        assert HOSTILE in words(parts)
        for part in parts_named(parts, "Button") + parts_named(parts, "A"):
            assert not getattr(part, "href", None)


def test_the_table_says_what_is_in_view() -> None:
    text = words(table.table(NIGHT, moment(4355), moment(4370)))
    assert "23:22:35.000 to 23:22:50.000: 8 entries." in text
    assert "Where the view begins:  Driver's door locked;" in text


def test_key_codes_stay_out_of_the_workbench_unless_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    from latchtrace.workbench import app as module

    seen: list[str] = []

    def fake(result: AnalysisResult) -> AnalysisResult:
        seen.append(result.vehicle.name)
        return result

    monkeypatch.setattr(module, "redacted", fake)
    build_app({"night": night_result()}, zone=UTC, show_codes=True)
    assert seen == []
    build_app({"night": night_result()})
    assert seen == ["Harbour estate"]


def test_zero_is_the_captures_first_frame() -> None:
    assert NIGHT.swimlane.zero == ZERO

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from latchtrace.model.clock import Clock
from latchtrace.model.results import AnalysisResult
from latchtrace.model.time import SECOND, Interval
from latchtrace.views.inks import INKS
from latchtrace.views.lanes import swimlane
from latchtrace.views.svg import swimlane_svg
from latchtrace.views.swimlane import FindingMark, Lane, LaneKind, SpanRows, Swimlane, Value
from support.night import HOSTILE, hostile_result, moment, night_result

SVG = "{http://www.w3.org/2000/svg}"
STRETCHES = [(0, 12_000), (4350, 4400), (0, 300), (4360.3, 4360.302), (-50, -10)]


def picture(result: AnalysisResult, start: float, end: float, theme: str = "light", width: int = 900) -> str:
    return swimlane_svg(swimlane(result), moment(start), moment(end), width, theme)


def texts(svg: str) -> list[str]:
    return [found.text or "" for found in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("stretch", STRETCHES)
def test_is_well_formed_and_small(stretch: tuple[float, float], theme: str) -> None:
    svg = picture(night_result(), *stretch, theme)
    assert ElementTree.fromstring(svg).get("width") == "900"
    assert len(svg) < 32_000


def test_names_every_lane_the_findings_and_what_the_latches_did() -> None:
    said = texts(picture(night_result(), 4350, 4400))
    assert {lane.short or lane.title for lane in swimlane(night_result()).lanes} <= set(said)
    assert said.count("unlocked") == 5
    assert {"Findings", "unlock", "lock", "until it locked itself"} <= set(said)


def test_the_same_stretch_gives_the_same_bytes() -> None:
    assert picture(night_result(), 0, 12_000) == picture(night_result(), 0, 12_000)


def test_the_axis_reads_as_the_clock_given() -> None:
    from datetime import timedelta, timezone

    lanes = swimlane(night_result())
    later = Clock(lanes.zero, timezone(timedelta(hours=2)))
    assert "01:22:40" in texts(swimlane_svg(lanes, moment(4350), moment(4400), 900, "light", later))
    assert "23:22:40" in texts(swimlane_svg(lanes, moment(4350), moment(4400), 900, "light"))


def test_themes_differ_in_colours_only() -> None:
    light, dark = (ElementTree.fromstring(picture(night_result(), 4350, 4400, theme)) for theme in INKS)
    assert [found.tag for found in light.iter()] == [found.tag for found in dark.iter()]
    assert {found.get("fill") for found in light.iter()} != {found.get("fill") for found in dark.iter()}


@pytest.mark.parametrize("stretch", STRETCHES)
def test_hostile_texts_stay_texts(stretch: tuple[float, float]) -> None:
    svg = picture(hostile_result(), *stretch)
    tags = {found.tag for found in ElementTree.fromstring(svg).iter()}
    assert tags <= {f"{SVG}{name}" for name in ("svg", "text", "rect", "path", "circle", "title")}
    assert "<img" not in svg
    attributes = {name for found in ElementTree.fromstring(svg).iter() for name in found.attrib}
    assert not {name for name in attributes if name.startswith("on") or "href" in name or name == "style"}


def test_hostile_names_are_shown_as_written_where_there_is_room() -> None:
    shown = [text for text in texts(picture(hostile_result(), 4350, 4400)) if text.startswith("<img")]
    assert shown
    assert all(HOSTILE.startswith(text.rstrip("…")) for text in shown)


def test_control_characters_do_not_break_the_picture() -> None:
    rows = SpanRows()
    rows.add(Interval.at(0), Interval.at(9 * SECOND), Value("a\x00b\x1bc\ud800", "unlocked"))
    lane = Lane("x", LaneKind.STATES, "\x07bell", "x", rows.values, rows.columns())
    marks = (FindingMark("\x01", "fault", Interval.at(SECOND), "x"),)
    svg = swimlane_svg(Swimlane(0, Interval(0, 9 * SECOND), (lane,), marks), 0, 9 * SECOND, 900)
    assert "a b c" in " ".join(texts(svg))
    svg.encode("utf-8")


def test_colours_of_text_and_signs_stand_out_from_the_paper() -> None:
    """Contrast as WCAG 2.2 defines it (success criteria 1.4.3 and 1.4.11): 4.5 for text, 3 for signs."""
    for ink in INKS.values():
        assert contrast(ink.ink, ink.paper) >= 4.5
        assert contrast(ink.faint, ink.paper) >= 4.5
        assert contrast(ink.outline, ink.paper) >= 3
        for unoutlined in ("lock", "accepted", "refused", "deadlock"):
            assert contrast(ink.tone(unoutlined), ink.paper) >= 3, unoutlined


def test_a_lane_without_anything_and_a_moment_without_width_are_no_trouble() -> None:
    lanes = replace(swimlane(night_result()), bands=(), marks=())
    assert ElementTree.fromstring(swimlane_svg(lanes, moment(1), moment(1), 200)) is not None


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from latchtrace.reports.html import html_report
from latchtrace.reports.options import ReportOptions
from support.fake_results import SECRET_CODE, SECRET_PAYLOAD, fake_result, healthy_result
from support.golden import check_golden

OPTIONS = ReportOptions(captures=("night.log.gz",), vehicle="quay.yaml")
VOID = {"meta", "br", "path", "rect", "line", "circle", "use", "polygon", "polyline", "stop"}


class _Reader(HTMLParser):
    """Collects tags, attributes and text, and notices what is not closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style"} & set(self.open):
            self.text += data


def _read(page: bytes) -> _Reader:
    reader = _Reader()
    reader.feed(page.decode())
    assert reader.open == []
    return reader


def test_the_page_reads_as_it_was_looked_at() -> None:
    without_pictures = re.sub(rb"<svg.*?</svg>", b"<svg/>", html_report(fake_result(), OPTIONS), flags=re.DOTALL)
    check_golden("report.html", re.sub(rb"<style>.*?</style>", b"<style/>", without_pictures, flags=re.DOTALL))


def test_it_needs_nothing_from_outside_and_runs_nothing() -> None:
    page = _read(html_report(fake_result(), OPTIONS))
    assert not page.tags & {"script", "link", "img", "iframe", "object", "embed", "form", "base", "image", "style:"}
    for name, value in page.attributes:
        assert not name.startswith("on")
        assert name not in ("src", "style")
        if name in ("href", "xlink:href"):
            assert value.startswith("#")
    policy = next(value for name, value in page.attributes if "default-src" in value)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "url(" not in html_report(fake_result(), OPTIONS).decode().partition("<body>")[0]


def test_each_finding_has_its_picture_in_both_themes() -> None:
    page = html_report(fake_result(), OPTIONS).decode()
    assert page.count('<div class="for-light"><svg') == page.count('<div class="for-dark"><svg') == 3


def test_it_says_what_the_terminal_says() -> None:
    text = _read(html_report(fake_result(), OPTIONS)).text
    for part in (
        "1 fault, 1 warning, 1 note in 3 locking actions",
        "Fault",
        "Note, by design",
        "This is how the car is meant to work.",
        "the remote key: no press in the 2 s before",
        "no violation in this capture, exercised 5 times",
        "A connected recorder may keep the network awake",
        "Keep a spare key outside the car.",
        "Latchtrace listens only.",
        "(night.log.gz, line 15011)",
    ):
        assert part in text


@pytest.mark.parametrize("show", [False, True])
def test_codes_stay_out_unless_asked_for(show: bool) -> None:
    page = html_report(fake_result(), replace(OPTIONS, show_codes=show)).decode()
    assert (SECRET_PAYLOAD in page) is show
    assert (SECRET_CODE in page) is show


def test_everything_from_outside_is_escaped() -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'&\x1b"
    result = fake_result()
    vehicle = replace(result.vehicle, name=evil, system=evil)
    finding = replace(result.findings[0], id="F1", message=evil, rule=evil, cautions=(evil,), next_steps=(evil,))
    file = replace(result.capture.files[0], name=evil)
    hostile = replace(result, vehicle=vehicle, findings=(finding,), capture=replace(result.capture, files=(file,)))
    page = _read(html_report(hostile, replace(OPTIONS, captures=(evil,))))
    assert not page.tags & {"script", "img"}
    assert "<script>alert(1)</script>" in page.text
    assert "\x1b" not in page.text


def test_the_same_result_gives_the_same_bytes() -> None:
    assert html_report(fake_result(), OPTIONS) == html_report(fake_result(), OPTIONS)


def test_a_healthy_capture_has_no_empty_sections() -> None:
    page = html_report(healthy_result(), OPTIONS).decode()
    assert "<h2>Findings</h2>" not in page
    assert "<ul></ul>" not in page

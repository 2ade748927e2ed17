"""The captures a workbench shows, each under an id that tells nothing of where its files lie."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from functools import cached_property
from hashlib import sha256
from pathlib import PurePath
from threading import Lock

from latchtrace.model.clock import Clock
from latchtrace.model.results import AnalysisResult, Episode, Finding
from latchtrace.model.time import SECOND, Interval
from latchtrace.views.detail import Detail
from latchtrace.views.lanes import overlapping_segments, swimlane
from latchtrace.views.swimlane import Swimlane

BEFORE = 5 * SECOND // 2
"""A finding is shown with at least this much around it, so that the time before it can be read too."""


@dataclass(frozen=True)
class Page:
    """One capture, or one part of a capture whose parts overlap in time."""

    id: str
    name: str
    result: AnalysisResult
    times: Clock
    segment: int | None = None
    _lock: Lock = field(default_factory=Lock, repr=False, compare=False)

    @cached_property
    def swimlane(self) -> Swimlane:
        """The lanes, laid out when first asked for."""
        return swimlane(self.result, self.segment)

    @cached_property
    def _detail(self) -> Detail:
        return Detail(self.swimlane)

    @property
    def detail(self) -> Detail:
        """The level of detail, made once even when several requests come at the same time."""
        with self._lock:
            return self._detail

    @cached_property
    def findings(self) -> Mapping[str, Finding]:
        """The findings by id, in time order."""
        shown = {mark.id for mark in self.swimlane.marks}
        ordered = sorted(self.result.findings, key=lambda finding: (finding.at.lo, finding.id))
        return {finding.id: finding for finding in ordered if finding.id in shown}

    @cached_property
    def episodes(self) -> Mapping[str, Episode]:
        """The episodes by id, in time order."""
        ordered = sorted(self.result.episodes, key=lambda episode: (episode.at.lo, episode.id))
        return {episode.id: episode for episode in ordered if self.segment in (None, episode.segment)}

    def focus(self, item: Finding | Episode) -> Interval:
        """The stretch to show for a finding or an episode: all of it, and what came before and after."""
        episode = item if isinstance(item, Episode) else self.episodes.get(item.episode)
        at = item.at
        if episode is not None:
            at = at.hull(Interval(min(episode.at.lo, episode.end), max(episode.at.hi, episode.end)))
        return at.widen(max(BEFORE, at.width // 4))


class Catalogue:
    """All pages in the order given, found by id."""

    def __init__(self, results: Mapping[str, AnalysisResult], zone: tzinfo = UTC, clock_offset: int = 0) -> None:
        pages = list(_pages(results, zone, clock_offset))
        self.pages = tuple(pages)
        self._by_id = {page.id: page for page in pages}

    def page(self, page_id: object) -> Page | None:
        """The page of that id, or None."""
        return self._by_id.get(page_id) if isinstance(page_id, str) else None


def _pages(results: Mapping[str, AnalysisResult], zone: tzinfo, clock_offset: int) -> Iterable[Page]:
    for name, result in results.items():
        times = Clock(result.capture.zero, zone, clock_offset)
        shown = PurePath(name.replace("\\", "/")).name or name
        parts = overlapping_segments(result)
        if not parts:
            yield Page(_page_id(name, result, None), shown, result, times)
        for i, segment in enumerate(parts, 1):
            title = f"{shown}, part {i} of {len(parts)}"
            yield Page(_page_id(name, result, segment), title, result, times, segment)


def _page_id(name: str, result: AnalysisResult, segment: int | None) -> str:
    known = "\n".join((name, result.vehicle.name, str(segment), *(file.sha256 for file in result.capture.files)))
    return sha256(known.encode("utf-8", "surrogateescape")).hexdigest()[:10]

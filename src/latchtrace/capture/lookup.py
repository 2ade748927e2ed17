"""Evidence: turns references into frames with file and line, going back to the files once, and only if need be."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import NamedTuple

from latchtrace.capture.order import WINDOW
from latchtrace.capture.source import Source
from latchtrace.model.frames import CaptureReport, Frame, FrameFlags, RowRef, RowStore
from latchtrace.model.results import Evidence, EvidenceRef, LastBefore, NoneIn, Seen

_EXTENDED = FrameFlags.EXTENDED.value
_OTHER = FrameFlags.REMOTE.value | FrameFlags.ERROR.value

_Key = tuple[str, int, bool]


class _Found(NamedTuple):
    """A frame found, ordered by time, then file and line."""

    t: int
    file: int
    line: int
    data: bytes


@dataclass(slots=True)
class _Wanted:
    """What is asked of one id: the last frame before each of some times, the first after each of others."""

    before: list[int]
    after: list[int]
    lasts: list[_Found | None] = field(default_factory=list)
    firsts: list[_Found | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.before, self.after = sorted(set(self.before)), sorted(set(self.after))
        self.lasts, self.firsts = [None] * len(self.before), [None] * len(self.after)

    def take(self, frame: Frame, file: int) -> None:
        """Keep a frame for the question next to it; `finish` hands it on to the others."""
        found = _Found(frame.t, file, frame.line, frame.data)
        at = bisect_right(self.before, frame.t)
        if at < len(self.before):
            self.lasts[at] = _later(self.lasts[at], found)
        at = bisect_left(self.after, frame.t) - 1
        if at >= 0:
            self.firsts[at] = _earlier(self.firsts[at], found)

    def finish(self) -> None:
        """Spread what was found to all questions."""
        self.lasts = list(accumulate(self.lasts, _later))
        self.firsts = list(accumulate(reversed(self.firsts), _earlier))[::-1]

    def last_before(self, t: int) -> _Found | None:
        """The last frame before t."""
        return self.lasts[self.before.index(t)]

    def first_after(self, t: int) -> _Found | None:
        """The first frame after t."""
        return self.firsts[self.after.index(t)]

    def answered_at(self, t: int) -> bool:
        """Whether frames after t change no answer."""
        return (not self.before or self.before[-1] < t) and (not self.after or self.firsts[-1] is not None)


def _later(one: _Found | None, other: _Found | None) -> _Found | None:
    return max((found for found in (one, other) if found), default=None)


def _earlier(one: _Found | None, other: _Found | None) -> _Found | None:
    return min((found for found in (one, other) if found), default=None)


def resolve(
    references: Iterable[EvidenceRef],
    rows: RowStore,
    sources: Sequence[Source],
    report: CaptureReport,
) -> dict[EvidenceRef, Evidence]:
    """The evidence behind references: let-through frames, last frames before a time, and absences.

    References name channels by the plan's names, as everything in the report does. For an absence `after` and
    `until` are the times of the last frame of the id before the span and the first one after it (the span's own
    ends where there is none); file and line are those of the frame before (line 0: none). A LastBefore without
    any frame before is left out.
    """
    wanted_refs = list(dict.fromkeys(references))
    searched = [ref for ref in wanted_refs if not isinstance(ref, Seen)]
    wanted = _questions(searched)
    if wanted:
        _search(wanted, sources, report)
    answers: dict[EvidenceRef, Evidence] = {}
    for ref in wanted_refs:
        evidence = _seen(ref, rows, report) if isinstance(ref, Seen) else _answer(ref, wanted[_key(ref)], report)
        if evidence is not None:
            answers[ref] = evidence
    return answers


def _key(ref: LastBefore | NoneIn) -> _Key:
    return ref.channel, ref.can_id, ref.extended


def _questions(refs: Iterable[LastBefore | NoneIn]) -> dict[_Key, _Wanted]:
    before: dict[_Key, list[int]] = {}
    after: dict[_Key, list[int]] = {}
    for ref in refs:
        before.setdefault(_key(ref), []).append(ref.t if isinstance(ref, LastBefore) else ref.span.lo)
        if isinstance(ref, NoneIn):
            after.setdefault(_key(ref), []).append(ref.span.hi)
    return {key: _Wanted(times, after.get(key, [])) for key, times in before.items()}


def _search(wanted: Mapping[_Key, _Wanted], sources: Sequence[Source], report: CaptureReport) -> None:
    """One pass over each file that has one of the channels."""
    renamed = dict(report.renamed)
    latest = max(max([*question.before, *question.after]) for question in wanted.values())
    for number, (source, file) in enumerate(zip(sources, report.files, strict=True)):
        names = {raw: renamed.get(raw, raw) for raw in file.channels}
        mine = {
            (raw, key[1], key[2]): question
            for raw, name in names.items()
            for key, question in wanted.items()
            if key[0] == name
        }
        if mine:
            _search_file(mine, source, number, latest if len(report.segments) == 1 else None)
    for question in wanted.values():
        question.finish()


def _search_file(wanted: Mapping[_Key, _Wanted], source: Source, number: int, latest: int | None) -> None:
    numbers = {(key[0], key[1]) for key in wanted}
    for block in source.format.read(source.open()):
        for frame in block.frames:
            if frame[1:3] in numbers and not frame.flags & _OTHER:
                question = wanted.get((frame.channel, frame.can_id, bool(frame.flags & _EXTENDED)))
                if question:
                    question.take(frame, number)
        if latest is not None and block.frames and block.frames[0].t > latest + WINDOW:
            now = block.frames[0].t - WINDOW
            if all(question.answered_at(now) for question in wanted.values()):
                return


def _seen(ref: Seen, rows: RowStore, report: CaptureReport) -> Evidence:
    row = rows[ref.row]
    return _frame(row, row, report, ref.signal, ref.value)


def _answer(ref: LastBefore | NoneIn, wanted: _Wanted, report: CaptureReport) -> Evidence | None:
    last = wanted.last_before(ref.t if isinstance(ref, LastBefore) else ref.span.lo)
    if isinstance(ref, LastBefore):
        return _frame(last, ref, report) if last else None
    first = wanted.first_after(ref.span.hi)
    after = last.t if last else ref.span.lo
    return Evidence(
        file=report.files[last.file if last else 0].name,
        line=last.line if last else 0,
        t=after,
        channel=ref.channel,
        can_id=ref.can_id,
        extended=ref.extended,
        data="",
        value=ref.what,
        after=after,
        until=first.t if first else ref.span.hi,
    )


def _frame(
    found: RowRef | _Found, wire: RowRef | LastBefore, report: CaptureReport, signal: str = "", value: str = ""
) -> Evidence:
    """A frame as evidence; `wire` says on which channel and under which id it came."""
    return Evidence(
        file=report.files[found.file].name,
        line=found.line,
        t=found.t,
        channel=wire.channel,
        can_id=wire.can_id,
        extended=wire.extended,
        data=found.data.hex().upper(),
        signal=signal,
        value=value,
    )

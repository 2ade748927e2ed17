"""Change detection against a second reading of the plan's rules, and however the capture is cut."""

from __future__ import annotations

import os
import random
import tempfile
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from latchtrace.capture import changes, stream
from latchtrace.capture.lookup import resolve
from latchtrace.capture.reader import find_captures
from latchtrace.model.frames import CaptureReport
from latchtrace.model.plan import Emit, MessageKey, MessagePlan, Pages, ReadPlan
from latchtrace.model.results import EvidenceRef, LastBefore, NoneIn
from latchtrace.model.time import Interval
from support.captures import Outcome, at, body, read, restarted, stopped, traffic, write
from support.rows import Row, Sent, let_through

EXAMPLES = 3000 if os.environ.get("LATCHTRACE_LONG") else 60
CALM = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])

_IDS = ((0x100, False), (0x101, False), (0x100, True))
_CHANNELS = ("can0", "can1")


@st.composite
def _plans(draw: st.DrawFn) -> tuple[MessagePlan, ...]:
    """Plans of some of the ids, for one channel or for all."""
    plans = []
    for can_id, extended in draw(st.sets(st.sampled_from(_IDS), min_size=1)):
        channel = draw(st.sampled_from([None, *_CHANNELS]))
        selector = draw(st.sampled_from([0x3, 0xF0, 0x300]))
        pages = draw(st.sampled_from(list(Pages)))
        mask = draw(st.sampled_from([0, 0xFF, 0xF00, 0xFFFFFF]))
        listed = draw(st.sets(st.integers(0, 3), max_size=3))
        unit = selector & -selector
        plans.append(
            MessagePlan(
                MessageKey(channel, can_id, extended),
                emit=draw(st.sampled_from(list(Emit))),
                pages=pages,
                mask=mask,
                selector=selector,
                page_masks={} if pages is Pages.NONE else {number * unit: selector | 0xFF0000 for number in listed},
                shortest=draw(st.integers(0, 3)),
                silence_limit=draw(st.sampled_from([None, 50_000_000, 400_000_000])),
            )
        )
    return tuple(plans)


@st.composite
def _frames(draw: st.DrawFn) -> list[Sent]:
    """Up to 120 frames of few ids with few different payloads, at times that repeat, rest and hurry."""
    t, frames = at(1), []
    payload = st.lists(st.sampled_from([0, 1, 2, 0x10, 0x20, 0xFF]), max_size=4).map(bytes)
    for _ in range(draw(st.integers(0, 120))):
        t += draw(st.sampled_from([0, 1000, 20_000_000, 20_000_000, 100_000_000, 450_000_000]))
        can_id, extended = draw(st.sampled_from(_IDS))
        frames.append(Sent(t, draw(payload), can_id, draw(st.sampled_from(_CHANNELS)), extended))
    return frames or [Sent(at(1), b"")]


def expected(frames: Sequence[Sent], plans: Sequence[MessagePlan], report: CaptureReport) -> list[Row]:
    """The rows by the reference; where two plans fit a frame the one that names its channel counts."""
    rows = let_through(frames, plans, report.gaps)
    return sorted(rows, key=lambda row: row.sent.t)


def outcome_of(frames: Sequence[Sent], plan: ReadPlan, cuts: Sequence[int] = ()) -> Outcome:
    """The frames, written to one file or cut in several, read."""
    with tempfile.TemporaryDirectory() as folder:
        bounds = [0, *sorted(cuts), len(frames)]
        paths = [
            write(Path(folder) / f"{number:03d}.log", frames[lo:hi])
            for number, (lo, hi) in enumerate(pairwise(bounds))
            if hi > lo
        ]
        return read(paths, plan)


@given(_frames(), _plans())
@CALM
def test_the_rows_are_those_of_the_reference(frames: list[Sent], plans: tuple[MessagePlan, ...]) -> None:
    outcome = outcome_of(frames, ReadPlan(plans))
    assert outcome.rows == expected(frames, plans, outcome.report)


@given(_frames(), _plans())
@CALM
def test_the_counts_add_up(frames: list[Sent], plans: tuple[MessagePlan, ...]) -> None:
    report = outcome_of(frames, ReadPlan(plans)).report
    assert report.frames == len(frames) == sum(one.frames for one in report.ids)
    for one in report.ids:
        mine = [f for f in frames if (f.channel, f.can_id, f.extended) == (one.channel, one.can_id, one.extended)]
        assert one.frames == len(mine)
        assert (one.first, one.last) == (mine[0].t, mine[-1].t)
        assert one.lengths == tuple(sorted({len(f.data) for f in mine}))
        pairs = list(pairwise(mine))
        assert one.changes == sum(a.data != b.data for a, b in pairs)
        values = [int.from_bytes(f.data, "little") for f in mine]
        changed = 0
        for a, b in pairwise(values):
            changed |= a ^ b
        assert one.changing == changed
        if not report.gaps and not report.sleeps and pairs:
            gaps = [b.t - a.t for a, b in pairs]
            assert (one.min_gap, one.max_gap) == (min(gaps), max(gaps))
            assert one.mean_gap == pytest.approx(sum(gaps) / len(gaps))


@given(_frames(), _plans(), st.data())
@CALM
def test_cut_in_files_it_reads_as_the_whole(
    frames: list[Sent], plans: tuple[MessagePlan, ...], data: st.DataObject
) -> None:
    whole = outcome_of(frames, ReadPlan(plans))
    cuts = data.draw(st.lists(st.integers(0, len(frames)), max_size=4))
    cut = outcome_of(frames, ReadPlan(plans), cuts)
    assert cut.rows == whole.rows
    assert cut.report.ids == whole.report.ids
    assert (cut.report.gaps, cut.report.sleeps, cut.report.losses) == (
        whole.report.gaps,
        whole.report.sleeps,
        whole.report.losses,
    )


@given(_frames(), st.randoms(use_true_random=False))
@CALM
def test_small_disorder_changes_nothing_but_its_own_count(frames: list[Sent], rng: random.Random) -> None:
    """Frames that are late by less than a second; equal times keep their order, so they are made unequal here."""
    apart = [one._replace(t=one.t + number * 2000) for number, one in enumerate(frames)]
    late = sorted(apart, key=lambda one: one.t + rng.randrange(0, 900_000_000))
    plan = ReadPlan(tuple(MessagePlan(MessageKey(None, *key), mask=0xFFFF) for key in _IDS))
    one, other = outcome_of(apart, plan), outcome_of(late, plan)
    assert other.rows == one.rows
    assert other.report.ids == one.report.ids
    running, disorder = late[0].t, 0
    for frame in late:
        disorder += frame.t < running
        running = max(running, frame.t)
    assert other.report.out_of_order == disorder


@pytest.mark.parametrize("piece", [700, 5_000, 1 << 20])
@pytest.mark.parametrize("seed", range(3))
def test_however_it_comes_in_pieces_all_is_found_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, piece: int, seed: int
) -> None:
    """Sleep, a hole, loss: with the file read in pieces of any size, and batches of any length."""
    ids = [*body(seed=seed), *body("can1", seed=seed + 50, first_id=0x400)]
    frames = stopped(ids, 0, 60, seed=seed) + traffic(restarted(ids, 200, seed=seed), 200, 300, seed=seed)
    frames = [one for one in frames if not at(250) <= one.t < at(263.3)]
    rng = random.Random(seed)
    frames = [one._replace(data=bytes([rng.randrange(2), 0])) for one in frames if rng.random() > 0.005]
    plan = ReadPlan(tuple(MessagePlan(MessageKey(None, one.can_id), mask=1, silence_limit=10**9) for one in ids[:10]))
    path = write(tmp_path / "a.log", frames)
    whole = read(path, plan)
    monkeypatch.setattr(stream, "_PIECE", piece)
    monkeypatch.setattr(changes, "_MOST_FRAMES", piece // 50)
    parts = read(path, plan)
    assert parts.rows == whole.rows
    assert parts.report == whole.report
    assert len(whole.report.gaps) == 1
    assert len(whole.report.sleeps) == 2
    assert whole.report.losses


@given(_frames(), st.data())
@CALM
def test_evidence_is_what_a_search_through_all_frames_finds(frames: list[Sent], data: st.DataObject) -> None:
    moment = st.integers(frames[0].t - 10**9, frames[-1].t + 10**9)
    refs: list[EvidenceRef] = []
    for _ in range(data.draw(st.integers(1, 5))):
        key = (data.draw(st.sampled_from(_CHANNELS)), *data.draw(st.sampled_from(_IDS)))
        start, end = sorted((data.draw(moment), data.draw(moment)))
        refs += [LastBefore(*key, start), NoneIn(*key, Interval(start, end))]
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder) / "a.log", frames)
        outcome = read(path, ReadPlan())
        answers = resolve(refs, outcome.store, find_captures([str(path)]), outcome.report)
    for ref in refs:
        assert isinstance(ref, LastBefore | NoneIn)
        mine = [f.t for f in frames if (f.channel, f.can_id, f.extended) == (ref.channel, ref.can_id, ref.extended)]
        before = max((t for t in mine if t < (ref.t if isinstance(ref, LastBefore) else ref.span.lo)), default=None)
        if isinstance(ref, LastBefore):
            assert (ref in answers) == (before is not None)
            assert ref not in answers or answers[ref].t == before
        else:
            assert answers[ref].after == (ref.span.lo if before is None else before)
            assert answers[ref].until == min((t for t in mine if t > ref.span.hi), default=ref.span.hi)

"""Tracks hold against a simulated sender: every change lies in its interval, and nothing seen is left out."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from latchtrace.model.frames import Gap, GapCause
from latchtrace.model.network import MessageSpec, Onset, SignalRef, SignalTrack, Tracks, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import MILLISECOND, Interval
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.bits import raw_value
from latchtrace.network.planning import deposit, message_plan
from latchtrace.network.tracks import TrackBuilder, TrackRequest
from support.dbc import message, signal
from support.rows import Row, Sent, batch, let_through

PERIOD = 100 * MILLISECOND
LATENCY = 15 * MILLISECOND

PLAIN = message(signal("Latch", 3, 2), signal("Ajar", 9, 1), signal("Speed", 16, 12), signal("Count", 32, 4))
PAGED = message(
    signal("Page", 0, 3, is_multiplexer=True),
    signal("Latch", 8, 2, multiplexers=[("Page", (0,))]),
    signal("Ajar", 8, 1, multiplexers=[("Page", (1,))]),
    signal("Both", 16, 2, multiplexers=[("Page", (0, 2))]),
    signal("Always", 24, 2),
)
NESTED = message(
    signal("Outer", 0, 1, is_multiplexer=True),
    signal("Inner", 8, 1, is_multiplexer=True, multiplexers=[("Outer", (1,))]),
    signal("Shallow", 8, 2, multiplexers=[("Outer", (0,))]),
    signal("Deep", 16, 2, multiplexers=[("Outer", (1,)), ("Inner", (0,))]),
)


@dataclass(frozen=True)
class History:
    """The true value of each signal over time: sorted (moment, value), the first at or before the start."""

    changes: dict[str, list[tuple[int, int]]]

    def at(self, name: str, t: int) -> tuple[int, int]:
        """Since when, and what, at t."""
        steps = self.changes[name]
        return steps[bisect_right(steps, (t, 1 << 62)) - 1]

    def payload(self, spec: MessageSpec, t: int, **fixed: int) -> bytes:
        """The frame sent at t."""
        content = 0
        values = {s.name: fixed[s.name] if s.name in fixed else self.at(s.name, t)[1] for s in spec.signals}
        for one in spec.signals:
            if all(values[name] in ids for name, ids in one.multiplexers):
                content |= deposit(one, values[one.name])
        return content.to_bytes(8, "little")


def history(spec: MessageSpec, rng: random.Random, end: int, steps: int) -> History:
    """Random changes of every signal; values of their few lowest ones so that they come back."""
    changes = {}
    for one in spec.signals:
        moments = sorted(rng.sample(range(1, end), rng.randint(0, steps)))
        values = [(0, 0)]
        for moment in moments:
            values.append((moment, rng.choice([v for v in range(min(4, 2 ** len(one.bits))) if v != values[-1][1]])))
        changes[one.name] = values
    return History(changes)


def follow(
    spec: MessageSpec,
    use: MessageUse,
    names: Sequence[str],
    frames: Sequence[Sent],
    end: int,
    *,
    every: bool = False,
    gaps: Sequence[Gap] = (),
    cuts: Collection[int] = (),
    uncertainty: int = 0,
) -> tuple[Tracks, list[Row]]:
    """Plan, let through, build."""
    plan = message_plan(spec, use, names, None, every)
    rows = let_through(frames, [plan], gaps)
    key = MessageKey(None, spec.can_id)
    wanted = [TrackRequest(SignalRef(spec.name, name), key, spec, use, every) for name in names]
    builder = TrackBuilder(wanted, uncertainty)
    bounds = [0, *sorted(cuts), len(rows)]
    for a, b in pairwise(bounds):
        final = b == len(rows)
        builder.add(batch(rows[a:b], end if final else rows[b - 1].sent.t if b else 0, gaps=gaps if final else ()), a)
    (tracks,) = builder.finish()
    return tracks, rows


def check_intervals(track: SignalTrack, name: str, truth: History) -> None:
    """Each changed row's true beginning lies in its interval."""
    for i in np.flatnonzero((track.validity == Validity.KNOWN) & (track.onset == Onset.CHANGED)).tolist():
        began, value = truth.at(name, int(track.t_hi[i]))
        assert value == int(track.raw[i])
        assert track.t_lo[i] <= began <= track.t_hi[i], (name, i, began, track.at(i))


def check_complete(track: SignalTrack, spec: MessageSpec, name: str, frames: Sequence[Sent]) -> None:
    """At every frame that carries the signal, let through or not, the track shows that frame's value."""
    one = spec.signal(name)
    assert one is not None
    for sent in frames:
        carried = all(
            raw_value(selector, sent.data) in ids
            for above, ids in one.multiplexers
            if (selector := spec.signal(above)) is not None
        )
        if carried:
            i = int(np.searchsorted(track.t_hi, sent.t, side="right")) - 1
            assert i >= 0
            assert track.validity[i] == Validity.KNOWN
            assert int(track.raw[i]) == raw_value(one, sent.data), (name, sent)


def cyclic_times(rng: random.Random, end: int, jitter: int) -> list[int]:
    times = [k * PERIOD + rng.randint(-jitter, jitter) + jitter for k in range(end // PERIOD)]
    return sorted({t for t in times if 0 <= t <= end})


seeds = st.integers(0, 2**32)


@settings(max_examples=60)
@given(seeds)
def test_cyclic_changes_lie_in_their_intervals_with_frames_lost(seed: int) -> None:
    rng = random.Random(seed)
    end = 40 * PERIOD
    truth = history(PLAIN, rng, end, 12)
    frames = [Sent(t, truth.payload(PLAIN, t)) for t in cyclic_times(rng, end, PERIOD // 10)]
    frames = [frame for frame in frames if rng.random() > 0.1]
    use = MessageUse("M", None, SendType.CYCLIC, period=PERIOD)
    tracks, _ = follow(PLAIN, use, ["Latch", "Ajar"], frames, end)
    for name in ("Latch", "Ajar"):
        track = tracks.tracks[SignalRef("M", name)]
        check_intervals(track, name, truth)
        check_complete(track, PLAIN, name, frames)


@settings(max_examples=60)
@given(seeds, st.sampled_from([SendType.ON_CHANGE, SendType.CYCLIC_AND_ON_CHANGE]))
def test_on_change_frames_bound_a_change_by_the_latency(seed: int, send: SendType) -> None:
    rng = random.Random(seed)
    end = 40 * PERIOD
    truth = history(PLAIN, rng, end, 12)
    sent = [t + rng.randint(0, LATENCY - 1) for steps in truth.changes.values() for t, _ in steps[1:]]
    cyclic = cyclic_times(rng, end, 0) if send is SendType.CYCLIC_AND_ON_CHANGE else []
    frames = [Sent(t, truth.payload(PLAIN, t)) for t in sorted({0, *sent, *cyclic})]
    use = MessageUse("M", None, send, period=PERIOD, latency=LATENCY)
    tracks, _ = follow(PLAIN, use, ["Latch", "Ajar", "Speed"], frames, end + LATENCY)
    for name in ("Latch", "Ajar", "Speed"):
        track = tracks.tracks[SignalRef("M", name)]
        check_intervals(track, name, truth)
        check_complete(track, PLAIN, name, frames)
        off_cycle = track.t_hi[1:] - track.t_lo[1:]
        assert send is SendType.CYCLIC_AND_ON_CHANGE or (off_cycle < LATENCY).all()


@settings(max_examples=60)
@given(seeds)
def test_lost_on_change_frames_that_a_counter_shows_widen_the_interval(seed: int) -> None:
    rng = random.Random(seed)
    end = 40 * PERIOD
    truth = history(replace(PLAIN, signals=PLAIN.signals[:2]), rng, end, 12)
    sent = sorted({0, *(t + rng.randint(0, LATENCY - 1) for steps in truth.changes.values() for t, _ in steps[1:])})
    spec = replace(PLAIN, signals=(*PLAIN.signals[:2], PLAIN.signals[3]))
    frames = [Sent(t, truth.payload(spec, t, Count=i % 16)) for i, t in enumerate(sent)]
    kept = [frame for frame in frames if rng.random() > 0.15]
    use = MessageUse("M", None, SendType.ON_CHANGE, latency=LATENCY, counter="Count")
    tracks, _ = follow(spec, use, ["Latch", "Ajar"], kept, end + LATENCY)
    for name in ("Latch", "Ajar"):
        check_intervals(tracks.tracks[SignalRef("M", name)], name, truth)
        check_complete(tracks.tracks[SignalRef("M", name)], spec, name, kept)
    silences = tracks.tracks[SignalRef("M", "Latch")].silences
    between = [frame.t for frame in frames if kept and kept[0].t < frame.t < kept[-1].t and frame not in kept]
    missed = [t for t in between if not any(span.lo <= t <= span.hi for span in silences)]
    assert not missed


PAGED_SETS = [["Latch"], ["Latch", "Ajar"], ["Both"], ["Latch", "Both"], ["Latch", "Always"], ["Page", "Ajar"]]


@settings(max_examples=80)
@given(seeds, st.sampled_from(PAGED_SETS), st.booleans(), st.booleans())
def test_pages_in_turn_or_at_random_hide_no_change(seed: int, names: list[str], kinds: bool, turns: bool) -> None:
    rng = random.Random(seed)
    end = 60 * PERIOD
    truth = history(PAGED, rng, end, 12)
    frames = [
        Sent(t, truth.payload(PAGED, t, Page=i % 3 if turns else rng.randrange(4)))
        for i, t in enumerate(cyclic_times(rng, end, PERIOD // 10))
        if rng.random() > 0.05
    ]
    use = MessageUse("M", None, SendType.CYCLIC, period=PERIOD, kind_pages=kinds)
    tracks, _ = follow(PAGED, use, names, frames, end)
    for name in names:
        track = tracks.tracks[SignalRef("M", name)]
        check_complete(track, PAGED, name, frames)
        if name != "Page":
            check_intervals(track, name, truth)


@settings(max_examples=60)
@given(seeds, st.sampled_from([["Deep"], ["Shallow"], ["Deep", "Shallow"], ["Inner", "Deep"]]))
def test_nested_pages_hide_no_change(seed: int, names: list[str]) -> None:
    rng = random.Random(seed)
    end = 60 * PERIOD
    truth = history(NESTED, rng, end, 12)
    frames = [
        Sent(t, truth.payload(NESTED, t, Outer=rng.randrange(2), Inner=rng.randrange(2)))
        for t in cyclic_times(rng, end, PERIOD // 10)
    ]
    use = MessageUse("M", None, SendType.CYCLIC, period=PERIOD)
    tracks, _ = follow(NESTED, use, names, frames, end)
    for name in names:
        check_complete(tracks.tracks[SignalRef("M", name)], NESTED, name, frames)
        if name != "Inner":
            check_intervals(tracks.tracks[SignalRef("M", name)], name, truth)


@settings(max_examples=40)
@given(seeds, st.sampled_from([SendType.CYCLIC, SendType.EVENT]), st.data())
def test_batches_cut_anywhere_give_the_same_tracks(seed: int, send: SendType, data: st.DataObject) -> None:
    rng = random.Random(seed)
    end = 40 * PERIOD
    truth = history(PAGED, rng, end, 12)
    times = [t for t in cyclic_times(rng, end, PERIOD // 10) if rng.random() > 0.2]
    frames = [Sent(t, truth.payload(PAGED, t, Page=rng.randrange(3))[: rng.choice([8, 8, 8, 2])]) for t in times]
    use = MessageUse("M", None, send, period=PERIOD if send is SendType.CYCLIC else None, latency=LATENCY)
    a, b = sorted(rng.sample(times, 2))
    gap = Gap("", Interval(a, b), GapCause.SILENCE)
    frames = [frame for frame in frames if not gap.span.lo < frame.t < gap.span.hi]
    names = ["Latch", "Both", "Always"]
    whole, rows = follow(PAGED, use, names, frames, end, gaps=[gap])
    cuts = data.draw(st.sets(st.integers(1, max(1, len(rows) - 1)), max_size=5))
    parts, _ = follow(PAGED, use, names, frames, end, gaps=[gap], cuts=cuts)
    for ref, track in whole.tracks.items():
        other = parts.tracks[ref]
        for column in ("t_lo", "t_hi", "raw", "value", "validity", "onset", "row"):
            np.testing.assert_array_equal(getattr(track, column), getattr(other, column))
        assert track.known_until == other.known_until
        assert track.silences == other.silences
    assert (whole.span, whole.blind, whole.seen) == (parts.span, parts.blind, parts.seen)

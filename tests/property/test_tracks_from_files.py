"""Tracks built from a capture file through the real reader equal those from a plain reading of the same plan."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from latchtrace.capture.reader import find_captures, read_changes
from latchtrace.model.frames import RowStore
from latchtrace.model.network import MessageSpec, SignalRef
from latchtrace.model.plan import MessageKey, ReadPlan
from latchtrace.model.time import MILLISECOND
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.planning import deposit, message_plan
from latchtrace.network.tracks import TrackBuilder, TrackRequest
from support.dbc import message, signal
from support.rows import Sent, batch, let_through

PERIOD = 100 * MILLISECOND
SPEC = message(
    signal("Outer", 0, 2, is_multiplexer=True),
    signal("Latch", 8, 2, multiplexers=[("Outer", (0,))]),
    signal("Inner", 8, 1, is_multiplexer=True, multiplexers=[("Outer", (1,))]),
    signal("Deep", 16, 2, multiplexers=[("Outer", (1,)), ("Inner", (0,))]),
    signal("Both", 24, 2, multiplexers=[("Outer", (0, 2))]),
    signal("Always", 32, 2),
)
WANTED = [["Latch"], ["Deep"], ["Both"], ["Latch", "Both"], ["Latch", "Always"], ["Deep", "Latch"], ["Always"]]


def frames_of(spec: MessageSpec, rng: random.Random) -> list[Sent]:
    """A cyclic message with values that change now and then, some frames cut short; times in microseconds."""
    values = {one.name: 0 for one in spec.signals}
    frames = []
    for i in range(60):
        for one in spec.signals:
            if one.is_multiplexer or rng.random() < 0.1:
                values[one.name] = rng.randrange(2 ** len(one.bits))
        content = sum(
            deposit(one, values[one.name])
            for one in spec.signals
            if all(values[name] in ids for name, ids in one.multiplexers)
        )
        data = content.to_bytes(8, "little")
        t = 10**12 + i * PERIOD + rng.randrange(5000) * 1000
        frames.append(Sent(t, data[: rng.randint(0, 7)] if rng.random() < 0.05 else data))
    return frames


def written(frames: Sequence[Sent], folder: str) -> str:
    lines = [f"({f.t // 10**9}.{f.t % 10**9 // 1000:06d}) can0 {f.can_id:03X}#{f.data.hex().upper()}\n" for f in frames]
    path = Path(folder) / "capture.log"
    path.write_text("".join(lines))
    return str(path)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(WANTED), st.sampled_from(list(SendType)), st.booleans(), st.booleans())
def test_reader_and_plan_agree_on_what_must_come_through(
    seed: int, names: list[str], send: SendType, kinds: bool, every: bool
) -> None:
    frames = frames_of(SPEC, random.Random(seed))
    use = MessageUse("M", None, send, period=PERIOD, latency=15 * MILLISECOND, kind_pages=kinds)
    plan = message_plan(SPEC, use, names, None, every)
    wanted = [TrackRequest(SignalRef("M", name), MessageKey(None, SPEC.can_id), SPEC, use, every) for name in names]
    real, plain, rows = TrackBuilder(wanted), TrackBuilder(wanted), RowStore()
    with tempfile.TemporaryDirectory() as folder:
        reading = read_changes(find_captures([written(frames, folder)]), ReadPlan((plan,)))
        for part in reading:
            real.add(part, rows.add(part))
    report = reading.report
    plain.add(batch(let_through(frames, [plan]), frames[-1].t, gaps=report.gaps, sleeps=report.sleeps), 0)
    (one,) = real.finish(ids=report.ids, segments=report.segments)
    (other,) = plain.finish(ids=report.ids, segments=report.segments)
    for ref, track in one.tracks.items():
        for column in ("t_lo", "t_hi", "raw", "value", "validity", "onset"):
            np.testing.assert_array_equal(getattr(track, column), getattr(other.tracks[ref], column))
        assert (track.silences, track.known_until) == (other.tracks[ref].silences, other.tracks[ref].known_until)
        for i in np.flatnonzero(track.row >= 0).tolist():
            assert rows[int(track.row[i])].t == track.t_hi[i]

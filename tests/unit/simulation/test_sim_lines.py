"""Changing finished captures: each change does what it says and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation import lines

MS = MILLISECOND
TEXT = [
    lines.frame_line(i * 10 * MS, "can0" if i % 3 else "can1", "123" if i % 2 else "1ABCDEF0", bytes([i % 256]))
    for i in range(600)
]


@given(
    st.integers(0, 2**40).map(lambda us: us * 1000),
    st.sampled_from(["can0", "comfort0"]),
    st.one_of(st.integers(0, 0x7FF).map(lambda i: f"{i:03X}"), st.integers(0, 0x1FFFFFFF).map(lambda i: f"{i:08X}")),
    st.binary(max_size=8),
)
def test_a_line_is_read_as_it_was_written(t: int, channel: str, id_text: str, data: bytes) -> None:
    parts = lines.parts(lines.frame_line(t, channel, id_text, data))
    assert parts == (t, channel, id_text, data)
    assert parts is not None
    assert lines.parts(parts.line) == parts


@given(st.text(max_size=40))
def test_what_is_no_frame_is_none(text: str) -> None:
    parts = lines.parts(text)
    assert parts is None or parts.line == text


def test_losing_takes_about_the_share_of_the_ids_named_and_no_others() -> None:
    left = lines.lose(TEXT, 0.2, 7, {("can0", "123")})
    counted = [line for line in TEXT if " can0 123#" in line]
    lost = [line for line in TEXT if line not in set(left)]
    assert 0.1 < len(lost) / len(counted) < 0.3
    assert set(lost) <= set(counted)
    assert left == lines.lose(TEXT, 0.2, 7, {("can0", "123")})
    assert left != lines.lose(TEXT, 0.2, 8, {("can0", "123")})


def test_jitter_moves_each_time_within_its_bound_and_keeps_the_order_of_time() -> None:
    moved = [parts for line in lines.jitter(TEXT, 2 * MS, 3) if (parts := lines.parts(line))]
    assert [p.t for p in moved] == sorted(p.t for p in moved)
    offsets = [p.t - 10 * MS * i for i, p in enumerate(moved)]
    assert max(map(abs, offsets)) <= 2 * MS
    assert max(offsets) > MS
    assert min(offsets) < -MS


def test_cutting_keeps_both_ends() -> None:
    kept = [p.t for line in lines.cut(TEXT, SECOND, 2 * SECOND) if (p := lines.parts(line))]
    assert kept[0] == SECOND
    assert kept[-1] == 2 * SECOND
    assert lines.cut(TEXT) == TEXT


@pytest.mark.parametrize("noted", [True, False])
def test_a_gap_loses_every_frame_inside_and_notes_how_many_on_each_channel(noted: bool) -> None:
    left = lines.gap(TEXT, SECOND, 2 * SECOND, noted=noted)
    assert not [p for line in left if (p := lines.parts(line)) and SECOND <= p.t < 2 * SECOND]
    notes = [line for line in left if line.startswith("DROPCOUNT")]
    lost = {"can0": 67, "can1": 33}
    expected = {f"DROPCOUNT: dropped {n} CAN frames on '{c}' socket (total drops {n})" for c, n in lost.items()}
    assert set(notes) == (expected if noted else set())
    assert len(left) == 500 + len(notes)


def test_a_gap_of_one_channel_leaves_the_other() -> None:
    left = lines.gap(TEXT, SECOND, 2 * SECOND, channel="can1", noted=False)
    assert len(left) == 600 - 33


def test_renaming_changes_ids_by_channel_and_channels_by_name() -> None:
    renamed = lines.rename(TEXT, {("can0", "123"): "456"}, {"can1": "vcan9"})
    assert sum(" can0 456#" in line for line in renamed) == sum(" can0 123#" in line for line in TEXT)
    assert not [line for line in renamed if " can0 123#" in line or " can1 " in line]
    assert sum(" vcan9 123#" in line for line in renamed) == sum(" can1 123#" in line for line in TEXT)


def test_rewriting_gives_other_data_or_takes_the_frame_away() -> None:
    rewritten = lines.rewrite(TEXT, "can0", "123", lambda told: b"\xff" if told.data != b"\x05" else None)
    changed = [p for line in rewritten if (p := lines.parts(line)) and (p.channel, p.id_text) == ("can0", "123")]
    assert {p.data for p in changed} == {b"\xff"}
    gone = [line for line in TEXT if " can0 123#05" in line]
    assert len(TEXT) - len(rewritten) == len(gone) > 0


def test_lines_that_are_no_frames_pass_through_every_change() -> None:
    note = "DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)"
    text = [TEXT[0], note, TEXT[1]]
    assert note in lines.lose(text, 1.0, 1, {("can0", "123")})
    assert note in lines.jitter(text, MS, 1)
    assert note in lines.cut(text, 0, SECOND)
    assert note in lines.rename(text, {}, {})
    assert note in lines.rewrite(text, "can0", "123", lambda _: None)

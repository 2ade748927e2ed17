"""A second, plain reading of a ReadPlan's rules: frames in, the rows the reader has to let through out.

Written from the docstrings of `model/plan.py` and `model/frames.py`, apart from the capture room, so that the
network room is tested without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from latchtrace.model.frames import ChangeBatch, FrameFlags, Gap, Sleep, Why
from latchtrace.model.plan import Emit, MessageKey, MessagePlan, Pages
from latchtrace.model.time import NO_TIME

TOO_SHORT = -1
"""Stands for the page of frames that do not hold their selector."""


class Sent(NamedTuple):
    """One frame of a test: time, channel, id and data."""

    t: int
    data: bytes
    can_id: int = 0x100
    channel: str = "can0"
    extended: bool = False


class Row(NamedTuple):
    """One frame that came through."""

    sent: Sent
    why: Why
    previous: int
    previous_page: int


@dataclass(slots=True)
class _Known:
    """What a reader remembers of one message on one channel."""

    t: int = NO_TIME
    page: int | None = None
    pages: dict[int, tuple[int, tuple[int, int | None]]] = field(default_factory=dict)


def let_through(frames: Iterable[Sent], plans: Sequence[MessagePlan], gaps: Sequence[Gap] = ()) -> list[Row]:
    """The rows of frames in time order under plans; a gap makes the reader forget."""
    rows: list[Row] = []
    known: dict[tuple[MessageKey, str], _Known] = {}
    for sent in frames:
        for plan in plans:
            key = plan.key
            if (key.can_id, key.extended) != (sent.can_id, sent.extended) or key.channel not in (None, sent.channel):
                continue
            state = known.setdefault((key, sent.channel), _Known())
            if any(
                gap.channel in ("", sent.channel) and state.t <= gap.span.lo < gap.span.hi <= sent.t for gap in gaps
            ):
                known[key, sent.channel] = state = _Known()
            if (row := _judge(sent, plan, state)) is not None:
                rows.append(row)
    return rows


def _judge(sent: Sent, plan: MessagePlan, state: _Known) -> Row | None:
    payload = int.from_bytes(sent.data, "little")
    page = 0
    if plan.pages is not Pages.NONE:
        page = TOO_SHORT if plan.selector >> 8 * len(sent.data) else payload & plan.selector
    short = len(sent.data) if len(sent.data) < plan.shortest else None
    shown = (payload & (plan.page_masks.get(page, plan.mask)), short)
    last_t, last_shown = state.pages.get(page, (NO_TIME, None))
    turned = plan.pages is Pages.KIND and page != state.page
    always = plan.emit is Emit.ALWAYS
    why: Why | None = None
    if last_t == NO_TIME:
        why = Why.FIRST
    elif plan.silence_limit is not None and sent.t - state.t > plan.silence_limit:
        why = Why.AFTER_SILENCE
    elif shown != last_shown or turned or always:
        why = (
            Why.SHORT
            if short is not None
            else Why.PAGE
            if turned
            else Why.CHANGE
            if shown != last_shown
            else Why.ALWAYS
        )
    row = None if why is None else Row(sent, why, state.t, last_t)
    state.t, state.page = sent.t, page
    state.pages[page] = (sent.t, shown)
    return row


def batch(
    rows: Sequence[Row],
    watermark: int,
    *,
    gaps: Sequence[Gap] = (),
    sleeps: Sequence[Sleep] = (),
    segment: int = 0,
    width: int = 8,
) -> ChangeBatch:
    """Rows as a ChangeBatch."""
    channels = tuple(dict.fromkeys(row.sent.channel for row in rows)) or ("can0",)
    payload = np.zeros((len(rows), width), np.uint8)
    for i, row in enumerate(rows):
        payload[i, : len(row.sent.data)] = np.frombuffer(row.sent.data, np.uint8)
    count = np.arange(len(rows), dtype=np.int64)
    return ChangeBatch(
        t=np.array([row.sent.t for row in rows], np.int64),
        file=np.zeros(len(rows), np.uint16),
        channel=np.array([channels.index(row.sent.channel) for row in rows], np.uint16),
        can_id=np.array([row.sent.can_id for row in rows], np.uint32),
        flags=np.array([FrameFlags.EXTENDED if row.sent.extended else 0 for row in rows], np.uint16),
        why=np.array([row.why for row in rows], np.uint8),
        length=np.array([len(row.sent.data) for row in rows], np.uint8),
        payload=payload,
        line=count + 1,
        offset=count,
        previous=np.array([row.previous for row in rows], np.int64),
        previous_page=np.array([row.previous_page for row in rows], np.int64),
        channels=channels,
        watermark=watermark,
        segment=segment,
        gaps=tuple(gaps),
        sleeps=tuple(sleeps),
    )

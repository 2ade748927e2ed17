"""Rows gathered into a batch of columns."""

from __future__ import annotations

import numpy as np

from latchtrace.model.frames import ChangeBatch, Frame, Gap, Loss, Sleep, Why

MOST_ROWS = 4096

_Row = tuple[int, int, int, int, int, int, int, int, int, int, int]


class Batcher:
    """Takes rows and what was decided of the quality, gives batches."""

    def __init__(self) -> None:
        self._rows: list[_Row] = []
        self._data: list[bytes] = []
        self._channels: dict[str, int] = {}
        self.gaps: list[Gap] = []
        self.sleeps: list[Sleep] = []
        self.losses: list[Loss] = []

    def __len__(self) -> int:
        return len(self._rows)

    def add(self, frame: Frame, file: int, channel: str, why: Why, before: tuple[int, int]) -> None:
        """Let a frame through; `before` are the times of the frame before of its id and of its page."""
        number = self._channels.setdefault(channel, len(self._channels))
        t, _, can_id, flags, data, _, line, offset = frame
        self._rows.append((t, file, number, can_id, flags, int(why), len(data), line, offset, *before))
        self._data.append(data)

    def batch(self, watermark: int, segment: int) -> ChangeBatch:
        """Everything since the last batch; channel numbers stay the same over all batches."""
        table = np.array(self._rows, dtype=np.int64).reshape(len(self._rows), 11)
        width = 8 if all(len(data) <= 8 for data in self._data) else 64
        payload = np.frombuffer(b"".join(data.ljust(width, b"\0") for data in self._data), dtype=np.uint8)
        batch = ChangeBatch(
            t=table[:, 0].copy(),
            file=table[:, 1].astype(np.uint16),
            channel=table[:, 2].astype(np.uint16),
            can_id=table[:, 3].astype(np.uint32),
            flags=table[:, 4].astype(np.uint16),
            why=table[:, 5].astype(np.uint8),
            length=table[:, 6].astype(np.uint8),
            payload=payload.reshape(len(self._rows), width),
            line=table[:, 7].copy(),
            offset=table[:, 8].copy(),
            previous=table[:, 9].copy(),
            previous_page=table[:, 10].copy(),
            channels=tuple(self._channels),
            watermark=watermark,
            segment=segment,
            gaps=tuple(self.gaps),
            sleeps=tuple(self.sleeps),
            losses=tuple(self.losses),
        )
        self._rows, self._data = [], []
        self.gaps, self.sleeps, self.losses = [], [], []
        return batch

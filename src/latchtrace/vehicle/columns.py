"""Reads the rows of a reading out of its tracks, column by column: labels, conditions, details, what was lost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import Int64s
from latchtrace.model.network import Onset, SignalRef, SignalTrack, Tracks, Validity
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Detail, Labels, Reading
from latchtrace.vehicle.kinds import UNKNOWN
from latchtrace.vehicle.values import Pairs

UNLISTED = -1
LOST = -2
SHOWN_VALUES = 5

Bools = npt.NDArray[np.bool_]


@dataclass(slots=True)
class Oddities:
    """Counts what the vehicle file does not explain, for one notice each."""

    unlisted: dict[tuple[str, SignalRef], Counter[int]] = field(default_factory=dict)
    absent: Counter[tuple[str, SignalRef]] = field(default_factory=Counter)
    restarts: Counter[tuple[str, SignalRef]] = field(default_factory=Counter)

    def notices(self) -> tuple[str, ...]:
        """One line for each signal and kind of oddity, with its count."""
        lines = [self._unlisted(role, ref, counts) for (role, ref), counts in self.unlisted.items()]
        for (role, ref), count in self.absent.items():
            lines.append(f"{role}: {ref} is missing in {_times(count, 'frame')} (too short, or of an unknown page)")
        for (role, ref), count in self.restarts.items():
            lines.append(f"{role}: counter {ref} jumped {_times(count, 'time')} farther than anyone can press; "
                         "taken for a restart, not for presses")  # fmt: skip
        return tuple(sorted(lines))

    def _unlisted(self, role: str, ref: SignalRef, counts: Counter[int]) -> str:
        ordered = sorted(counts.items())
        values = ", ".join(f"{raw} ({_times(count, 'time')})" for raw, count in ordered[:SHOWN_VALUES])
        more = f" and {len(ordered) - SHOWN_VALUES} more values" if len(ordered) > SHOWN_VALUES else ""
        return f"{role}: {ref} took raw values the vehicle file gives no meaning, read as unknown: {values}{more}"


def _times(count: int, word: str) -> str:
    return f"{count:,} {word}{'' if count == 1 else 's'}"


class Lookup:
    """Finds the value a track had in a given frame: the row of that frame, else the last one before.

    A row that only says "lost" has no frame: it counts for the frames after the last one seen until then. `seen` are
    the numbers and times of all frames that the tracks read together show.
    """

    def __init__(self, track: SignalTrack, seen: tuple[Int64s, Int64s]) -> None:
        self.track = track
        rows, times = seen
        frames = np.maximum.accumulate(track.row) if len(track) else track.row
        lost = track.row < 0
        before = np.searchsorted(times, track.t_hi, side="right") - 1
        latest = np.where(before >= 0, rows[before], -1) if len(rows) else np.full(len(track), -1)
        self._places: Int64s = np.where(lost, 2 * np.maximum(frames, latest) + 1, 2 * frames)

    def find(self, rows: Int64s) -> npt.NDArray[np.intp]:
        """The track's index for each frame's row; -1 before the first."""
        return np.searchsorted(self._places, 2 * rows, side="right") - 1

    def raw(self, rows: Int64s) -> tuple[npt.NDArray[Any], Bools]:
        """The raw value in each frame, and whether it is known."""
        at = self.find(rows)
        if not len(self.track):
            return np.zeros(len(rows), np.int64), np.zeros(len(rows), np.bool_)
        known: Bools = (at >= 0) & (self.track.validity[at] == Validity.KNOWN)
        return self.track.raw[at], known


def keys_like(raw: npt.NDArray[Any], keys: Sequence[int]) -> npt.NDArray[Any]:
    """Keys as a sorted column of the track's own type; those it cannot hold are left out."""
    if raw.dtype == np.uint64:
        return np.array(sorted(key for key in keys if 0 <= key < 2**64), np.uint64)
    return np.array(sorted(key for key in keys if -(2**63) <= key < 2**63), np.int64)


def codes_of(raw: npt.NDArray[Any], meaning: Mapping[int, int]) -> npt.NDArray[np.int32]:
    """The code of each raw value; UNLISTED where the map has none."""
    keys = keys_like(raw, list(meaning))
    if not len(keys):
        return np.full(len(raw), UNLISTED, np.int32)
    at = np.minimum(np.searchsorted(keys, raw), len(keys) - 1)
    codes = np.array([meaning[int(key)] for key in keys], np.int32)[at]
    return np.where(keys[at] == raw, codes, np.int32(UNLISTED))


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a reading: when, in which frame, what it means (None: not known), and how it came."""

    at: Interval
    row: int
    pairs: Pairs | None
    first: bool
    lost: bool


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of one reading as columns of equal length, in time order; `code` indexes `meanings`."""

    lo: Int64s
    hi: Int64s
    row: Int64s
    code: npt.NDArray[np.int32]
    first: Bools
    meanings: tuple[Pairs, ...]

    def changes(self) -> Iterator[Row]:
        """The rows at which the meaning changes, is first seen or is lost."""
        if not len(self.code):
            return
        keep = np.ones(len(self.code), np.bool_)
        keep[1:] = (self.code[1:] != self.code[:-1]) | self.first[1:] | (self.code[1:] == LOST)
        for i in np.flatnonzero(keep).tolist():
            code = int(self.code[i])
            pairs = self.meanings[code] if code >= 0 else None
            yield Row(Interval(int(self.lo[i]), int(self.hi[i])), int(self.row[i]), pairs, bool(self.first[i]),
                      code == LOST)  # fmt: skip


class Reader:
    """Everything about one reading that its tracks tell. `None` tracks (never asked for) read as silent."""

    def __init__(self, role: str, reading: Reading, tracks: Tracks, oddities: Oddities) -> None:
        self.role = role
        self.reading = reading
        self.oddities = oddities
        self.track = tracks.tracks.get(reading.signal)
        self._when = [(tracks.tracks.get(ref), wanted) for ref, wanted in reading.when]
        self._details = [(detail, tracks.tracks.get(detail.signal)) for detail in reading.details]
        self.seen = self._seen()

    def _seen(self) -> tuple[Int64s, Int64s]:
        """The frames of all tracks of the reading: their numbers and times, in order."""
        others = (track for track, _ in self._when), (track for _, track in self._details)
        tracks = [track for track in (self.track, *others[0], *others[1]) if track is not None]
        rows = np.concatenate([track.row for track in tracks]) if tracks else np.zeros(0, np.int64)
        times = np.concatenate([track.t_hi for track in tracks]) if tracks else np.zeros(0, np.int64)
        rows, first = np.unique(rows, return_index=True)
        shown = rows >= 0
        return rows[shown], np.maximum.accumulate(times[first][shown])

    def holds(self, rows: Int64s) -> Bools:
        """Whether the conditions of the reading hold in each frame."""
        result = np.ones(len(rows), np.bool_)
        for track, wanted in self._when:
            if track is None:
                return np.zeros(len(rows), np.bool_)
            raw, known = Lookup(track, self.seen).raw(rows)
            result &= known & np.isin(raw, keys_like(raw, wanted))
        return result

    def details(self, rows: Int64s) -> list[dict[str, int | str]]:
        """The details of each frame, labelled where the vehicle file gives labels."""
        found: list[dict[str, int | str]] = [{} for _ in range(len(rows))]
        for detail, track in self._details:
            if track is None:
                continue
            raw, known = Lookup(track, self.seen).raw(rows)
            for i in np.flatnonzero(known).tolist():
                found[i][detail.name] = self._labelled(detail, int(raw[i]))
        return found

    def _labelled(self, detail: Detail, raw: int) -> int | str:
        if not detail.labels:
            return raw
        if raw not in detail.labels:
            self.oddities.unlisted.setdefault((self.role, detail.signal), Counter())[raw] += 1
        return detail.labels.get(raw, UNKNOWN)

    def coded(self, track: SignalTrack, labels: Labels) -> tuple[npt.NDArray[np.int32], tuple[Pairs, ...]]:
        """The code of each row and the meanings they index; values without a label are counted."""
        meanings = tuple(dict.fromkeys(labels.by_raw.values()))
        number = {pairs: i for i, pairs in enumerate(meanings)}
        code = codes_of(track.raw, {raw: number[pairs] for raw, pairs in labels.by_raw.items()})
        self._note(track, code)
        return code, meanings

    def labelled_rows(self) -> Rows:
        """All rows of a reading with labels in which its conditions hold, with the spots where it was lost."""
        track = self.track
        if track is None or self.reading.labels is None or not len(track):
            return _no_rows()
        code, meanings = self.coded(track, self.reading.labels)
        code = np.where(track.validity == Validity.KNOWN, code, np.int32(UNLISTED))
        code = np.where(track.validity == Validity.LOST, np.int32(LOST), code)
        first = track.onset == Onset.FIRST_SEEN
        if not self._when:
            return Rows(track.t_lo, track.t_hi, track.row, code, first, meanings)
        return self._conditioned(track, code, first, meanings)

    def _conditioned(
        self, track: SignalTrack, code: npt.NDArray[np.int32], first: Bools, meanings: tuple[Pairs, ...]
    ) -> Rows:
        """Rows of the signal and of its conditions, those left out in which a condition does not hold."""
        sources = [track, *(other for other, _ in self._when if other is not None)]
        rows = np.concatenate([source.row for source in sources])
        lo = np.concatenate([source.t_lo for source in sources])
        hi = np.concatenate([source.t_hi for source in sources])
        own = np.arange(len(rows)) < len(track)
        at = Lookup(track, self.seen).find(rows)
        _, unique = np.unique(rows, return_index=True)  # the signal's own row comes first where both have one
        keep = np.zeros(len(rows), np.bool_)
        keep[unique] = True
        keep &= (rows >= 0) & (at >= 0) & self.holds(rows)
        keep |= own & (rows < 0)
        at = np.where(own, np.arange(len(rows)), at)
        order = np.flatnonzero(keep)
        order = order[np.lexsort((rows[order], hi[order]))]
        at = at[order]
        return Rows(lo[order], hi[order], rows[order], code[at], first[at] & own[order], meanings)

    def _note(self, track: SignalTrack, code: npt.NDArray[np.int32]) -> None:
        known = track.validity == Validity.KNOWN
        odd = known & (code == UNLISTED)
        if self._when and odd.any():
            odd &= self.holds(track.row)
        if odd.any():
            raws, counts = np.unique(track.raw[odd], return_counts=True)
            counter = self.oddities.unlisted.setdefault((self.role, track.ref), Counter())
            counter.update({int(raw): int(count) for raw, count in zip(raws, counts, strict=True)})
        absent = int(np.count_nonzero(track.validity == Validity.ABSENT))
        if absent:
            self.oddities.absent[self.role, track.ref] += absent


def _no_rows() -> Rows:
    none = np.zeros(0, np.int64)
    return Rows(none, none, none, np.zeros(0, np.int32), np.zeros(0, np.bool_), ())

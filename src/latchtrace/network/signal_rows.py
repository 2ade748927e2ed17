"""The rows of one signal's track: chosen from its message's frames, timed, and put in order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import Int64s
from latchtrace.model.network import MessageSpec, Onset, SignalSpec, Validity
from latchtrace.model.plan import Pages
from latchtrace.model.time import NO_TIME
from latchtrace.model.vehicle import MessageUse
from latchtrace.network.bits import RawColumn
from latchtrace.network.decoding import presence, scaled_column, signal_columns
from latchtrace.network.eras import Holes, Story
from latchtrace.network.lanes import Lane
from latchtrace.network.onsets import change_starts
from latchtrace.network.planning import Paging


@dataclass(frozen=True, slots=True)
class Followed:
    """One message in one segment: its frames, how they were let through, and where knowledge of it breaks off."""

    spec: MessageSpec
    use: MessageUse
    paging: Paging
    lane: Lane
    holes: Holes
    story: Story
    uncertainty: int

    def rotates(self, signal: SignalSpec) -> bool:
        """Whether the signal's frames come through only where they differ from the last one of their page.

        Such a signal's next frame may not be seen after a break that the reader does not know of: what it was
        then still holds.
        """
        return self.paging.pages is Pages.ROTATING and bool(signal.multiplexers)


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a SignalTrack."""

    t_lo: Int64s
    t_hi: Int64s
    raw: RawColumn
    value: npt.NDArray[np.float64]
    validity: Int64s
    onset: Int64s
    row: Int64s


class SignalRows:
    """The rows of one signal's track: chosen, timed, and put in order."""

    def __init__(self, followed: Followed, signal: SignalSpec, every: bool) -> None:
        rotates = followed.rotates(signal)
        self.followed = followed
        self.signal = signal
        self.every = every
        self.lane = followed.lane
        self.eras = followed.story.eras_kept if rotates else followed.story.eras
        found = presence(followed.spec, signal, self.lane.payload, self.lane.length)
        self.short = found.short & found.selected if rotates else found.short
        self.carried = found.carried
        self.known = np.flatnonzero(self.carried)
        self.bits, self.raw = signal_columns(signal, self.lane.payload[self.known])

    def columns(self) -> Columns:
        """All rows of the track in order."""
        known, onset, lo = self._known_rows()
        raw = self.raw[known]
        absent, absent_onset, absent_lo = self._absent_rows()
        lost_place, lost_at = self._lost_rows()
        at = self.known[known]
        place = np.concatenate([2 * at + 1, 2 * absent + 1, lost_place])
        order = np.argsort(place, kind="stable")
        zeros = np.zeros(len(absent) + len(lost_at), raw.dtype)
        blank = np.full(len(zeros), np.nan)
        u = self.followed.uncertainty
        t_lo = np.concatenate([lo - u, absent_lo - u, lost_at])
        t_hi = np.concatenate([self.lane.t[at] + u, self.lane.t[absent] + u, lost_at])
        validity = np.repeat([Validity.KNOWN, Validity.ABSENT, Validity.LOST], [len(at), len(absent), len(lost_at)])
        onsets = np.concatenate([onset, absent_onset, np.full(len(lost_at), Onset.CHANGED, np.int64)])
        rows = np.concatenate([self.lane.row[at], self.lane.row[absent], np.full(len(lost_at), -1, np.int64)])
        return Columns(
            t_lo=t_lo[order],
            t_hi=t_hi[order],
            raw=np.concatenate([raw, zeros])[order],
            value=np.concatenate([scaled_column(self.signal, raw), blank])[order],
            validity=validity[order],
            onset=onsets[order],
            row=rows[order],
        )

    def _known_rows(self) -> tuple[npt.NDArray[np.intp], Int64s, Int64s]:
        """Which of the rows that carry the signal start something, how, and from when on."""
        at = self.known
        era = self.eras.number[at]
        first = np.ones(len(at), np.bool_)
        first[1:] = era[1:] != era[:-1]
        changed = np.zeros(len(at), np.bool_)
        changed[1:] = (self.bits[1:] != self.bits[:-1]) & ~first[1:]
        shorts = np.cumsum(self.short)
        resumed = np.zeros(len(at), np.bool_)
        resumed[1:] = (shorts[at[1:]] != shorts[at[:-1]]) & ~first[1:]
        onset = np.full(len(at), int(Onset.REPEATED), np.int64)
        onset[first | resumed] = Onset.FIRST_SEEN
        onset[changed] = Onset.CHANGED
        keep = np.flatnonzero(first | changed | resumed | self.every)
        lo = self._starts(at, self._before(at, resumed), first)
        return keep, onset[keep], lo[keep]

    def _before(self, at: npt.NDArray[np.intp], resumed: npt.NDArray[np.bool_]) -> Int64s:
        """When the signal was last seen before each row that carries it."""
        before = np.full(len(at), NO_TIME, np.int64)
        if self.followed.paging.own_page(self.signal):
            page = self.lane.previous_page[at[1:]]
            before[1:] = np.where(page == NO_TIME, self.lane.t[at[:-1]], page)
        else:
            before[1:] = self.lane.previous[at[:-1] + 1]
        before[1:] = np.where(resumed[1:], self.lane.t[at[:-1]], before[1:])
        return before

    def _starts(self, at: npt.NDArray[np.intp], before: Int64s, first: npt.NDArray[np.bool_]) -> Int64s:
        return change_starts(
            self.followed.spec,
            self.followed.use,
            self.followed.holes,
            t=self.lane.t[at],
            before=np.where(first, NO_TIME, before),
            previous=self.lane.previous[at],
            lossy=self.followed.story.lossy[at],
        )

    def _absent_rows(self) -> tuple[npt.NDArray[np.intp], Int64s, Int64s]:
        """Rows too short for the signal, where they follow one that was not."""
        concerned = np.flatnonzero(self.carried | self.short)
        short = self.short[concerned]
        fresh = np.ones(len(concerned), np.bool_)
        era = self.eras.number[concerned]
        fresh[1:] = era[1:] != era[:-1]
        starts = short.copy()
        starts[1:] &= ~short[:-1] | fresh[1:]
        at = concerned[starts]
        onset = np.where(fresh[starts], int(Onset.FIRST_SEEN), int(Onset.CHANGED)).astype(np.int64)
        before = np.where(fresh[starts], NO_TIME, self.lane.previous[at])
        return at, onset, self._starts(at, before, fresh[starts])

    def _lost_rows(self) -> tuple[Int64s, Int64s]:
        """(place in the order, time) of the ends of all eras in which the signal was known."""
        with_value = set(self.eras.number[self.known].tolist())
        ends = [*(2 * row for row in self.eras.first_row[1:]), 2 * len(self.lane)]
        lost = [
            (ends[era], moment)
            for era, moment in enumerate(self.eras.lost_at)
            if moment is not None and era in with_value
        ]
        return np.array([place for place, _ in lost], np.int64), np.array([moment for _, moment in lost], np.int64)

"""What a silence was: the network slept, or the recorder stood still, or its clock jumped.

A cyclic id of a node that runs on keeps its rhythm through a hole in the recording: from the last frame before to
the first one after is a whole number of its periods. Nodes that slept start anew, each at its own moment, so their
ids come back out of step. Before a sleep nodes stop one after another, and after it they start one after another;
a recorder that stops leaves no id overdue before the hole, and one that starts again sees each within a period.
Where the clock jumped nothing is missing: every id comes one period later than its last frame, plus one offset
that is the same for all. These tests are ours; the limits below give a chance of less than 1 % that ids out of
step pass for ids in step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import comb
from statistics import median

from latchtrace.model.frames import GapCause
from latchtrace.model.time import SECOND

CHANCE = 0.01
FEWEST_IN_STEP = 3
RECENT = 5 * SECOND  # ids silent for longer than this before the silence take no part in it
_TOLERANCE = 0.1
_WIDEST = 0.25
_ON_TIME = 1.5


class Ruling(StrEnum):
    """What a silence was; the causes of gaps are named as in `GapCause`."""

    NOTHING = "nothing"  # no silence, or none of which anything can be said: the channel was quiet
    SLEEP = "sleep"
    SILENCE = GapCause.SILENCE.value
    CHANNEL_SILENT = GapCause.CHANNEL_SILENT.value
    CLOCK_JUMP = GapCause.CLOCK_JUMP.value
    UNDECIDED = GapCause.UNDECIDED.value


@dataclass(frozen=True, slots=True)
class Voice:
    """One cyclic id around a silence; `after` None where it did not come back in time."""

    last: int
    after: int | None
    period: float
    uncertainty: float
    jitter: int

    @property
    def tolerance(self) -> float:
        """How far from its beat a frame may be, as a share of the period."""
        return min(_TOLERANCE + 2 * self.jitter / self.period, _WIDEST)

    def off_beat(self, offset: float) -> float | None:
        """How far it came back from its beat (share of the period, 0..0.5); None where drift hides it."""
        if self.after is None:
            return None
        elapsed = self.after - self.last - offset
        beats = round(elapsed / self.period)
        if beats * self.uncertainty > self.tolerance * self.period:
            return None
        return abs(elapsed - beats * self.period) / self.period


@dataclass(frozen=True, slots=True)
class Silence:
    """A channel without any frame from `last` to `first`, and the cyclic ids that took part."""

    last: int
    first: int
    voices: Sequence[Voice]
    others_go_on: bool = False
    was_asleep: bool = False


def judge(silence: Silence) -> Ruling:
    """What the silence of a channel with cyclic ids was."""
    sharp = [voice for voice in silence.voices if _sharp(voice, silence)]
    if _passes([(voice.off_beat(0), voice.tolerance) for voice in sharp], spent=0):
        return Ruling.CHANNEL_SILENT if silence.others_go_on else Ruling.SILENCE
    if not silence.others_go_on and _jumped(sharp, silence):
        return Ruling.CLOCK_JUMP
    if _staggered(silence) or _out_of_step(silence):
        return Ruling.SLEEP
    return Ruling.UNDECIDED


def _sharp(voice: Voice, silence: Silence) -> bool:
    """Whether it was on time until the silence and at once after it."""
    if voice.after is None:
        return False
    reach = _ON_TIME * voice.period
    return silence.last - voice.last <= reach and voice.after - silence.first <= reach


def _passes(found: Sequence[tuple[float | None, float]], spent: int) -> bool:
    """Whether more ids are on their beat than chance would bring there; `spent` of them fixed the offset."""
    known = [(off, tolerance) for off, tolerance in found if off is not None]
    on = sum(off <= tolerance for off, tolerance in known)
    if on < FEWEST_IN_STEP:
        return False
    share = sum(2 * tolerance for _, tolerance in known) / len(known)
    return _tail(len(known) - spent, on - spent, share) < CHANCE


def _tail(n: int, k: int, share: float) -> float:
    """The chance of at least k of n successes."""
    return sum(comb(n, i) * share**i * (1 - share) ** (n - i) for i in range(k, n + 1))


def _jumped(sharp: Sequence[Voice], silence: Silence) -> bool:
    """Whether every id comes one period after its last frame plus one common offset."""
    if len(sharp) <= FEWEST_IN_STEP:
        return False
    ready = sorted(sharp, key=lambda voice: voice.period)
    fastest = ready[: max(1, len(ready) // 3)]
    offset = median(_late(voice) for voice in fastest)
    if offset < (silence.first - silence.last) / 2:
        return False
    return _passes([(abs(_late(voice) - offset) / voice.period, voice.tolerance) for voice in sharp], spent=1)


def _late(voice: Voice) -> float:
    """By how much an id comes later than one period after its last frame."""
    return (voice.after or voice.last) - voice.last - voice.period


def _staggered(silence: Silence) -> bool:
    """Whether ids stopped, or started, one after another: a quarter of all, missing two frames or more between them.

    One lost frame before a hole looks like one id that stopped early, hence the two.
    """
    stops = [_missed(silence.last - voice.last, voice) for voice in silence.voices]
    starts = [_missed((voice.after or voice.last) - silence.first, voice) for voice in silence.voices if voice.after]
    never = sum(voice.after is None for voice in silence.voices)
    return any(
        sum(missed) + extra >= 2 and 4 * (sum(map(bool, missed)) + extra) >= len(silence.voices)
        for missed, extra in ((stops, 0), (starts, never))
    )


def _missed(time: int, voice: Voice) -> int:
    """How many frames an id that was silent for a time missed in it, jitter allowed for."""
    return max(0, int(time / voice.period + 1 - _ON_TIME))


def _out_of_step(silence: Silence) -> bool:
    """Whether ids did not come back, or came back plainly off their beat: most of them, and at least two.

    One is enough where the channel slept just before: part of it woke and fell asleep again.
    """
    off = total = 0
    for voice in silence.voices:
        beat = voice.off_beat(0)
        if voice.after is None or beat is not None:
            total += 1
            off += beat is None or beat > voice.tolerance
    return off >= (1 if silence.was_asleep else 2) and 2 * off > total

"""Finds the silences of whole channels and gathers what `quality.judge` needs to tell sleep from a hole."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from statistics import median

from latchtrace.capture.quality import RECENT, Ruling, Silence, Voice, judge
from latchtrace.capture.rhythm import LATE, SUSPICIOUS
from latchtrace.capture.states import ChannelState, IdState
from latchtrace.model.frames import Frame, Gap, GapCause, Sleep
from latchtrace.model.time import NO_TIME, SECOND, Interval

Ahead = Callable[[int], Iterator[Frame]]
"""Gives the frames from a time on, to the end of the segment, without using them up."""

_WHOLE_RECORDER = (Ruling.SILENCE, Ruling.CLOCK_JUMP)


class Silences:
    """Decides on each silence when the first frame after it comes, with a look at what follows."""

    def __init__(
        self,
        channels: Mapping[str, ChannelState],
        find: Callable[[Frame], IdState | None],
        ahead: Ahead,
    ) -> None:
        self._channels, self._find, self._ahead = channels, find, ahead

    def look(self, channel: ChannelState, t: int) -> Sleep | Gap | None:
        """What lies before a frame of this channel at t, if it was silent; None where nothing is to be said.

        A gap of channel "" concerns all channels. A channel without cyclic ids is simply quiet at times.
        """
        last = channel.last
        if last == NO_TIME or t - last <= SUSPICIOUS:
            return None
        channel.quiet = (last, t)
        rulings = {one.name: self._rule(one, t) for one in self._channels.values()}
        whole = next((ruling for ruling in rulings.values() if ruling in _WHOLE_RECORDER), None)
        if whole:
            begun = max(one.last for one in self._channels.values())
            return Gap("", Interval(min(begun, t), t), GapCause(whole.value))
        span, ruling = Interval(last, t), rulings.pop(channel.name)
        if ruling is Ruling.UNDECIDED and Ruling.SLEEP in rulings.values():
            ruling = Ruling.SLEEP  # the vehicle's networks sleep together
        if ruling is Ruling.UNDECIDED and self._car_slept(channel, span, rulings):
            ruling = Ruling.SLEEP
        if ruling is Ruling.SLEEP:
            return Sleep(channel.name, span)
        return None if ruling is Ruling.NOTHING else Gap(channel.name, span, GapCause(ruling.value))

    def _car_slept(self, channel: ChannelState, span: Interval, rulings: Mapping[str, Ruling]) -> bool:
        """Whether another channel sleeps, or slept for most of the span: a car goes to sleep as a whole."""
        others = [one for one in self._channels.values() if one is not channel]
        return any(
            rulings[one.name] is Ruling.SLEEP or (one.asleep and 2 * one.quiet_within(span.lo, span.hi) >= span.width)
            for one in others
        )

    def _rule(self, channel: ChannelState, t: int) -> Ruling:
        """What a silence of this channel up to t was."""
        last = channel.last
        if last == NO_TIME or t - last <= SUSPICIOUS:
            return Ruling.NOTHING
        cyclic = [state for state in channel.ids if state.rhythm.period]
        active = [state for state in cyclic if state.active(last, RECENT)]
        periods = [state.rhythm.period or 0 for state in active or cyclic]
        if not cyclic or t - last <= 3 * median(periods):
            return Ruling.NOTHING
        if not active:
            return Ruling.SLEEP if channel.asleep else Ruling.NOTHING
        wait = min(max(SECOND, 3 * max(periods)), RECENT)
        after, horizon = self._first_after(active, t, wait)
        voices = [voice for state in active if (voice := _voice(state, after.get(state), horizon))]
        return judge(Silence(last, t, voices, self._others_go_on(channel, last, t), channel.asleep))

    def _first_after(self, active: list[IdState], t: int, wait: int) -> tuple[dict[IdState, int], int]:
        """When each id first comes again, and how far was looked."""
        wanted, found, seen = set(active), dict[IdState, int](), t
        for frame in self._ahead(t):
            if frame.t > t + wait:
                return found, t + wait
            seen = frame.t
            state = self._find(frame)
            if state in wanted:
                wanted.discard(state)
                found[state] = frame.t
                if not wanted:
                    break
        return found, seen

    def _others_go_on(self, channel: ChannelState, last: int, t: int) -> bool:
        others = [one for one in self._channels.values() if one is not channel]
        return any(one.last - last > SUSPICIOUS and 2 * one.quiet_within(last, t) < t - last for one in others)


def _voice(state: IdState, after: int | None, horizon: int) -> Voice | None:
    """The id as `judge` wants it; None where it was not waited for long enough."""
    exact = state.rhythm.exact(state.last, state.frames)
    if exact is None:
        return None
    period, uncertainty = exact
    if after is None and horizon - state.last < LATE * period:
        return None
    return Voice(state.last, after, period, uncertainty, state.rhythm.jitter)

"""Says how well a capture shows each role: when it was seen, and where something could have happened unseen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from latchtrace.model.events import Blind, Coverage, Reason
from latchtrace.model.network import SignalTrack, Tracks, Validity
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import REQUEST_SOURCES, MessageUse, Reading, Role, RoleStatus, SendType, Shows, Vehicle
from latchtrace.vehicle.kinds import KINDS, Follows
from latchtrace.vehicle.roles import closures_of

AROUND_LOSS = SECOND
"""How far around a lost frame of the same channel an unrepeated event frame may be lost too (common practice)."""

SHUT_DOWN = 5 * SECOND
"""How long before the capture's end a cyclic message may have come last without being known to sleep
(common practice)."""


class Coverer:
    """Works out the coverage of every role of a vehicle over one segment."""

    def __init__(self, vehicle: Vehicle, tracks: Tracks, unclear: Mapping[str, Sequence[Interval]]) -> None:
        self.vehicle = vehicle
        self.tracks = tracks
        self.unclear = unclear

    def all(self) -> dict[str, Coverage]:
        """Every role the file states, each closure a whole-car signal tells of, and what is not stated."""
        found: dict[str, Coverage] = {}
        for role in self.vehicle.roles.values():
            found[role.name] = self.of(role)
        for role in self.vehicle.roles.values():
            if KINDS[role.kind].by_closure and KINDS[role.kind].state and not role.subject:
                found.update(self._closures(role, found))
        for name in self._standard():
            found.setdefault(name, Coverage(name, RoleStatus.NOT_VISIBLE))
        return found

    def _closures(self, role: Role, found: Mapping[str, Coverage]) -> dict[str, Coverage]:
        """What holds of a whole-car role, under the role name of each closure it speaks of."""
        told = {closure for reading in role.readings for closure in closures_of(role, reading)}
        names = [f"{role.kind}.{closure}" for closure in self._all_closures(role.kind)]
        speaks = [name for name in names if role.status != RoleStatus.MAPPED or name.partition(".")[2] in told]
        return {name: replace(found[role.name], role=name) for name in speaks if name not in found}

    def _all_closures(self, kind: str) -> list[str]:
        return [closure.name for closure in self.vehicle.closures if closure.lockable or kind != "latch"]

    def _standard(self) -> list[str]:
        stated = {role.kind for role in self.vehicle.roles.values()}
        names = [f"request.{source}" for source in REQUEST_SOURCES]
        names += [kind.name for kind in KINDS.values() if kind.follows == Follows.NOTHING]
        names += [] if "command" in stated else ["command"]
        return names + [f"{kind}.{closure}" for kind in ("latch", "ajar") for closure in self._all_closures(kind)]

    def of(self, role: Role) -> Coverage:
        """The coverage of one role; with several readings all must be seen, and what blinds one blinds the role."""
        if role.status != RoleStatus.MAPPED or not role.readings:
            return Coverage(role.name, role.status)
        seen = [self._seen(role, reading) for reading in role.readings]
        blind = [span for reading in role.readings for span in self._blind(role, reading)]
        blind += [Blind(span, Reason.LOSS) for span in self.unclear.get(role.name, ())]
        blind += [Blind(rest, Reason.ENDED) for reading in role.readings if (rest := self._rest(reading)) is not None]
        first = role.readings[0]
        track = self.tracks.tracks.get(first.signal)
        use = self.vehicle.messages.get(first.signal.message)
        return Coverage(
            role=role.name,
            status=role.status,
            seen=_together(seen),
            blind=merged(blind),
            channel=(track.key.channel if track else None) or (use.channel if use else None) or "",
            can_id=track.key.can_id if track else None,
            extended=track.key.extended if track else False,
        )

    def _seen(self, role: Role, reading: Reading) -> Interval | None:
        """When the reading's message tells of the role: from its first frame to its last, or to the segment's ends.

        A message sent at events or changes tells by its silence too, a state only from its first frame on.
        """
        track = self.tracks.tracks.get(reading.signal)
        if track is None:
            return None
        asked = [key for key in (track.key, replace(track.key, channel=None)) if key in self.tracks.seen]
        span = self.tracks.seen[asked[0]] if asked else _span_of(track)
        use = self.vehicle.messages.get(reading.signal.message)
        if span is None or use is None or use.send.cyclic:
            return span
        lasting = KINDS[role.kind].state or KINDS[role.kind].numeric
        whole = self.tracks.span.hull(span)
        return Interval(span.lo, whole.hi) if lasting else whole

    def _rest(self, reading: Reading) -> Interval | None:
        """What follows the last frame of a cyclic message, as long as its next one might only not have come yet."""
        use, track = self.vehicle.messages.get(reading.signal.message), self.tracks.tracks.get(reading.signal)
        if track is None or use is None or use.send is not SendType.CYCLIC:
            return None
        asked = [key for key in (track.key, replace(track.key, channel=None)) if key in self.tracks.seen]
        seen = self.tracks.seen[asked[0]] if asked else None
        if seen is None or not seen.hi < self.tracks.span.hi <= seen.hi + SHUT_DOWN:
            return None
        return Interval(seen.hi + 1, self.tracks.span.hi)

    def _blind(self, role: Role, reading: Reading) -> Iterable[Blind]:
        use = self.vehicle.messages.get(reading.signal.message)
        track = self.tracks.tracks.get(reading.signal)
        channel = track.key.channel if track else use.channel if use else None
        for where, span in self.tracks.blind:
            if not where or not channel or where == channel:
                yield Blind(span, Reason.GAP)
        if track is not None:
            yield from self._lost(track, use)
            for span in self._losses(role, reading, track, use):
                yield Blind(span, Reason.LOSS)

    def _lost(self, track: SignalTrack, use: MessageUse | None) -> Iterable[Blind]:
        """Where the track lost its value: the message stopped coming, or, if cyclic, has not come again since a gap."""
        cyclic = use is not None and use.send.cyclic
        for i in np.flatnonzero(track.validity == Validity.LOST).tolist():
            hi = int(track.t_hi[i + 1]) if i + 1 < len(track) else self.tracks.span.hi
            span = Interval(min(int(track.t_lo[i]), hi), hi)
            if not any(gap.overlaps(span) for _, gap in self.tracks.blind):
                yield Blind(span, Reason.LOSS)
            elif cyclic:
                yield Blind(span, Reason.GAP)

    def _losses(self, role: Role, reading: Reading, track: SignalTrack, use: MessageUse | None) -> Iterable[Interval]:
        """The spans in which lost frames could hide what the reading tells."""
        if use is None or use.send.cyclic:
            lasting = KINDS[role.kind].state or KINDS[role.kind].numeric or reading.shows == Shows.COUNTER
            if lasting:
                return []
            return [span for span in track.silences if reading.holds is None or span.width > reading.holds]
        if use.counter is not None:
            return self._counter_losses(track, use)
        return _around(self._channel_losses(track), use.repeats)

    def _counter_losses(self, track: SignalTrack, use: MessageUse) -> Iterable[Interval]:
        """Where the message's own alive counter shows that a whole event may be lost."""
        counter = next((t for ref, t in self.tracks.tracks.items() if ref.message == use.message
                        and ref.signal == use.counter), None)  # fmt: skip
        if counter is None or use.counter_modulus is None or not len(counter):
            return track.silences
        return counter_jumps(counter, use.counter_modulus, use.repeats, [span for _, span in self.tracks.sleeps])

    def _channel_losses(self, track: SignalTrack) -> list[tuple[str, Interval]]:
        """Lost frames of every message of the channel, with the message's name."""
        found = []
        for ref, other in self.tracks.tracks.items():
            if not track.key.channel or not other.key.channel or other.key.channel == track.key.channel:
                found += [(ref.message, span) for span in other.silences]
        return sorted(set(found), key=lambda both: both[1])


def counter_jumps(counter: SignalTrack, modulus: int, repeats: int, sleeps: Sequence[Interval]) -> list[Interval]:
    """Spans between two frames in which an alive counter passed over at least one whole event.

    A counter that keeps its value over the repeats of an event counts events, else it counts frames, and then
    all `repeats` frames of an event must be missing for the event to be lost.
    """
    known = np.flatnonzero(counter.validity != Validity.ABSENT)
    raw = [int(value) for value in counter.raw[known]]
    steps = [(now - before) % modulus for before, now in pairwise(raw)]
    followed = counter.validity[known] == Validity.KNOWN
    by_event = repeats > 1 and any(step == 0 and followed[i] and followed[i + 1] for i, step in enumerate(steps))
    least = 2 if by_event else repeats + 1
    found = []
    for i, step in enumerate(steps):
        if step < least or not (followed[i] and followed[i + 1]):
            continue
        span = Interval(int(counter.t_hi[known[i]]), int(counter.t_hi[known[i + 1]]))
        if not any(sleep.overlaps(span) for sleep in sleeps):
            found.append(span)
    return found


def _around(losses: Sequence[tuple[str, Interval]], repeats: int) -> list[Interval]:
    """Where losses on a channel could have taken an event frame with them.

    One frame falls to any loss, two only to losses of two messages at once, three or more to none.
    """
    spans = [(message, span.widen(AROUND_LOSS)) for message, span in losses]
    if repeats == 1:
        return [span for _, span in spans]
    if repeats > 2:
        return []
    found: list[Interval] = []
    reach: dict[str, int] = {}
    for message, span in spans:
        others = [hi for other, hi in reach.items() if other != message]
        if others and max(others) >= span.lo:
            found.append(Interval(span.lo, min(span.hi, max(others))))
        reach[message] = max(span.hi, reach.get(message, span.hi))
    return found


def merged(blind: Iterable[Blind]) -> tuple[Blind, ...]:
    """Blind spans in order, those of one reason that touch made one."""
    result: list[Blind] = []
    last: dict[Reason, int] = {}
    for one in sorted(set(blind), key=lambda known: (known.span, known.reason)):
        at = last.get(one.reason)
        if at is not None and one.span.lo <= result[at].span.hi:
            result[at] = Blind(result[at].span.hull(one.span), one.reason)
        else:
            last[one.reason] = len(result)
            result.append(one)
    return tuple(result)


def _together(spans: Sequence[Interval | None]) -> Interval | None:
    """When all were seen."""
    known = [span for span in spans if span is not None]
    if len(known) < len(spans) or not known:
        return None
    lo, hi = max(span.lo for span in known), min(span.hi for span in known)
    return Interval(lo, hi) if lo <= hi else None


def _span_of(track: SignalTrack) -> Interval | None:
    if not len(track):
        return None
    return Interval(int(track.t_hi[0]), max(track.known_until, int(track.t_hi[0])))

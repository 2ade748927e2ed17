"""A number that rises to a limit and stays until it falls below another one: a state with tolerance and hysteresis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.network import SignalTrack, Validity
from latchtrace.model.time import Truth
from latchtrace.rules import signals
from latchtrace.rules.conditions import Answer
from latchtrace.rules.item import Item
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.signals import Signal
from latchtrace.rules.world import World

_NO, _OPEN, _YES = (truth.value for truth in (Truth.NO, Truth.UNKNOWN, Truth.YES))


@dataclass(frozen=True, slots=True)
class Reaches:
    """`{number: speed, reaches: LIMIT, give: TOLERANCE, until-below: LIMIT}`: a state with hysteresis.

    It begins where the value rises to the limit (somewhere from limit - give to limit + give) and lasts until the
    value falls below the other limit.
    """

    role: str
    limit: Quantity
    give: Quantity | None = None
    until_below: Quantity | None = None

    def ask(self, world: World, item: Item) -> Answer:
        """Whether it holds at the item."""
        truth = self.signal(world).over(item.at)
        reason = world.history.hidden(self.role, item.at) or Reason.STRADDLES
        return Answer(truth, ((reason, self.role),) if truth is Truth.UNKNOWN else ())

    def signal(self, world: World) -> Signal:
        """The state over the whole recording."""
        track, span = world.history.timeline.numeric.get(self.role), world.history.span
        rows = self._rows(world, track) if track is not None else None
        if track is None or rows is None:
            return signals.constant(Truth.UNKNOWN)
        state = _states(*rows)
        changed = np.flatnonzero(state != np.concatenate(([_OPEN], state[:-1])))
        # between the last moment it may still be the old state and the first it is the new one, it is not known which
        times = np.stack((track.t_lo[changed], track.t_hi[changed]), axis=1).ravel()
        unsure = track.t_lo[changed] < track.t_hi[changed]
        levels = np.stack((np.where(unsure, _OPEN, state[changed]), state[changed]), axis=1).ravel()
        return signals.from_columns(np.maximum.accumulate(times), levels.astype(np.int8), span.lo, span.hi)

    def needed(self, world: World, track: SignalTrack, before: int) -> list[int]:
        """The rows before one on which the state after it depends: the last that decides, the last in the tolerance."""
        rows = self._rows(world, track)
        if rows is None or not before:
            return []
        rises, falls, lost, within = (flags[:before] for flags in rows)
        return [
            int(known[-1]) for known in (np.flatnonzero(rises | falls | lost), np.flatnonzero(within)) if len(known)
        ]

    def _rows(self, world: World, track: SignalTrack) -> tuple[signals.Flags, ...] | None:
        """Where the value rises to the limit, falls below the other one, is lost, and lies in the tolerance."""
        limit = self.limit.value(world.limit)
        if not len(track) or limit is None:
            return None
        give = (self.give.value(world.limit) if self.give else 0) or 0
        low = self.until_below.value(world.limit) if self.until_below else None
        value, known = track.value, track.validity == Validity.KNOWN
        falls = known & (value < (limit - give if low is None else low))
        rises = known & ~falls & (value >= limit + give)
        within = known & ~falls & ~rises & (value >= limit - give)
        return rises, falls, ~known, within


def _states(rises: signals.Flags, falls: signals.Flags, lost: signals.Flags, within: signals.Flags) -> signals.Levels:
    """The state after each row: what the last row that decides says; open inside the tolerance without having risen."""
    rows = np.arange(len(rises))
    decides = np.maximum.accumulate(np.where(rises | falls | lost, rows, -1))
    said = np.where(rises, _YES, np.where(falls, _NO, _OPEN))
    base = np.where(decides >= 0, said[np.maximum(decides, 0)], _OPEN)
    tolerance = np.maximum.accumulate(np.where(within, rows, -1))
    state: signals.Levels = np.where((tolerance > decides) & (base == _NO), _OPEN, base).astype(np.int8)
    return state

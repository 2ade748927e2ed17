"""Where something of a role could have happened unseen: one by one with the reason, and for many spans at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from latchtrace.model.coding import Flags
from latchtrace.model.eventtable import Times
from latchtrace.model.history import History
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.item import Doubt
from latchtrace.rules.signals import merged


def hidden(history: History, roles: Sequence[str], span: Interval, closure: str = "") -> tuple[Doubt, ...]:
    """Why something of these roles could have happened unseen in the span."""
    doubts: list[Doubt] = []
    for name in _names(history, roles, closure):
        reason = history.hidden(name, span)
        if reason is not None:
            doubts.append((reason, name.removeprefix("request.")))
    return tuple(doubts)


def _names(history: History, roles: Sequence[str], closure: str = "") -> Iterator[str]:
    """The single roles of these kinds; a car whose commands are not visible is judged by its latches."""
    for role in roles:
        names = [role] if "." in role else [known.role for known in history.roles(role)] or [role]
        if closure and f"{role}.{closure}" in names:
            names = [f"{role}.{closure}"]
        mapped = any(history.coverage(name).status == RoleStatus.MAPPED for name in names)
        if role != "command" or "latch" not in roles or mapped:
            yield from names


def hidden_in(history: History, roles: Sequence[str], lo: Times, hi: Times) -> Flags:
    """For each closed span [lo, hi], whether something of these roles could have happened unseen in it."""
    found = np.zeros(len(lo), np.bool_)
    for name in _names(history, roles):
        known = history.coverage(name)
        if known.status == RoleStatus.NOT_FITTED:
            continue
        if known.status == RoleStatus.NOT_VISIBLE or known.seen is None:
            return np.ones(len(lo), np.bool_)
        found |= (lo < history.span.lo) | (hi > history.span.hi)
        if known.blind:
            found |= overlapping([blind.span for blind in known.blind], lo, hi)
    return found


def overlapping(spans: Sequence[Interval], lo: Times, hi: Times) -> Flags:
    """For each closed span [lo, hi], whether it shares a moment with one of the others."""
    if not spans:
        return np.zeros(len(lo), np.bool_)
    ordered = sorted(spans)
    whole = merged(np.array([s.lo for s in ordered], np.int64), np.array([s.hi for s in ordered], np.int64))
    at = np.searchsorted(whole.hi, lo)
    inside = at < len(whole)
    return inside & (whole.lo[np.minimum(at, len(whole) - 1)] <= hi)

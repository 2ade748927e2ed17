"""The window a rule gives by `from` and `within`, in nanoseconds after what is observed."""

from __future__ import annotations

from latchtrace.model.events import Reason
from latchtrace.rules.conditions import Answer, unknown
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def window_of(rule: Rule, world: World) -> tuple[int, int] | None:
    """From and to; None where the vehicle file does not state one of the limits."""
    lo = rule.lo.value(world.limit) if rule.lo else 0
    hi = rule.within.value(world.limit) if rule.within else None
    return None if lo is None or hi is None else (int(lo), int(hi))


def not_stated(rule: Rule, world: World) -> Answer:
    """The answer where a limit of the window is not stated: it names that limit."""
    missing = [one for one in (rule.lo, rule.within) if one is not None and one.value(world.limit) is None]
    return unknown(Reason.LIMIT_NOT_STATED, missing[0].text if missing else "")

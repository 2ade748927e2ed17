"""Little worlds for rules: items written down directly, with roles that are visible or not, gaps and an end."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from latchtrace.model.coding import Coding, Fact
from latchtrace.model.events import Blind, Coverage, EventKind, LockEvent, Reason, Timeline
from latchtrace.model.history import History
from latchtrace.model.time import MILLISECOND, SECOND, Interval
from latchtrace.model.vehicle import Closure, Parameter, RoleStatus, Vehicle
from latchtrace.rules.columns import Columns
from latchtrace.rules.engine import PATTERNS
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.world import STREAM_ROLES, World

ROLES = (
    "request.remote-button",
    "command",
    "latch.front-left",
    "ajar.front-left",
    "validation",
    "ignition",
    "speed",
    "speed-lock-enabled",
)
States = Mapping[str, Sequence[tuple[Interval | float, str]]]
CHANNELS = {"latch": EventKind.LATCH, "ajar": EventKind.AJAR}
HEAD = """version: 1
rule: tried
severity: fault
function: chain
title: A rule of a test
message: It happened.
means: Nothing.
"""


def item(what: str, at: Interval | float, end: float | None = None, **facts: Fact) -> Item:
    """Something that happened at a moment in seconds, or within an interval of nanoseconds."""
    when = at if isinstance(at, Interval) else Interval.at(round(at * SECOND))
    named = {name.replace("_", "-"): value for name, value in facts.items()}
    return Item(what, when, named, end=Interval.at(round(end * SECOND)) if end is not None else None)


def world(
    *items: Item,
    end: float = 100.0,
    parameters: Mapping[str, int | float | str | bool] | None = None,
    blind: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    statuses: Mapping[str, RoleStatus] | None = None,
    states: States | None = None,
) -> World:
    """A world of these items from 0 to `end` seconds; `blind` holes by role in seconds.

    `states` tells by role (`ignition`, `ajar.front-left`) from when on it has which value: seconds, or the interval of
    nanoseconds in which it changed; after `unknown` it is only seen again.
    """
    holes = blind or {}
    coverage = {
        role: Coverage(
            role,
            (statuses or {}).get(role, RoleStatus.MAPPED),
            Interval(0, round(end * SECOND)),
            tuple(
                Blind(Interval(round(a * SECOND), round(b * SECOND)), Reason.GAP)
                for a, b in (*holes.get(role, ()), *holes.get("", ()))
            ),
        )
        for role in ROLES
    }
    events = tuple(sorted(_states(states or {}), key=lambda event: event.at.hi))
    timeline = Timeline(0, Interval(0, round(end * SECOND)), events, coverage=coverage)
    stated = {name: Parameter(name, value, "ns", "a test") for name, value in (parameters or {}).items()}
    vehicle = Vehicle(
        name="a test",
        system="",
        folder=".",
        channels=(),
        messages={},
        closures=(Closure("front-left", "front left"),),
        lock_groups={"all": ("front-left",)},
        roles={},
        parameters=stated,
    )
    return World(History(timeline), vehicle, (), {name: _laid_out(name, items) for name in STREAM_ROLES})


def _laid_out(what: str, items: Sequence[Item]) -> Callable[[World], Columns]:
    mine = sorted((one for one in items if one.what == what), key=lambda one: (one.at.hi, one.at.lo))
    return lambda world: columns_of(what, world.coding, mine)


def columns_of(what: str, coding: Coding, items: Sequence[Item]) -> Columns:
    """Items written down directly, as a stream."""

    def column(values: Sequence[int]) -> np.ndarray[Any, np.dtype[np.int64]]:
        return np.array(values, np.int64)

    ends = [one.end or one.at for one in items]
    names = dict.fromkeys(name for one in items for name in one.facts)

    def more(row: int) -> Mapping[str, Any]:
        one = items[row]
        return {"closures": one.closures, "open_facts": one.open_facts, "perhaps": one.perhaps}

    return Columns(
        what,
        coding,
        column([one.at.lo for one in items]),
        column([one.at.hi for one in items]),
        column([end.lo for end in ends]),
        column([end.hi for end in ends]),
        {name: coding.codes(one.fact(name) for one in items) for name in names},
        more,
        open={name: np.array([bool(one.doubts(name)) for one in items], np.bool_) for name in names},
        perhaps=np.array([bool(one.perhaps) for one in items], np.bool_),
        lasts=np.array([one.end is not None for one in items], np.bool_),
    )


def _states(states: States) -> Iterator[LockEvent]:
    for role, values in states.items():
        kind, _, closure = role.partition(".")
        lost = True
        for at, value in values:
            when = at if isinstance(at, Interval) else Interval.at(round(at * SECOND))
            yield LockEvent(CHANNELS.get(kind, EventKind.STATE), closure or role, value, when, change=not lost)
            lost = value == "unknown"


def judged(rule: str, where: World) -> list[Judgement]:
    """Every judgement of a rule, given by its fields after the texts."""
    compiled = parse_rule(HEAD + rule, "tried.yaml")
    return list(PATTERNS[compiled.pattern].judge(compiled, where))


def milliseconds(lo: float, hi: float) -> Interval:
    """An interval given in milliseconds."""
    return Interval(round(lo * MILLISECOND), round(hi * MILLISECOND))

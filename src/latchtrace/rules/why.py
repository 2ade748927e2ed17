"""Says of the occasion of a rule nearest to a time what held, what did not, what is open and why, and what was near.

Made from the rule's own judgements and conditions, so that it works for every pattern.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from latchtrace.model.coding import Fact
from latchtrace.model.events import EventKind, Reason
from latchtrace.model.results import VerdictKind
from latchtrace.model.time import Interval, Truth
from latchtrace.model.userfile import parse_user_text
from latchtrace.model.vehicle import Parameter
from latchtrace.rules.conditions import (
    Answer,
    ClosureIs,
    Elapsed,
    FactIs,
    Happened,
    Joined,
    Latest,
    NumberIs,
    PolicyIs,
    Selector,
    StateIs,
    bound,
)
from latchtrace.rules.engine import PATTERNS, not_applicable
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.occasions import occasions
from latchtrace.rules.parts import quantities_of
from latchtrace.rules.patterns.series import Series, trends
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.rule import Rule, StateScope, Step
from latchtrace.rules.world import World

Window = tuple[int | None, int | None]
"""From and to after the occasion, in nanoseconds; None where the vehicle file does not state the limit."""


@dataclass(frozen=True, slots=True)
class Near:
    """The thing nearest to an occasion that a rule looks for: when, after how long, and what about it is not as wanted.

    `delay` is measured from the occasion (negative: before it). `off` is how far it lies outside the window for
    certain (0: inside, or perhaps inside). `differs` names the facts that are not as wanted.
    """

    what: str
    facts: Mapping[str, Fact]
    at: Interval
    delay: Interval
    off: int = 0
    differs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing a rule asks of an occasion, with the answer and what it rests on.

    `field` is its place in the rule file, `text` what stands there. `answer` None: the rule looks for it by itself
    (what is expected, required or forbidden). `near` tells which such thing came nearest, `other` what came nearer
    but differs. `states` lists what was possible
    by closure or role; `number` is the value with its `limit`, in `unit` (ns or km/h).
    """

    field: str
    text: str
    answer: Truth | None
    doubts: tuple[Doubt, ...] = ()
    near: Near | None = None
    other: Near | None = None
    window: Window | None = None
    states: tuple[tuple[str, tuple[str, ...]], ...] = ()
    number: tuple[float, float] | None = None
    limit: tuple[float | None, float | None] | None = None
    unit: str = ""
    parts: tuple[Asked, ...] = ()


@dataclass(frozen=True, slots=True)
class Why:
    """Why a rule did or did not fire. `judged` None: it was not exercised at all, for the reason `hindrance` gives.

    `occasion` is what the rule observed, from which its windows are measured; `judged` may tell of what came in one.
    `at` is the time asked about, `zero` that of the capture's first frame. `unlike` is the nearest thing of the kind
    the rule observes that is no occasion for it.
    """

    rule: str
    title: str
    pattern: str
    at: int
    zero: int
    judged: Judgement | None
    occasion: Item | None = None
    asked: tuple[Asked, ...] = ()
    occasions: int = 0
    observes: str = ""
    unlike: Near | None = None
    hindrance: tuple[VerdictKind, Reason | None, str] | None = None
    parameters: tuple[Parameter, ...] = ()


def why(rule: Rule, rule_id: str, worlds: Sequence[World], at: int, zero: int = 0) -> Why:
    """What a rule says of the occasion nearest to a time (nanoseconds, capture time base), and why."""
    texts = rule.text(rule_id)
    judged: list[_Told] = []
    hindrances = [not_applicable(rule, world) for world in worlds]
    for world, hindrance in zip(worlds, hindrances, strict=True):
        if hindrance is None:
            judged += [told for told in _judged(rule, world) if told.judgement.rule_id in ("", rule_id)]
    text = _Texts(rule)
    here = min(judged, key=lambda told: (told.distance(at), told.judgement.note == "trend"), default=None)
    return Why(
        rule=rule_id,
        title=texts.title,
        pattern=rule.pattern,
        at=at,
        zero=zero,
        judged=here.judgement if here else None,
        occasion=here.occasion if here else None,
        asked=tuple(_asked(rule, rule_id, here.world, here.occasion, text)) if here else (),
        occasions=len(judged),
        observes=flow(text.of("observe")),
        unlike=_unlike(rule, worlds, at, [told.occasion for told in judged]),
        hindrance=None if None in hindrances else next(iter(hindrances), None),
        parameters=_parameters(rule, worlds),
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """One judgement, and the occasion it is for: where something came that never should, that is what it tells of."""

    world: World
    judgement: Judgement
    occasion: Item

    def distance(self, moment: int) -> int:
        return min(_distance(self.occasion.at, moment), _distance(self.judgement.item.at, moment))


def _judged(rule: Rule, world: World) -> Iterator[_Told]:
    """Every judgement of a rule with its occasion."""
    judgements = list(PATTERNS[rule.pattern].judge(rule, world))
    if rule.trend is not None:
        series = Series()
        series.collect(judgements, None)
        judgements += trends(rule, rule.trend, series)
    if rule.never_selector is None:
        yield from (_Told(world, one, one.item) for one in judgements)
        return
    for occasion, one in zip(occasions(rule, world), judgements, strict=True):
        yield _Told(world, one, occasion.item)


def _distance(at: Interval, moment: int) -> int:
    return max(at.lo - moment, moment - at.hi, 0)


def _unlike(rule: Rule, worlds: Sequence[World], at: int, occasions: Sequence[Item]) -> Near | None:
    """The nearest thing of the observed stream that is no occasion, and what about it is not as wanted."""
    known = {one.row for one in occasions}
    others = [
        one
        for world in worlds
        for one in world.items(rule.observe.what)
        if one.row not in known and rule.observe.matches(world, one).truth == Truth.NO
    ]
    nearest = min(others, key=lambda one: _distance(one.at, at), default=None)
    if nearest is None:
        return None
    delay = nearest.at.since(Interval.at(at))
    return Near(nearest.what, nearest.facts, nearest.at, delay, differs=_differing(rule.observe, nearest, None))


def _differing(selector: Selector, item: Item, trigger: Item | None) -> tuple[str, ...]:
    """The facts of an item that are surely not what the selector wants."""
    return tuple(name for name, one in selector.differing(item, trigger).items() if one.truth == Truth.NO)


def _parameters(rule: Rule, worlds: Sequence[World]) -> tuple[Parameter, ...]:
    names = dict.fromkeys(name for quantity in quantities_of(rule) for name in quantity.names)
    if "answer_deadline" in names:
        names |= dict.fromkeys(("command_deadline", "actuation_deadline"))
    stated = worlds[0].vehicle.parameters if worlds else {}
    return tuple(stated[name] for name in names if name in stated)


class _Texts:
    """What stands in the rule file at a field."""

    def __init__(self, rule: Rule) -> None:
        data = parse_user_text(rule.source.encode(), rule.file).data if rule.source else {}
        self.data: Mapping[str, Any] = data if isinstance(data, dict) else {}

    def of(self, *path: str | int) -> Any:
        value: Any = self.data
        for step in path:
            value = _inside(value, step)
        return value


def _inside(value: Any, step: str | int) -> Any:
    """What stands at a step of a field path; one thing may stand where a list could."""
    if isinstance(value, list):
        return value[step] if isinstance(step, int) and step < len(value) else ""
    if isinstance(step, int):
        return value if step == 0 else ""
    return value.get(step, "") if isinstance(value, dict) else ""


def flow(value: Any) -> str:
    """A field of a rule file in one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name}: {flow(one)}" for name, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(one) for one in value) + "]"
    return str(value)


def _asked(rule: Rule, rule_id: str, world: World, item: Item, text: _Texts) -> Iterator[Asked]:
    """Everything the rule asks of an occasion, in the order of the fields of a rule."""
    for one in fields(rule):
        value = getattr(rule, one.name)
        name = one.name.removesuffix("_selector").removesuffix("_state").replace("_", "-")
        if one.name == "class_given":
            named = next((key for key, known in rule.classes.items() if known == rule_id), "")
            for i, condition in enumerate(value.get(named, ())):
                yield _condition(
                    f"classes.{named}.given", text.of("classes", named, "given", i), condition, world, item
                )
        elif isinstance(value, StateScope):
            yield from _scope(value, world, item, text)
        elif one.name not in ("observe", "begins"):
            yield from _field(rule, name, value, world, item, text)


def _scope(scope: StateScope, world: World, item: Item, text: _Texts) -> Iterator[Asked]:
    """What opens and what closes the scope, as it stands at the occasion."""
    words = [str(word) for word in text.of("scope") or ()]
    closing = [word for word in words if word in ("and", "until", "before")]
    opening = [word for word in words if word not in closing]
    for conditions, named in ((scope.opens, opening), (scope.closes, closing)):
        word = named[0] if named else ""
        for i, condition in enumerate(conditions):
            yield _condition(f"scope.{word}", text.of("scope", word, i), condition, world, item)


def _field(rule: Rule, name: str, value: Any, world: World, item: Item, text: _Texts) -> Iterator[Asked]:
    single = not isinstance(value, tuple)
    for i, part in enumerate((value,) if single else value):
        shown = text.of(name) if single else text.of(name, i)
        if isinstance(part, Step):
            yield _sought(name, shown, part.selector, _steps_window(rule, i, world), world, item)
        elif isinstance(part, Selector):
            yield _sought(name, shown, part, _window(rule, name, world), world, item)
        elif hasattr(part, "ask"):
            due = _value(rule.within, world) if name == "expect" else 0
            yield _condition(name, shown, part, world, _later(item, due))


def _steps_window(rule: Rule, which: int, world: World) -> Window:
    """From when to when after the occasion a step may come: its limits, and those of the steps before it."""
    lows = [_value(step.lo, world) if step.lo else 0 for step in rule.steps[: which + 1]]
    highs = [_value(step.within, world) for step in rule.steps[: which + 1]]
    return _total(lows), _total(highs)


def _total(limits: Sequence[int | None]) -> int | None:
    known = [limit for limit in limits if limit is not None]
    return sum(known) if len(known) == len(limits) else None


def _later(item: Item, by: int | None) -> Item:
    """The occasion as it stands when an expected state is due."""
    if not by:
        return item
    return Item(item.what, item.at.shift(by), item.facts, item.closures, open_facts=item.open_facts)


def _value(quantity: Quantity | None, world: World) -> int | None:
    value = quantity.value(world.limit) if quantity is not None else None
    return None if value is None else int(value)


def _window(rule: Rule, name: str, world: World) -> Window | None:
    """From when to when after an occasion a rule looks for something."""
    if name == "require":
        within = _value(rule.within, world)
        return (-within if within is not None else None, 0)
    if name in ("never", "count", "expect", "overtaken-by") and rule.within is not None:
        return (_value(rule.lo, world) if rule.lo else 0, _value(rule.within, world))
    horizon = rule.missing_after or rule.within
    if name in ("expect", "cancelled-by", "restarted-by") and horizon is not None:
        return (0 if name == "expect" else 1, _value(horizon, world))  # what comes at the same time cancels nothing
    return None


def _sought(name: str, raw: Any, selector: Selector, window: Window | None, world: World, item: Item) -> Asked:
    near, other = _nearest(selector, window, world, item)
    return Asked(name, flow(raw), None, near=near, other=other, window=window)


def _nearest(selector: Selector, window: Window | None, world: World, item: Item) -> tuple[Near | None, Near | None]:
    """The nearest thing that is as wanted, and the nearest one that is not, where that came nearer."""
    things = [_near(one, selector, window, item) for one in world.items(selector.what) if not one.same_as(item)]
    things.sort(key=lambda one: (one.off, min(abs(one.delay.lo), abs(one.delay.hi))))
    right = next((one for one in things if not one.differs), None)
    first = things[0] if things and things[0].differs else None
    return right, first


def _near(one: Item, selector: Selector, window: Window | None, item: Item) -> Near:
    lasting = one.end is not None and one.at.lo < item.at.lo
    delay = (one.end or one.at).since(item.at) if lasting else one.at.since(item.at)
    return Near(one.what, one.facts, one.at, delay, _off(one, item, window), _differing(selector, one, item))


def _off(one: Item, item: Item, window: Window | None) -> int:
    """How far a thing lies outside the window for certain."""
    if window is None:
        return 0
    lo, hi = window
    start, end = one.at.since(item.at), (one.end or one.at).since(item.at)
    early = lo - end.hi if lo is not None else 0
    late = start.lo - hi if hi is not None else 0
    return max(early, late, 0)


def _condition(name: str, raw: Any, condition: Any, world: World, item: Item) -> Asked:
    """One condition with its answer and what it rests on."""
    answer: Answer = condition.ask(world, item)
    made: dict[str, Any] = {}
    if isinstance(condition, Joined):
        inner = _inside(raw, condition.how)
        made["parts"] = tuple(
            _condition("", _inside(inner, i), part, world, item) for i, part in enumerate(condition.parts)
        )
    elif isinstance(condition, Happened):
        made |= _happened(condition, world, item)
    elif isinstance(condition, Latest):
        made["near"], made["other"] = _nearest(condition.selector, None, world, item)
    elif isinstance(condition, Elapsed):
        other = item.other(condition.since)
        since = item.at.since(other.at) if other is not None else None
        made["number"] = (since.lo, since.hi) if since else None
        made["limit"] = (condition.lo.value(world.limit), condition.hi.value(world.limit))
        made["unit"] = "ns"
    elif isinstance(condition, NumberIs):
        made["number"] = world.history.number(condition.role, item.at)
        edge = condition.bound.value(world.limit)
        made["limit"] = (edge, None) if condition.above else (None, edge)
        made["unit"] = "km/h"
    else:
        made["states"] = _states(condition, world, item)
    return Asked(name, flow(raw), answer.truth, answer.doubts, **made)


def _happened(condition: Happened, world: World, item: Item) -> dict[str, Any]:
    if condition.since:
        start = condition.start(item)
        window: Window = (start.lo - item.at.hi if start else None, 0)
    else:
        window = (
            _value(condition.lo, world) if condition.lo else 0,
            _value(condition.hi, world) if condition.hi else 0,
        )
    near, other = _nearest(condition.selector, window, world, item)
    return {"window": window, "near": near, "other": other}


def _states(condition: Any, world: World, item: Item) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What was possible at the occasion, by fact, closure or role."""
    if isinstance(condition, FactIs):
        fact = item.fact(condition.name)
        return ((condition.name, (fact,) if isinstance(fact, str) else tuple(fact)),)
    if isinstance(condition, PolicyIs):
        stated = world.vehicle.parameters.get(condition.parameter)
        return ((condition.parameter, (str(stated.value),) if stated else ()),)
    moment = Interval.at(item.at.lo - 1) if getattr(condition, "before", False) else item.at
    if isinstance(condition, ClosureIs):
        names = condition.closures(world, item)
        wanted = bound(condition.values, item)
        known = [(name, tuple(sorted(_possible(world, condition.kind, name, moment)))) for name in names]
        return tuple((name, values) for name, values in known if condition.which == "any" or set(values) - {*wanted})
    if isinstance(condition, StateIs):
        return ((condition.role, tuple(sorted(_possible(world, EventKind.STATE, condition.role, moment)))),)
    return ()


def _possible(world: World, kind: EventKind, subject: str, at: Interval) -> frozenset[str]:
    span = world.history.span
    return world.history.possible(kind, subject, Interval(max(at.lo, span.lo), max(at.hi, span.lo)))

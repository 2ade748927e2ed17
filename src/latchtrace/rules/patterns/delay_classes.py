"""Exclusive delay classes: what is observed starts a clock, what is expected stops it; the delay has one class.

Meaning, with e = early-before, l = late-after, m = missing-after:
early F[0,e) answer; on time (!answer U[e,l] answer); late (!answer U(l,m] answer); missing G[0,m] !answer.
Exactly one holds of every clock that nothing cancels. Bounded-response family of Konrad & Cheng, ICSE 2005.
A delay whose interval straddles a border is undecided for the classes on both sides of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth, within
from latchtrace.rules.conditions import Answer, Doubt, both, either, hidden, unknown
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.rule import Rule, Trend
from latchtrace.rules.trackers.trend import rising_trend
from latchtrace.rules.world import Item, World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """For each item observed one judgement per class, and the trend of the delays where the rule asks for it."""
    series: dict[str, list[Judgement]] = {}
    for item in world.streams[rule.observe.what]:
        if rule.observe.matches(item).truth == Truth.NO:
            continue
        for judgement in _classed(rule, world, item):
            series.setdefault(",".join(item.closures), []).append(judgement)
            yield judgement
    if rule.trend is not None:
        for judged in series.values():
            yield from _trend(rule, rule.trend, judged)


def _classed(rule: Rule, world: World, item: Item) -> Iterator[Judgement]:
    bounds = _bounds(rule, world)
    horizon = _horizon(rule, world, bounds)
    answer = _first(world, rule, item, horizon)
    delay = answer.at.since(item.at) if answer else None
    clock = Interval(max(delay.lo, 0), max(delay.hi, 0)) if delay else None
    stop = answer.at.hi if answer else item.at.hi + horizon
    cancelled = _cancelled(rule, world, item, answer, stop, bounds)
    doubts = _doubts(rule, world, item)
    for name, rule_id in rule.classes.items():
        premise = both([condition.ask(world, item) for condition in rule.class_given.get(name, ())])
        if cancelled.truth == Truth.YES or premise.truth == Truth.NO:
            note = "cancelled" if cancelled.truth == Truth.YES else ""
            yield Judgement(item, Ruling.SKIPPED, item.at, rule_id=rule_id, note=note, evidence=item.evidence)
            continue
        violated = both([premise, _in_class(world, item, name, clock, bounds, stop)])
        if doubts:
            violated = Answer(Truth.UNKNOWN, tuple(doubt for answer in doubts for doubt in answer.doubts))
        elif (clock is None or violated.truth == Truth.YES) and (
            blind := _blind(rule, world, item, name, bounds, stop)
        ):
            violated = Answer(Truth.UNKNOWN, blind)
        elif cancelled.truth == Truth.UNKNOWN:
            violated = both([violated, cancelled])
        yield _with_answer(judge(rule, world, item, violated, measured=clock, rule_id=rule_id), answer)


def _blind(
    rule: Rule,
    world: World,
    item: Item,
    name: str,
    bounds: tuple[int | None, int | None, int | None],
    stop: int,
) -> tuple[Doubt, ...]:
    """Why an answer, or something that cancels, could have come unseen while this class was possible."""
    early = bounds[0]
    until = min(stop, item.at.hi + early) if name == "early" and early is not None else stop
    return hidden(world.history, _watched(rule), Interval(item.at.lo, max(item.at.lo, until)))


def _with_answer(judged: Judgement, answer: Item | None) -> Judgement:
    if answer is None:
        return judged
    evidence = tuple(dict.fromkeys((*judged.evidence, *answer.evidence)))
    at = judged.item.at.hull(answer.at)
    return Judgement(
        judged.item,
        judged.ruling,
        at,
        judged.closures,
        judged.doubts,
        judged.suspect,
        judged.measured,
        judged.limit,
        judged.rule_id,
        evidence,
        judged.note,
    )


def _bounds(rule: Rule, world: World) -> tuple[int | None, int | None, int | None]:
    def number(name: str) -> int | None:
        quantity = getattr(rule, name)
        value = quantity.value(world.limit) if quantity else None
        return None if value is None else int(value)

    return number("early_before"), number("late_after"), number("missing_after")


def _horizon(rule: Rule, world: World, bounds: tuple[int | None, int | None, int | None]) -> int:
    if bounds[2] is not None:
        return bounds[2]
    if rule.within is not None:
        stated = rule.within.value(world.limit)
        return int(stated) if stated is not None else 0
    return world.history.span.width


def _first(world: World, rule: Rule, item: Item, horizon: int) -> Item | None:
    """The first answer that may come after the item, inside the horizon."""
    if rule.expect is None:
        raise ValueError("delay-classes needs expect")
    for one in world.near(rule.expect.what, item.at.lo, item.at.hi + horizon):
        if one is item or one.at.hi < item.at.lo:
            continue
        if rule.expect.matches(one, item).truth != Truth.NO and one.at.since(item.at).lo <= horizon:
            return one
    return None


def _cancelled(
    rule: Rule,
    world: World,
    item: Item,
    answer: Item | None,
    stop: int,
    bounds: tuple[int | None, int | None, int | None],
) -> Answer:
    """Whether something that cancels came before the answer; once the answer is overdue nothing cancels it."""
    due = item.at.hi + bounds[1] if bounds[1] is not None else None
    answers: list[Answer] = []
    for selector in rule.cancelled_by:
        for one in world.near(selector.what, item.at.lo, stop):
            if one is item or one is answer or one.at.lo <= item.at.lo or one.at.hi < item.at.hi:
                continue
            match = selector.matches(one, item)
            if match.truth == Truth.NO or (answer is None and due is not None and one.at.lo > due):
                continue
            order = Truth.YES if answer is None or one.at.hi < answer.at.lo else Truth.UNKNOWN
            if answer is not None and one.at.lo > answer.at.hi:
                continue
            truth = match.truth & order
            answers.append(Answer(truth, match.doubts or ((Reason.STRADDLES, ""),), (one,)))
    return either(answers)


def _in_class(
    world: World,
    item: Item,
    name: str,
    clock: Interval | None,
    bounds: tuple[int | None, int | None, int | None],
    stop: int,
) -> Answer:
    early, late, missing = bounds
    needed = {"early": early, "late": late, "slow": late, "missing": missing}[name]
    if needed is None:
        return unknown(Reason.LIMIT_NOT_STATED)
    if clock is None:
        decided_at = item.at.hi + needed if name == "early" else stop
        if decided_at > world.history.span.hi:
            return unknown(Reason.ENDED)
        return Answer(Truth.YES if name == "missing" else Truth.NO)
    if name == "missing":
        return Answer(Truth.NO)
    truth = within(clock, None, needed - 1) if name == "early" else ~within(clock, None, needed)
    return Answer(truth, ((Reason.STRADDLES, ""),) if truth == Truth.UNKNOWN else ())


def _doubts(rule: Rule, world: World, item: Item) -> list[Answer]:
    """Conditions under which no class can be told: each that holds, or may hold, leaves it undecided."""
    found = []
    for condition in rule.doubtful:
        answer = condition.ask(world, item)
        if answer.truth == Truth.YES:
            found.append(unknown(Reason.NOT_EXERCISED, "doubtful"))
        elif answer.truth == Truth.UNKNOWN:
            found.append(answer)
    return found


def _watched(rule: Rule) -> tuple[str, ...]:
    """Roles whose hiding could make a delay look wrong: those of the answer and of what cancels."""
    selectors: Sequence[object] = (rule.expect, *rule.cancelled_by)
    kinds = [kind for selector in selectors if selector is not None for kind in getattr(selector, "roles", ())]
    return tuple(dict.fromkeys(kinds))


def _trend(rule: Rule, trend: Trend, judged: Sequence[Judgement]) -> Iterator[Judgement]:
    """A rising trend of one closure's delays is one finding at the last of them."""
    measured = [one for one in judged if one.measured is not None and one.ruling != Ruling.SKIPPED]
    if len(measured) < trend.at_least:
        return
    times = [(one.item.at.lo + one.item.at.hi) / 2 for one in measured]
    delays = [(float(one.measured.lo), float(one.measured.hi)) for one in measured if one.measured is not None]
    result = rising_trend(times, delays, trend.alpha)
    if result is None:
        return
    last, first = measured[-1], measured[0]
    yield Judgement(
        last.item,
        Ruling.FAIL,
        first.item.at.hull(last.item.at),
        last.item.closures,
        measured=last.measured,
        limit=f"rising trend over {len(measured)} answers, p = {result.p:.4f}",
        rule_id=rule.texts[0].id,
        evidence=tuple(dict.fromkeys(ref for one in (first, last) for ref in one.evidence)),
        note="trend",
    )

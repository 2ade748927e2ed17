"""Exclusive delay classes: what is observed starts a clock, what is expected stops it; the delay has one class.

Meaning, with e = early-before, l = late-after, m = missing-after:
early F[0,e) answer; on time (!answer U[e,l] answer); late (!answer U(l,m] answer); missing G[0,m] !answer.
Exactly one holds of every clock that nothing cancels. Bounded-response family of Konrad & Cheng, ICSE 2005.
An answer counts while the scope is open; the closing of the scope is the end of the horizon.
A delay whose interval straddles a border is undecided for the classes on both sides of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth, within
from latchtrace.rules.at_once.clear import Clear
from latchtrace.rules.blindness import hidden
from latchtrace.rules.clip import Clip
from latchtrace.rules.conditions import Answer, Selector, both, either, unknown
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import Occasion, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World, clear: Clear | None = None) -> Iterator[Judgement]:
    """For each item observed, or for those the columns leave open, one judgement per class."""
    for one in occasions(rule, world, clear.chosen if clear else None):
        yield from _classed(rule, world, one)


def _classed(rule: Rule, world: World, one: Occasion) -> Iterator[Judgement]:
    observed, clip = one.item, one.clip
    bounds = bounds_of(rule, world)
    horizon = horizon_of(rule, world, bounds)
    doubts = _doubts(rule, world, observed)
    item, answer, cancelling = _started(rule, world, observed, horizon, clip)
    note = "restarted" if item is not observed else ""
    delay = answer.at.since(item.at) if answer else None
    clock = Interval(max(delay.lo, 0), max(delay.hi, 0)) if delay else None
    open_end = _reach(item, horizon, clip)
    stop = answer.at.hi if answer else open_end
    cancelled = _cancelled(cancelling, world, (observed, item), answer, (stop, clip), bounds)
    for name, rule_id in rule.classes.items():
        premise = both([condition.ask(world, item) for condition in rule.class_given.get(name, ())])
        if cancelled.truth == Truth.YES or premise.truth == Truth.NO:
            why = "cancelled" if cancelled.truth == Truth.YES else ""
            yield Judgement(item, Ruling.SKIPPED, item.at, rule_id=rule_id, note=why, evidence=item.evidence)
            continue
        classed = _in_class(world, item, name, clock, bounds, stop)
        if answer is not None and clip is not None and clip.holds(answer, later=True) is not Truth.YES:
            classed = _alike(classed, _in_class(world, item, name, None, bounds, open_end))
        violated = both([one.match, premise, classed])
        so_far = (violated.truth, answer is not None)
        if (clock is None or violated.truth == Truth.YES or name == "early") and (
            blind := _blind(rule, world, (observed, item), name, bounds, stop, so_far)
        ):
            violated = Answer(Truth.UNKNOWN, blind)
        elif cancelled.truth == Truth.UNKNOWN:
            violated = both([violated, cancelled])
        judged = judge(
            rule, world, item, _doubted(violated, doubts), measured=clock, rule_id=rule_id, in_force=one.in_force
        )
        yield replace(_with_answer(judged, answer), note=note)


def _reach(item: Item, horizon: int, clip: Clip | None) -> int:
    """Until when an answer may come: inside the horizon, and before the scope closes."""
    return min(item.at.hi + horizon, clip.closed.hi - 1) if clip is not None else item.at.hi + horizon


def _alike(one: Answer, other: Answer) -> Answer:
    """What is so either way: whether the answer came before the scope closed is not known."""
    return one if one.truth == other.truth else unknown(Reason.STRADDLES)


def _started(
    rule: Rule, world: World, item: Item, horizon: int, clip: Clip | None
) -> tuple[Item, Item | None, Sequence[Selector]]:
    """Where the clock runs from, the first answer after that, and what cancels it.

    Under the policy that says so, what else would cancel starts the clock anew: from the last such thing before the
    answer.
    """
    answer = _first(world, rule, item, _reach(item, horizon, clip))
    policy, selectors = rule.restart_policy, rule.restarted_by
    if policy is None or policy.ask(world, item).truth != Truth.YES:
        return item, answer, (*rule.cancelled_by, *selectors)
    while True:
        stop = answer.at.lo if answer else _reach(item, horizon, clip)
        again = [
            one
            for selector in selectors
            for one in world.near(selector.what, item.at.lo, stop)
            if item.at.hi < one.at.lo and one.at.hi < stop and selector.matches(world, one, item).truth == Truth.YES
        ]
        if not again:
            return item, answer, rule.cancelled_by
        item = replace(item, at=max(one.at for one in again))
        answer = _first(world, rule, item, _reach(item, horizon, clip))


def _doubted(violated: Answer, doubts: Sequence[Answer]) -> Answer:
    """What a doubtful start leaves of an answer: nothing where it surely is doubtful; else what is surely kept."""
    if any(doubt.truth == Truth.YES for doubt in doubts):
        return unknown(Reason.NOT_EXERCISED, "doubtful")
    return both([violated, *doubts])


def _blind(
    rule: Rule,
    world: World,
    clock: tuple[Item, Item],
    name: str,
    bounds: tuple[int | None, int | None, int | None],
    stop: int,
    so_far: tuple[Truth, bool],
) -> tuple[Doubt, ...]:
    """Why something unseen could change what was found of a class: an answer, or what cancels or starts again.

    `so_far`: what was found, and whether an answer was seen.
    """
    (observed, item), (early, late, _), (truth, answered) = clock, bounds, so_far
    begin, end = observed.at.lo, stop
    if name == "early" and early is not None:
        end = min(stop, item.at.hi + early - 1)
    answers = Interval(begin, max(begin, end))
    if name in ("late", "slow") and late is not None and answered:
        answers = Interval(begin, max(begin, min(stop, item.at.hi + late)))
    elif name in ("late", "slow") and late is not None and truth is Truth.NO:
        first = item.at.lo + late + 1
        answers = Interval(first, max(first, stop))
    doubts: tuple[Doubt, ...] = ()
    if truth is not Truth.NO or not answered:
        doubts += hidden(world.history, _cancelling_roles(rule), Interval(begin, max(begin, end)))
    sooner_is_alike = name == "early" and answered and truth is Truth.YES
    settled = answered and truth is Truth.NO and name != "early"
    if rule.expect is not None and not sooner_is_alike and not settled and answers.lo <= stop:
        doubts += hidden(world.history, rule.expect.roles, answers)
    return tuple(dict.fromkeys(doubts))


def _with_answer(judged: Judgement, answer: Item | None) -> Judgement:
    if answer is None:
        return judged
    evidence = tuple(dict.fromkeys((*judged.evidence, *answer.evidence)))
    return replace(judged, at=judged.item.at.hull(answer.at), evidence=evidence)


def bounds_of(rule: Rule, world: World) -> tuple[int | None, int | None, int | None]:
    """Early before, late after and missing after, in nanoseconds; None where a limit is not stated."""

    def number(name: str) -> int | None:
        quantity = getattr(rule, name)
        value = quantity.value(world.limit) if quantity else None
        return None if value is None else int(value)

    return number("early_before"), number("late_after"), number("missing_after")


def horizon_of(rule: Rule, world: World, bounds: tuple[int | None, int | None, int | None]) -> int:
    """How long after the occasion an answer is looked for, in nanoseconds."""
    if bounds[2] is not None:
        return bounds[2]
    if rule.within is not None:
        stated = rule.within.value(world.limit)
        return int(stated) if stated is not None else 0
    return world.history.span.width


def _first(world: World, rule: Rule, item: Item, until: int) -> Item | None:
    """The first answer that may come after the item, up to a moment."""
    if rule.expect is None:
        raise ValueError("delay-classes needs expect")
    for one in world.near(rule.expect.what, item.at.lo, until):
        if one.same_as(item) or one.at.hi < item.at.lo:
            continue
        if rule.expect.matches(world, one, item).truth != Truth.NO:
            return one
    return None


def _cancelled(
    cancelling: Sequence[Selector],
    world: World,
    clock: tuple[Item, Item],
    answer: Item | None,
    until: tuple[int, Clip | None],
    bounds: tuple[int | None, int | None, int | None],
) -> Answer:
    """Whether something that cancels came before the answer; once the answer is overdue nothing cancels it.

    `clock` is what was observed, and the same at the moment its clock was last started; `until` tells how far to look,
    and the scope.
    """
    (observed, item), (stop, clip) = clock, until
    due = item.at.hi + bounds[1] if bounds[1] is not None else None
    answers: list[Answer] = []
    for selector in cancelling:
        for one in world.near(selector.what, observed.at.lo, stop):
            began_before = one.at.lo <= observed.at.lo and not one.perhaps
            if (
                one.same_as(observed)
                or (answer is not None and one.same_as(answer))
                or began_before
                or one.at.hi < observed.at.hi
            ):
                continue
            match = selector.matches(world, one, observed)
            if match.truth == Truth.NO or (answer is None and due is not None and one.at.lo > due):
                continue
            order = Truth.YES if answer is None or one.at.hi < answer.at.lo else Truth.UNKNOWN
            if answer is not None and one.at.lo > answer.at.hi:
                continue
            truth = match.truth & order & (clip.holds(one, later=True) if clip is not None else Truth.YES)
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
        decided_at = min(item.at.hi + needed - 1, stop) if name == "early" else stop
        if decided_at > world.history.span.hi:
            return unknown(Reason.ENDED)
        return Answer(Truth.YES if name == "missing" else Truth.NO)
    truth = {
        "early": lambda: within(clock, None, needed - 1),
        "late": lambda: ~within(clock, None, needed) & within(clock, None, missing),
        "slow": lambda: ~within(clock, None, needed),
        "missing": lambda: ~within(clock, None, needed),
    }[name]()
    return Answer(truth, ((Reason.STRADDLES, ""),) if truth == Truth.UNKNOWN else ())


def _doubts(rule: Rule, world: World, item: Item) -> list[Answer]:
    """Conditions under which no class can be told, as far as they hold or may hold."""
    answers = [condition.ask(world, item) for condition in rule.doubtful]
    return [answer for answer in answers if answer.truth != Truth.NO]


def watched_roles(rule: Rule) -> tuple[str, ...]:
    """Roles whose hiding could make a delay look wrong: those of the answer and of what cancels."""
    selectors: Sequence[object] = (rule.expect, *rule.cancelled_by, *rule.restarted_by)
    kinds = [kind for selector in selectors if selector is not None for kind in getattr(selector, "roles", ())]
    return tuple(dict.fromkeys(kinds))


def _cancelling_roles(rule: Rule) -> tuple[str, ...]:
    """Roles whose hiding could make a delay look wrong: those of what cancels, or starts it again."""
    return tuple(dict.fromkeys(role for one in (*rule.cancelled_by, *rule.restarted_by) for role in one.roles))

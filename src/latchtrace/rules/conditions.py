"""Conditions of rules, each answered YES, NO or UNKNOWN, with why and through which role it is unknown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from latchtrace.model.events import Coverage, EventKind, Reason
from latchtrace.model.results import EvidenceRef
from latchtrace.model.time import Interval, Truth, within
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.blindness import hidden
from latchtrace.rules.clip import Clip
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.world import STREAM_ROLES, World, shown_latches


class Answer(NamedTuple):
    """A three-valued answer; `doubts` name reason and role where it is UNKNOWN; `items` what it is based on."""

    truth: Truth
    doubts: tuple[Doubt, ...] = ()
    items: tuple[Item, ...] = ()


YES, NO = Answer(Truth.YES), Answer(Truth.NO)


def unknown(reason: Reason, role: str = "") -> Answer:
    """An answer the capture cannot give."""
    return Answer(Truth.UNKNOWN, ((reason, role),))


def both(answers: Iterable[Answer]) -> Answer:
    """All of them (Kleene): one NO decides."""
    return _combine(list(answers), Truth.NO, Truth.YES)


def either(answers: Iterable[Answer]) -> Answer:
    """Any of them (Kleene): one YES decides."""
    return _combine(list(answers), Truth.YES, Truth.NO)


def _combine(answers: Sequence[Answer], decides: Truth, otherwise: Truth) -> Answer:
    deciding = next((answer for answer in answers if answer.truth == decides), None)
    if deciding is not None:
        return deciding
    doubts = tuple(doubt for answer in answers if answer.truth == Truth.UNKNOWN for doubt in answer.doubts)
    items = tuple(item for answer in answers for item in answer.items)
    open_ones = any(answer.truth == Truth.UNKNOWN for answer in answers)
    return Answer(Truth.UNKNOWN if open_ones else otherwise, doubts, items)


def negated(answer: Answer) -> Answer:
    """The opposite; what is unknown stays so."""
    return Answer(~answer.truth, answer.doubts, answer.items)


@dataclass(frozen=True, slots=True)
class Selector:
    """Which items of a stream: each fact must be one of the values, or (negated) none of them.

    A value `$name` stands for that fact of the item a rule is being judged for. `where` are conditions asked of the
    item itself.
    """

    what: str
    facts: tuple[tuple[str, tuple[str, ...], bool], ...] = ()
    where: tuple[Condition, ...] = ()

    def matches(self, world: World, item: Item, trigger: Item | None = None) -> Answer:
        """Whether an item is one of those meant."""
        answer = both(self.differing(item, trigger).values())
        if answer.truth != Truth.NO and self.where:
            answer = both([answer, *(condition.ask(world, item) for condition in self.where)])
        return both([answer, Answer(Truth.UNKNOWN, item.perhaps)]) if item.perhaps else answer

    def differing(self, item: Item, trigger: Item | None = None) -> dict[str, Answer]:
        """Fact by fact, whether it is as wanted."""
        return {name: _fact(item, name, values, not wanted, trigger) for name, values, wanted in self.facts}

    @property
    def roles(self) -> tuple[str, ...]:
        """The kinds of roles that show such items, narrowed to single sources where it names them."""
        kinds = STREAM_ROLES[self.what]
        sources = [values for name, values, wanted in self.facts if name == "source" and wanted]
        if kinds == ("request",) and sources:
            return tuple(f"request.{source}" for source in sources[0])
        if "command" in kinds and ("commanded", ("yes",), True) in self.facts:
            return ("command",)
        return kinds


def bound(values: Sequence[str], trigger: Item | None) -> tuple[str, ...]:
    """Values with every `$name` replaced by the trigger's fact of that name."""
    result: list[str] = []
    for value in values:
        if value.startswith("$") and trigger is not None:
            fact = trigger.fact(value[1:])
            result += [fact] if isinstance(fact, str) else fact
        else:
            result.append(value)
    return tuple(result)


def unbound(values: Sequence[str], trigger: Item | None) -> tuple[Doubt, ...]:
    """Why the trigger's facts that stand in the values are not certain."""
    if trigger is None:
        return ()
    return tuple(doubt for value in values if value.startswith("$") for doubt in trigger.doubts(value[1:]))


def _fact(item: Item, name: str, values: Sequence[str], inverted: bool, trigger: Item | None = None) -> Answer:
    """Whether a fact is one of the values; what is not certain of it, or of a fact bound to it, is UNKNOWN."""
    fact = item.fact(name)
    wanted, unsure = bound(values, trigger), unbound(values, trigger)
    if unsure:
        answer = Answer(Truth.UNKNOWN, unsure)
    elif any(one in wanted for one in ((fact,) if isinstance(fact, str) else fact)):
        answer = YES
    else:
        open_origin = name.rpartition(".")[2] == "origin" and not (fact == "unknown" and "none" in wanted)
        relevant = tuple(doubt for doubt in item.doubts(name) if not open_origin or doubt[1] in wanted)
        answer = Answer(Truth.UNKNOWN, relevant) if relevant else NO
    return negated(answer) if inverted else answer


def occurs(
    world: World,
    selector: Selector,
    trigger: Item,
    lo: int,
    hi: int,
    since: Interval | None = None,
    clip: Clip | None = None,
) -> Answer:
    """Whether an item meant by the selector begins within [lo, hi] nanoseconds of the trigger's time.

    Backward windows (hi = 0) count an item that lasts until its end; forward windows of a trigger that lasts run
    from its start to its end and `hi` more. At the trigger itself the order of two things inside one cycle cannot be
    seen and is taken as causal. `since` cuts off what lies surely before it, `clip` what lies outside the scope.
    """
    found: list[Answer] = []
    lasts = trigger.end if hi > 0 and trigger.end is not None else trigger.at
    span = Interval(trigger.at.lo + lo, max(trigger.at.lo + lo, lasts.hi + hi))
    if since is not None:
        start = max(span.lo, since.lo)
        span = Interval(start, max(start, span.hi))
    inside = clip.cut(span) if clip is not None else span
    if inside is None:
        return NO
    span = inside
    for item in world.near(selector.what, span.lo, span.hi):
        if item.same_as(trigger) or (since is not None and (item.end or item.at).hi < since.lo):
            continue
        match = selector.matches(world, item, trigger)
        if match.truth == Truth.NO:
            continue
        in_time = _in_window(item, trigger.at, lasts, lo, hi)
        truth = match.truth & in_time & (clip.holds(item, later=lo >= 0) if clip is not None else Truth.YES)
        if truth != Truth.NO:
            doubts = match.doubts or ((Reason.STRADDLES, ""),)
            found.append(Answer(truth, () if truth == Truth.YES else doubts, (item,)))
    answer = either(found)
    if answer.truth != Truth.NO:
        return answer
    doubts = hidden(world.history, selector.roles, span)
    return Answer(Truth.UNKNOWN, doubts) if doubts else NO


def _in_window(item: Item, at: Interval, lasts: Interval, lo: int, hi: int) -> Truth:
    start = item.at.since(at)
    if hi == 0:
        reach = (item.end or item.at).since(at)
        early_enough = Truth.of(start.lo <= 0)
        return early_enough & within(reach, lo, None)
    in_time = within(item.at.since(lasts), None, hi)
    return in_time & (Truth.of(start.hi >= 0) if lo == 0 else within(start, lo, None))


class Condition(Protocol):
    """Something a rule asks of the item under judgement."""

    def ask(self, world: World, item: Item) -> Answer:
        """The answer at the item's time."""
        ...


@dataclass(frozen=True, slots=True)
class FactIs:
    """`{fact: origin, is: [none, relock-timer]}`"""

    name: str
    values: tuple[str, ...]

    def ask(self, world: World, item: Item) -> Answer:  # noqa: ARG002 - every condition is asked alike
        """Whether the item has the fact."""
        return _fact(item, self.name, self.values, False, item)


@dataclass(frozen=True, slots=True)
class ClosureIs:
    """`{closure: every, ajar: shut}`, `{closure: $closure, latch: $target, when: before}`"""

    which: str
    kind: EventKind
    values: tuple[str, ...]
    before: bool = False
    of: str = ""

    def closures(self, world: World, item: Item) -> tuple[str, ...]:
        """The closures it speaks of."""
        if self.which.startswith("$"):
            return bound((self.which,), item)
        if self.of == "$closures":
            shown = item.closures if self.kind != EventKind.LATCH else shown_latches(world.history, item.closures)
            return shown or item.closures
        if self.kind == EventKind.LATCH:
            return world.vehicle.lockable
        names = [closure.name for closure in world.vehicle.closures]
        return tuple(name for name in names if self.of != "lockable" or name in world.vehicle.lockable)

    def moment(self, item: Item) -> Interval:
        """When it asks: at the item, or just before it."""
        return Interval.at(item.at.lo - 1) if self.before else item.at

    def ask(self, world: World, item: Item) -> Answer:
        """Whether any, or every, of them is in one of the states."""
        moment, doubts = self.moment(item), unbound(self.values, item)
        if doubts:
            return Answer(Truth.UNKNOWN, doubts)
        answers = [self.at(world, name, moment, bound(self.values, item)) for name in self.closures(world, item)]
        return either(answers) if self.which == "any" else both(answers)

    def coverage(self, world: World, closure: str) -> Coverage:
        """How well the capture shows the state of one closure."""
        kind, coverage = str(self.kind), world.history.timeline.coverage
        return world.history.coverage(next((name for name in (f"{kind}.{closure}", kind) if name in coverage), kind))

    def not_there(self, world: World, closure: str) -> bool:
        """Whether a closure has no such state at all: it does not lock, or has no such contact."""
        if self.kind == EventKind.LATCH and closure not in world.vehicle.lockable:
            return True
        return self.coverage(world, closure).status == RoleStatus.NOT_FITTED

    def at(self, world: World, closure: str, moment: Interval, values: Sequence[str]) -> Answer:
        """Whether one closure is in one of the states at some time."""
        history, role = world.history, self.coverage(world, closure).role
        if self.not_there(world, closure):
            return YES if self.which == "every" else NO
        if history.coverage(role).status == RoleStatus.NOT_VISIBLE:
            return unknown(Reason.NOT_VISIBLE, role)
        if moment.lo < history.span.lo:
            moment = Interval(history.span.lo, max(history.span.lo, moment.hi))
        possible = history.possible(self.kind, closure, moment)
        if possible <= set(values):
            return YES
        if not possible & {*values, "unknown"}:
            return NO
        if "unknown" in possible:
            return unknown(history.hidden(role, moment) or Reason.UNKNOWN_BEFORE, role)
        return unknown(Reason.STRADDLES)


@dataclass(frozen=True, slots=True)
class StateIs:
    """`{state: ignition, is: on}`; a setting falls back on the parameter of the same meaning."""

    role: str
    values: tuple[str, ...]
    parameter: str = ""

    def ask(self, world: World, item: Item) -> Answer:
        """Whether the state holds at the item."""
        if world.history.coverage(self.role).status != RoleStatus.MAPPED and self.parameter:
            stated = world.vehicle.parameters.get(self.parameter)
            if stated is not None:
                return YES if ("on" if stated.value else "off") in self.values else NO
        possible = world.history.possible(EventKind.STATE, self.role, item.at)
        if possible <= set(self.values):
            return YES
        if not possible & {*self.values, "unknown"}:
            return NO
        if "unknown" in possible:
            return unknown(world.history.hidden(self.role, item.at) or Reason.UNKNOWN_BEFORE, self.role)
        return unknown(Reason.STRADDLES)


@dataclass(frozen=True, slots=True)
class PolicyIs:
    """`{policy: relock.policy, is: cancel}`"""

    parameter: str
    values: tuple[str, ...]

    def ask(self, world: World, item: Item) -> Answer:  # noqa: ARG002 - every condition is asked alike
        """Whether the vehicle states this policy."""
        stated = world.vehicle.parameters.get(self.parameter)
        if stated is None:
            return unknown(Reason.LIMIT_NOT_STATED, self.parameter)
        return YES if str(stated.value) in self.values else NO


@dataclass(frozen=True, slots=True)
class NumberIs:
    """`{number: speed, above: speed_lock.threshold}`, or `below`."""

    role: str
    bound: Quantity
    above: bool

    def ask(self, world: World, item: Item) -> Answer:
        """Whether the value was wholly above (or below) the limit."""
        edge = self.bound.value(world.limit)
        if edge is None:
            return unknown(Reason.LIMIT_NOT_STATED, self.bound.text)
        known = world.history.number(self.role, item.at)
        if known is None:
            return unknown(world.history.hidden(self.role, item.at) or Reason.UNKNOWN_BEFORE, self.role)
        lo, hi = known
        if lo > edge or hi < edge:
            return YES if (lo > edge) == self.above else NO
        return NO if lo == hi == edge else unknown(Reason.STRADDLES, self.role)


@dataclass(frozen=True, slots=True)
class Happened:
    """`{happened: {what: opening}, within: [-request_window, 0]}`, or `since: previous`, `request`, a name of `let`."""

    selector: Selector
    lo: Quantity | None = None
    hi: Quantity | None = None
    since: str = ""

    def start(self, item: Item) -> Interval | None:
        """Since when, where it asks since something."""
        if self.since == "request":
            return item.request_at
        other = item.other(self.since)
        return other.at if other is not None else None

    def ask(self, world: World, item: Item) -> Answer:
        """Whether such a thing happened."""
        if self.since:
            start = self.start(item)
            if start is None:
                return unknown(Reason.UNKNOWN_BEFORE, self.selector.what)
            return occurs(world, self.selector, item, start.lo - item.at.lo, 0, start)
        lo = self.lo.value(world.limit) if self.lo else 0
        hi = self.hi.value(world.limit) if self.hi else 0
        if lo is None or hi is None:
            missing = self.lo if lo is None else self.hi
            return unknown(Reason.LIMIT_NOT_STATED, missing.text if missing else "")
        return occurs(world, self.selector, item, int(lo), int(hi))


@dataclass(frozen=True, slots=True)
class Elapsed:
    """`{elapsed: previous, from: …, to: …}`: the time since another item of the rule lies in the limits."""

    since: str
    lo: Quantity
    hi: Quantity

    def ask(self, world: World, item: Item) -> Answer:
        """Whether it does."""
        lo, hi = self.lo.value(world.limit), self.hi.value(world.limit)
        if lo is None or hi is None:
            return unknown(Reason.LIMIT_NOT_STATED, self.lo.text if lo is None else self.hi.text)
        other = item.other(self.since)
        if other is None:
            return unknown(Reason.UNKNOWN_BEFORE, "command")
        truth = within(item.at.since(other.at), int(lo), int(hi))
        return Answer(truth, ((Reason.STRADDLES, ""),) if truth == Truth.UNKNOWN else ())


@dataclass(frozen=True, slots=True)
class Latest:
    """`{latest: {what: action, side: inside}, after: [{what: opening}]}`: it came, and none of those since."""

    selector: Selector
    ended_by: tuple[Selector, ...]

    def ask(self, world: World, item: Item) -> Answer:
        """Whether the last such item is later than the last of those that end it."""
        history = world.history
        mine = last_before(world, self.selector, item)
        enders = [last for selector in self.ended_by if (last := last_before(world, selector, item))]
        ended = max((ender.at.lo for ender in enders), default=None)
        if mine is None:
            span = Interval(ended if ended is not None else history.span.lo - 1, item.at.hi)
            doubts = hidden(history, self.selector.roles, span)
            return Answer(Truth.UNKNOWN, doubts) if doubts else NO
        if ended is not None and ended > mine.at.hi:
            doubts = hidden(history, self.selector.roles, Interval(ended, max(ended, item.at.hi)))
            return Answer(Truth.UNKNOWN, doubts) if doubts else NO
        return YES


def last_before(world: World, selector: Selector, item: Item) -> Item | None:
    """The last such item that surely is one of those meant, not after this one."""
    columns = world.stream(selector.what)
    for row in reversed(columns.near(world.history.span.lo, item.at.hi)):
        one = columns.item(row)
        if not one.same_as(item) and selector.matches(world, one, item).truth == Truth.YES:
            return one
    return None


@dataclass(frozen=True, slots=True)
class Joined:
    """`{all: […]}`, `{any-of: […]}`, `{not: …}`"""

    how: str
    parts: tuple[Condition, ...]

    def ask(self, world: World, item: Item) -> Answer:
        """The parts' answers, joined."""
        answers = [part.ask(world, item) for part in self.parts]
        if self.how == "not":
            return negated(both(answers))
        return either(answers) if self.how == "any-of" else both(answers)


def frames(answer: Answer) -> tuple[EvidenceRef, ...]:
    """The frames an answer is based on."""
    return tuple(ref for item in answer.items for ref in item.evidence)

"""The limits and selectors a rule is made of, however deep, and how far they make it look."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from typing import Any, TypeVar

from latchtrace.rules.conditions import Happened, Latest, Selector
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.rule import Rule

_Part = TypeVar("_Part")

SETTLING = 8
"""How many settling times a response may wait at most for things to stand still, while its recording is watched."""


def parts_of(value: Any, kind: type[_Part]) -> Iterator[_Part]:
    """Every part of this kind."""
    if isinstance(value, kind):
        yield value
    if isinstance(value, (tuple, list)):
        for one in value:
            yield from parts_of(one, kind)
    elif isinstance(value, Mapping):
        yield from parts_of(list(value.values()), kind)
    elif hasattr(value, "__dataclass_fields__"):
        yield from parts_of([getattr(value, one.name) for one in fields(value)], kind)


def quantities_of(rule: Rule) -> Iterator[Quantity]:
    """Every limit of a rule."""
    yield from parts_of(rule, Quantity)


def horizon_of(rule: Rule, limit: Callable[[str], int | float | None]) -> int:
    """How long before and after an occasion a rule looks at most, in nanoseconds: all its limits together."""
    values = [quantity.value(limit) for quantity in quantities_of(rule)]
    reach = sum(abs(int(value)) for value in values if value is not None)
    return reach * SETTLING if rule.pattern == "response" else reach


def looked_back_for(rule: Rule) -> list[Selector]:
    """What a rule may look for without end in the past: the latest of something, or anything since something."""
    found = [selector for latest in parts_of(rule, Latest) for selector in (latest.selector, *latest.ended_by)]
    found += [happened.selector for happened in parts_of(rule, Happened) if happened.since]
    found += [captured for captured in rule.let.values() if isinstance(captured, Selector)]
    return found

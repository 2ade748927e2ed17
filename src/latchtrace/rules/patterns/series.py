"""The delays of a rule over time, by the closures they are of, and the trend they show."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from latchtrace.model.time import Interval
from latchtrace.rules.at_once.clear import Clear
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, Ruling
from latchtrace.rules.rule import Rule, Trend
from latchtrace.rules.trackers.trend import LONGEST, rising_trend

Delay = tuple[float, float, float, Callable[[], Item]]
"""When, how long at least and at most, and of which item (made when it is asked for)."""


@dataclass(slots=True)
class Series:
    """The last delays measured, by the closures they are of."""

    by_closures: dict[tuple[str, ...], list[Delay]] = field(default_factory=dict)

    def collect(self, judgements: Iterable[Judgement], clear: Clear | None) -> None:
        """More delays: those judged one by one, and those of occasions that surely pass."""
        for judged in judgements:
            if judged.measured is not None and judged.ruling is not Ruling.SKIPPED:
                self._add(judged.item, judged.measured)
        if clear is not None and clear.delays is not None:
            self._add_clear(clear)
        for delays in self.by_closures.values():
            delays.sort(key=lambda delay: delay[0])
            del delays[:-LONGEST]

    def _add(self, item: Item, measured: Interval) -> None:
        delay = ((item.at.lo + item.at.hi) / 2, float(measured.lo), float(measured.hi), lambda: item)
        self.by_closures.setdefault(item.closures, []).append(delay)

    def _add_clear(self, clear: Clear) -> None:
        many, delays = clear.occasions.many, clear.delays
        known = many.fact("closure")
        if known is None or delays is None:
            return
        codes, middle = known[0][delays.numbers], (many.lo[delays.numbers] + many.hi[delays.numbers]) / 2
        for code in np.unique(codes).tolist():
            fact = many.world.coding.values[code]
            listed = self.by_closures.setdefault((fact,) if isinstance(fact, str) else fact, [])
            for i in np.flatnonzero(codes == code)[-LONGEST:].tolist():
                item = partial(_item, clear, int(delays.numbers[i]))
                listed.append((float(middle[i]), float(delays.lo[i]), float(delays.hi[i]), item))


def _item(clear: Clear, number: int) -> Item:
    return clear.occasions.one(number)[0]


def trends(rule: Rule, trend: Trend, series: Series) -> Iterator[Judgement]:
    """A rising trend of one closure's delays is one finding at the last of them."""
    for measured in series.by_closures.values():
        if len(measured) < trend.at_least:
            continue
        result = rising_trend([one[0] for one in measured], [one[1:3] for one in measured], trend.alpha)
        if result is None:
            continue
        first, last = measured[0][3](), measured[-1][3]()
        yield Judgement(
            last,
            Ruling.FAIL,
            first.at.hull(last.at),
            last.closures,
            measured=Interval(int(measured[-1][1]), int(measured[-1][2])),
            limit=f"rising trend over {len(measured)} answers, p = {result.p:.4f}",
            rule_id=rule.texts[0].id,
            evidence=tuple(dict.fromkeys((*first.evidence, *last.evidence))),
            note="trend",
        )

"""The delays of a rule over time, by the closures they are of, and the trend they show."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import numpy.typing as npt

from latchtrace.model.eventtable import Rows
from latchtrace.model.time import Interval
from latchtrace.rules.at_once.clear import Clear
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, Ruling
from latchtrace.rules.rule import Rule, Trend
from latchtrace.rules.trackers.trend import LONGEST, rising_trend

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Delays:
    """Delays of one thing: when, how long at least and at most, and of which item (made when it is asked for)."""

    middle: Numbers
    lo: Numbers
    hi: Numbers
    item: Callable[[int], Item]


@dataclass(slots=True)
class Series:
    """The last delays measured, by the closures they are of."""

    by_closures: dict[tuple[str, ...], list[_Delays]] = field(default_factory=dict)

    def collect(self, judgements: Iterable[Judgement], clear: Clear | None) -> None:
        """More delays: those judged one by one, and those of occasions that surely pass."""
        for judged in judgements:
            if judged.measured is not None and judged.ruling is not Ruling.SKIPPED:
                self._add(judged.item, judged.measured)
        if clear is not None and clear.delays is not None:
            self._add_clear(clear)
        for closures, blocks in self.by_closures.items():
            self.by_closures[closures] = _last(blocks)

    def _add(self, item: Item, measured: Interval) -> None:
        middle, lo, hi = (np.array([t], np.float64) for t in ((item.at.lo + item.at.hi) / 2, measured.lo, measured.hi))
        delays = _Delays(middle, lo, hi, lambda _: item)
        self.by_closures.setdefault(item.closures, []).append(delays)

    def _add_clear(self, clear: Clear) -> None:
        many, delays = clear.occasions.many, clear.delays
        known = many.fact("closure")
        if known is None or delays is None:
            return
        codes, middle = known[0][delays.numbers], (many.lo[delays.numbers] + many.hi[delays.numbers]) / 2
        for code in np.unique(codes).tolist():
            fact, rows = many.world.coding.values[code], np.flatnonzero(codes == code)[-LONGEST:]
            listed = self.by_closures.setdefault((fact,) if isinstance(fact, str) else fact, [])
            item = partial(_item, clear, delays.numbers[rows])
            listed.append(_Delays(middle[rows], delays.lo[rows].astype(float), delays.hi[rows].astype(float), item))


def _item(clear: Clear, numbers: Rows, i: int) -> Item:
    return clear.occasions.one(int(numbers[i]))[0]


def _last(blocks: list[_Delays]) -> list[_Delays]:
    """The blocks that hold the last delays a trend looks at."""
    kept: list[_Delays] = []
    for block in reversed(blocks):
        if sum(len(one.middle) for one in kept) >= LONGEST:
            break
        kept.append(block)
    return kept[::-1]


def trends(rule: Rule, trend: Trend, series: Series) -> Iterator[Judgement]:
    """A rising trend of one closure's delays is one finding at the last of them."""
    for blocks in series.by_closures.values():
        middle, lo, hi = (np.concatenate([getattr(one, name) for one in blocks]) for name in ("middle", "lo", "hi"))
        makers = [(block, i) for block in blocks for i in range(len(block.middle))]
        order = np.argsort(middle, kind="stable")[-LONGEST:].tolist()
        if len(order) < trend.at_least:
            continue
        delays = [(float(lo[i]), float(hi[i])) for i in order]
        result = rising_trend([float(middle[i]) for i in order], delays, trend.alpha)
        if result is None:
            continue
        first, last = (makers[i][0].item(makers[i][1]) for i in (order[0], order[-1]))
        yield Judgement(
            last,
            Ruling.FAIL,
            first.at.hull(last.at),
            last.closures,
            measured=Interval(int(delays[-1][0]), int(delays[-1][1])),
            limit=f"rising trend over {len(order)} answers, p = {result.p:.4f}",
            rule_id=rule.texts[0].id,
            evidence=tuple(dict.fromkeys((*first.evidence, *last.evidence))),
            note="trend",
        )

"""A rising trend: the Mann-Kendall test, one-sided, with Theil-Sen's slope.

Mann, Econometrica 13 (1945) and Kendall, Rank Correlation Methods (1948), normal approximation with tie and
continuity correction; Sen, JASA 63 (1968). References from memory; the tests hold it equal to scipy.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

LONGEST = 2_000
"""How many values a trend looks back on: memory and time stay bounded."""


class RisingTrend(NamedTuple):
    """A significant rise: one-sided p value and slope (y per x, through the middles)."""

    p: float
    slope: float


Range = tuple[float, float]


def mann_kendall(values: Sequence[Range]) -> float:
    """One-sided p value of "these values rise"; 1.0 where there is nothing to tell.

    Values are ranges [lo, hi]; a pair counts only where it is certain which is larger, so that what a slow cycle
    hides is never taken for a trend. For exact values it is the usual test.
    """
    n = len(values)
    if n < 3:
        return 1.0
    lo, hi = np.array([value[0] for value in values]), np.array([value[1] for value in values])
    larger = np.triu(lo[None, :] > hi[:, None], 1), np.triu(hi[None, :] < lo[:, None], 1)
    score = int(np.count_nonzero(larger[0])) - int(np.count_nonzero(larger[1]))
    ties = sum(t * (t - 1) * (2 * t + 5) for t in Counter(values).values())
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18
    if score <= 0 or variance <= 0:
        return 1.0
    return 1.0 - NormalDist().cdf((score - 1) / math.sqrt(variance))


def theil_sen(times: Sequence[float], values: Sequence[float]) -> float:
    """The median of all pairwise slopes."""
    at, value = np.array(times, np.float64), np.array(values, np.float64)
    first, second = np.triu_indices(len(at), 1)
    apart = at[second] != at[first]
    first, second = first[apart], second[apart]
    if not len(first):
        return 0.0
    return float(np.median((value[second] - value[first]) / (at[second] - at[first])))


def rising_trend(times: Sequence[float], values: Sequence[Range], alpha: float) -> RisingTrend | None:
    """The trend where it rises significantly, else None."""
    p = mann_kendall(values)
    if p >= alpha:
        return None
    slope = theil_sen(times, [(lo + hi) / 2 for lo, hi in values])
    return RisingTrend(p, slope) if slope > 0 else None

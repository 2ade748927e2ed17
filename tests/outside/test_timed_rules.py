"""Timed verdicts against published notions and values that independent libraries gave."""

from __future__ import annotations

import pytest
from scipy import stats

from latchtrace.diagnosis.function_test import failure_rate
from latchtrace.model.time import MILLISECOND, SECOND, Interval, Truth, within
from latchtrace.rules.judgement import Ruling
from latchtrace.rules.trackers.trend import mann_kendall, theil_sen
from support.worlds import item, judged, world

RESPONSE = """pattern: bounded-response
observe: {what: request}
expect: {what: action}
within: 300 ms
"""


# G(p -> F[0,300 ms] q), p from 1.0 s: values given by rtamt 0.4.10, dense time (+0.5 / -0.5), except the last,
# which rtamt calls violated and which is undecided here: the window is not over when the capture ends.
@pytest.mark.parametrize(
    ("p", "q", "expected"),
    [
        (1.0, 1.0, Ruling.PASS),
        (1.0, 1.25, Ruling.PASS),
        (1.0, 1.299, Ruling.PASS),
        (1.0, 1.300, Ruling.PASS),
        (1.0, 1.301, Ruling.FAIL),
        (1.0, 1.39, Ruling.FAIL),
        (1.0, 1.45, Ruling.FAIL),
        (2.9, None, Ruling.UNDECIDED),
    ],
)
def test_bounded_response_agrees_with_rtamt(p: float, q: float | None, expected: Ruling) -> None:
    things = [item("request", p), *([item("action", q)] if q is not None else [])]
    found = judged(RESPONSE, world(*things, end=3.0))
    assert [one.ruling for one in found] == [expected]


def _half_open(a: float, b: float) -> Interval:
    """(a, b] seconds, in whole nanoseconds."""
    return Interval.seen(round(a * SECOND), round(b * SECOND))


# Censored edges of a cyclic state, by interval arithmetic (derivation; rectangular edges as in JCGM 100).
def test_a_timer_between_two_censored_edges_lies_in_the_open_interval_of_their_extremes() -> None:
    timer = _half_open(129.9, 130.0).since(_half_open(100.0, 100.1))
    assert timer == Interval(round(29.8 * SECOND) + 1, round(30.0 * SECOND) - 1)


# Three-outcome conformity test with an inconclusive result as in ISO 10576 (its scope names it); limits 30 ± 1 s.
@pytest.mark.parametrize(
    ("lo", "hi", "expected"),
    [
        (29.8, 30.0, Truth.YES),
        (28.95, 29.15, Truth.UNKNOWN),
        (31.05, 31.25, Truth.NO),
        (28.7, 28.9, Truth.NO),
    ],
)
def test_an_uncertain_timer_is_judged_by_its_whole_interval(lo: float, hi: float, expected: Truth) -> None:
    timer = Interval(round(lo * SECOND) + 1, round(hi * SECOND) - 1)
    assert within(timer, 29 * SECOND, 31 * SECOND) is expected


# Cyclic state every 100 ms, limit 300 ms: unlocked at +250, locked at +350, so within (250, 350] (derivation).
def test_a_state_first_seen_after_the_limit_in_a_cyclic_frame_is_undecided() -> None:
    changed = Interval.seen(250 * MILLISECOND, 350 * MILLISECOND)
    assert within(changed, None, 300 * MILLISECOND) is Truth.UNKNOWN
    seen = Interval(changed.lo + SECOND, changed.hi + SECOND)
    found = judged(RESPONSE, world(item("request", 1.0), item("action", seen), end=3.0))
    assert [one.ruling for one in found] == [Ruling.UNDECIDED]


# Clopper-Pearson 95 % two-sided, printed values of scipy.stats.binomtest(...).proportion_ci(method="exact").
@pytest.mark.parametrize(
    ("failed", "trials", "low", "high"),
    [
        (0, 10, 0.0, 0.308497),
        (0, 30, 0.0, 0.115703),
        (0, 59, 0.0, 0.060609),
        (0, 100, 0.0, 0.036217),
        (1, 100, 0.000253, 0.054459),
        (5, 100, 0.016432, 0.112835),
        (10, 10, 0.691503, 1.0),
        (29, 30, 0.827831, 0.999156),
    ],
)
def test_the_failure_rate_is_the_exact_binomial_interval(failed: int, trials: int, low: float, high: float) -> None:
    assert failure_rate(failed, trials) == pytest.approx((low, high), abs=1e-6)
    exact = stats.binomtest(failed, trials).proportion_ci(method="exact")
    assert failure_rate(failed, trials) == pytest.approx((exact.low, exact.high), abs=1e-9)


# scipy.stats: Kendall's S by kendalltau's concordances, and theilslopes.
def test_the_trend_of_exact_values_agrees_with_scipy() -> None:
    values = [61.0, 64.0, 63.0, 70.0, 75.0, 74.0, 80.0, 85.0, 91.0]
    times = [float(i) for i in range(len(values))]
    n = len(values)
    tau = stats.kendalltau(times, values).statistic
    score = tau * n * (n - 1) / 2
    expected = stats.norm.sf((score - 1) / (n * (n - 1) * (2 * n + 5) / 18) ** 0.5)
    assert mann_kendall([(value, value) for value in values]) == pytest.approx(expected)
    assert theil_sen(times, values) == pytest.approx(stats.theilslopes(values, times).slope)

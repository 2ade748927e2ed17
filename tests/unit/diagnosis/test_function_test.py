from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.diagnosis.function_test import Occasion, failure_rate, function_test
from latchtrace.model.results import FunctionTest, VerdictKind
from latchtrace.model.time import SECOND, Interval

PASS, FAIL, OPEN = VerdictKind.PASS, VerdictKind.FAIL, VerdictKind.INCONCLUSIVE


def occasion(verdict: VerdictKind, cancelled: bool = False, measured: tuple[float, float] | None = None) -> Occasion:
    span = Interval(int(measured[0] * SECOND), int(measured[1] * SECOND)) if measured else None
    return Occasion(Interval.at(0), verdict, "", cancelled, span)


def counted(*occasions: Occasion, applies: bool = True) -> FunctionTest:
    return function_test("auto-relock", occasions, "30 s", applies, 0)


def test_eight_measured_and_two_cancelled_are_counted_as_that() -> None:
    trials = [occasion(PASS, measured=(29.9, 30.1))] * 8 + [occasion(PASS, cancelled=True)] * 2
    test = counted(*trials)
    assert (test.verdict, test.passes, test.cancelled, test.fails, test.inconclusives) == (PASS, 8, 2, 0, 0)
    assert [trial.number for trial in test.trials] == list(range(1, 11))
    assert test.measured is not None
    assert (test.measured.lo, test.measured.hi, test.measured.unit) == (29.9 * SECOND, 30.1 * SECOND, "ns")
    assert test.not_exercised == ()


def test_a_cancelled_trial_that_did_not_keep_still_is_a_failure() -> None:
    test = counted(occasion(PASS, measured=(30, 30)), occasion(FAIL, cancelled=True))
    assert (test.verdict, test.cancelled, test.fails) == (FAIL, 0, 1)


def test_one_failure_decides_over_any_number_of_passes_and_doubts() -> None:
    assert counted(*[occasion(PASS)] * 20, occasion(OPEN), occasion(FAIL)).verdict is FAIL


def test_an_undecided_trial_leaves_the_test_open_and_out_of_the_failure_rate() -> None:
    test = counted(occasion(PASS), occasion(OPEN))
    assert (test.verdict, test.inconclusives) == (OPEN, 1)
    assert (test.rate_low, test.rate_high) == failure_rate(0, 1)


def test_a_test_without_any_trial_passes_nothing_and_says_what_to_do() -> None:
    test = counted()
    assert test.verdict is OPEN
    assert (test.rate_low, test.rate_high, test.measured) == (None, None, None)
    assert test.not_exercised == ("an unlock from outside with nothing opened", "a closure opened in the delay")
    assert test.steps
    assert any("spare key" in caution for caution in test.cautions)


def test_a_function_that_is_not_fitted_is_not_applicable() -> None:
    test = counted(applies=False)
    assert test.verdict is VerdictKind.NOT_APPLICABLE
    assert test.not_exercised == ()


def test_the_measured_span_covers_every_trial_whatever_came_of_it() -> None:
    test = counted(
        occasion(PASS, measured=(29, 29.5)), occasion(FAIL, measured=(35, 36)), occasion(PASS, cancelled=True)
    )
    assert test.measured is not None
    assert (test.measured.lo, test.measured.hi) == (29 * SECOND, 36 * SECOND)


@given(st.lists(st.tuples(st.sampled_from([PASS, FAIL, OPEN]), st.booleans()), max_size=30))
def test_every_trial_is_counted_once(trials: list[tuple[VerdictKind, bool]]) -> None:
    test = counted(*(occasion(verdict, cancelled) for verdict, cancelled in trials))
    assert test.passes + test.cancelled + test.fails + test.inconclusives == len(trials)


@given(st.integers(0, 40), st.integers(1, 40))
def test_the_failure_rate_is_the_interval_an_independent_library_gives(failed: int, trials: int) -> None:
    """Against scipy.stats.binomtest(...).proportion_ci(method="exact"), SciPy's own Clopper-Pearson interval."""
    from scipy.stats import binomtest

    failed = min(failed, trials)
    expected = binomtest(failed, trials).proportion_ci(confidence_level=0.95, method="exact")
    assert failure_rate(failed, trials) == pytest.approx((expected.low, expected.high), abs=1e-9)

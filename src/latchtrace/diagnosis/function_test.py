"""A function test: every trial measured, counted, and what the counts can say of trials never made."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from math import comb

from latchtrace.diagnosis.exercised import protocols
from latchtrace.model.results import EvidenceRef, FunctionTest, Measured, Trial, VerdictKind
from latchtrace.model.time import Interval

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Occasion:
    """One trial as the rules judged it. `outcome` in plain words; `measured` in nanoseconds."""

    at: Interval
    verdict: VerdictKind
    outcome: str
    cancelled: bool = False
    measured: Interval | None = None
    reason: str = ""
    evidence: tuple[EvidenceRef, ...] = ()


def function_test(function: str, occasions: Sequence[Occasion], limit: str, applies: bool, zero: int) -> FunctionTest:
    """All trials of a function in time order, with the verdict over them.

    A cancelled trial that kept still counts as kept; undecided trials are left out of the failure rate.
    """
    protocol = protocols()[function]
    trials = tuple(
        Trial(
            number=number,
            at=one.at,
            outcome=one.outcome,
            verdict=one.verdict,
            measured=Measured(one.measured.lo, one.measured.hi, "ns") if one.measured else None,
            reason=one.reason,
            evidence=one.evidence,
        )
        for number, one in enumerate(occasions, 1)
    )
    cancelled = sum(one.cancelled and one.verdict == VerdictKind.PASS for one in occasions)
    passes = sum(one.verdict == VerdictKind.PASS and not one.cancelled for one in occasions)
    fails = sum(one.verdict == VerdictKind.FAIL for one in occasions)
    measured = [one.measured for one in occasions if one.measured is not None]
    hull = reduce(Interval.hull, measured) if measured else None
    rate = failure_rate(fails, passes + fails) if passes + fails else (None, None)
    seen = {"measured": passes + fails > 0, "cancelled": cancelled > 0}
    missing = {"measured": "an unlock from outside with nothing opened", "cancelled": "a closure opened in the delay"}
    return FunctionTest(
        function=function,
        title=str(protocol["title"])[:1].upper() + str(protocol["title"])[1:],
        trials=trials,
        verdict=_verdict(trials, applies, passes + cancelled),
        passes=passes,
        fails=fails,
        inconclusives=sum(one.verdict == VerdictKind.INCONCLUSIVE for one in occasions),
        cancelled=cancelled,
        measured=Measured(hull.lo, hull.hi, "ns") if hull else None,
        limit=limit,
        rate_low=rate[0],
        rate_high=rate[1],
        not_exercised=tuple(missing[name] for name, there in seen.items() if not there) if applies else (),
        cautions=tuple(protocol.get("cautions", ())),
        steps=tuple(protocol.get("steps", ())),
        zero=zero,
    )


def _verdict(trials: Sequence[Trial], applies: bool, kept: int) -> VerdictKind:
    if not applies:
        return VerdictKind.NOT_APPLICABLE
    if any(trial.verdict == VerdictKind.FAIL for trial in trials):
        return VerdictKind.FAIL
    undecided = any(trial.verdict == VerdictKind.INCONCLUSIVE for trial in trials)
    return VerdictKind.INCONCLUSIVE if undecided or not kept else VerdictKind.PASS


def failure_rate(failed: int, trials: int) -> tuple[float, float]:
    """The two-sided Clopper-Pearson interval of the failure rate at 95 % confidence.

    The exact binomial interval (Clopper & Pearson, Biometrika 26, 1934; reference from memory), found by bisection.
    """
    tail = (1 - CONFIDENCE) / 2
    low = _bisect(lambda p: _at_least(failed, trials, p) < tail) if failed else 0.0
    high = _bisect(lambda p: _at_most(failed, trials, p) > tail) if failed < trials else 1.0
    return low, high


def _at_most(k: int, n: int, p: float) -> float:
    return sum(comb(n, i) * p**i * (1 - p) ** (n - i) for i in range(k + 1))


def _at_least(k: int, n: int, p: float) -> float:
    return 1 - _at_most(k - 1, n, p)


def _bisect(below: Callable[[float], bool]) -> float:
    """The p in [0, 1] at which `below` turns from True to False."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if below(middle) else (low, middle)
    return (low + high) / 2

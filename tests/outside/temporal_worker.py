"""Runs in an environment of its own: what rtamt and metric-temporal-logic say of formulas over recorded signals.

Reads lines {"rtamt": text or null, "mtl": text or null, "signals": {name: [[t, bool], …]}} from standard input and
answers each with {"rtamt": bool or null, "mtl": bool or null}. Times are whole ticks; both at instant 0.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import mtl
import rtamt


def by_rtamt(text: str, signals: dict[str, list[list[Any]]]) -> bool:
    """Discrete time, one tick a sample; robustness at the first instant."""
    spec = rtamt.StlDiscreteTimeSpecification()
    for name in signals:
        spec.declare_var(name, "float")
    spec.spec = text
    spec.parse()
    length = max(points[-1][0] for points in signals.values()) + 1
    columns = {name: sampled(points, length) for name, points in signals.items()}
    answer = spec.evaluate({"time": list(range(length)), **columns})
    return bool(answer[0][1] >= 0)


def sampled(points: list[list[Any]], length: int) -> list[float]:
    """The step-held signal at every tick: +1 true, -1 false."""
    values, i = [], 0
    for t in range(length):
        while i + 1 < len(points) and points[i + 1][0] <= t:
            i += 1
        values.append(1.0 if points[i][1] else -1.0)
    return values


def by_mtl(text: str, signals: dict[str, list[list[Any]]]) -> bool:
    """The value at instant 0."""
    traces = {name: [(t, bool(value)) for t, value in points] for name, points in signals.items()}
    return bool(mtl.parse(text)(traces, quantitative=False, dt=1, time=0))


def main() -> None:
    """Answer line by line."""
    for line in sys.stdin:
        task = json.loads(line)
        answer = {
            "rtamt": by_rtamt(task["rtamt"], task["signals"]) if task["rtamt"] else None,
            "mtl": by_mtl(task["mtl"], task["signals"]) if task["mtl"] else None,
        }
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()

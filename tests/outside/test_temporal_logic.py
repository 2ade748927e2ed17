"""Every pattern in every scope against two independent temporal-logic libraries, on random recordings.

rtamt 0.4.10 (discrete time, one sample a tick) and metric-temporal-logic 0.4.1 (ticks with dt = 1; its upper bounds are
exclusive by one dt, so F[0,b] is written F[0,b+1]; it is not asked about windows that begin later, which it shifts,
nor about bounded until and the past, which it does not have). Formulas by hand from Dwyer, Avrunin & Corbett 1999 and
Konrad & Cheng 2005; "at most one" is written out tick by tick, as there is no operator for it. Both libraries call an
obligation violated whose window the end of the recording cuts: there the verdict here is UNKNOWN, and only there they
are not compared. They run in an environment of their own, made by tests/run.sh.

The rules themselves are then held against the same formulas, on recordings of things that are known exactly.
"""

from __future__ import annotations

import json
import os
import random
import secrets
import subprocess
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from latchtrace.model.time import Interval, Truth
from latchtrace.rules import meaning, signals
from latchtrace.rules.meaning import Scope, ScopeKind
from latchtrace.rules.signals import Signal
from support.pattern_rules import TICKED, recorded, said_by_rule

ROOT = Path(__file__).resolve().parents[2]
PYTHON = Path(os.environ.get("LATCHTRACE_TEMPORAL_PYTHON", ROOT / ".venv-temporal" / "bin" / "python"))
TRACES = 10_000 if os.environ.get("LATCHTRACE_LONG") else 60
SEED = secrets.randbelow(1_000_000)
END = 60
B = 4
"""The bound of the timed patterns, in ticks."""

Formula = tuple[object, ...] | str


def no(a: Formula) -> Formula:
    return ("not", a)


def both(a: Formula, b: Formula) -> Formula:
    return ("and", a, b)


def either(a: Formula, b: Formula) -> Formula:
    return ("or", a, b)


def then(a: Formula, b: Formula) -> Formula:
    return ("or", no(a), b)


def later(a: Formula, lo: int = 0, hi: int | None = None) -> Formula:
    return ("F", lo, hi, a)


def ever(a: Formula, lo: int = 0, hi: int | None = None) -> Formula:
    return ("G", lo, hi, a)


def till(a: Formula, b: Formula, lo: int = 0, hi: int | None = None) -> Formula:
    return ("U", lo, hi, a, b)


def weak(a: Formula, b: Formula) -> Formula:
    return either(till(a, b), ever(a))


def rtamt_text(formula: Formula) -> str:
    """The formula as rtamt reads it."""
    if isinstance(formula, str):
        return f"({formula} >= 0)"
    head, *rest = formula
    if head == "not":
        return f"(not {rtamt_text(_part(rest[0]))})"
    if head in ("and", "or"):
        return f"({rtamt_text(_part(rest[0]))} {head} {rtamt_text(_part(rest[1]))})"
    lo, hi, *parts = rest
    window = "" if hi is None else f"[{lo}:{hi}]"
    if head == "U":
        return f"({rtamt_text(_part(parts[0]))} until{window} {rtamt_text(_part(parts[1]))})"
    if head == "S":
        return f"({rtamt_text(_part(parts[0]))} since{window} {rtamt_text(_part(parts[1]))})"
    word = {"F": "eventually", "G": "always", "O": "once"}[str(head)]
    return f"({word}{window} {rtamt_text(_part(parts[0]))})"


def mtl_text(formula: Formula) -> str | None:
    """The formula as metric-temporal-logic reads it; None where it has no such operator."""
    if isinstance(formula, str):
        return formula
    head, *rest = formula
    if head == "not":
        inner = mtl_text(_part(rest[0]))
        return None if inner is None else f"~{inner}"
    if head in ("and", "or"):
        a, b = mtl_text(_part(rest[0])), mtl_text(_part(rest[1]))
        return None if a is None or b is None else f"({a} {'&' if head == 'and' else '|'} {b})"
    lo, hi, *parts = rest
    texts = [mtl_text(_part(part)) for part in parts]
    if None in texts or head in ("O", "S") or lo != 0 or (head == "U" and hi is not None):
        return None
    if head == "U":
        return f"({texts[0]} U {texts[1]})"
    window = "" if hi is None else f"[{lo},{int(str(hi)) + 1}]"
    return f"({head}{window} {texts[0]})"


def _part(value: object) -> Formula:
    assert isinstance(value, (str, tuple))
    return value


def once(a: Formula, lo: int = 0, hi: int | None = None) -> Formula:
    return ("O", lo, hi, a)


def since(a: Formula, b: Formula, lo: int = 0, hi: int | None = None) -> Formula:
    return ("S", lo, hi, a, b)


def scoped(body: Callable[[Formula | None], Formula], kind: ScopeKind) -> Formula:
    """A body at every instant of a scope; `body` is given what ends the scope."""
    q, r = "q", "r"
    opened = both(q, no(r))
    return {
        ScopeKind.GLOBALLY: lambda: ever(body(None)),
        ScopeKind.BEFORE: lambda: then(later(r), till(body(r), r)),
        ScopeKind.AFTER: lambda: ever(then(q, ever(body(None)))),
        ScopeKind.BETWEEN: lambda: ever(then(both(opened, later(r)), till(body(r), r))),
        ScopeKind.AFTER_UNTIL: lambda: ever(then(opened, weak(body(r), r))),
    }[kind]()


def inside(a: Formula, end: Formula | None, lo: int, hi: int | None) -> Formula:
    """Later, with no end of the scope until then."""
    return later(a, lo, hi) if end is None else till(no(end), both(a, no(end)), lo, hi)


def begun(a: Formula) -> Formula:
    return both(a, ("O", 1, 1, no(a)))


def opened(kind: ScopeKind) -> Formula | None:
    """At which instants a scope is open; None: always."""
    return {
        ScopeKind.GLOBALLY: None,
        ScopeKind.BEFORE: no(once("r")),
        ScopeKind.AFTER: once("q"),
        ScopeKind.BETWEEN: both(no("r"), since(no("r"), both("q", no("r")))),
        ScopeKind.AFTER_UNTIL: both(no("r"), since(no("r"), both("q", no("r")))),
    }[kind]


def earlier(a: Formula, kind: ScopeKind, lo: int, hi: int) -> Formula:
    """Earlier, and since the scope opened."""
    within = opened(kind)
    there = a if within is None else both(a, within)
    ends = kind not in (ScopeKind.GLOBALLY, ScopeKind.AFTER)
    return since(no("r"), there, lo, hi) if ends else once(there, lo, hi)


def twice(a: Formula, end: Formula | None, lo: int, hi: int) -> Formula:
    """Two of them from `lo` to `hi` later, tick by tick."""
    found: Formula = inside(both(a, inside(a, end, 1, hi - lo)), end, lo, lo)
    for i in range(lo + 1, hi):
        found = either(found, inside(both(a, inside(a, end, 1, hi - i)), end, i, i))
    return found


def _existence(kind: ScopeKind) -> Formula:
    p, q, r = "p", "q", "r"
    opened, within = both(q, no(r)), both(p, no(r))
    return {
        ScopeKind.GLOBALLY: later(p),
        ScopeKind.BEFORE: weak(no(r), within),
        ScopeKind.AFTER: either(ever(no(q)), later(both(q, later(p)))),
        ScopeKind.BETWEEN: ever(then(opened, weak(no(r), within))),
        ScopeKind.AFTER_UNTIL: ever(then(opened, till(no(r), within))),
    }[kind]


def _precedence(kind: ScopeKind) -> Formula:
    p, s, q, r = "p", "a", "q", "r"
    opened, ends = both(q, no(r)), either(s, r)
    return {
        ScopeKind.GLOBALLY: weak(no(p), s),
        ScopeKind.BEFORE: then(later(r), till(no(p), ends)),
        ScopeKind.AFTER: either(ever(no(q)), later(both(q, weak(no(p), s)))),
        ScopeKind.BETWEEN: ever(then(both(opened, later(r)), till(no(p), ends))),
        ScopeKind.AFTER_UNTIL: ever(then(opened, weak(no(p), ends))),
    }[kind]


BY_HAND: Mapping[str, Callable[[ScopeKind], Formula]] = {
    "absence": lambda kind: scoped(lambda _: no("p"), kind),
    "universality": lambda kind: scoped(lambda _: "p", kind),
    "existence": _existence,
    "precedence": _precedence,
    "response": lambda kind: scoped(lambda end: then("p", inside("a", end, 0, None)), kind),
    "bounded-response": lambda kind: scoped(lambda end: then("p", inside("a", end, 1, B)), kind),
    "bounded-response at once": lambda kind: scoped(lambda end: then("p", inside("a", end, 0, B)), kind),
    "bounded-absence": lambda kind: scoped(lambda end: then("p", no(inside("a", end, 1, B))), kind),
    "bounded-absence at once": lambda kind: scoped(lambda end: then("p", no(inside("a", end, 0, B))), kind),
    "stability": lambda kind: scoped(lambda end: then("p", no(inside(no("a"), end, 2, B))), kind),
    "stability at once": lambda kind: scoped(lambda end: then("p", no(inside(no("a"), end, 0, B))), kind),
    "sequence": lambda kind: scoped(
        lambda end: then("p", inside(both("a", inside("b", end, 1, B)), end, 1, 2 * B)), kind
    ),
    "sequence at once": lambda kind: scoped(
        lambda end: then("p", inside(both("a", inside("b", end, 0, B)), end, 0, 2 * B)), kind
    ),
    "at most one": lambda kind: scoped(lambda end: then("p", no(twice("a", end, 1, B))), kind),
    "bounded precedence": lambda kind: scoped(lambda _: then("p", earlier("a", kind, 0, B)), kind),
    "minimum-duration": lambda kind: scoped(lambda end: then(begun("p"), no(inside(no("p"), end, 0, B))), kind),
    "maximum-duration": lambda kind: scoped(
        lambda end: then(begun("p"), later(no("p") if end is None else either(no("p"), end), 0, B)), kind
    ),
    "bounded-recurrence": lambda kind: scoped(lambda end: later("p" if end is None else either("p", end), 0, B), kind),
}


def own(pattern: str, kind: ScopeKind, given: Mapping[str, Signal]) -> Truth:
    """The verdict here."""
    p, s = given["p"], given["a"]
    scope = Scope(kind, given["q"], given["r"])
    if pattern in ("existence", "precedence"):
        formula = meaning.existence(p, scope) if pattern == "existence" else meaning.precedence(p, s, scope)
        return meaning.verdict(formula, Interval(0, END), first_only=meaning.of_the_whole(kind, scope_obligation=True))
    body = {
        "absence": lambda: meaning.absence(p),
        "universality": lambda: meaning.universality(p),
        "response": lambda: meaning.response(p, s, scope),
        "bounded-response": lambda: meaning.response(p, s, scope, 1, B),
        "bounded-response at once": lambda: meaning.response(p, s, scope, 0, B),
        "bounded-absence": lambda: meaning.bounded_absence(p, s, scope, 1, B),
        "bounded-absence at once": lambda: meaning.bounded_absence(p, s, scope, 0, B),
        "stability": lambda: meaning.stability(p, s, scope, 2, B),
        "stability at once": lambda: meaning.stability(p, s, scope, 0, B),
        "sequence": lambda: meaning.sequence(p, [(s, 1, 2 * B), (given["b"], 1, B)], scope),
        "sequence at once": lambda: meaning.sequence(p, [(s, 0, 2 * B), (given["b"], 0, B)], scope),
        "at most one": lambda: meaning.at_most_one(p, s, scope, range(1, B + 1)),
        "bounded precedence": lambda: meaning.preceded(p, s, scope, B),
        "minimum-duration": lambda: meaning.minimum_duration(p, scope, B),
        "maximum-duration": lambda: meaning.maximum_duration(p, scope, B),
        "bounded-recurrence": lambda: meaning.recurrence(p, scope, B),
    }[pattern]()
    formula = meaning.throughout(body, scope)
    return meaning.verdict(formula, Interval(0, END), first_only=meaning.of_the_whole(kind, scope_obligation=False))


def recording(chance: random.Random, often: int) -> list[tuple[int, bool]]:
    """A step-held signal from 0 to END, changing every few ticks."""
    points, t, value = [(0, chance.random() < 0.3)], 0, False
    while True:
        t += chance.randrange(1, often)
        if t >= END:
            return [*points, (END, points[-1][1])]
        value = not points[-1][1]
        points.append((t, value))


@pytest.fixture(scope="module")
def libraries() -> Callable[[list[dict[str, object]]], list[dict[str, bool | None]]]:
    """Asks both libraries, many questions at once."""
    assert PYTHON.is_file(), f"{PYTHON} is missing: run `sh tests/run.sh --setup-only`, which makes it"

    def ask(tasks: list[dict[str, object]]) -> list[dict[str, bool | None]]:
        text = "".join(json.dumps(task) + "\n" for task in tasks)
        worker = Path(__file__).with_name("temporal_worker.py")
        done = subprocess.run([str(PYTHON), str(worker)], input=text, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return [json.loads(line) for line in done.stdout.splitlines()]

    return ask


@pytest.mark.parametrize("pattern", BY_HAND)
def test_pattern_means_in_every_scope_what_two_libraries_say(
    pattern: str, libraries: Callable[[list[dict[str, object]]], list[dict[str, bool | None]]]
) -> None:
    chance = random.Random(f"{SEED} {pattern}")
    tasks: list[dict[str, object]] = []
    verdicts = []
    for i in range(TRACES):
        kind = list(ScopeKind)[i % len(ScopeKind)]
        often = {"p": 25 if i % 3 else 8, "a": 12, "b": 6, "q": 30, "r": 30}
        told = {name: recording(chance, width) for name, width in often.items()}
        given = {
            name: signals.from_steps([(t, Truth.of(value)) for t, value in points[:-1]], 0, END)
            for name, points in told.items()
        }
        formula = BY_HAND[pattern](kind)
        tasks.append({"rtamt": rtamt_text(formula), "mtl": mtl_text(formula), "signals": told})
        verdicts.append((kind, own(pattern, kind, given)))
    seen: Counter[str] = Counter()
    for task, (kind, verdict), answer in zip(tasks, verdicts, libraries(tasks), strict=True):
        seen[verdict.name] += 1
        for library, said in answer.items():
            if verdict is not Truth.UNKNOWN and said is not None:
                assert (SEED, library, kind, said) == (SEED, library, kind, verdict is Truth.YES), json.dumps(task)
    assert seen["NO"], f"seed {SEED}: no violation among these recordings: {seen}"


@pytest.mark.parametrize("pattern", TICKED)
def test_a_rule_judges_exact_recordings_as_the_formula_of_its_pattern_says(pattern: str) -> None:
    chance = random.Random(f"{SEED} {pattern} as a rule")
    seen: Counter[str] = Counter()
    for i in range(TRACES * 5):
        kind = list(ScopeKind)[i % len(ScopeKind)]
        told = TICKED[pattern].without(recorded(chance, END))
        verdict = said_by_rule(pattern, kind, told)
        formula, first_only = TICKED[pattern].formula(kind, told)
        meant = meaning.verdict(formula, Interval(0, END), first_only=first_only)
        seen[meant.name] += 1
        assert (SEED, i, kind, verdict) == (SEED, i, kind, meant), told
    assert min(seen[one.name] for one in Truth) > 0, f"seed {SEED}: {seen}"

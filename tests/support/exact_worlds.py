"""Small worlds on a coarse grid as a capture shows them, and every exact world that may have looked like that.

Nothing here is taken from the rules: what a pattern means is said again, with quantifiers over ticks.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise, product

END = 7
"""The last tick recorded; ticks before 0 and after END are hidden."""
AROUND = 3
"""So many hidden ticks around the recording are tried: more than any window here reaches."""
B = 2
"""The bound of the windows, in ticks."""
TICKS = range(-AROUND, END + AROUND + 1)

Span = tuple[int, int]


@dataclass(frozen=True)
class State:
    """A state as seen: its value at tick 0, changes (each at some tick of a span), its value again after the gap."""

    first: bool
    changes: tuple[Span, ...]
    again: bool = False


@dataclass(frozen=True)
class Seen:
    """What a capture shows: things by stream, each at some tick of its span; states; a gap that hides everything."""

    things: Mapping[str, tuple[Span, ...]]
    states: Mapping[str, State]
    gap: Span | None = None

    @property
    def dark(self) -> tuple[int, ...]:
        """Ticks inside the gap."""
        return tuple(range(self.gap[0], self.gap[1] + 1)) if self.gap else ()


@dataclass(frozen=True)
class Exact:
    """What really was: ticks of things (those seen first, in order, then hidden ones), states by tick."""

    seen: Mapping[str, tuple[int, ...]]
    hidden: Mapping[str, tuple[int, ...]]
    states: Mapping[str, frozenset[int]] = field(default_factory=dict)

    def all(self, name: str) -> tuple[int, ...]:
        """Everything of a stream, hidden or not."""
        return (*self.seen.get(name, ()), *self.hidden.get(name, ()))

    def holds(self, name: str, tick: int) -> bool:
        """Whether a state holds."""
        return tick in self.states[name]


def shown(chance: random.Random, most: int = 2) -> Seen:
    """A world made up: few things, some of them at an uncertain time; half of the worlds have a gap."""
    gap = None
    if chance.random() < 0.4:
        begin = chance.randrange(1, END - 1)
        gap = (begin, begin + chance.randrange(2))
    wide = chance.choice((0, 0, 1, 2))
    things = {name: tuple(sorted(_spans(chance, most, wide))) for name in "pab"}
    return Seen(things, {name: _state(chance, gap, chance.choice((0, wide))) for name in "qrc"}, gap)


def _spans(chance: random.Random, most: int, wide: int) -> Iterator[Span]:
    for _ in range(chance.choice((1, 1, most))):
        lo = chance.randrange(END + 1)
        yield lo, min(END, lo + chance.randrange(wide + 1))


def _state(chance: random.Random, gap: Span | None, wide: int) -> State:
    changes: list[Span] = []
    t = 1
    for _ in range(chance.randrange(4)):
        lo = t + chance.randrange(3)
        hi = lo + chance.randrange(wide + 1)
        if hi > END or (gap and lo <= gap[1] + 1 and hi >= gap[0]):
            break
        changes.append((lo, hi))
        t = hi + 1
    return State(chance.random() < 0.4, tuple(changes), chance.random() < 0.5)


def exact_worlds(
    seen: Seen, streams: str, states: str, chance: random.Random, *, causal: str = "", crowd: int = 1
) -> Iterator[Exact]:
    """Every exact world that may have looked like this, in any order.

    `streams` and `states` are those that matter. `causal` names streams in the order in which things whose spans
    overlap are taken to have come (`pa`: the action after the request). At a hidden tick there may be up to `crowd`.
    """
    options: list[list[object]] = []
    places: list[tuple[str, str]] = []
    for name in streams:
        for lo, hi in seen.things[name]:
            places.append(("seen", name))
            options.append(list(range(lo, hi + 1)))
        for tick in unseen(seen) if name != "p" else ():
            places.append(("hidden", name))
            options.append([(), *([(tick,) * n for n in {1, crowd}])])
    for name in states:
        places.append(("states", name))
        options.append(list(_histories(seen, name)))
    for one in options:
        chance.shuffle(one)
    for chosen in product(*options):
        world = _put_together(places, chosen)
        if _in_order(seen, world, causal):
            yield world


def unseen(seen: Seen) -> list[int]:
    """The hidden ticks that a window around something observed may reach."""
    hidden = (*range(-AROUND, 0), *seen.dark, *range(END + 1, END + AROUND + 1))
    near = [(lo - AROUND, hi + AROUND) for lo, hi in seen.things["p"]]
    return [tick for tick in hidden if any(lo <= tick <= hi for lo, hi in near)]


def size(seen: Seen, streams: str, states: str, crowd: int = 1) -> int:
    """How many exact worlds there are, at most."""
    total = 1
    dark = len(unseen(seen))
    for name in streams:
        for lo, hi in seen.things[name]:
            total *= hi - lo + 1
        total *= 1 if name == "p" else (2 if crowd == 1 else 3) ** dark
    for name in states:
        total *= len(list(_histories(seen, name)))
    return total


def _put_together(places: list[tuple[str, str]], chosen: tuple[object, ...]) -> Exact:
    parts: dict[str, dict[str, tuple[int, ...]]] = {"seen": {}, "hidden": {}}
    states: dict[str, frozenset[int]] = {}
    for (kind, name), value in zip(places, chosen, strict=True):
        if isinstance(value, frozenset):
            states[name] = value
        else:
            more = value if isinstance(value, tuple) else (value,)
            parts[kind][name] = (*parts[kind].get(name, ()), *more)
    return Exact(parts["seen"], parts["hidden"], states)


def _in_order(seen: Seen, world: Exact, causal: str) -> bool:
    """Whether things whose spans overlap came in the order that is taken as causal."""
    for first, second in pairwise(causal):
        for one, at in zip(seen.things[first], world.seen[first], strict=True):
            for other, then in zip(seen.things[second], world.seen[second], strict=True):
                if one[0] <= other[1] and other[0] <= one[1] and at > then:
                    return False
    return True


def _histories(seen: Seen, name: str) -> Iterator[frozenset[int]]:
    """Every course a state may have taken: what holds at its beginning may have begun sooner."""
    state = seen.states[name]
    early = [range(-k, 0) for k in range(AROUND + 1)] if state.first and name in "qr" else [range(0)]
    late = list(product((False, True), repeat=AROUND)) if name in "rc" else [(False,) * AROUND]
    dark = list(product((False, True), repeat=len(seen.dark)))
    times = list(product(*(range(lo, hi + 1) for lo, hi in state.changes)))
    for before, when, hidden, after in product(early, times, dark, late):
        on = set(before)
        value, changes = state.first, dict.fromkeys(when)
        for tick in range(END + 1):
            if tick in seen.dark:
                here = hidden[seen.dark.index(tick)]
                value = state.again
            else:
                value = not value if tick in changes else value
                here = value
            if here:
                on.add(tick)
        on |= {END + 1 + i for i, one in enumerate(after) if one}
        yield frozenset(on)


# scopes


def is_open(world: Exact, kind: str, t: int) -> bool:
    """Whether the scope is open at a tick, and in force."""
    if kind == "globally":
        return True
    earlier = [u for u in TICKS if u <= t]
    if kind == "after":
        return any(world.holds("q", u) for u in earlier)
    closes = any(world.holds("r", u) for u in TICKS if u >= t)
    if kind == "before":
        return closes and not any(world.holds("r", u) for u in earlier)
    opened = any(world.holds("q", u) and not any(world.holds("r", v) for v in earlier if v >= u) for u in earlier)
    return opened and (closes or kind == "after-until")


def same_scope(world: Exact, kind: str, t: int, u: int) -> bool:
    """Whether what comes at u lies in the scope that is open at t."""
    if kind in ("before", "between", "after-until") and any(
        world.holds("r", v) for v in TICKS if min(t, u) <= v <= max(t, u)
    ):
        return False
    if u >= t or kind in ("globally", "before"):
        return True
    return any(
        world.holds("q", v) and (kind == "after" or not any(world.holds("r", w) for w in TICKS if v <= w <= u))
        for v in TICKS
        if v <= u
    )


# what each pattern means for an occasion at t


def inside(world: Exact, kind: str, name: str, t: int, lo: int, hi: int) -> list[int]:
    """The things of a stream from lo to hi after t, in the same scope."""
    return [u for u in world.all(name) if t + lo <= u <= t + hi and same_scope(world, kind, t, u)]


def chain(world: Exact, kind: str, t: int, first: Span, second: Span) -> bool:
    """An action after t and a movement after that."""
    return any(inside_from(world, kind, t, u, second) for u in inside(world, kind, "a", t, *first))


def inside_from(world: Exact, kind: str, t: int, u: int, limits: Span) -> bool:
    """A movement after u, in the scope of t."""
    return any(u + limits[0] <= v <= u + limits[1] and same_scope(world, kind, t, v) for v in world.all("b"))


def stays(world: Exact, kind: str, t: int, lo: int, hi: int) -> bool:
    """The door open from lo to hi after t, as far as the scope goes."""
    return all(world.holds("c", u) for u in TICKS if t + lo <= u <= t + hi and same_scope(world, kind, t, u))


Means = Callable[[Exact, str, int], bool]
MEANS: Mapping[str, Means] = {
    "absence": lambda w, k, t: not w.holds("c", t),
    "bounded-absence": lambda w, k, t: not inside(w, k, "a", t, 1, B),
    "bounded-absence at once": lambda w, k, t: not inside(w, k, "a", t, 0, B),
    "bounded-response": lambda w, k, t: bool(inside(w, k, "a", t, 0, B)),
    "precedence": lambda w, k, t: bool(inside(w, k, "a", t, -B, 0)),
    "sequence": lambda w, k, t: chain(w, k, t, (1, B), (0, 1)),
    "at most one": lambda w, k, t: len(inside(w, k, "a", t, -1, 1)) <= 1,
    "at least one": lambda w, k, t: len(inside(w, k, "a", t, -1, 1)) >= 1,
    "stability": lambda w, k, t: stays(w, k, t, 1, B),
    "early": lambda w, k, t: not inside(w, k, "a", t, 0, 0),
    "late": lambda w, k, t: bool(inside(w, k, "a", t, 0, 1)) or not inside(w, k, "a", t, 2, 3),
    "missing": lambda w, k, t: bool(inside(w, k, "a", t, 0, 3)),
}
NEEDS: Mapping[str, tuple[str, str, str]] = {
    "absence": ("p", "c", ""),
    "bounded-absence": ("pa", "", ""),
    "bounded-absence at once": ("pa", "", "pa"),
    "bounded-response": ("pa", "", "pa"),
    "precedence": ("pa", "", "ap"),
    "sequence": ("pab", "", "ab"),
    "at most one": ("pa", "", ""),
    "at least one": ("pa", "", ""),
    "stability": ("p", "c", ""),
    "early": ("pa", "", "pa"),
    "late": ("pa", "", "pa"),
    "missing": ("pa", "", "pa"),
}
"""The streams and states that matter to each pattern, and what is taken as causal."""
SCOPE_STATES: Mapping[str, str] = {"globally": "", "before": "r", "after": "q", "between": "qr", "after-until": "qr"}


def holds(world: Exact, pattern: str, kind: str) -> bool:
    """Whether the pattern holds of every occasion seen."""
    return all(not is_open(world, kind, t) or MEANS[pattern](world, kind, t) for t in world.seen.get("p", ()))


# what the patterns mean that watch a state: the door open, in a scope that the end of the recording closes


def going(world: Exact, kind: str, t: int) -> bool:
    """Whether the scope is open at a tick of the recording, which is all there is."""
    if kind == "globally":
        return True
    before = range(t + 1)
    if kind == "before":
        return not any(world.holds("r", u) for u in before)
    if kind == "after":
        return any(world.holds("q", u) for u in before)
    return any(world.holds("q", u) and not any(world.holds("r", v) for v in range(u, t + 1)) for u in before)


def always_open(world: Exact, kind: str) -> bool:
    """The door open at every tick of the scope."""
    return all(world.holds("c", t) for t in range(END + 1) if going(world, kind, t))


def open_again(world: Exact, kind: str) -> bool:
    """The door open again within B, or the scope closed by then."""
    return all(
        any(u > END or world.holds("c", u) or closing(world, kind, u) for u in range(t, t + B + 1))
        for t in range(END + 1)
        if going(world, kind, t)
    )


def closing(world: Exact, kind: str, t: int) -> bool:
    """Whether the scope ends here."""
    return kind in ("before", "between", "after-until") and world.holds("r", t)


def once_open(world: Exact, kind: str) -> bool:
    """The door open at some tick each time the scope was seen to open; `before` and `between` only where it closed."""
    starts = [t for t in range(1, END + 1) if going(world, kind, t) and not going(world, kind, t - 1)]
    if kind in ("globally", "before"):
        starts = [0]
    for start in starts:
        ends = [u for u in range(start, END + AROUND + 1) if closing(world, kind, u)]
        end = ends[0] if ends else END + AROUND + 1
        if end == start or (end > END and kind in ("before", "between")):
            continue
        if not any(world.holds("c", t) for t in range(start, end)):
            return False
    return True


def stay_lengths(world: Exact, kind: str) -> Iterator[int]:
    """How long the door stayed open each time it was seen to open in the scope."""
    for begin in range(1, END + 1):
        if world.holds("c", begin) and not world.holds("c", begin - 1) and going(world, kind, begin):
            yield next((t for t in TICKS if t > begin and not world.holds("c", t)), END + AROUND + 1) - begin


WATCHES: Mapping[str, Callable[[Exact, str], bool]] = {
    "universality": always_open,
    "existence": once_open,
    "bounded-recurrence": open_again,
    "minimum-duration": lambda w, k: all(length >= B for length in stay_lengths(w, k)),
    "maximum-duration": lambda w, k: all(length <= B for length in stay_lengths(w, k)),
}


def uncertain(seen: Seen, streams: str, states: str) -> int:
    """How many parts of what matters are uncertain: a time each, and each stream and state the gap hides."""
    spans = [span for name in streams for span in seen.things[name]]
    spans += [change for name in states for change in seen.states[name].changes]
    hidden = [name for name in streams if name != "p"] + list(states) if seen.gap else []
    return sum(lo != hi for lo, hi in spans) + len(hidden)

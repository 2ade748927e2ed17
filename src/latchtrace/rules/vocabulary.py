"""The words rule files are made of: the facts of each stream with their values, states, units, placeholders.

One list for each: rule files are checked by them, the published schema is made from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from latchtrace.model.userfile import load_user_file
from latchtrace.model.vehicle import (
    ACTIONS,
    AJAR_STATES,
    INSIDE_SOURCES,
    LATCH_STATES,
    OUTSIDE_SOURCES,
    REQUEST_SOURCES,
    TIMED_SOURCES,
)
from latchtrace.rules.example_car import FUNCTIONS, SINGLE_ROLES, limits
from latchtrace.rules.trackers.rolling_code import Result, Standing

Values = tuple[str, ...] | None
"""What a fact may be; None where the vehicle file names it."""

SOURCES = tuple(sorted({*REQUEST_SOURCES, *OUTSIDE_SOURCES, *INSIDE_SOURCES}))
ORIGINS = (*SOURCES, *TIMED_SOURCES, "hand-release", "none", "unknown")
SIDES = ("outside", "inside", "automatic", "none", "unknown")
MOVES = ("lock", "unlock", "deadlock")
YES_NO = ("yes", "no")
_ACTION: Mapping[str, Values] = {
    "action": MOVES,
    "origin": ORIGINS,
    "side": SIDES,
    "target": LATCH_STATES[:3],
    "closure": None,
    "commanded": YES_NO,
    "reported": YES_NO,
    "bounced": YES_NO,
    "others-ruled-out": ("yes", "unknown"),
    "key": None,
}
_PREVIOUS: Mapping[str, Values] = {f"previous.{name}": values for name, values in _ACTION.items()}
"""The facts of the central action before."""
FACTS: Mapping[str, Mapping[str, Values]] = {
    "action": {**_ACTION, **_PREVIOUS},
    "movement": {
        "closure": None,
        "state": LATCH_STATES[:3],
        "action": MOVES,
        "causes": MOVES,
        "origin": ORIGINS,
        "commanded": YES_NO,
        "together": YES_NO,
        "requested": YES_NO,
        "reported": YES_NO,
        **_PREVIOUS,
    },
    "request": {"source": SOURCES, "action": ACTIONS, "side": SIDES, "closure": None, "key": None},
    "asked": {
        "source": ORIGINS,
        "action": ACTIONS,
        "target": LATCH_STATES[:3],
        "validation": ("accepted", "refused", "not-needed", "missing", "unknown"),
        "commanded": YES_NO,
        "moved": YES_NO,
        "key": None,
        **_PREVIOUS,
    },
    "validation": {"result": ("accepted", "refused"), "key": None},
    "key-code": {
        "key": None,
        "result": tuple(map(str, Result)),
        "standing": tuple(map(str, Standing)),
        "desynchronised": ("yes", "no", "unknown"),
        "refusal": ("first", "another", "none", "unknown"),
        "lead": None,
        "failed": None,
    },
    "opening": {"closure": None},
    "ignition": {"state": ("off", "on")},
    "hand-release": {"closure": None},
    "beginning": {},
}
"""The facts of what each stream holds."""

STATES: Mapping[str, tuple[str, ...]] = {
    "ignition": ("off", "on"),
    "speed-lock-enabled": ("off", "on"),
    "hand-release": ("release",),
}
"""The states a condition may ask for."""
CLOSURE_STATES: Mapping[str, tuple[str, ...]] = {"latch": LATCH_STATES[:3], "ajar": AJAR_STATES[:2]}
NUMBERS: Mapping[str, str] = {"speed": "speed"}
"""Roles that tell a number, with the unit of their limits."""
ROLE_KINDS = tuple(dict.fromkeys(("request", "latch", "ajar", *SINGLE_ROLES)))
FITTED = FUNCTIONS
PLACEHOLDERS = (
    "closures",
    "action",
    "done",
    "Done",
    "state",
    "origin",
    "Origin",
    "measured",
    "limit",
    "advice",
    "started",
    "count",
    "missing",
)
"""What a message may hold in braces, beside facts of what the rule calls by a name: `{previous.origin}`."""
OF_OBSERVED = ("key", "lead", "failed")
"""What it may hold beside, where what the rule observes has such a fact."""
FOR_EACH = ("closure", "key")
"""What a rule may be judged for each of by itself."""
DERIVED: Mapping[str, str] = {"answer_deadline": "time"}
"""Limits that are worked out from others, with their units."""


def units() -> Mapping[str, str]:
    """Every parameter with the unit it is stated in: time, speed, count, choice, truth."""
    return {**{name: entry["unit"] for name, entry in limits().items()}, **DERIVED}


@cache
def functions() -> tuple[str, ...]:
    """The functions a rule may belong to."""
    from latchtrace.rules.catalogue import data_folder

    return tuple(load_user_file(data_folder() / "functions.yaml").data["functions"])


def fits(value: str, values: Values) -> bool:
    """Whether a fact may have this value."""
    return values is None or value in values or (value.startswith("other:") and "remote-button" in values)

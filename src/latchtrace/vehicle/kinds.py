"""The kinds of role a vehicle file can map: what may follow the name, which labels its values take, how it shows."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from latchtrace.model.events import EventKind
from latchtrace.model.vehicle import ACTIONS, AJAR_STATES, LATCH_STATES, REQUEST_SOURCES, TIMED_SOURCES, Shows

NONE = "none"
UNKNOWN = "unknown"
OTHERS = "others"

FUNCTIONS = ("auto-relock", "speed-lock")
"""Functions a vehicle file can tell fitted or not fitted."""


class Follows(StrEnum):
    """What may stand after the dot of a role's name."""

    NOTHING = "nothing"
    CLOSURE = "a closure, or nothing for one signal that tells of the whole car"
    SOURCE = "a source"
    GROUP = "a lock group or closure, or nothing"


@dataclass(frozen=True)
class Kind:
    """One kind of role. `labels` are those its values take; `state` whether it tells of a lasting state."""

    name: str
    meaning: str
    follows: Follows
    labels: tuple[str, ...]
    event: EventKind
    state: bool = False
    numeric: bool = False
    by_closure: bool = False

    @property
    def shows(self) -> tuple[Shows, ...]:
        """How signals of this kind may tell that something happens."""
        return (Shows.LEVEL,) if self.state or self.numeric else tuple(Shows)

    @property
    def happenings(self) -> tuple[str, ...]:
        """The labels that mean that something happens or holds."""
        return tuple(label for label in self.labels if label not in (NONE, UNKNOWN))

    @property
    def idle(self) -> bool:
        """Whether the kind has an idle value, `none`."""
        return NONE in self.labels


_ACTING = (NONE, *ACTIONS, UNKNOWN)

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("latch", "latch state", Follows.CLOSURE, LATCH_STATES, EventKind.LATCH, state=True, by_closure=True),
        Kind("ajar", "ajar contact", Follows.CLOSURE, AJAR_STATES, EventKind.AJAR, state=True, by_closure=True),
        Kind("request", "someone asks for an action", Follows.SOURCE, _ACTING, EventKind.REQUEST, by_closure=True),
        Kind("reception", "a receiver reports a signal", Follows.NOTHING, (NONE, "decoded", "undecoded", UNKNOWN),
             EventKind.RECEPTION),
        Kind("validation", "the decoder accepts or refuses a key", Follows.NOTHING,
             (NONE, "accepted", "refused", UNKNOWN), EventKind.VALIDATION),
        Kind("command", "actuators are driven", Follows.GROUP, _ACTING, EventKind.COMMAND, by_closure=True),
        Kind("action-report", "the network reports an action and its cause", Follows.NOTHING, _ACTING,
             EventKind.REPORT),
        Kind("ignition", "ignition on or off", Follows.NOTHING, ("off", "on", UNKNOWN), EventKind.STATE, state=True),
        Kind("speed", "vehicle speed", Follows.NOTHING, (UNKNOWN,), EventKind.STATE, numeric=True),
        Kind("speed-lock-enabled", "speed locking turned on or off", Follows.NOTHING, ("off", "on", UNKNOWN),
             EventKind.STATE, state=True),
        Kind("hand-release", "a closure is unlocked or opened by hand", Follows.NOTHING, (NONE, "release", UNKNOWN),
             EventKind.STATE, by_closure=True),
    )
}  # fmt: skip
"""Every kind of role by its name."""

ORIGINS = (*REQUEST_SOURCES, *TIMED_SOURCES)
"""Origins an action report can name; `other:<label>` as well."""

DETAILS: dict[str, str] = {
    "action": "the action asked for or reported; with values lock, unlock, deadlock, release",
    "slot": "number of the key",
    "counter": "the key's rolling counter",
    "code": "the key's code",
    "result": "what became of it",
    "reason": "why",
    "origin": "the source an action report names; with values such as remote-button",
    "closure": "the closure it concerns; with values that are closures",
}
"""Further facts a reading may take from the same frame."""


def source_is_known(source: str) -> bool:
    """Whether a request may be mapped from this source."""
    return source in REQUEST_SOURCES or (source.startswith("other:") and len(source) > len("other:"))


def origin_is_known(origin: str) -> bool:
    """Whether an action report may name this origin."""
    return origin in ORIGINS or origin in (NONE, UNKNOWN) or source_is_known(origin)

"""Builds networks, vehicle files and signal tracks by hand, so that the vehicle room is tested without the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from latchtrace.errors import NetworkError, Problem, UserFileError
from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.network import (
    Database,
    MessageSpec,
    Onset,
    SignalRef,
    SignalSpec,
    SignalTrack,
    Tracks,
    Validity,
)
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import MILLISECOND, Interval
from latchtrace.model.userfile import parse_user_text
from latchtrace.model.vehicle import Vehicle
from latchtrace.vehicle.file import read_vehicle

END = 100_000
"""Length of a made capture in milliseconds."""

LOST = "lost"
ABSENT = "absent"


def signal(
    name: str,
    start: int,
    length: int,
    unit: str = "",
    *,
    signed: bool = False,
    is_float: bool = False,
    choices: Mapping[int, str] | None = None,
    is_multiplexer: bool = False,
    multiplexers: tuple[tuple[str, tuple[int, ...]], ...] = (),
    comment: str = "",
) -> SignalSpec:
    """A signal of a made DBC."""
    bits = tuple(range(start, start + length))
    return SignalSpec(
        name=name,
        bits=bits,
        mask=sum(1 << bit for bit in bits),
        signed=signed,
        is_float=is_float,
        scale=1.0,
        offset=0.0,
        minimum=None,
        maximum=None,
        unit=unit,
        choices=choices or {},
        multiplexers=multiplexers,
        is_multiplexer=is_multiplexer,
        comment=comment,
    )


def message(name: str, can_id: int, *signals: SignalSpec, period: int | None = None) -> MessageSpec:
    """A message of a made DBC."""
    return MessageSpec(name, can_id, can_id > 0x7FF, 8, False, signals, period)


def database(*messages: MessageSpec, name: str = "made.dbc") -> Database:
    """A made DBC."""
    return Database(name, messages)


QUAY = database(
    message("QuayLatch", 0x11, signal("Left", 0, 2), signal("Right", 2, 2), signal("Flap", 4, 2)),
    message("QuayCar", 0x12, signal("State", 0, 3)),
    message("QuayDoors", 0x13, signal("Left", 0, 1), signal("Right", 1, 1), signal("Hood", 2, 1), signal("All", 3, 2)),
    message(
        "QuayKey",
        0x1ABCDE,
        signal("Kind", 0, 2, is_multiplexer=True),
        signal("Button", 2, 3),
        signal("Slot", 5, 3),
        signal("Count", 8, 16),
        signal("Code", 24, 24),
        signal("Alive", 48, 4),
    ),
    message("QuayPanel", 0x15, signal("Key", 0, 2), signal("Presses", 2, 3), signal("Page", 8, 4)),
    message("QuayReport", 0x16, signal("Number", 0, 4), signal("Action", 4, 4), signal("Cause", 8, 4)),
    message("QuayMotor", 0x17, signal("Drive", 0, 3), signal("Result", 3, 2)),
    message("QuayRoad", 0x18, signal("Speed", 0, 16, "km/h"), signal("Miles", 16, 16, "mph"), signal("Ignition", 32, 2),
            signal("Ratio", 40, 24, is_float=True), signal("Cold", 34, 3, signed=True)),
)  # fmt: skip
"""A network that no vehicle of ours has."""

HEAD = """\
version: 1
name: Quay coupe
dbc: [quay.dbc]
closures:
  left: {title: left door, driver: true}
  right: {}
  flap: {actuator: separate}
  hood: {lockable: false}
lock_groups:
  all: [left, right, flap]
  doors: [left, right]
messages:
  QuayLatch:  {send: cyclic, period: 100 ms}
  QuayCar:    {send: on-change, latency: 20 ms}
  QuayDoors:  {send: cyclic, period: 100 ms}
  QuayKey:    {send: event, repeats: 3, repeat_within: 60 ms, latency: 20 ms, kind_pages: true, counter: Alive}
  QuayPanel:  {send: cyclic, period: 50 ms}
  QuayReport: {send: cyclic-and-on-change, period: 1 s, latency: 20 ms}
  QuayMotor:  {send: cyclic, period: 50 ms}
  QuayRoad:   {send: cyclic, period: 100 ms}
"""


def read(text: str, databases: Mapping[str, Database] | None = None) -> Vehicle:
    """The vehicle a file's text describes; the DBCs by name (quay.dbc where none is given)."""
    known = {"quay.dbc": QUAY} if databases is None else databases

    def load(path: Path) -> Database:
        if path.name not in known:
            raise NetworkError(f"{path}: cannot be read (no such file)")
        return known[path.name]

    return read_vehicle(parse_user_text(text.encode(), "car.yaml"), Path("garage/car.yaml"), load)


def vehicle(roles: str, head: str = HEAD, tail: str = "") -> Vehicle:
    """A vehicle with these roles (lines without indent)."""
    return read(with_roles(roles, head, tail))


def with_roles(roles: str, head: str = HEAD, tail: str = "") -> str:
    """A whole vehicle file's text with these roles."""
    return f"{head}roles:\n" + "".join(f"  {line}\n" for line in roles.strip("\n").split("\n")) + tail


def problems(text: str, databases: Mapping[str, Database] | None = None) -> tuple[Problem, ...]:
    """All mistakes of a file's text."""
    try:
        read(text, databases)
    except UserFileError as error:
        return error.problems
    return ()


def ref(name: str) -> SignalRef:
    """`Message.Signal` as a reference."""
    message_name, _, signal_name = name.partition(".")
    return SignalRef(message_name, signal_name)


Cell = tuple[int, int | str]


def track(
    name: str,
    *rows: Cell,
    width: int = 100,
    every: bool = False,
    sent_on_change: bool = False,
    key: MessageKey | None = None,
    silences: Sequence[tuple[int, int]] = (),
    first: Onset = Onset.FIRST_SEEN,
) -> SignalTrack:
    """A track from (milliseconds, raw value, LOST or ABSENT); a row's number is its time, as of its frame.

    Each change is known to lie within `width` milliseconds, as is the first row of event and on-change messages
    (`sent_on_change`). With `every`, equal values are repeats.
    """
    t = np.array([at for at, _ in rows], np.int64) * MILLISECOND
    raws = [0 if isinstance(raw, str) else raw for _, raw in rows]
    lost = np.array([raw == LOST for _, raw in rows], np.bool_)
    validity = [{LOST: Validity.LOST, ABSENT: Validity.ABSENT}.get(str(raw), Validity.KNOWN) for _, raw in rows]
    onset = [Onset.CHANGED] * len(rows)
    for i in range(len(rows)):
        if i == 0:
            onset[i] = first
        elif validity[i - 1] == Validity.LOST:
            onset[i] = Onset.FIRST_SEEN
        elif every and raws[i] == raws[i - 1]:
            onset[i] = Onset.REPEATED
    exact = not (sent_on_change or every)
    seen = np.array([exact and one is Onset.FIRST_SEEN for one in onset], np.bool_) | lost
    return SignalTrack(
        ref=ref(name),
        key=key or MessageKey("net", sum(map(ord, name.partition(".")[0])) % 0x7FF),
        t_lo=np.where(seen, t, t - width * MILLISECOND + 1),
        t_hi=t,
        raw=np.array(raws, np.int64),
        value=np.array(raws, np.float64),
        validity=np.array(validity, np.uint8),
        onset=np.array(onset, np.uint8),
        row=np.where(lost, -1, t // MILLISECOND),
        known_until=END * MILLISECOND,
        silences=tuple(Interval(lo * MILLISECOND, hi * MILLISECOND) for lo, hi in silences),
    )


def taped(*tracks: SignalTrack, gaps: Sequence[tuple[str, int, int]] = (), end: int = END) -> Tracks:
    """Tracks of one segment, with recorder gaps as (channel, from, to) in milliseconds."""
    seen = {one.key: Interval(int(one.t_hi[0]), end * MILLISECOND) if len(one) else None for one in tracks}
    return Tracks(
        segment=0,
        span=Interval(0, end * MILLISECOND),
        tracks={one.ref: one for one in tracks},
        blind=tuple((channel, Interval(lo * MILLISECOND, hi * MILLISECOND)) for channel, lo, hi in gaps),
        seen=seen,
        frames={one.key: len(one) for one in tracks},
    )


def told(timeline: Timeline, kind: EventKind | None = None) -> list[tuple[str, str, float, float]]:
    """Events as (subject, value, earliest, latest) in milliseconds; earliest rounded up to whole ones."""
    return [
        (event.subject, event.value, *milliseconds(event.at))
        for event in timeline.events
        if kind is None or event.kind == kind
    ]


def milliseconds(at: Interval) -> tuple[float, float]:
    """Both ends in milliseconds; a half-open start `previous + 1 ns` reads as the previous frame's time."""
    return round(at.lo / MILLISECOND, 3), round(at.hi / MILLISECOND, 3)


def of(timeline: Timeline, kind: EventKind) -> list[LockEvent]:
    """The events of a kind."""
    return [event for event in timeline.events if event.kind == kind]

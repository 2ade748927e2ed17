"""What must hold of timelines whatever the tracks, and that the same car told otherwise is the same."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.network import SignalTrack, Tracks
from latchtrace.model.plan import MessageKey
from latchtrace.model.vehicle import Vehicle
from latchtrace.vehicle.mapping import timeline
from support.made_vehicle import LOST, Cell, database, message, read, signal, taped, track, vehicle

LATCH = "latch.left: {signal: QuayLatch.Left, values: {%d: unlocked, %d: locked, %d: deadlocked}}"
WHOLE = vehicle(
    "latch: {signal: QuayCar.State, "
    "values: {0: unlocked, 1: locked, 2: {left: unlocked, others: locked}, 3: deadlocked}}"
)
SWITCH = vehicle("request.interior-switch: {signal: QuayPanel.Key, values: {0: none, 1: lock, 2: unlock}}")
COUNTER = vehicle("request.keypad: {signal: QuayPanel.Presses, shows: counter, does: lock}")
REMOTE = vehicle(
    "request.remote-button: {signal: QuayKey.Button, shows: event, values: {0: none, 1: lock, 2: unlock}, "
    "details: {code: QuayKey.Code}}"
)


@st.composite
def cells(draw: st.DrawFn, values: int, lost: bool = True, most: int = 12) -> list[Cell]:
    """Rows of a track in which only changes come, with losses."""
    times = sorted(draw(st.sets(st.integers(0, 90_000), min_size=1, max_size=most)))
    found: list[Cell] = []
    for at in times:
        choices: list[int | str] = [*range(values), *([LOST] if lost and found else [])]
        raw = draw(st.sampled_from([one for one in choices if not found or one != found[-1][1]]))
        found.append((at, raw))
    return found


def of_kind(found: Timeline, kind: EventKind) -> list[LockEvent]:
    return [event for event in found.events if event.kind == kind]


@given(cells(4), st.permutations([0, 1, 2]))
@settings(max_examples=150, deadline=None)
def test_other_raw_values_with_another_map_tell_the_same(rows: list[Cell], order: list[int]) -> None:
    """An inverted contact with an inverted map, for three states and a value without a label."""
    renamed: list[Cell] = [(at, order[raw] if isinstance(raw, int) and raw < 3 else raw) for at, raw in rows]
    plain = timeline(vehicle(LATCH % (0, 1, 2)), taped(track("QuayLatch.Left", *rows)))
    other = timeline(vehicle(LATCH % (order[0], order[1], order[2])), taped(track("QuayLatch.Left", *renamed)))
    assert plain.events == other.events
    assert plain.coverage == other.coverage


@given(cells(4), cells(3), st.permutations(["north", "south", "west"]), st.permutations([0x101, 0x202, 0x303]))
@settings(max_examples=100, deadline=None)
def test_permuted_channels_and_ids_tell_the_same(
    latches: list[Cell], keys: list[Cell], channels: list[str], ids: list[int]
) -> None:
    def told(names: list[str], numbers: list[int]) -> tuple[LockEvent, ...]:
        made = {
            f"{name}.dbc": database(spec, name=f"{name}.dbc")
            for name, spec in zip(
                names,
                (message("Latch", numbers[0], signal("All", 0, 3)), message("Panel", numbers[1], signal("Key", 0, 2)),
                 message("Spare", numbers[2], signal("None", 0, 2))),
                strict=True,
            )
        }  # fmt: skip
        text = "version: 1\nname: x\nchannels:\n" + "".join(
            f"  {name}: {{dbc: {name}.dbc}}\n" for name in sorted(names)
        )
        text += (
            "closures: {left: {}, right: {}}\n"
            "messages: {Latch: {send: cyclic, period: 100 ms}, Panel: {send: cyclic, period: 50 ms}}\n"
            "roles:\n"
            "  latch: {signal: Latch.All, values: {0: unlocked, 1: locked, 2: {left: unlocked, others: locked}}}\n"
            "  request.keypad: {signal: Panel.Key, values: {0: none, 1: lock, 2: unlock}}\n"
        )
        car = read(text, made)
        assert [car.messages[name].channel for name in ("Latch", "Panel")] == names[:2]
        latch = track("Latch.All", *latches, key=MessageKey(names[0], numbers[0]))
        panel = track("Panel.Key", *keys, key=MessageKey(names[1], numbers[1]))
        return tuple(timeline(car, taped(latch, panel, gaps=[(names[0], 4000, 5000)])).events)

    assert told(["north", "south", "west"], [0x101, 0x202, 0x303]) == told(channels, ids)


@given(cells(5))
@settings(max_examples=150, deadline=None)
def test_a_closure_only_changes_from_what_it_was(rows: list[Cell]) -> None:
    found = timeline(WHOLE, taped(track("QuayCar.State", *rows)))
    for closure in ("left", "right", "flap"):
        before = "unknown"
        for event in (one for one in found.events if one.subject == closure):
            assert event.value != before
            assert event.change == (event.value != "unknown" and before != "unknown")
            before = event.value


@given(cells(5))
@settings(max_examples=100, deadline=None)
def test_a_whole_car_signal_tells_what_a_signal_for_each_latch_tells(rows: list[Cell]) -> None:
    """The whole-car value taken apart into one raw value for each closure gives the same events."""
    parts = {
        "Left": {0: 0, 1: 1, 2: 0, 3: 2, 4: 3},
        "Right": {0: 0, 1: 1, 2: 1, 3: 2, 4: 3},
        "Flap": {0: 0, 1: 1, 2: 1, 3: 2, 4: 3},
    }
    values = "{0: unlocked, 1: locked, 2: deadlocked, 3: unknown}"
    roles = [f"latch.{name.lower()}: {{signal: QuayLatch.{name}, values: {values}}}" for name in parts]
    apart = vehicle("\n".join(roles))
    split = []
    for name, meaning in parts.items():
        mapped: list[Cell] = [(at, meaning[raw] if isinstance(raw, int) else raw) for at, raw in rows]
        kept = [cell for i, cell in enumerate(mapped) if i == 0 or cell[1] != mapped[i - 1][1]]
        split.append(track(f"QuayLatch.{name}", *kept))
    one = timeline(WHOLE, taped(track("QuayCar.State", *rows)))
    many = timeline(apart, taped(*split))

    def plain(found: Timeline) -> list[LockEvent]:
        return [replace(event, signal="") for event in found.events]

    assert plain(one) == plain(many)


@given(cells(4))
@settings(max_examples=150, deadline=None)
def test_levels_take_turns_and_end_no_earlier_than_they_start(rows: list[Cell]) -> None:
    found = of_kind(timeline(SWITCH, taped(track("QuayPanel.Key", *rows))), EventKind.REQUEST)
    for event, after in pairwise(found):
        assert event.end is not None
        assert event.end.hi <= after.at.hi
    for event in found:
        if event.end is not None:
            assert event.at.lo <= event.end.lo
            assert event.at.hi <= event.end.hi
    shown = [raw for _, raw in rows]
    assert len(found) == sum(1 for raw in shown if raw in (1, 2))


@given(st.lists(st.integers(1, 2), max_size=30), st.integers(0, 7))
@settings(max_examples=150, deadline=None)
def test_a_counter_gives_as_many_events_as_it_stepped(steps: list[int], start: int) -> None:
    count, rows = start, [(0, start)]
    for i, step in enumerate(steps):
        count += step
        rows.append((1000 * (i + 1), count % 8))
    found = timeline(COUNTER, taped(track("QuayPanel.Presses", *rows)))
    assert len(found.events) == sum(steps)
    assert found.notices == ()


@given(st.lists(st.tuples(st.integers(1, 2), st.integers(0, 3), st.integers(1, 3)), max_size=10))
@settings(max_examples=150, deadline=None)
def test_each_press_is_one_event_however_many_of_its_frames_come_through(presses: list[tuple[int, int, int]]) -> None:
    """Presses 400 ms apart of up to three frames 20 ms apart, with equal codes among them."""
    buttons, codes = [], []
    for i, (button, code, frames) in enumerate(presses):
        for k in range(frames):
            buttons.append((1000 + 400 * i + 20 * k, button))
            codes.append((1000 + 400 * i + 20 * k, code))
    found = timeline(
        REMOTE, taped(track("QuayKey.Button", *buttons, every=True), track("QuayKey.Code", *codes, every=True))
    )
    assert [(e.row, e.value, e.detail("code")) for e in found.events] == [
        (1000 + 400 * i, {1: "lock", 2: "unlock"}[button], code) for i, (button, code, _) in enumerate(presses)
    ]


def cut(one: SignalTrack, until: int) -> SignalTrack:
    """A track as if the capture had ended earlier."""
    keep = one.t_hi <= until
    columns = {name: getattr(one, name)[keep] for name in ("t_lo", "t_hi", "raw", "value", "validity", "onset", "row")}
    return replace(one, **columns, known_until=until)


@given(cells(4), st.integers(0, 90_000), st.sampled_from([WHOLE, SWITCH]))
@settings(max_examples=150, deadline=None)
def test_a_shorter_capture_tells_the_beginning_of_the_same(rows: list[Cell], until: int, car: Vehicle) -> None:
    name = "QuayCar.State" if car is WHOLE else "QuayPanel.Key"
    whole = track(name, *rows)
    at = until * 10**6
    long, short = timeline(car, taped(whole)), timeline(car, taped(cut(whole, at)))
    begun = [event for event in long.events if event.at.hi <= at]
    assert [replace(event, end=None) for event in begun] == [replace(event, end=None) for event in short.events]


def test_a_million_rows_give_the_few_events_in_them() -> None:
    rows = 1_000_000
    t = np.arange(rows, dtype=np.int64) * 10**6
    raw = np.zeros(rows, np.int64)
    raw[rows // 2 : rows // 2 + 300] = 1
    one = SignalTrack(
        ref=track("QuayPanel.Key").ref,
        key=MessageKey("net", 1),
        t_lo=t,
        t_hi=t,
        raw=raw,
        value=raw.astype(np.float64),
        validity=np.zeros(rows, np.uint8),
        onset=np.full(rows, 2, np.uint8),
        row=np.arange(rows, dtype=np.int64),
        known_until=int(t[-1]),
    )
    found = timeline(SWITCH, Tracks(0, taped().span, {one.ref: one}))
    assert [event.value for event in found.events] == ["lock"]

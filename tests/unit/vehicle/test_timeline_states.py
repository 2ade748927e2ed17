from __future__ import annotations

import numpy as np

from latchtrace.model.events import EventKind
from latchtrace.model.network import Onset, SignalTrack, Validity
from latchtrace.vehicle.mapping import timeline
from support.made_vehicle import ABSENT, LOST, Cell, of, taped, told, track, vehicle

LATCHES = """\
latch.left: {signal: QuayLatch.Left, values: {0: unlocked, 1: locked, 2: deadlocked, 3: unknown}}
latch.right: {signal: QuayLatch.Right, values: {0: unlocked, 1: locked}}"""
WHOLE = """\
latch:
  signal: QuayCar.State
  values: {0: unlocked, 1: locked, 2: {left: unlocked, others: locked}, 3: deadlocked, 7: unknown}"""


def test_a_latch_first_seen_is_a_state_and_no_change() -> None:
    events = timeline(vehicle(LATCHES), taped(track("QuayLatch.Left", (500, 0), (1000, 1)))).events
    assert [(e.subject, e.value, e.change, e.row) for e in events] == [
        ("left", "unlocked", False, 500),
        ("left", "locked", True, 1000),
    ]
    assert events[0].at.exact
    assert events[0].signal == "QuayLatch.Left"


def test_a_change_lies_after_the_frame_before_and_up_to_the_frame_that_shows_it() -> None:
    found = timeline(vehicle(LATCHES), taped(track("QuayLatch.Left", (500, 0), (1000, 1))))
    assert told(found)[1] == ("left", "locked", 900.0, 1000.0)


def test_every_latch_state_has_its_value() -> None:
    rows = track("QuayLatch.Left", (0, 0), (100, 1), (200, 2), (300, 1), (400, 0))
    values = [event.value for event in timeline(vehicle(LATCHES), taped(rows)).events]
    assert values == ["unlocked", "locked", "deadlocked", "locked", "unlocked"]


def test_a_whole_car_value_makes_one_event_for_each_closure_that_changes() -> None:
    found = timeline(vehicle(WHOLE), taped(track("QuayCar.State", (0, 0), (100, 1), (200, 2), (300, 0))))
    changes = [(e.subject, e.value, e.row) for e in found.events if e.change]
    assert changes == [
        ("flap", "locked", 100), ("left", "locked", 100), ("right", "locked", 100),
        ("left", "unlocked", 200),
        ("flap", "unlocked", 300), ("right", "unlocked", 300),
    ]  # fmt: skip


def test_a_closure_that_does_not_lock_has_no_latch_in_a_whole_car_value() -> None:
    found = timeline(vehicle(WHOLE), taped(track("QuayCar.State", (0, 0))))
    assert {event.subject for event in found.events} == {"left", "right", "flap"}


def test_over_a_gap_every_closure_becomes_unknown_and_what_is_seen_after_is_no_change() -> None:
    rows = track("QuayCar.State", (0, 0), (5000, LOST), (9000, 1))
    found = timeline(vehicle(WHOLE), taped(rows, gaps=[("net", 5000, 9000)]))
    after = [(e.subject, e.value, e.change, e.row) for e in found.events if e.at.lo >= 5_000_000_000]
    assert after == [
        ("flap", "unknown", False, -1), ("left", "unknown", False, -1), ("right", "unknown", False, -1),
        ("flap", "locked", False, 9000), ("left", "locked", False, 9000), ("right", "locked", False, 9000),
    ]  # fmt: skip


def test_a_raw_value_without_label_reads_unknown_and_is_counted() -> None:
    rows = track("QuayLatch.Right", (0, 0), (100, 2), (200, 0), (300, 2), (400, 3))
    found = timeline(vehicle(LATCHES), taped(rows))
    assert [(e.value, e.change) for e in found.events] == [
        ("unlocked", False), ("unknown", False), ("unlocked", False), ("unknown", False),
    ]  # fmt: skip
    assert len(found.notices) == 1
    assert "latch.right" in found.notices[0]
    assert "2 (2 times), 3 (1 time)" in found.notices[0]


def test_a_value_that_means_not_available_reads_unknown_without_a_notice() -> None:
    found = timeline(vehicle(LATCHES), taped(track("QuayLatch.Left", (0, 0), (100, 3), (200, 1))))
    assert [(e.value, e.change) for e in found.events] == [("unlocked", False), ("unknown", False), ("locked", False)]
    assert found.notices == ()


def test_frames_too_short_for_the_signal_read_unknown_and_are_counted() -> None:
    found = timeline(vehicle(LATCHES), taped(track("QuayLatch.Left", (0, 0), (100, ABSENT), (200, 0))))
    assert [e.value for e in found.events] == ["unlocked", "unknown", "unlocked"]
    assert "missing in 1 frame" in found.notices[0]


def test_states_nobody_has_seen_make_no_event() -> None:
    assert timeline(vehicle(LATCHES), taped()).events == ()
    assert timeline(vehicle(LATCHES), taped(track("QuayLatch.Left", (0, 3)))).events == ()


def test_repeated_frames_of_the_same_state_make_no_event() -> None:
    rows = track("QuayLatch.Left", (0, 0), (100, 0), (200, 0), (300, 1), (400, 1), every=True)
    assert [event.row for event in timeline(vehicle(LATCHES), taped(rows)).events] == [0, 300]


def test_an_inverted_contact_with_an_inverted_map_tells_the_same() -> None:
    plain = "ajar.left: {signal: QuayDoors.Left, values: {0: shut, 1: open}}"
    turned = "ajar.left: {signal: QuayDoors.Left, values: {0: open, 1: shut}}"
    cells: list[Cell] = [(0, 0), (100, 1), (700, 0), (900, LOST), (1200, 1)]
    upside: list[Cell] = [(at, raw if isinstance(raw, str) else 1 - raw) for at, raw in cells]
    assert (
        timeline(vehicle(plain), taped(track("QuayDoors.Left", *cells))).events
        == timeline(vehicle(turned), taped(track("QuayDoors.Left", *upside))).events
    )


def test_one_signal_may_tell_of_all_contacts() -> None:
    roles = (
        "ajar: {signal: QuayDoors.All, values: {0: shut, 1: {left: open, others: shut}, 3: {hood: open, others: shut}}}"
    )
    found = timeline(vehicle(roles), taped(track("QuayDoors.All", (0, 0), (100, 1), (200, 3))))
    assert [(e.subject, e.value) for e in of(found, EventKind.AJAR) if e.change] == [
        ("left", "open"), ("hood", "open"), ("left", "shut"),
    ]  # fmt: skip


def test_two_pages_of_one_message_may_share_the_work() -> None:
    roles = """\
latch.left:
  - {signal: QuayKey.Slot, values: {0: unlocked, 1: locked}, when: {QuayKey.Kind: 1}}
  - {signal: QuayKey.Button, values: {0: unlocked, 1: locked}, when: {QuayKey.Kind: 2}}"""
    kind = track("QuayKey.Kind", (0, 1), (100, 2), (200, 1))
    slot = track("QuayKey.Slot", (0, 0), (200, 1))
    button = track("QuayKey.Button", (0, 1), (100, 0), (200, 1))
    found = timeline(vehicle(roles), taped(kind, slot, button))
    assert [(e.value, e.row) for e in found.events] == [("unlocked", 0), ("locked", 200)]


def test_context_roles_are_states_under_their_own_name() -> None:
    roles = """\
ignition: {signal: QuayRoad.Ignition, values: {0: off, 1: on, 2: on, 3: unknown}}
speed-lock-enabled: {signal: QuayRoad.Cold, values: {-4: off, -1: on}}
hand-release: {signal: QuayPanel.Key, values: {0: none, 1: {left: release}, 2: {right: release}}}"""
    found = timeline(vehicle(roles), taped(
        track("QuayRoad.Ignition", (0, 0), (100, 1), (200, 2), (300, 0)),
        track("QuayRoad.Cold", (0, -4), (150, -1)),
        track("QuayPanel.Key", (0, 0), (350, 2), (400, 0)),
    ))  # fmt: skip
    assert [(e.subject, e.value, e.detail("closure")) for e in of(found, EventKind.STATE) if e.change] == [
        ("ignition", "on", None),
        ("speed-lock-enabled", "on", None),
        ("ignition", "off", None),
        ("hand-release", "release", "right"),
    ]


def test_speed_is_a_number_in_kilometres_with_not_available_marked() -> None:
    roles = "speed: {signal: QuayRoad.Miles, values: {0xFFFF: unknown}}"
    found = timeline(vehicle(roles), taped(track("QuayRoad.Miles", (0, 10), (100, 0xFFFF), (200, 20))))
    speed = found.numeric["speed"]
    assert isinstance(speed, SignalTrack)
    assert np.allclose(speed.value[[0, 2]], [16.09344, 32.18688])
    assert speed.validity.tolist() == [Validity.KNOWN, Validity.ABSENT, Validity.KNOWN]
    assert found.events == ()


def test_events_come_in_order_of_time() -> None:
    found = timeline(vehicle(LATCHES), taped(
        track("QuayLatch.Left", (0, 0), (300, 1), (500, 0)), track("QuayLatch.Right", (0, 0), (200, 1), (400, 0)),
    ))  # fmt: skip
    assert [event.at.hi for event in found.events] == sorted(event.at.hi for event in found.events)


def test_large_unsigned_values_are_told_apart_exactly() -> None:
    from support.made_vehicle import database, message, read, signal

    made = database(message("Big", 1, signal("All", 0, 64)))
    high = 2**64 - 1
    text = (
        "version: 1\nname: x\ndbc: made.dbc\nclosures: {lid: }\nmessages: {Big: {send: cyclic, period: 1 s}}\n"
        f"roles: {{latch.lid: {{signal: Big.All, values: {{{high - 1}: unlocked, 0xFFFFFFFFFFFFFFFF: locked}}}}}}\n"
    )
    rows = track("Big.All", (0, 0), (100, 0))
    rows = SignalTrack(
        **{name: getattr(rows, name) for name in rows.__slots__} | {"raw": np.array([high - 1, high], np.uint64)}
    )
    assert [e.value for e in timeline(read(text, {"made.dbc": made}), taped(rows)).events] == ["unlocked", "locked"]


def test_a_first_row_that_is_a_change_is_still_no_known_change_of_state() -> None:
    rows = track("QuayLatch.Left", (100, 1), first=Onset.CHANGED)
    assert [e.change for e in timeline(vehicle(LATCHES), taped(rows)).events] == [False]

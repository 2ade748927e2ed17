from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace.errors import NetworkError, UserFileError
from latchtrace.model.network import Database
from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.model.vehicle import RoleStatus, SendType, Shows
from latchtrace.vehicle.file import load_vehicle
from support.made_vehicle import HEAD, QUAY, database, message, problems, read, ref, signal, vehicle, with_roles

REMOTE = """\
request.remote-button:
  signal: QuayKey.Button
  shows: event
  values: {0: none, 1: lock, 0x2: unlock, 4-7: none}
  when: {QuayKey.Kind: [0, 2-3]}
  details: {slot: QuayKey.Slot, counter: QuayKey.Count, code: QuayKey.Code}
"""


def test_an_event_reading_is_read_with_conditions_and_details() -> None:
    reading = vehicle(REMOTE).roles["request.remote-button"].readings[0]
    assert reading.signal == ref("QuayKey.Button")
    assert reading.shows is Shows.EVENT
    assert reading.when == ((ref("QuayKey.Kind"), (0, 2, 3)),)
    assert [(detail.name, detail.signal) for detail in reading.details] == [
        ("slot", ref("QuayKey.Slot")),
        ("counter", ref("QuayKey.Count")),
        ("code", ref("QuayKey.Code")),
    ]
    assert reading.labels is not None
    assert {raw: pairs[0][1] for raw, pairs in reading.labels.by_raw.items()} == {
        0: "none", 1: "lock", 2: "unlock", 4: "none", 5: "none", 6: "none", 7: "none",
    }  # fmt: skip


def test_send_types_and_times_of_messages_are_read() -> None:
    use = vehicle(REMOTE).messages["QuayKey"]
    assert (use.send, use.repeats, use.repeat_within, use.latency) == (
        SendType.EVENT, 3, 60 * MILLISECOND, 20 * MILLISECOND,
    )  # fmt: skip
    assert use.kind_pages
    assert (use.counter, use.counter_modulus) == ("Alive", 16)
    assert use.channel is None


def test_a_period_the_file_leaves_out_comes_from_the_dbc() -> None:
    made = database(message("Lid", 1, signal("Latch", 0, 1), period=40 * MILLISECOND))
    text = (
        "version: 1\nname: x\ndbc: made.dbc\nclosures: {lid: }\nmessages: {Lid: {send: cyclic}}\n"
        "roles: {latch.lid: {signal: Lid.Latch, values: {0: unlocked, 1: locked}}}\n"
    )
    assert read(text, {"made.dbc": made}).messages["Lid"].period == 40 * MILLISECOND


def test_closures_groups_functions_and_titles_are_read() -> None:
    car = vehicle("latch: not-visible", tail="functions: {auto-relock: fitted, speed-lock: not-fitted}\n")
    assert [(one.name, one.title, one.lockable, one.driver) for one in car.closures] == [
        ("left", "left door", True, True),
        ("right", "right", True, False),
        ("flap", "flap", True, False),
        ("hood", "hood", False, False),
    ]
    assert car.lock_groups == {"all": ("left", "right", "flap"), "doors": ("left", "right")}
    assert car.functions == {"auto-relock": True, "speed-lock": False}


def test_without_lock_groups_all_lockable_closures_are_one() -> None:
    text = "version: 1\nname: x\ndbc: [quay.dbc]\nclosures: {a: {}, b: {}, c: {lockable: false}}\n"
    assert read(text + "roles: {latch: not-visible}\n").lock_groups == {"all": ("a", "b")}


def test_a_role_is_not_fitted_not_visible_with_or_without_a_note_or_not_stated() -> None:
    car = vehicle(
        "request.keypad: not-fitted\nreception: {not-visible: it is silent}\nvalidation: {not-fitted: no decoder}"
    )
    assert [(car.role(name).status, car.role(name).note) for name in ("request.keypad", "reception", "validation")] == [
        (RoleStatus.NOT_FITTED, ""),
        (RoleStatus.NOT_VISIBLE, "it is silent"),
        (RoleStatus.NOT_FITTED, "no decoder"),
    ]
    assert car.role("command").status is RoleStatus.NOT_VISIBLE
    assert car.role("command").note == "not stated"


def test_tracing_windows_have_defaults_and_functional_limits_have_none() -> None:
    car = vehicle("latch: not-visible")
    assert car.parameters["request_window"].value == 2 * SECOND
    assert car.parameters["request_window"].origin == "common practice, no published source"
    assert "relock.delay" not in car.parameters
    assert {name for name in car.parameters if name.startswith(("relock", "speed", "keys", "rolling"))} == set()


def test_parameters_keep_value_unit_text_and_origin() -> None:
    tail = """\
parameters:
  relock.delay: {value: 30 s, origin: "description, table 2"}
  relock.policy: cancel
  speed_lock.threshold: 15 km/h
  speed_lock.enabled: true
  keys.max: 4
  request_window: 3 s
"""
    found = vehicle("latch: not-visible", tail=tail).parameters
    delay = found["relock.delay"]
    assert (delay.value, delay.unit, delay.origin, delay.text) == (30 * SECOND, "ns", "description, table 2", "30 s")
    assert (found["relock.policy"].value, found["relock.policy"].origin) == ("cancel", "vehicle file")
    assert (found["speed_lock.threshold"].value, found["speed_lock.threshold"].unit) == (15.0, "km/h")
    assert found["speed_lock.enabled"].value is True
    assert found["keys.max"].value == 4
    assert found["request_window"].value == 3 * SECOND


def test_a_speed_in_miles_is_turned_into_kilometres() -> None:
    assert vehicle("speed: {signal: QuayRoad.Miles}").roles["speed"].readings[0].factor == 1.609344
    assert vehicle("speed: {signal: QuayRoad.Speed}").roles["speed"].readings[0].factor == 1.0
    assert vehicle("speed: {signal: QuayRoad.Speed, unit: m/s}").roles["speed"].readings[0].factor == 3.6


CHANNELS = """\
version: 1
name: two networks
channels:
  inner: {aliases: [can0, vcan3], bit_rate: 125 kbit/s, dbc: [quay.dbc]}
  outer: {bit_rate: 0.5 Mbit/s, dbc: outer.dbc}
closures: {left: {}, right: {}, flap: {}}
messages:
  QuayLatch: {send: cyclic, period: 100 ms, channel: outer}
  QuayCar: {send: cyclic, period: 100 ms}
roles:
  latch.left: {signal: QuayLatch.Left, values: {0: unlocked, 1: locked}}
  ajar: not-visible
"""
OUTER = database(message("QuayLatch", 0x55, signal("Left", 0, 1)), name="outer.dbc")


def test_a_message_is_taken_from_the_channel_its_dbc_belongs_to() -> None:
    car = read(CHANNELS, {"quay.dbc": QUAY, "outer.dbc": OUTER})
    assert [(one.name, one.aliases, one.bit_rate, one.databases) for one in car.channels] == [
        ("inner", ("can0", "vcan3"), 125_000, ("quay.dbc",)),
        ("outer", (), 500_000, ("outer.dbc",)),
    ]
    assert car.messages["QuayLatch"].channel == "outer"
    assert car.messages["QuayCar"].channel == "inner"


def test_a_message_on_two_channels_needs_its_channel() -> None:
    found = problems(CHANNELS.replace(", channel: outer", ""), {"quay.dbc": QUAY, "outer.dbc": OUTER})
    assert [(one.line, one.field, one.what) for one in found] == [
        (8, "messages.QuayLatch", "is defined on channels inner and outer")
    ]
    assert "channel" in found[0].mend


def test_the_signal_is_checked_against_the_channel_that_was_chosen() -> None:
    text = CHANNELS.replace("QuayLatch.Left", "QuayLatch.Right")
    found = problems(text, {"quay.dbc": QUAY, "outer.dbc": OUTER})
    assert [one.what for one in found] == ["message QuayLatch has no signal Right"]


def test_two_dbcs_of_one_channel_may_not_define_a_message_differently() -> None:
    text = CHANNELS.replace("dbc: [quay.dbc]", "dbc: [quay.dbc, outer.dbc]").replace(
        ", channel: outer", ", channel: inner"
    )
    found = problems(text, {"quay.dbc": QUAY, "outer.dbc": OUTER})
    assert ("channels.inner.dbc[1]", 4) in [(one.field, one.line) for one in found]


def test_a_dbc_that_cannot_be_read_is_one_mistake_and_makes_no_others() -> None:
    found = problems(with_roles(REMOTE), {})
    assert [(one.line, one.field) for one in found] == [(3, "dbc[0]")]
    assert "no such file" in found[0].what


def test_a_whole_file_is_read_from_its_folder(tmp_path: Path) -> None:
    asked: list[Path] = []

    def load(path: Path) -> Database:
        asked.append(path)
        return QUAY

    (tmp_path / "car.yaml").write_text(with_roles(REMOTE))
    car = load_vehicle(tmp_path / "car.yaml", load)
    assert asked == [tmp_path / "quay.dbc"]
    assert (car.folder, car.file) == (str(tmp_path), "car.yaml")


def test_a_file_that_is_not_there_is_a_mistake_at_its_start(tmp_path: Path) -> None:
    with pytest.raises(UserFileError, match="cannot be read"):
        load_vehicle(tmp_path / "gone.yaml", lambda path: QUAY)


@pytest.mark.parametrize("error", [NetworkError("bad line 7"), OSError("denied"), ValueError("odd")])
def test_whatever_a_dbc_fails_with_is_told_at_its_line(error: Exception) -> None:
    def load(path: Path) -> Database:
        raise error

    from latchtrace.model.userfile import parse_user_text
    from latchtrace.vehicle.file import read_vehicle

    with pytest.raises(UserFileError) as caught:
        read_vehicle(parse_user_text(with_roles(REMOTE).encode(), "car.yaml"), Path("car.yaml"), load)
    assert [one.field for one in caught.value.problems] == ["dbc[0]"]
    assert str(error) in caught.value.problems[0].what


def test_a_later_version_is_refused_before_anything_else_is_judged() -> None:
    found = problems(HEAD.replace("version: 1", "version: 7\nnovelty: yes") + "roles: {}\n")
    assert [one.what for one in found] == ["is 7, and this latchtrace reads version 1"]


def test_a_role_with_a_wrong_name_still_has_its_contents_checked() -> None:
    found = problems(with_roles("ajar.lft: {signal: QuayDoors.Lft, values: {0: shut, 1: open}}"))
    assert [one.what for one in found] == ["'lft' is no closure of this file", "message QuayDoors has no signal Lft"]


def test_packed_values_may_tell_two_closures_from_one_signal() -> None:
    car = vehicle(
        "ajar.left: {signal: QuayDoors.All, values: {0: shut, 1: open, 2: shut, 3: open}}\n"
        "ajar.right: {signal: QuayDoors.All, values: {0: shut, 1: shut, 2: open, 3: open}}"
    )
    assert set(car.roles) == {"ajar.left", "ajar.right"}


def test_a_signal_may_show_two_sources_told_apart_by_a_condition() -> None:
    values = "values: {0: none, 1: lock, 2: unlock}"
    car = vehicle(
        f"request.keypad: {{signal: QuayPanel.Key, {values}, when: {{QuayPanel.Page: 1}}}}\n"
        f"request.interior-switch: {{signal: QuayPanel.Key, {values}, when: {{QuayPanel.Page: 2}}}}"
    )
    assert set(car.roles) == {"request.keypad", "request.interior-switch"}


def test_a_counter_takes_its_modulus_from_the_length_of_its_signal() -> None:
    text = "request.tailgate-switch: {signal: QuayPanel.Presses, shows: counter, does: release%s}"
    assert vehicle(text % "").roles["request.tailgate-switch"].readings[0].modulus == 8
    assert vehicle(text % ", modulus: 6").roles["request.tailgate-switch"].readings[0].modulus == 6


def test_a_command_may_drive_a_closure_or_a_group_by_value() -> None:
    car = vehicle(
        "command: {signal: QuayMotor.Drive, values: {0: none, 1: lock, 2: {left: unlock}, 3: {doors: unlock}}}"
    )
    labels = car.roles["command"].readings[0].labels
    assert labels is not None
    assert labels.by_raw[2] == (("left", "unlock"),)
    assert labels.by_raw[3] == (("doors", "unlock"),)

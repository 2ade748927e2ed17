from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from support.made_vehicle import HEAD, QUAY, database, message, problems, signal, with_roles

MISTAKES = yaml.safe_load((Path(__file__).parent / "mistakes.yaml").read_text("utf-8"))
BARE = replace(QUAY, messages=(*QUAY.messages, message("QuayBare", 0x77, signal("Key", 0, 2))))


@pytest.mark.parametrize("name", MISTAKES["roles"])
def test_a_mistake_in_a_role_is_placed_named_and_mended(name: str) -> None:
    case = MISTAKES["roles"][name]
    text = with_roles(case["write"])
    found = problems(text, {"quay.dbc": BARE})
    assert len(found) == 1, [str(one) for one in found]
    assert found[0].field == case["field"]
    assert case["what"] in found[0].what
    assert case["mend"] in found[0].mend
    assert text.splitlines()[found[0].line - 1][found[0].column - 1 :].startswith(case["place"])


@pytest.mark.parametrize("name", MISTAKES["head"])
def test_a_mistake_outside_the_roles_is_placed_named_and_mended(name: str) -> None:
    case = MISTAKES["head"][name]
    assert case["instead of"] in HEAD
    text = with_roles("reception: not-fitted", HEAD.replace(case["instead of"], case["write"], 1))
    found = problems(text)
    wanted = [one for one in found if one.field == case["field"] and case["what"] in one.what]
    assert len(wanted) == 1, [str(one) for one in found]
    assert case["mend"] in wanted[0].mend
    assert case["field"].rsplit(".", 1)[-1].partition("[")[0] in text.splitlines()[wanted[0].line - 1]
    assert len(found) == 1 or name == "no-closures", [str(one) for one in found]


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    text = with_roles(
        "latch.left: {signal: QuayLatch.Lefft, values: {0: unlocked, 9: locked}}\nspeed: {signal: QuayRoad.Speeed}",
        HEAD.replace("send: on-change", "send: sometimes").replace("actuator", "motor"),
        "parameters: {relock.delay: soon}\n",
    )
    found = problems(text)
    assert [one.field for one in found] == [
        "closures.flap.motor",
        "messages.QuayCar.send",
        "roles.latch.left.signal",
        "roles.speed.signal",
        "parameters.relock.delay",
    ]
    assert [one.line for one in found] == sorted(one.line for one in found)


def test_a_message_without_send_type_is_told_once_however_often_it_is_read() -> None:
    head = HEAD.replace("  QuayDoors:  {send: cyclic, period: 100 ms}\n", "")
    found = problems(with_roles(
        "ajar.left: {signal: QuayDoors.Left, values: {0: shut, 1: open}}\n"
        "ajar.right: {signal: QuayDoors.Right, values: {0: shut, 1: open}}", head,
    ))  # fmt: skip
    assert [one.what for one in found] == ["the file does not say how message QuayDoors is sent"]


def test_a_channel_named_twice_is_refused() -> None:
    text = with_roles("reception: not-fitted").replace(
        "dbc: [quay.dbc]",
        "channels:\n  a: {aliases: [can0], dbc: quay.dbc}\n  b: {aliases: [can0], dbc: quay.dbc}\ndbc: x",
    )
    fields = {one.field: one.what for one in problems(text)}
    assert "is a name of channel a already" in fields["channels.b.aliases[0]"]
    assert "stands beside channels" in fields["dbc"]


def test_a_range_that_would_fill_the_memory_is_refused() -> None:
    made = database(message("Wide", 1, signal("All", 0, 62)))
    text = (
        "version: 1\nname: x\ndbc: made.dbc\nclosures: {lid: }\nmessages: {Wide: {send: cyclic, period: 1 s}}\n"
        "roles: {latch.lid: {signal: Wide.All, values: {0: unlocked, 1-4000000000000000000: locked}}}\n"
    )
    found = problems(text, {"made.dbc": made})
    assert [one.field for one in found] == ["roles.latch.lid.values.1-4000000000000000000"]
    assert "too many values" in found[0].what


@pytest.mark.parametrize("text", ["", "[]", "version", "- a\n- b\n", "{}", "roles: x\nclosures: y\nmessages: []\n"])
def test_a_file_of_another_shape_is_told_without_a_traceback(text: str) -> None:
    found = problems(text)
    assert found
    assert all(one.line >= 1 and one.column >= 1 and one.what for one in found)


SAME = replace(QUAY, messages=(*QUAY.messages, message("QuayCopy", 0x13, signal("Left", 0, 1))))
COPY = HEAD.replace("messages:\n", "messages:\n  QuayCopy: {send: cyclic, period: 100 ms}\n")
AJAR = "{signal: %s, values: {0: shut, 1: open}}"


def test_roles_that_read_two_messages_of_one_id_are_refused_where_the_second_is_read() -> None:
    text = with_roles(f"ajar.left: {AJAR % 'QuayDoors.Left'}\najar.right: {AJAR % 'QuayCopy.Left'}", COPY)
    (found,) = problems(text, {"quay.dbc": SAME})
    assert found.field == "roles.ajar.right.signal"
    assert found.what == "message QuayCopy has the id 013 of message QuayDoors, which another reading uses"
    assert text.splitlines()[found.line - 1][found.column - 1 :].startswith("signal: QuayCopy.Left")
    assert "use the signals of one of the two" in found.mend


def test_a_message_of_an_id_that_no_reading_uses_twice_is_no_mistake() -> None:
    text = with_roles(f"ajar.left: {AJAR % 'QuayCopy.Left'}", COPY)
    assert problems(text, {"quay.dbc": SAME}) == ()


def test_the_same_id_on_two_channels_is_no_mistake() -> None:
    channels = "channels:\n  a: {aliases: [can0], dbc: a.dbc}\n  b: {aliases: [can1], dbc: b.dbc}"
    one, two = (database(message(name, 0x13, signal("Left", 0, 1))) for name in ("One", "Two"))
    text = (
        f"version: 1\nname: x\n{channels}\nclosures: {{left: , right: }}\n"
        "messages: {One: {send: cyclic, period: 1 s}, Two: {send: cyclic, period: 1 s}}\n"
        f"roles:\n  ajar.left: {AJAR % 'One.Left'}\n  ajar.right: {AJAR % 'Two.Left'}\n"
    )
    assert problems(text, {"a.dbc": one, "b.dbc": two}) == ()
    both = text.replace("dbc: b.dbc", "dbc: [b.dbc]").replace("dbc: a.dbc", "dbc: [a.dbc, b.dbc]")
    both = both.replace("Two: {send", "Two: {channel: a, send")
    assert [one.field for one in problems(both, {"a.dbc": one, "b.dbc": two})] == ["roles.ajar.right.signal"]

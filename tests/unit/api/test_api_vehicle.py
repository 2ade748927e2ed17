"""A vehicle file and its DBCs, joined."""

from __future__ import annotations

from pathlib import Path

from latchtrace.pipeline import load_car
from support.dbc import dbc_text

CAR = """\
version: 1
name: Quay coupe
channels:
  left: {aliases: [can0], dbc: left/body.dbc}
  right: {aliases: [can1], dbc: right/body.dbc}
closures: {lid: }
messages: {M: {send: cyclic, period: 1 s, channel: right}}
roles:
  latch.lid: {signal: M.Right, values: {0: unlocked, 1: locked}}
"""


def test_dbcs_of_the_same_file_name_in_two_folders_are_kept_apart(tmp_path: Path) -> None:
    for side in ("left", "right"):
        (tmp_path / side).mkdir()
        text = dbc_text([f'{side.title()} : 0|8@1+ (1,0) [0|0] "" Body'])
        (tmp_path / side / "body.dbc").write_text(text)
    (tmp_path / "car.yaml").write_text(CAR)
    specs = load_car(str(tmp_path / "car.yaml")).specs()
    assert {channel: [signal.name for signal in spec.signals] for (channel, _), spec in specs.items()} == {
        "left": ["Left"],
        "right": ["Right"],
    }

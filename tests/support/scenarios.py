"""Small scenarios written on the spot, and reading back what was sent."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from latchtrace.simulation import lines
from latchtrace.simulation.runner import Simulated

DEMO = Path(__file__).parents[2] / "captures_demo"
DBC = Path(__file__).parents[2] / "dbc_demo"
DEMO_NAMES = ("parked-night", "relock-test", "speed-drive", "ordinary-day", "second-network-day")

HEAD = """version: 1
title: a scenario of a test
car: {car}
seed: {seed}
start: 2024-01-02T03:04:05+00:00
duration: {duration}
{before}timeline:
"""

Simulate = Callable[..., Simulated]
Frames = list[tuple[int, dict[str, int]]]


def scenario_text(
    *steps: str, car: str = "harbour", duration: str = "10 min", seed: int = 1, before: str = "", after: str = ""
) -> str:
    """A scenario of these steps (the inside of a flow mapping each), with more text before and after the timeline."""
    head = HEAD.format(car=car, duration=duration, seed=seed, before=before)
    return head + "".join(f"  - {{{step}}}\n" for step in steps) + after


def frames(simulated: Simulated, name: str) -> Frames:
    """All frames of a message: (time, raw values)."""
    message = simulated.car.message(name)
    at = (simulated.car.capture_names[message.channel], message.id_text)
    told = [parts for line in simulated.lines if (parts := lines.parts(line)) and (parts.channel, parts.id_text) == at]
    return [(parts.t, message.unpack(parts.data)) for parts in told]


def times(simulated: Simulated) -> list[int]:
    """The time of every frame, in the order of the lines."""
    return [parts.t for line in simulated.lines if (parts := lines.parts(line))]

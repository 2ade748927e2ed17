"""From a scenario file to a capture with its truth."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from latchtrace.errors import UserFileError
from latchtrace.model.quantity import time_text
from latchtrace.simulation import harbour, harbour_wire, lines, orchard
from latchtrace.simulation.body import BodyModule
from latchtrace.simulation.cars import Car, Wire
from latchtrace.simulation.loop import Chance, Loop
from latchtrace.simulation.mistakes import StepError
from latchtrace.simulation.motion import Motion
from latchtrace.simulation.output import compress, stem, write_all
from latchtrace.simulation.scenario import Scenario, TimelineStep, load_scenario
from latchtrace.simulation.steps import PLANTS, STEPS
from latchtrace.simulation.truth import Truth

CARS: dict[str, tuple[Car, Callable[[Loop, Chance, Motion], Wire]]] = {
    "harbour": (harbour.CAR, harbour_wire.HarbourWire),
    "orchard": (orchard.CAR, orchard.OrchardWire),
}


@dataclass(frozen=True, slots=True)
class Simulated:
    """A capture as candump lines, with its truth.

    `sleeps` are the spans (from the last unit's stop to the waking) in which nothing is sent, `removed` the
    (time, channel, id text) of frames that a plant kept off the wire; times in nanoseconds since 1970.
    """

    lines: tuple[str, ...]
    truth: Truth
    car: Car
    title: str
    sleeps: tuple[tuple[int, int], ...] = ()
    removed: tuple[tuple[int, str, str], ...] = ()


def simulate(scenario_path: str | Path, seed: int | None = None) -> Simulated:
    """Run a scenario; raises UserFileError with every mistake of the file, or the first step that cannot happen."""
    scenario = load_scenario(scenario_path)
    return _Run(scenario, scenario.seed if seed is None else seed).result()


def write(simulated: Simulated, out: str | Path) -> Path:
    """Write a capture and its truth beside it, both or neither; the path of the truth comes back."""
    out = Path(out)
    truth = truth_path(out)
    told = truth_document(simulated, out.name)
    write_all({out: compress(simulated.lines, out.name), truth: document_bytes(told)})
    return truth


def truth_path(out: Path) -> Path:
    """Where the truth of a capture is written; UsageError where the capture's name has no ending of ours."""
    return out.with_name(f"{stem(out)}.truth.json")


def run(scenario: Path, out: Path, seed: int | None = None) -> str:
    """Simulate a scenario file into `out` and its truth file; one line that says what was written comes back."""
    simulated = simulate(scenario, seed)
    truth = write(simulated, out)
    told = truth_document(simulated, out.name)
    findings, episodes = len(told["findings"]), len(told["episodes"])
    first, last = (lines.parts(simulated.lines[i]) for i in (0, -1))
    span = time_text(last.t - first.t) if first and last else "nothing"
    return (
        f"{out}: {len(simulated.lines):,} frames over {span}, {episodes} lock actions; "
        f"{truth.name}: {findings} finding{'s' * (findings != 1)} that must be made"
    )


def truth_document(simulated: Simulated, capture: str) -> dict[str, Any]:
    """The truth file's content for a capture of that name."""
    return simulated.truth.document(capture, simulated.car.vehicle_file)


def document_bytes(document: dict[str, Any]) -> bytes:
    """A JSON document as it is written: the same bytes each time."""
    return (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode()


def cyclic_ids(car: Car) -> Collection[tuple[str, str]]:
    """(channel, id) of every cyclic message, as the capture names them."""
    return {(car.capture_names[m.channel], m.id_text) for m in car.messages if m.period}


class _Run:
    """One run of one scenario."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        self.loop = Loop(scenario.start)
        chance = Chance(seed)
        self.truth = Truth(scenario.function_test)
        self.car, make_wire = CARS[scenario.car]
        motion = Motion(self.loop, scenario.speed)
        self.wire = make_wire(self.loop, chance, motion)
        self.body = BodyModule(self.loop, chance, self.car, self.wire, self.truth, motion)
        self._begin()

    def _begin(self) -> None:
        scenario, body = self.scenario, self.body
        if scenario.speed > 0 and not scenario.ignition:
            what, mend = "the car drives with the ignition off", "turn the ignition on as well"
            raise UserFileError([scenario.file.problem(("begin", "speed"), what, mend)])
        if scenario.unlocked:
            body.latch = dict.fromkeys(self.car.lockable, "unlocked")
        body.show_contacts()
        if scenario.awake or scenario.ignition:
            self.wire.network.begin_awake()
        if scenario.ignition:
            body.turn_ignition(True)
        body.speed_lock.settle()

    def result(self) -> Simulated:
        for step in self.scenario.steps:
            self.loop.at(self.scenario.start + step.at, partial(self._do, step))
        self._to_the_end()
        network, names = self.wire.network, self.car.capture_names
        frames = sorted(network.frames, key=lambda sent: sent.t)
        text = [
            lines.frame_line(sent.t, names[sent.message.channel], sent.message.id_text, sent.data) for sent in frames
        ]
        removed = tuple((s.t, names[s.message.channel], s.message.id_text) for s in network.removed)
        result = self._on_the_wire(text)
        return Simulated(tuple(result), self.truth, self.car, self.scenario.title, tuple(network.sleeps), removed)

    def _to_the_end(self) -> None:
        try:
            self.loop.run(self.scenario.start + self.scenario.duration)
        except StepError as mistake:
            path = self.loop.context or ("timeline",)
            raise UserFileError([self.scenario.file.problem(path, mistake.what, mistake.mend)]) from None

    def _do(self, step: TimelineStep) -> None:
        self.loop.context = step.path
        if step.verb == "plant":
            PLANTS[step.value].do(self.body, step.more)
        else:
            STEPS[step.verb].do(self.body, step.value, step.more)
        self.loop.context = ()

    def _on_the_wire(self, text: list[str]) -> list[str]:
        scenario, start = self.scenario, self.scenario.start
        if scenario.lose:
            text = lines.lose(text, scenario.lose, self.seed, cyclic_ids(self.car))
        if scenario.jitter:
            text = lines.jitter(text, scenario.jitter, self.seed)
        for hole in scenario.gaps:
            begin, end = start + hole.at, start + hole.at + hole.lasts
            text = lines.gap(text, begin, end, noted=hole.noted)
            self.truth.hole(begin, end)
        if scenario.cut:
            low, high = start + scenario.cut[0], start + scenario.cut[1]
            text = lines.cut(text, low, high)
            self.truth.keep(low, high)
        if scenario.lose or scenario.jitter:
            self.truth.blur()
        shown = [told.t for told in (lines.parts(line) for line in text[:1] + text[-1:]) if told]
        if shown:
            self.truth.edges(min(shown), max(shown))
        return text

"""The scenario file: which car, when, what people do and what is planted; all its mistakes are told at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from latchtrace.errors import UserFileError
from latchtrace.model.userfile import UserFile, check_version, load_user_file
from latchtrace.simulation.fields import (
    INSTANT,
    MOMENT,
    SHARE,
    SPEED,
    SWITCH,
    TEXT,
    TIME,
    YES_NO,
    Entry,
    Reading,
    choice,
    table_schema,
    whole,
)
from latchtrace.simulation.steps import PLANTS, STEPS

_BEGIN = {
    "awake": Entry(YES_NO, "whether the networks run when the capture starts", default="no"),
    "locks": Entry(choice("locked", "unlocked"), "the state of the locks then", default="locked"),
    "ignition": Entry(SWITCH, "the ignition then", default="off"),
    "speed": Entry(SPEED, "the speed then", default=0.0),
}
_HEAD = {
    "version": Entry(whole(1, 1), "the version of this format, 1", required=True),
    "title": Entry(TEXT, "what the scenario shows, in one line", required=True),
    "car": Entry(choice("harbour", "orchard"), "which demo car", required=True),
    "seed": Entry(whole(0, 10**9), "the number that chance starts from", required=True),
    "start": Entry(INSTANT, "date and time of the start, with offset", required=True),
    "duration": Entry(MOMENT, "how long the recorder runs", required=True),
    "function_test": Entry(choice("auto-relock", "speed-lock"), "the function this capture tests, if it is a test"),
}
_WIRE = {
    "lose": Entry(SHARE, "share of the cyclic frames the recorder loses"),
    "jitter": Entry(TIME, "how far each time stamp may be off"),
}
_CUT = {
    "from": Entry(MOMENT, "what is kept starts here"),
    "to": Entry(MOMENT, "what is kept ends here"),
}
_GAP = {
    "at": Entry(MOMENT, "when the recorder starts to lose frames", required=True),
    "lasts": Entry(TIME, "how long it loses them", required=True),
    "noted": Entry(YES_NO, "whether it writes a note of the loss", default="yes"),
}
_WHEN = {
    "at": Entry(MOMENT, "when, from the start"),
    "after": Entry(TIME, "how long after the step before"),
}


@dataclass(frozen=True, slots=True)
class TimelineStep:
    """One step, read: nanoseconds from the start, its verb (or `plant`), its value, further fields, its place."""

    at: int
    verb: str
    value: Any
    more: dict[str, Any]
    path: tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Gap:
    """The recorder loses all frames from `at` for `lasts` nanoseconds."""

    at: int
    lasts: int
    noted: bool


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario file, checked; times in nanoseconds."""

    file: UserFile
    title: str
    car: str
    seed: int
    start: int
    duration: int
    function_test: str
    awake: bool
    unlocked: bool
    ignition: bool
    speed: float
    steps: tuple[TimelineStep, ...]
    lose: float = 0.0
    jitter: int = 0
    cut: tuple[int, int] | None = None
    gaps: tuple[Gap, ...] = field(default_factory=tuple)


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario file; raises UserFileError with all its mistakes, each with line and column."""
    file = load_user_file(path)
    check_version(file, 1)
    reading = Reading(file)
    data = file.data
    if not isinstance(data, dict):
        raise UserFileError(
            [file.problem((), "is not a scenario", "start with version, title, car, seed, start, duration")]
        )
    parts = {"begin", "timeline", "wire"}
    head = reading.table({k: v for k, v in data.items() if k not in parts}, (), _HEAD)
    begin = reading.table(data.get("begin", {}), ("begin",), _BEGIN)
    duration = head["duration"] if head else None
    steps = _timeline(reading, data.get("timeline"), duration)
    wire = _wire(reading, data.get("wire", {}))
    if reading.problems or head is None or begin is None or wire is None:
        raise UserFileError(reading.problems)
    return Scenario(
        file=file,
        title=head["title"],
        car=head["car"],
        seed=head["seed"],
        start=head["start"],
        duration=head["duration"],
        function_test=head["function_test"] or "",
        awake=begin["awake"] == "yes",
        unlocked=begin["locks"] == "unlocked",
        ignition=begin["ignition"] == "on",
        speed=begin["speed"],
        steps=tuple(steps),
        **wire,
    )


def _timeline(reading: Reading, data: Any, duration: int | None) -> list[TimelineStep]:
    if not isinstance(data, list) or not data:
        reading.wrong(("timeline",), "is missing or is not a list of steps", "write - {at: 5 s, remote: unlock}")
        return []
    steps: list[TimelineStep] = []
    clock = 0
    for i, entry in enumerate(data):
        step = _step(reading, entry, ("timeline", i), clock)
        if step is None:
            continue
        if step.at < clock:
            reading.wrong(step.path, "lies before the step above it", "order the steps by time")
        elif duration is not None and step.at > duration:
            reading.wrong(step.path, "lies after the end of the scenario", "make the duration longer")
        clock = max(clock, step.at)
        steps.append(step)
    return steps


def _step(reading: Reading, entry: Any, path: tuple[str | int, ...], clock: int) -> TimelineStep | None:
    if not isinstance(entry, dict):
        reading.wrong(path, "is not a step", "write - {at: 5 s, remote: unlock}")
        return None
    verbs = [name for name in entry if name in STEPS or name == "plant"]
    if len(verbs) != 1:
        known = ", ".join([*STEPS, "plant"])
        what = "names nothing to do" if not verbs else f"does {len(verbs)} things at once"
        reading.wrong(path, what, f"write one of {known}")
        return None
    verb = verbs[0]
    fields = _fields_of(reading, entry, verb, path)
    read = reading.table(entry, path, fields) if fields is not None else None
    if read is None:
        return None
    if (read["at"] is None) == (read["after"] is None):
        reading.wrong(path, "needs either at or after", "write at: 5 s, or after: 3 s")
        return None
    at = read["at"] if read["at"] is not None else clock + read["after"]
    more = {name: value for name, value in read.items() if name not in {"at", "after", verb}}
    return TimelineStep(at, verb, read[verb], more, path)


def _fields_of(
    reading: Reading, entry: dict[str, Any], verb: str, path: tuple[str | int, ...]
) -> dict[str, Entry] | None:
    if verb != "plant":
        step = STEPS[verb]
        return {**_WHEN, verb: Entry(step.kind, step.meaning, required=True), **step.fields}
    name = entry["plant"]
    if not isinstance(name, str) or name not in PLANTS:
        reading.wrong((*path, "plant"), "is nothing that can be planted", f"known are {', '.join(PLANTS)}")
        return None
    return {**_WHEN, "plant": Entry(TEXT, PLANTS[name].meaning, required=True), **PLANTS[name].fields}


def _wire(reading: Reading, data: Any) -> dict[str, Any] | None:
    if not isinstance(data, dict):
        reading.wrong(("wire",), "is not a mapping of fields", "write wire: {lose: 1 %}")
        return None
    plain = {k: v for k, v in data.items() if k not in {"cut", "gaps"}}
    read = reading.table(plain, ("wire",), _WIRE)
    cut = reading.table(data.get("cut", {}), ("wire", "cut"), _CUT)
    gaps = data.get("gaps", [])
    if not isinstance(gaps, list):
        reading.wrong(("wire", "gaps"), "is not a list", "write gaps: [{at: 20 min, lasts: 3 s}]")
        return None
    told = [reading.table(gap, ("wire", "gaps", i), _GAP) for i, gap in enumerate(gaps)]
    if read is None or cut is None or None in told:
        return None
    kept = None
    if cut["from"] is not None or cut["to"] is not None:
        kept = (cut["from"] or 0, cut["to"] if cut["to"] is not None else 2**62)
    holes = tuple(Gap(gap["at"], gap["lasts"], gap["noted"] == "yes") for gap in told if gap)
    return {"lose": read["lose"] or 0.0, "jitter": read["jitter"] or 0, "cut": kept, "gaps": holes}


def scenario_schema() -> dict[str, Any]:
    """The JSON Schema of scenario files, made from the tables the reader itself goes by."""
    steps = [
        table_schema({**_WHEN, verb: Entry(step.kind, step.meaning, required=True), **step.fields})
        for verb, step in STEPS.items()
    ]
    steps += [
        table_schema({**_WHEN, "plant": Entry(choice(name), plant.meaning, required=True), **plant.fields})
        for name, plant in PLANTS.items()
    ]
    schema = table_schema(_HEAD)
    wire = table_schema(_WIRE)
    wire["properties"] |= {"cut": table_schema(_CUT), "gaps": {"type": "array", "items": table_schema(_GAP)}}
    schema["properties"] |= {
        "begin": table_schema(_BEGIN),
        "timeline": {"type": "array", "minItems": 1, "items": {"oneOf": steps}},
        "wire": wire,
    }
    schema["required"].append("timeline")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "latchtrace scenario", **schema}

"""The order of the work, and the only file that knows it: plan up, data down, one door back for evidence."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from pathlib import Path

from latchtrace.capture.lookup import resolve
from latchtrace.capture.reader import find_captures, read_changes
from latchtrace.capture.source import Source
from latchtrace.diagnosis.exercised import exercised_table
from latchtrace.diagnosis.function_test import Occasion, function_test
from latchtrace.diagnosis.marks import load_marks, mark_notices
from latchtrace.episodes.build import build_episodes
from latchtrace.errors import UsageError
from latchtrace.model.clock import parse_moment
from latchtrace.model.events import LockEvent, Timeline
from latchtrace.model.frames import CaptureReport, RowStore
from latchtrace.model.history import History, first_reason
from latchtrace.model.network import Database, MessageSpec, Tracks
from latchtrace.model.plan import MessageKey, ReadPlan
from latchtrace.model.quantity import time_text
from latchtrace.model.redaction import redacted_test
from latchtrace.model.results import (
    AnalysisResult,
    Episode,
    Evidence,
    EvidenceRef,
    Finding,
    FunctionTest,
    Notice,
    VerdictKind,
)
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle
from latchtrace.model.version import __version__
from latchtrace.network.database import load_database
from latchtrace.network.planning import message_plan
from latchtrace.network.tracks import TrackBuilder, TrackRequest
from latchtrace.rules.catalogue import catalogue
from latchtrace.rules.check import CheckedRule
from latchtrace.rules.engine import Judged, run_rules
from latchtrace.rules.example_car import example_vehicle
from latchtrace.rules.example_check import compare
from latchtrace.rules.example_timeline import all_roles, example_timeline
from latchtrace.rules.examples import ExampleResult
from latchtrace.rules.judgement import Judgement, Ruling
from latchtrace.rules.rule import Rule
from latchtrace.rules.streams import build_world
from latchtrace.rules.why import Why
from latchtrace.rules.why import why as explain
from latchtrace.rules.world import World
from latchtrace.vehicle.file import load_vehicle
from latchtrace.vehicle.mapping import timeline, wanted_signals

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Request:
    """What to analyse: captures and vehicle by path, and what narrows or adds to it. Times as written by the user."""

    captures: Sequence[str]
    vehicle: str
    marks: str | None = None
    rules: str | None = None
    start: str | None = None
    end: str | None = None
    zone: tzinfo | None = None
    clock_offset: int = 0
    progress: Progress | None = None


@dataclass(slots=True)
class Car:
    """A vehicle with the messages of its DBCs."""

    vehicle: Vehicle
    databases: Mapping[str, Database] = field(default_factory=dict)

    def specs(self) -> dict[tuple[str | None, str], MessageSpec]:
        """Every message by channel (None where the file declares none) and name."""
        declared = any(use.channel for use in self.vehicle.messages.values())
        return {
            (channel.name if declared else None, message.name): message
            for channel in self.vehicle.channels
            for name in channel.databases
            for message in self.databases[name].messages
        }

    def known_ids(self) -> set[tuple[str | None, int, bool]]:
        """Every id any DBC of the vehicle knows, by channel."""
        return {(channel, spec.can_id, spec.extended) for (channel, _), spec in self.specs().items()}


@dataclass(frozen=True, slots=True)
class Read:
    """A capture read by a vehicle: its rows, tracks and timelines, one of each a segment."""

    car: Car
    sources: tuple[Source, ...]
    report: CaptureReport
    rows: RowStore
    tracks: tuple[Tracks, ...]
    timelines: tuple[Timeline, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """A finished analysis, with the single judgements that function tests are made of."""

    result: AnalysisResult
    judged: Judged


def load_car(path: str) -> Car:
    """A vehicle file with its DBCs; raises UserFileError."""
    databases: dict[Path, Database] = {}

    def load(file: Path) -> Database:
        return databases.setdefault(file, load_database(file))

    vehicle = load_vehicle(path, load)
    folder = Path(vehicle.folder)
    names = {name: databases[folder / name] for channel in vehicle.channels for name in channel.databases}
    return Car(vehicle, names)


def track_requests(car: Car) -> list[TrackRequest]:
    """Roles name signals, signals name messages: every signal to follow."""
    specs = car.specs()
    requests = []
    for wanted in wanted_signals(car.vehicle):
        ref = wanted.ref
        use = car.vehicle.messages[ref.message]
        spec = specs[use.channel, ref.message]
        key = MessageKey(use.channel, spec.can_id, spec.extended)
        requests.append(TrackRequest(ref, key, spec, use, wanted.every))
    return requests


def read_plan(car: Car, requests: Sequence[TrackRequest]) -> ReadPlan:
    """Messages name ids, pages and bit masks: what the reader lets through."""
    grouped: dict[tuple[MessageKey, str], list[TrackRequest]] = {}
    for request in requests:
        grouped.setdefault((request.key, request.spec.name), []).append(request)
    plans = []
    for members in grouped.values():
        first = members[0]
        every = any(request.every for request in members)
        names = [request.ref.signal for request in members]
        plans.append(message_plan(first.spec, first.use, names, first.key.channel, every))
    aliases = {alias: channel.name for channel in car.vehicle.channels for alias in channel.aliases}
    rates = {channel.name: channel.bit_rate for channel in car.vehicle.channels if channel.bit_rate}
    return ReadPlan(tuple(plans), aliases, rates)


def read(request: Request) -> Read:
    """Read the captures by the vehicle file, down to lock events."""
    car = load_car(request.vehicle)
    sources = find_captures(request.captures)
    requests = track_requests(car)
    builder = TrackBuilder(requests, car.vehicle.timestamp_uncertainty)
    rows = RowStore()
    start, end = _bounds(request, sources)
    reading = read_changes(sources, read_plan(car, requests), start=start, end=end, progress=request.progress)
    for batch in reading:
        builder.add(batch, rows.add(batch))
    report = reading.report
    _check_bounds(request, start, end, report)
    tracks = builder.finish(ids=report.ids, segments=report.segments)
    timelines = tuple(timeline(car.vehicle, one) for one in tracks)
    return Read(car, sources, report, rows, tracks, timelines)


def _bounds(request: Request, sources: tuple[Source, ...]) -> tuple[int | None, int | None]:
    """The part of the capture asked for, in its own time base."""
    if not request.start and not request.end:
        return None, None
    from latchtrace.capture.reader import first_time

    zero = first_time(sources)
    moments = []
    for text in (request.start, request.end):
        try:
            moment = parse_moment(text, request.zone) if text else None
        except ValueError as error:
            raise UsageError(str(error)) from None
        moments.append(moment.resolve(zero, request.clock_offset) if moment else None)
    start, end = moments
    if start is not None and end is not None and start >= end:
        raise UsageError(f"--from {request.start} is not before --to {request.end}; exchange them")
    return start, end


def _check_bounds(request: Request, start: int | None, end: int | None, report: CaptureReport) -> None:
    """Refuse a part that lies outside the capture: nothing would be judged, and nothing found."""
    if start is not None and start > report.last:
        length = time_text(report.last - report.zero)
        raise UsageError(
            f"--from {request.start} is after the last frame, {length} from the start; choose an earlier time"
        )
    if end is not None and end < report.zero:
        raise UsageError(f"--to {request.end} is before the first frame; choose a later time")


def run(request: Request, *, one_by_one: bool = False) -> Run:
    """The main job: read, decode, rebuild, judge, explain; every finding with the frames that prove it.

    `one_by_one`: with a judgement of every occasion, for function tests.
    """
    rules, replaced = catalogue(Path(request.rules) if request.rules else None)
    marks = load_marks(request.marks, request.zone) if request.marks else None
    found = read(request)
    placed = marks.place(found.report.zero, request.clock_offset) if marks else ()
    worlds = worlds_of(found.car.vehicle, found.timelines)
    judged = run_rules(rules, worlds, one_by_one=one_by_one)
    findings = tuple(_complete(finding, worlds) for finding in judged.findings)
    evidence = _evidence(found, worlds, findings, judged)
    findings = tuple(replace(finding, proof=_proof(finding.evidence, evidence)) for finding in findings)
    episodes = tuple(episode for world in worlds for episode in world.episodes)
    notices = [Notice("rule-replaced", text) for text in replaced] + list(judged.notices)
    happened = [event for one in found.timelines for event in one.events]
    notices += mark_notices(placed, findings, episodes, found.report.zero, happened)
    notices += _notices(found)
    result = AnalysisResult(
        version=__version__,
        capture=found.report,
        vehicle=found.car.vehicle,
        roles=_role_states(found),
        timelines=tuple(_with_marks(one, placed) for one in found.timelines),
        episodes=episodes,
        findings=findings,
        verdicts=judged.verdicts,
        exercised=exercised_table(found.car.vehicle, episodes, judged.verdicts, _functions(rules)),
        notices=tuple(notices),
        unknown_ids=_unknown_ids(found),
        evidence=evidence,
        marks=placed,
    )
    return Run(result, judged)


def _functions(rules: Sequence[Rule]) -> dict[str, str]:
    """The function each rule id judges."""
    return {text.id: rule.function for rule in rules for text in rule.texts}


def why(request: Request, rule_id: str, at: str) -> Why:
    """Why a rule did or did not fire at a time; raises UsageError where there is no such rule or time."""
    rules, _ = catalogue(Path(request.rules) if request.rules else None)
    known = {text.id: rule for rule in rules for text in rule.texts}
    if rule_id not in known:
        raise UsageError(f"RULE: there is no rule '{rule_id}'; see latchtrace rules list")
    try:
        moment = parse_moment(at, request.zone)
    except ValueError as error:
        raise UsageError(f"--at: {error}") from None
    found = read(request)
    time = moment.resolve(found.report.zero, request.clock_offset)
    worlds = worlds_of(found.car.vehicle, found.timelines)
    return explain(known[rule_id], rule_id, worlds, time, found.report.zero)


def worlds_of(vehicle: Vehicle, timelines: Sequence[Timeline]) -> tuple[World, ...]:
    """Each segment's world, its episodes numbered through the whole capture."""
    worlds = []
    number = 0
    for one in timelines:
        history = History(one)
        episodes: list[Episode] = []
        for episode in build_episodes(history, vehicle):
            number += 1
            episodes.append(replace(episode, id=f"E{number}"))
        worlds.append(build_world(history, vehicle, episodes))
    return tuple(worlds)


def judge_examples(checked: CheckedRule) -> tuple[ExampleResult, ...]:
    """Every example of a rule file, judged by its rule; one result an example and rule id."""
    if checked.rule is None:
        return ()
    results: list[ExampleResult] = []
    for example in checked.examples:
        vehicle = example_vehicle(example.car, all_roles(example.lines))
        (world,) = worlds_of(vehicle, [example_timeline(example.lines, example.car)])
        results += compare(checked.rule, example, world)
    return tuple(results)


def _complete(finding: Finding, worlds: Sequence[World]) -> Finding:
    """Name what could not be ruled out: of the episode, where the rule itself named nothing."""
    if finding.cannot_rule_out:
        return finding
    episode = next((one for world in worlds for one in world.episodes if one.id == finding.episode), None)
    return replace(finding, cannot_rule_out=episode.cannot_rule_out) if episode is not None else finding


def _evidence(
    found: Read, worlds: Sequence[World], findings: Sequence[Finding], judged: Judged
) -> dict[EvidenceRef, Evidence]:
    refs: dict[EvidenceRef, None] = {}
    for finding in findings:
        refs.update(dict.fromkeys(finding.evidence))
    for _, _, judgement in judged.judgements:
        refs.update(dict.fromkeys(judgement.evidence))
    for world in worlds:
        for episode in world.episodes:
            stages = (episode.request, episode.reception, episode.validation, episode.command)
            for stage in (*stages, *episode.feedback.values()):
                refs.update(dict.fromkeys(stage.evidence))
            for check in episode.sources:
                refs.update(dict.fromkeys(check.evidence))
    return resolve(refs, found.rows, found.sources, found.report)


def _proof(refs: Iterable[EvidenceRef], evidence: Mapping[EvidenceRef, Evidence]) -> tuple[Evidence, ...]:
    return tuple(evidence[ref] for ref in refs if ref in evidence)


def _role_states(found: Read) -> dict[str, str]:
    """What each role is in this capture: mapped, not-fitted, not-visible, or silent."""
    states: dict[str, str] = {}
    for one in found.timelines:
        for role, known in one.coverage.items():
            silent = known.status == RoleStatus.MAPPED and known.seen is None
            state = "silent" if silent else str(known.status)
            states[role] = state if states.get(role, "silent") == "silent" else states[role]
    return dict(sorted(states.items()))


def _unknown_ids(found: Read) -> tuple[tuple[str, int, bool, int], ...]:
    """Ids no DBC of the vehicle knows, with their frames: where an accessory would show."""
    known = found.car.known_ids()
    return tuple(
        (one.channel, one.can_id, one.extended, one.frames)
        for one in found.report.ids
        if not {(one.channel, one.can_id, one.extended), (None, one.can_id, one.extended)} & known
    )


def _notices(found: Read) -> list[Notice]:
    counted: dict[tuple[str, str], int] = {}
    for one in found.timelines:
        for text in one.notices:
            counted["values", text] = counted.get(("values", text), 0) + 1
    for tracks in found.tracks:
        for text in tracks.notices:
            counted["network", text] = counted.get(("network", text), 0) + 1
    for reason, count in found.report.skipped_count:
        counted["skipped", f"skipped lines: {reason}"] = count
    for database in found.car.databases.values():
        for text in database.notices:
            counted["dbc", f"{database.name}: {text}"] = 1
    counted.update(_channel_notices(found))
    return [Notice(kind, text, count) for (kind, text), count in counted.items()]


def _channel_notices(found: Read) -> dict[tuple[str, str], int]:
    """Channels the vehicle file names and the capture does not have, and the other way round."""
    stated = {use.channel for use in found.car.vehicle.messages.values() if use.channel}
    present = {one.channel for one in found.report.ids}
    if not stated:
        return {}
    missing = {
        (
            "channel",
            f"channel {name} of the vehicle file is not in this capture (it has {', '.join(sorted(present))}); "
            "add its name there under aliases",
        ): 1
        for name in sorted(stated - present)
    }
    extra = {
        ("channel", f"channel {name} of this capture is not in the vehicle file; its frames were not used"): 1
        for name in sorted(present - {channel.name for channel in found.car.vehicle.channels})
    }
    return missing | extra


def _with_marks(one: Timeline, marks: tuple[LockEvent, ...]) -> Timeline:
    mine = [mark for mark in marks if one.span.lo <= mark.at.hi and mark.at.lo <= one.span.hi]
    if not mine:
        return one
    return replace(one, events=tuple(sorted((*one.events, *mine), key=lambda event: (event.at.hi, event.at.lo))))


_RELOCK = ("relock-early", "relock-late", "relock-missing")
_OUTCOMES = {
    "relock-early": "relocked too early",
    "relock-late": "relocked too late",
    "relock-missing": "did not relock",
}


def verify(request: Request, function: str, show_codes: bool = False) -> FunctionTest:
    """A function test on a capture; every trial is one unlock from outside. Key codes are masked unless asked for."""
    done = run(request, one_by_one=True)
    by_trial: dict[tuple[int, Interval], list[Judgement]] = {}
    for _, world, judgement in done.judged.judgements:
        if judgement.rule_id in _RELOCK:
            segment = world.history.timeline.segment
            by_trial.setdefault((segment, judgement.item.at), []).append(judgement)
    broken = {
        judgement.item.previous.at
        for _, _, judgement in done.judged.judgements
        if judgement.rule_id == "relock-after-door-opening"
        and judgement.ruling == Ruling.FAIL
        and judgement.item.previous is not None
    }
    occasions = [_occasion(judgements, at in broken) for (_, at), judgements in sorted(by_trial.items())]
    vehicle = done.result.vehicle
    applies = vehicle.functions.get(function) is not False
    test = function_test(function, occasions, relock_limit(vehicle), applies, done.result.capture.zero)
    notes = [one.message for one in done.result.notices if one.kind == "mark"] + _unused(done.result.findings)
    proved = (replace(trial, proof=_proof(trial.evidence, done.result.evidence)) for trial in test.trials)
    test = replace(test, trials=tuple(proved), notes=tuple(notes))
    return test if show_codes else redacted_test(test, done.result)


def _unused(findings: Sequence[Finding]) -> list[str]:
    """One note for all the unlocks that nobody used: in a function test they are the test itself."""
    unused = sum(one.rule == "relock-without-door-opening" for one in findings)
    if not unused:
        return []
    return [f"{unused} unlocks that nobody used were locked again by the car: in this test that is what was asked for"]


def relock_limit(vehicle: Vehicle) -> str:
    """The relock limit in words, with where it comes from; empty where the vehicle file states none."""
    delay, tolerance = vehicle.parameters.get("relock.delay"), vehicle.parameters.get("relock.tolerance")
    if delay is None:
        return ""
    around = f" ± {time_text(float(tolerance.value))}" if tolerance is not None else ""
    return f"{time_text(float(delay.value))}{around} ({delay.origin})"


def _occasion(judgements: Sequence[Judgement], broken: bool) -> Occasion:
    first = judgements[0]
    cancelled = all(judgement.ruling == Ruling.SKIPPED for judgement in judgements)
    at = first.at
    if cancelled:
        verdict = VerdictKind.FAIL if broken else VerdictKind.PASS
        outcome = "relocked although a closure was opened" if broken else "cancelled, and no relock"
        return Occasion(at, verdict, outcome, cancelled=True, evidence=first.evidence)
    failed = next((judgement for judgement in judgements if judgement.ruling == Ruling.FAIL), None)
    if failed is not None:
        outcome = _OUTCOMES[failed.rule_id]
        return Occasion(failed.at, VerdictKind.FAIL, outcome, False, failed.measured, evidence=failed.evidence)
    undecided = [judgement for judgement in judgements if judgement.ruling == Ruling.UNDECIDED]
    if undecided:
        reason = str(first_reason(doubt for judgement in undecided for doubt, _ in judgement.doubts) or "")
        measured = undecided[0].measured
        return Occasion(at, VerdictKind.INCONCLUSIVE, "not decided", False, measured, reason, undecided[0].evidence)
    return Occasion(at, VerdictKind.PASS, "relocked in time", False, first.measured, evidence=first.evidence)

"""Watching a recording piece by piece gives what judging it whole gives, tells violations early, and forgets."""

from __future__ import annotations

import os
import secrets
from itertools import repeat
from pathlib import Path

import numpy as np
import pytest

from latchtrace.model.events import Timeline
from latchtrace.model.history import History
from latchtrace.model.results import Episode, Finding
from latchtrace.model.time import Interval
from latchtrace.pipeline import Request, read, worlds_of
from latchtrace.rules.catalogue import catalogue
from latchtrace.rules.engine import Judged, run_rules
from latchtrace.rules.streams import build_world
from latchtrace.rules.watch import Watch
from support.long_row import LongRow, long_row_vehicle
from support.pieces import cut, joined, quiet_moments

DEMO = Path(__file__).resolve().parents[2]
SEED = int(os.environ.get("LATCHTRACE_SEED", secrets.randbelow(1_000_000)))
DAYS = {"parked_night": "harbour_estate", "ordinary_day": "harbour_estate", "second_network_day": "orchard_hatch"}


def told(findings: tuple[Finding, ...]) -> list[tuple[str, Interval, tuple[str, ...], str, str, str]]:
    return sorted((one.rule, one.at, one.closures, one.message, str(one.measured), one.limit) for one in findings)


def same(pieces: Judged, whole: Judged) -> None:
    assert told(pieces.findings) == told(whole.findings)
    assert pieces.verdicts == whole.verdicts
    assert [one.explained_by != "" for one in pieces.findings] == [one.explained_by != "" for one in whole.findings]


def watched(parts: list[tuple[Timeline, tuple[Episode, ...]]], vehicle: object) -> tuple[Watch, list[Finding]]:
    rules, _ = catalogue(None)
    watch = Watch(rules, vehicle)  # type: ignore[arg-type]
    early = [finding for timeline, episodes in parts for finding in watch.feed(timeline, episodes)]
    return watch, early


@pytest.mark.parametrize("faults", [0.0, 0.2])
def test_a_long_row_in_pieces_gives_what_the_whole_gives(faults: float) -> None:
    parts = list(LongRow(SEED, faults).pieces(repeat(400, 8)))
    vehicle = long_row_vehicle()
    rules, _ = catalogue(None)
    timeline, episodes = joined(parts)
    whole = run_rules(rules, [build_world(History(timeline), vehicle, episodes)])
    assert sum(verdict.exercised for verdict in whole.verdicts) > 3000, SEED
    assert bool(faults) == any(one.rule == "request-ignored" for one in whole.findings), SEED
    watch, early = watched(parts, vehicle)
    judged = watch.finish()
    same(judged, whole)
    assert len(told(tuple(early))) == len(set(told(tuple(early)))), f"told twice, seed {SEED}"
    assert {one[:3] for one in told(tuple(early))} <= {one[:3] for one in told(whole.findings)}, SEED


@pytest.mark.parametrize("faults", [0.0, 0.3])
def test_what_the_columns_settle_comes_out_one_by_one_too(faults: float) -> None:
    vehicle, rules = long_row_vehicle(), catalogue(None)[0]
    timeline, episodes = joined(list(LongRow(SEED, faults).pieces(repeat(400, 4))))
    at_once = run_rules(rules, [build_world(History(timeline), vehicle, episodes)])
    one_by_one = run_rules(rules, [build_world(History(timeline), vehicle, episodes)], one_by_one=True)
    same(at_once, one_by_one)
    assert len(at_once.judgements) < len(one_by_one.judgements) / 2, SEED


@pytest.mark.parametrize("day", DAYS)
def test_a_demo_day_in_pieces_gives_what_the_whole_gives(day: str) -> None:
    captures = sorted((DEMO / "captures_demo").glob(f"{day}*.log*")) or sorted(
        (DEMO / "captures_demo").glob(f"{day.replace('_', '-')}*.log*")
    )
    found = read(Request([str(captures[0])], str(DEMO / "dbc_demo" / f"{DAYS[day]}.yaml")))
    vehicle, rules = found.car.vehicle, catalogue(None)[0]
    (world,) = worlds_of(vehicle, found.timelines)
    whole = run_rules(rules, [world])
    same(whole, run_rules(rules, [world], one_by_one=True))
    moments = quiet_moments(world.history.timeline, world.episodes)
    chance = np.random.default_rng(SEED)
    chosen = sorted(chance.choice(moments, size=min(12, len(moments)), replace=False).tolist())
    watch, _ = watched(cut(world.history.timeline, list(world.episodes), chosen), vehicle)
    same(watch.finish(), whole)


def test_a_violation_is_told_as_soon_as_it_is_certain() -> None:
    parts = list(LongRow(7, 0.3).pieces(repeat(60, 40)))
    watch, rules = Watch(catalogue(None)[0], long_row_vehicle()), catalogue(None)[0]
    assert rules
    late = [
        (finding.rule, timeline.span.hi - finding.at.hi)
        for timeline, episodes in parts
        for finding in watch.feed(timeline, episodes)
        if finding.rule == "command-without-request"
    ]
    longest = max(timeline.span.width for timeline, _ in parts)
    assert late
    assert all(delay <= longest for _, delay in late)


def test_what_is_remembered_does_not_grow_with_the_row() -> None:
    watch = Watch(catalogue(None)[0], long_row_vehicle())
    kept = []
    for timeline, episodes in LongRow(SEED, 0.05).pieces(repeat(400, 20)):
        watch.feed(timeline, episodes)
        kept.append(watch.remembered)
    assert len(kept) == 20
    assert max(kept) < 300, (SEED, kept)

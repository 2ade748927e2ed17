"""What latchtrace promises to Python: the command line and the workbench use this and nothing beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from latchtrace.errors import Problem, UsageError, UserFileError
from latchtrace.model.frames import CaptureReport
from latchtrace.model.results import AnalysisResult, FunctionTest, RuleInfo

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

    from latchtrace.model.vehicle_report import RoleReport
    from latchtrace.pipeline import Progress, Request
    from latchtrace.rules.check import CheckedRule
    from latchtrace.rules.examples import ExampleResult
    from latchtrace.rules.why import Why

Captures = str | Path | Sequence[str | Path]

FUNCTIONS = ("auto-relock",)
"""The functions `verify` can test."""


@dataclass(frozen=True, slots=True)
class Analysis:
    """One finished analysis. `result` holds everything; the tables are pandas DataFrames with times in nanoseconds."""

    result: AnalysisResult

    @property
    def episodes(self) -> pd.DataFrame:
        """One row an episode: id, action, origin, cannot_rule_out, key_slot, start_ns, end_ns, outcome, closures."""
        from latchtrace.api.tables import episodes

        return episodes(self.result)

    @property
    def findings(self) -> pd.DataFrame:
        """One row a finding: id, rule, severity, by_design, start_ns, end_ns, closures, episode, message, …"""
        from latchtrace.api.tables import findings

        return findings(self.result)

    @property
    def verdicts(self) -> pd.DataFrame:
        """One row a rule: rule, verdict, exercised, failed, inconclusive, reason."""
        from latchtrace.api.tables import verdicts

        return verdicts(self.result)

    @property
    def events(self) -> pd.DataFrame:
        """One row a lock event: segment, kind, subject, value, lo_ns, hi_ns, end_ns, change, signal, file, line."""
        from latchtrace.api.tables import events

        return events(self.result)

    def to_json(self, show_codes: bool = False) -> str:
        """The analysis document (schema latchtrace/analysis/1); key codes only where asked for."""
        from latchtrace.model.document import analysis_document, document_text

        return document_text(analysis_document(self.result, show_codes))

    def figure(self) -> go.Figure:
        """The swimlane as a plotly figure: requests, commands, every closure's latch and ajar, speed, findings."""
        from latchtrace.api.figure import figure

        return figure(self.result)

    def _repr_html_(self) -> str:
        """What a notebook shows: the findings and the episodes."""
        from latchtrace.api.tables import notebook

        return notebook(self.result)


def _paths(captures: Captures) -> list[str]:
    listed = [captures] if isinstance(captures, (str, Path)) else list(captures)
    if not listed:
        raise UsageError("no capture is named; give at least one file, folder or glob")
    return [str(one) for one in listed]


def _request(
    captures: Captures,
    vehicle: str | Path,
    marks: str | Path | None,
    rules: str | Path | None,
    start: str | None,
    end: str | None,
    progress: Progress | None,
    timezone: str | None,
    clock_offset: int,
) -> Request:
    from latchtrace.model.clock import parse_zone
    from latchtrace.pipeline import Request

    try:
        zone = parse_zone(timezone) if timezone else None
    except ValueError as error:
        raise UsageError(str(error)) from None
    return Request(
        captures=_paths(captures),
        vehicle=str(vehicle),
        marks=str(marks) if marks else None,
        rules=str(rules) if rules else None,
        start=start,
        end=end,
        zone=zone,
        clock_offset=clock_offset,
        progress=progress,
    )


def analyse(
    captures: Captures,
    vehicle: str | Path,
    marks: str | Path | None = None,
    rules: str | Path | None = None,
    *,
    start: str | None = None,
    end: str | None = None,
    progress: Progress | None = None,
    timezone: str | None = None,
    clock_offset: int = 0,
) -> Analysis:
    """Read captures by a vehicle file, rebuild what the locks did, judge it and explain it.

    `captures` are files, globs or folders ("-" is candump text on standard input); `rules` a folder of more rule
    files; `start` and `end` times as on the command line (`+12.5`, ISO 8601); `clock_offset` nanoseconds to add to
    the recorder's clock. `progress` is called with (bytes read, bytes in all). Raises LatchtraceError.
    """
    from latchtrace.pipeline import run

    return Analysis(run(_request(captures, vehicle, marks, rules, start, end, progress, timezone, clock_offset)).result)


def verify(
    function: str,
    captures: Captures,
    vehicle: str | Path,
    marks: str | Path | None = None,
    rules: str | Path | None = None,
    *,
    start: str | None = None,
    end: str | None = None,
    progress: Progress | None = None,
    timezone: str | None = None,
    clock_offset: int = 0,
    show_codes: bool = False,
) -> FunctionTest:
    """Measure every trial of a function test (`auto-relock`) in a capture. Raises LatchtraceError.

    Payloads of messages that carry key codes or rolling counters are masked unless `show_codes` asks for them.
    """
    from latchtrace.pipeline import verify as run_test

    _known(function)
    request = _request(captures, vehicle, marks, rules, start, end, progress, timezone, clock_offset)
    return run_test(request, function, show_codes)


def protocol(function: str, vehicle: str | Path) -> FunctionTest:
    """The test protocol of a function on a vehicle, before there is a capture: steps, limits, cautions."""
    from latchtrace.diagnosis.function_test import function_test
    from latchtrace.pipeline import load_car, relock_limit

    _known(function)
    car = load_car(str(vehicle)).vehicle
    return function_test(function, (), relock_limit(car), car.functions.get(function) is not False, 0)


def _known(function: str) -> None:
    if function not in FUNCTIONS:
        raise UsageError(f"'{function}' is no function that can be tested; use one of {', '.join(FUNCTIONS)}")


def capture_info(captures: Captures, progress: Progress | None = None) -> CaptureReport:
    """What captures hold and how good they are; needs no vehicle file. Raises CaptureError."""
    from latchtrace.capture.reader import find_captures, scan

    return scan(find_captures(_paths(captures)), progress=progress)


@dataclass(frozen=True, slots=True)
class VehicleCheck:
    """A checked vehicle file: all its mistakes, or, with a capture, what each role shows there."""

    problems: tuple[Problem, ...]
    roles: tuple[RoleReport, ...] = ()
    name: str = ""
    zero: int = 0


def vehicle_check(file: str | Path, captures: Captures | None = None, progress: Progress | None = None) -> VehicleCheck:
    """All mistakes of a vehicle file; with captures and no mistake, a report per role. Raises CaptureError."""
    from latchtrace.pipeline import Request, load_car, read
    from latchtrace.vehicle.report import role_report

    try:
        car = load_car(str(file))
    except UserFileError as error:
        return VehicleCheck(error.problems)
    if captures is None:
        return VehicleCheck((), (), car.vehicle.name)
    found = read(Request(_paths(captures), str(file), progress=progress))
    roles = role_report(car.vehicle, found.timelines, found.tracks, found.report)
    return VehicleCheck((), tuple(roles), car.vehicle.name, found.report.zero)


def vehicle_new(databases: Sequence[str | Path], folder: str | Path | None = None) -> str:
    """A commented start of a vehicle file from DBCs, with candidates per role. Raises NetworkError.

    `folder` is where the file is going to stand: the DBCs are named from there (default: the working folder).
    """
    import os.path

    from latchtrace.network.database import load_database
    from latchtrace.vehicle.template import new_vehicle_text

    seen: set[Path] = set()
    for path in map(Path, databases):
        if path.resolve() in seen:
            raise UsageError(f"{path}: is named twice; name each DBC once")
        seen.add(path.resolve())
    loaded = [load_database(path) for path in databases]
    named = [
        str(path) if folder is None or Path(path).is_absolute() else Path(os.path.relpath(path, folder)).as_posix()
        for path in databases
    ]
    return new_vehicle_text(loaded, named)


def rules_catalogue(folder: str | Path | None = None) -> tuple[RuleInfo, ...]:
    """Every rule in use, with a folder of the user's own joined. Raises UserFileError, UsageError."""
    from latchtrace.rules.catalogue import catalogue, infos

    rules, _ = catalogue(Path(folder) if folder else None)
    return infos(rules)


def rules_check(files: Sequence[str | Path] = ()) -> tuple[CheckedRule, ...]:
    """Rule files (those of a folder; the shipped ones where none is named) with all mistakes. Raises UsageError."""
    from latchtrace.rules.check import check_files, rule_files

    return check_files(rule_files(files))


def rules_test(files: Sequence[str | Path] = (), rule: str | None = None) -> tuple[ExampleResult, ...]:
    """Judge the examples in rule files by their rules, or by one of them; a result an example and rule id.

    Raises UserFileError where a file has mistakes, UsageError.
    """
    from latchtrace.pipeline import judge_examples

    checked = rules_check(files)
    problems = [problem for one in checked for problem in one.problems]
    if problems:
        raise UserFileError(problems)
    known = sorted(text.id for one in checked if one.rule is not None for text in one.rule.texts)
    if rule is not None and rule not in known:
        raise UsageError(f"--rule: none of these files holds a rule '{rule}'; they hold {', '.join(known)}")
    results = [result for one in checked for result in judge_examples(one)]
    return tuple(result for result in results if rule in (None, result.rule))


def rules_why(
    rule: str,
    captures: Captures,
    vehicle: str | Path,
    at: str,
    rules: str | Path | None = None,
    *,
    start: str | None = None,
    end: str | None = None,
    progress: Progress | None = None,
    timezone: str | None = None,
    clock_offset: int = 0,
) -> Why:
    """Why a rule did or did not fire at the occasion nearest to a time: what held, what not, and what came near.

    Times as for `analyse`. Raises LatchtraceError.
    """
    from latchtrace.pipeline import why

    return why(_request(captures, vehicle, None, rules, start, end, progress, timezone, clock_offset), rule, at)

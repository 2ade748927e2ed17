"""The analysis document: an analysis as plain JSON data, the same input giving the same bytes."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

from latchtrace.model.frames import CaptureReport, FileReport, IdStatistics
from latchtrace.model.plan import id_text
from latchtrace.model.redaction import redacted
from latchtrace.model.results import (
    AnalysisResult,
    Diagnosis,
    Episode,
    Evidence,
    EvidenceRef,
    Exercised,
    Finding,
    Measured,
    SourceCheck,
    Stage,
    Verdict,
)
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Parameter, Vehicle

ANALYSIS_SCHEMA = "latchtrace/analysis/1"
CAPTURE_SCHEMA = "latchtrace/capture/1"

_Json = dict[str, Any]
_LINE = 110


def analysis_document(result: AnalysisResult, show_codes: bool = False) -> _Json:
    """The analysis as the JSON document described by `data/schemas/analysis.schema.json`.

    Times are integer nanoseconds in the capture's own time base. Key codes and rolling counters are masked
    unless `show_codes`: the payload (`data`) of a frame that carries one is written as `··` per byte.
    """
    shown = result if show_codes else redacted(result)
    return {
        "schema": ANALYSIS_SCHEMA,
        "tool": {"version": shown.version},
        "capture": _capture(shown.capture, shown.unknown_ids),
        "vehicle": _vehicle(shown.vehicle, shown.roles),
        "episodes": [_episode(episode, shown.evidence) for episode in shown.episodes],
        "findings": [_finding(finding) for finding in shown.findings],
        "verdicts": [_verdict(verdict) for verdict in shown.verdicts],
        "exercised": [_exercised(item) for item in shown.exercised],
        "diagnosis": [_diagnosis(item) for item in shown.diagnosis],
        "notices": [{"kind": item.kind, "message": item.message, "count": item.count} for item in shown.notices],
    }


def capture_document(report: CaptureReport, warnings: Iterable[str] = ()) -> _Json:
    """What reading the captures showed, as JSON data: files, quality, and every id."""
    return {
        "schema": CAPTURE_SCHEMA,
        "capture": _capture(report, ()),
        "ids": [_id_statistics(item) for item in report.ids],
        "warnings": list(warnings),
    }


def _capture(report: CaptureReport, unknown_ids: Iterable[tuple[str, int, bool, int]]) -> _Json:
    return {
        "zero_ns": report.zero,
        "files": [_file(file) for file in report.files],
        "quality": {
            "gaps": [
                {
                    "channel": gap.channel,
                    "span_ns": _interval(gap.span),
                    "cause": str(gap.cause),
                    "frames_lost": gap.frames_lost,
                }
                for gap in report.gaps
            ],
            "sleeps": [{"channel": sleep.channel, "span_ns": _interval(sleep.span)} for sleep in report.sleeps],
            "segments": [{"index": part.index, "span_ns": _interval(part.span)} for part in report.segments],
            "loss": [
                {
                    "channel": loss.channel,
                    "id": id_text(loss.can_id, loss.extended),
                    "span_ns": _interval(loss.span),
                    "missing": loss.missing,
                }
                for loss in report.losses
            ],
            "error_frames": report.error_frames,
            "out_of_order": report.out_of_order,
            "skipped": [{"file": line.file, "line": line.line, "reason": line.reason} for line in report.skipped],
            "skipped_count": dict(report.skipped_count),
            "unknown_ids": [
                {"channel": channel, "id": id_text(can_id, extended), "frames": frames}
                for channel, can_id, extended, frames in unknown_ids
            ],
            "bus_load": {channel: _number(load) for channel, load in report.bus_load},
        },
    }


def _file(file: FileReport) -> _Json:
    return {
        "name": file.name,
        "sha256": file.sha256,
        "format": file.format,
        "frames": file.frames,
        "skipped": file.skipped,
        "channels": list(file.channels),
        "first_ns": file.first,
        "last_ns": file.last,
    }


def _id_statistics(item: IdStatistics) -> _Json:
    return {
        "channel": item.channel,
        "id": id_text(item.can_id, item.extended),
        "frames": item.frames,
        "first_ns": item.first,
        "last_ns": item.last,
        "lengths": list(item.lengths),
        "gap_ns": {"min": item.min_gap, "mean": _number(item.mean_gap), "max": item.max_gap},
        "period_ns": item.period,
        "changes": item.changes,
        "changing_bits": changing_bits(item.changing),
    }


def changing_bits(mask: int) -> list[int]:
    """The positions of the payload bits in a mask (bit k of byte n is 8n + k)."""
    return [bit for bit in range(mask.bit_length()) if mask >> bit & 1]


def _vehicle(vehicle: Vehicle, roles: Mapping[str, str]) -> _Json:
    return {
        "name": vehicle.name,
        "system": vehicle.system,
        "roles": {name: str(status) for name, status in sorted(roles.items())},
        "parameters": {name: _parameter(item) for name, item in sorted(vehicle.parameters.items())},
    }


def _parameter(item: Parameter) -> _Json:
    value = _number(item.value) if isinstance(item.value, float) else item.value
    return {"value": value, "unit": item.unit, "origin": item.origin}


def _episode(episode: Episode, evidence: Mapping[EvidenceRef, Evidence]) -> _Json:
    def stage(item: Stage) -> _Json:
        return {
            "status": str(item.status),
            "at_ns": _interval(item.at) if item.at else None,
            "value": item.value,
            "evidence": _resolved(item.evidence, evidence),
        }

    def source(item: SourceCheck) -> _Json:
        return {
            "source": item.source,
            "ruling": str(item.ruling),
            "reason": item.reason,
            "evidence": _resolved(item.evidence, evidence),
        }

    return {
        "id": episode.id,
        "action": episode.action,
        "origin": episode.origin,
        "cannot_rule_out": list(episode.cannot_rule_out),
        "key_slot": episode.key_slot,
        "start_ns": episode.at.lo,
        "end_ns": episode.end,
        "outcome": str(episode.outcome),
        "closures": list(episode.group),
        "segment": episode.segment,
        "stages": {
            "request": stage(episode.request),
            "reception": stage(episode.reception),
            "validation": stage(episode.validation),
            "command": stage(episode.command),
            "feedback": {closure: stage(item) for closure, item in sorted(episode.feedback.items())},
        },
        "sources": [source(item) for item in episode.sources],
    }


def _finding(finding: Finding) -> _Json:
    return {
        "id": finding.id,
        "rule": finding.rule,
        "severity": str(finding.severity),
        "by_design": finding.by_design,
        "conclusive": finding.conclusive,
        "start_ns": finding.at.lo,
        "end_ns": finding.at.hi,
        "closures": list(finding.closures),
        "episode": finding.episode or None,
        "message": finding.message,
        "measured": measured_document(finding.measured),
        "limit": finding.limit or None,
        "explained_by": finding.explained_by or None,
        "cannot_rule_out": list(finding.cannot_rule_out),
        "cautions": list(finding.cautions),
        "next_steps": list(finding.next_steps),
        "evidence": [evidence_document(item) for item in finding.proof],
    }


def _verdict(verdict: Verdict) -> _Json:
    return {
        "rule": verdict.rule,
        "verdict": str(verdict.verdict),
        "exercised": verdict.exercised,
        "failed": verdict.failed,
        "inconclusive": verdict.inconclusive,
        "reason": str(verdict.reason) if verdict.reason else None,
        "detail": verdict.detail,
    }


def _exercised(item: Exercised) -> _Json:
    return {
        "function": item.function,
        "stimulus": item.stimulus,
        "times": item.times,
        "verdict": str(item.verdict),
        "steps": list(item.steps),
        "cautions": list(item.cautions),
    }


def _diagnosis(item: Diagnosis) -> _Json:
    return {
        "symptom": item.symptom,
        "cause": item.cause,
        "for": list(item.supports),
        "against": list(item.opposes),
        "unknown": list(item.unknown),
        "next_step": item.next_step,
        "cautions": list(item.cautions),
    }


def measured_document(measured: Measured | None) -> _Json | None:
    """A measured interval with its unit; whole nanoseconds stay whole."""
    if measured is None:
        return None
    return {"value": [_plain(measured.lo), _plain(measured.hi)], "unit": measured.unit}


def evidence_document(item: Evidence) -> _Json:
    """One piece of evidence: a frame, or an absence (`what`: of frames that show it, not of any frame)."""
    where = {"channel": item.channel, "id": id_text(item.can_id, item.extended)}
    if item.absence:
        what = item.signal or item.value
        return {"after": item.after, "until": item.until, **where, **({"what": what} if what else {})}
    return {
        "file": item.file,
        "line": item.line,
        "t_ns": item.t,
        **where,
        "data": item.data,
        "signal": item.signal,
        "value": item.value,
    }


def _resolved(refs: Iterable[EvidenceRef], evidence: Mapping[EvidenceRef, Evidence]) -> list[_Json]:
    return [evidence_document(evidence[ref]) for ref in refs if ref in evidence]


def _interval(span: Interval) -> list[int]:
    return [span.lo, span.hi]


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _plain(value: float) -> float | int | None:
    """A whole number as an integer; JSON has no infinity: None."""
    if not math.isfinite(value):
        return None
    return int(value) if float(value).is_integer() else value


def document_text(document: Mapping[str, Any]) -> str:
    """The document as text, in the document's own order: short things on one line, long ones broken up."""
    return _write(document, "") + "\n"


def document_bytes(document: Mapping[str, Any]) -> bytes:
    """The document as UTF-8; names that are not text in any encoding keep their bytes as JSON escapes."""
    return document_text(document).encode("utf-8", "backslashreplace")


def _write(value: Any, indent: str) -> str:
    if not value or not isinstance(value, (Mapping, list)):
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    deeper = indent + "  "
    if isinstance(value, Mapping):
        opening, closing = "{", "}"
        parts = [f"{json.dumps(key, ensure_ascii=False)}: {_write(item, deeper)}" for key, item in value.items()]
    else:
        opening, closing = "[", "]"
        parts = [_write(item, deeper) for item in value]
    if sum(map(len, parts)) + 2 * len(parts) + len(indent) <= _LINE and not any("\n" in part for part in parts):
        return opening + ", ".join(parts) + closing
    return f"{opening}\n{deeper}" + f",\n{deeper}".join(parts) + f"\n{indent}{closing}"

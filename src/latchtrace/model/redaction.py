"""Takes key codes and rolling counters out of a result, so that a report can be handed on.

One door: every report, table and screen shows `redacted(result)` unless the codes are asked for. Whole payloads
of messages that carry a code or counter are masked, since a checksum beside a code tells of the code too; with
them those of every key request, reception and validation, where a signal that nobody mapped may say it again.
The file, line, time and id of such a frame stay, so that it can still be found in the capture.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.network import SignalRef
from latchtrace.model.results import AnalysisResult, Evidence, EvidenceRef, Finding, FunctionTest, Trial
from latchtrace.model.vehicle import Reading, Role, Vehicle

CODE = "code"
COUNTER = "counter"
MASK = "··"
"""Stands for one byte that is not shown."""

_KEYED = frozenset({"remote-button", "handle-touch", "handle-button", "handle-lift"})
"""Sources whose request is only served after a key was accepted."""
_Wire = tuple[str, int, bool]


@dataclass(frozen=True, slots=True)
class _Secrets:
    """The signals that carry codes, every signal name of their messages, and the ids they were seen with."""

    signals: frozenset[str]
    carriers: frozenset[str]
    wires: frozenset[_Wire]

    def mask(self, item: Evidence) -> Evidence:
        """The evidence with its payload, and the value of a secret signal, masked where it must be."""
        wire = (item.channel, item.can_id, item.extended)
        if wire not in self.wires and item.signal not in self.carriers:
            return item
        value = MASK if item.signal in self.signals and item.value else item.value
        return replace(item, data=_masked(item.data), value=value)


def _masked(data: str) -> str:
    """As many masks as the hex text has bytes."""
    try:
        return MASK * len(bytes.fromhex(data))
    except ValueError:
        return MASK


def redacted(result: AnalysisResult) -> AnalysisResult:
    """The same result without key codes and rolling counters: payloads masked, codes by alias, counters as steps."""
    secrets = _secrets(result)
    if not secrets.carriers:
        return result
    aliases = _Aliases(_modulus(result.vehicle))
    return replace(
        result,
        timelines=tuple(_timeline(timeline, aliases) for timeline in result.timelines),
        findings=tuple(_finding(finding, secrets) for finding in result.findings),
        evidence={ref: secrets.mask(item) for ref, item in result.evidence.items()},
    )


def redacted_test(test: FunctionTest, result: AnalysisResult) -> FunctionTest:
    """The same function test without key codes, judged by the analysis it comes from."""
    secrets = _secrets(result)
    return replace(test, trials=tuple(_trial(trial, secrets) for trial in test.trials))


def _finding(finding: Finding, secrets: _Secrets) -> Finding:
    return replace(finding, proof=tuple(secrets.mask(item) for item in finding.proof))


def _trial(trial: Trial, secrets: _Secrets) -> Trial:
    return replace(trial, proof=tuple(secrets.mask(item) for item in trial.proof))


def _timeline(timeline: Timeline, aliases: _Aliases) -> Timeline:
    return replace(timeline, events=tuple(aliases.event(event) for event in timeline.events))


def _secrets(result: AnalysisResult) -> _Secrets:
    signals: set[str] = set()
    carriers: set[str] = set()
    messages: set[str] = set()
    for reading in _readings(result.vehicle):
        for detail in reading.details:
            if detail.name in (CODE, COUNTER):
                signals |= _names(detail.signal)
                messages.add(detail.signal.message)
    if messages:  # what a key's code is mapped in may be told again beside it, by a signal nobody mapped
        keyed = (role for role in result.vehicle.roles.values() if _tells_of_keys(role))
        messages |= {reading.signal.message for role in keyed for reading in role.readings}
    for reading in _readings(result.vehicle):
        if reading.signal.message in messages:
            for ref in _signals(reading):
                carriers |= _names(ref)
    return _Secrets(frozenset(signals), frozenset(carriers), frozenset(_wires(result, messages, carriers)))


def _tells_of_keys(role: Role) -> bool:
    return role.kind in ("reception", "validation") or (role.kind == "request" and role.subject in _KEYED)


def _wires(result: AnalysisResult, messages: set[str], carriers: set[str]) -> Iterable[_Wire]:
    """Channel and id of each message that carries a code, as far as the result shows them."""
    for timeline in result.timelines:
        for name, cover in timeline.coverage.items():
            role = result.vehicle.roles.get(name)
            secret = role and any(reading.signal.message in messages for reading in role.readings)
            if secret and cover.can_id is not None:
                yield cover.channel, cover.can_id, cover.extended
    for item in _all_evidence(result.evidence, result.findings):
        if item.signal in carriers or item.signal.rpartition(".")[0].rpartition(":")[2] in messages:
            yield item.channel, item.can_id, item.extended


def _all_evidence(evidence: Mapping[EvidenceRef, Evidence], findings: Iterable[Finding]) -> Iterable[Evidence]:
    yield from evidence.values()
    for finding in findings:
        yield from finding.proof


def _readings(vehicle: Vehicle) -> Iterable[Reading]:
    return (reading for role in vehicle.roles.values() for reading in role.readings)


def _signals(reading: Reading) -> Iterable[SignalRef]:
    yield reading.signal
    yield from (detail.signal for detail in reading.details)
    yield from (ref for ref, _ in reading.when)


def _names(ref: SignalRef) -> set[str]:
    """How a piece of evidence may name the signal."""
    return {str(ref), f"{ref.message}.{ref.signal}", ref.signal}


def _modulus(vehicle: Vehicle) -> int | None:
    bits = vehicle.parameters.get("rolling.bits")
    return 1 << int(bits.value) if bits and isinstance(bits.value, int) and bits.value > 0 else None


class _Aliases:
    """Names codes in the order they are first seen, and counts counters from the first one of each key."""

    def __init__(self, modulus: int | None) -> None:
        self.modulus = modulus
        self.codes: dict[int | str, str] = {}
        self.first: dict[int | str | None, int] = {}

    def event(self, event: LockEvent) -> LockEvent:
        """The event with its code and counter replaced."""
        if event.kind is EventKind.MARK or not any(name in (CODE, COUNTER) for name, _ in event.details):
            return event
        key = event.detail("slot")
        return replace(event, details=tuple((name, self._detail(name, value, key)) for name, value in event.details))

    def _detail(self, name: str, value: int | str, key: int | str | None) -> int | str:
        if name == CODE:
            return self.codes.setdefault(value, f"code {len(self.codes) + 1}")
        if name != COUNTER:
            return value
        if not isinstance(value, int):
            return MASK
        step = value - self.first.setdefault(key, value)
        if self.modulus:
            half = self.modulus // 2
            step = (step + half) % self.modulus - half
        return f"first {step:+d}" if step else "first"

"""What an analysis results in: episodes, findings, verdicts, and the evidence under each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from latchtrace.model.events import LockEvent, Reason, Timeline
from latchtrace.model.frames import CaptureReport
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Vehicle


@dataclass(frozen=True, slots=True, order=True)
class Seen:
    """Evidence: this row of the RowStore shows it, in the named signal ("" = the frame as such)."""

    row: int
    signal: str = ""
    value: str = ""


@dataclass(frozen=True, slots=True, order=True)
class LastBefore:
    """Evidence: the last frame of this id before t."""

    channel: str
    can_id: int
    extended: bool
    t: int


@dataclass(frozen=True, slots=True, order=True)
class NoneIn:
    """Evidence of absence: no frame of this id (or none that shows `what`) inside the span."""

    channel: str
    can_id: int
    extended: bool
    span: Interval
    what: str = ""


EvidenceRef = Seen | LastBefore | NoneIn


@dataclass(frozen=True, slots=True)
class Evidence:
    """One resolved piece of evidence: a frame in a file, or an absence (`after` and `until` set, no data)."""

    file: str
    line: int
    t: int
    channel: str
    can_id: int
    extended: bool
    data: str
    signal: str = ""
    value: str = ""
    after: int | None = None
    until: int | None = None

    @property
    def absence(self) -> bool:
        """Whether it shows that something was not there."""
        return self.after is not None


class StageStatus(StrEnum):
    """How a stage of the chain came out."""

    SEEN = "seen"
    MISSING = "missing"
    NOT_VISIBLE = "not-visible"
    NOT_NEEDED = "not-needed"
    UNKNOWN = "unknown"  # a gap, loss or the capture's end hides it


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of an episode: when it happened, what it showed, and the frames that prove it."""

    status: StageStatus
    at: Interval | None = None
    value: str = ""
    evidence: tuple[EvidenceRef, ...] = ()


class SourceRuling(StrEnum):
    """Whether a source started an episode."""

    IN = "in"
    OUT = "out"
    OPEN = "open"  # could not be ruled out


@dataclass(frozen=True, slots=True)
class SourceCheck:
    """One candidate source of an episode: ruled in, ruled out by these frames, or left open for a reason."""

    source: str
    ruling: SourceRuling
    reason: str = ""
    evidence: tuple[EvidenceRef, ...] = ()


class Outcome(StrEnum):
    """How an episode ended."""

    DONE = "done"  # every closure reached the commanded state
    PARTIAL = "partial"  # some did not
    REFUSED = "refused"  # the key was refused
    NO_COMMAND = "no-command"  # a request, and nothing came of it
    ALREADY = "already"  # everything was in that state before
    OPEN = "open"  # the capture ends or a gap hides the rest


@dataclass(frozen=True, slots=True)
class Episode:
    """One chain: request → reception → validation → command → feedback per closure.

    `origin` is a source, or "none" when every mapped source is ruled out, or "unknown" when it is not even
    possible to say that; `origin_by` says what names it: the car's `report`, a `request`, a designed `bounce`, the
    source's own `definition`, or nothing. `cannot_rule_out` lists the sources left open.
    """

    id: str
    action: str
    origin: str
    at: Interval
    end: int
    outcome: Outcome
    cannot_rule_out: tuple[str, ...] = ()
    key_slot: int | None = None
    request: Stage = Stage(StageStatus.MISSING)
    reception: Stage = Stage(StageStatus.NOT_VISIBLE)
    validation: Stage = Stage(StageStatus.NOT_VISIBLE)
    command: Stage = Stage(StageStatus.MISSING)
    feedback: Mapping[str, Stage] = field(default_factory=dict)
    sources: tuple[SourceCheck, ...] = ()
    origin_by: str = ""
    group: tuple[str, ...] = ()
    segment: int = 0


class Severity(StrEnum):
    """How bad a finding is."""

    FAULT = "fault"
    WARNING = "warning"
    NOTE = "note"


class VerdictKind(StrEnum):
    """What a rule says of a whole capture; `pass` means no violation in this capture, exercised n times."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_APPLICABLE = "not-applicable"


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured quantity as an interval in its unit (nanoseconds for unit "ns")."""

    lo: float
    hi: float
    unit: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a rule found, in plain words, with the frames that prove it.

    `explained_by` is the id of the finding that is its cause. `conclusive` False: a warning that could not be
    decided because of `cannot_rule_out`. `id` is unique in the analysis (`F1`, `F2`, … in time order).
    `previous_episode` is the central action before it.
    """

    id: str
    rule: str
    severity: Severity
    at: Interval
    message: str
    closures: tuple[str, ...] = ()
    episode: str = ""
    by_design: bool = False
    conclusive: bool = True
    measured: Measured | None = None
    limit: str = ""
    explained_by: str = ""
    cannot_rule_out: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()
    evidence: tuple[EvidenceRef, ...] = ()
    proof: tuple[Evidence, ...] = ()
    previous_episode: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one rule says of the capture: how often exercised, failed and undecided, and why if not plain."""

    rule: str
    verdict: VerdictKind
    exercised: int = 0
    failed: int = 0
    inconclusive: int = 0
    reason: Reason | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Exercised:
    """One function under one stimulus: how often seen, how it came out, how to exercise it where it was not."""

    function: str
    stimulus: str
    times: int
    verdict: VerdictKind
    steps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """A likely cause of a symptom, with the evidence for and against it and what is not known."""

    symptom: str
    cause: str
    supports: tuple[str, ...] = ()
    opposes: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    next_step: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Notice:
    """Something worth knowing about the data, counted rather than repeated."""

    kind: str
    message: str
    count: int = 1


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial of a function test, measured: e.g. unlock → relock 30.1 s, or cancelled by a door."""

    number: int
    at: Interval
    outcome: str
    verdict: VerdictKind
    measured: Measured | None = None
    reason: str = ""
    evidence: tuple[EvidenceRef, ...] = ()
    proof: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True)
class FunctionTest:
    """How a function did in a test: every trial measured, the counts, and what the counts can say of all trials.

    `cancelled` counts trials that something meant to cancel ended (a door opened), and that kept still as they
    must. `measured` is the hull over all measured trials. `rate_low` and `rate_high` bound the share of trials
    that fail (Clopper–Pearson, 95 % two-sided, undecided trials left out); None without a decided trial.
    `zero` is the time of the capture's first frame, so that the trials' times can be shown.
    """

    function: str
    title: str
    trials: tuple[Trial, ...]
    verdict: VerdictKind
    passes: int = 0
    fails: int = 0
    inconclusives: int = 0
    cancelled: int = 0
    measured: Measured | None = None
    limit: str = ""
    rate_low: float | None = None
    rate_high: float | None = None
    not_exercised: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    zero: int = 0


@dataclass(frozen=True, slots=True)
class RuleInfo:
    """One rule of the catalogue, as people read it; `text` is its source."""

    id: str
    severity: Severity
    function: str
    title: str
    means: str
    check: tuple[str, ...]
    cautions: tuple[str, ...]
    pattern: str
    by_design: bool
    file: str
    text: str


@dataclass(frozen=True, slots=True)
class AnalysisResult:
    """Everything one analysis found, all references resolved; the source of every report and screen."""

    version: str
    capture: CaptureReport
    vehicle: Vehicle
    roles: Mapping[str, str]
    timelines: tuple[Timeline, ...]
    episodes: tuple[Episode, ...]
    findings: tuple[Finding, ...]
    verdicts: tuple[Verdict, ...]
    exercised: tuple[Exercised, ...] = ()
    diagnosis: tuple[Diagnosis, ...] = ()
    notices: tuple[Notice, ...] = ()
    unknown_ids: tuple[tuple[str, int, bool, int], ...] = ()
    evidence: Mapping[EvidenceRef, Evidence] = field(default_factory=dict)
    marks: tuple[LockEvent, ...] = ()

"""An invented parked night, built by hand from the model: two self-unlocks among ordinary use, each relocked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from latchtrace.model.events import Blind, Coverage, EventKind, LockEvent, Reason, Timeline
from latchtrace.model.frames import CaptureReport, FileReport, Gap, GapCause, Segment, Sleep
from latchtrace.model.network import Onset, SignalRef, SignalTrack, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.results import (
    AnalysisResult,
    Diagnosis,
    Episode,
    Evidence,
    EvidenceRef,
    Exercised,
    Finding,
    LastBefore,
    Measured,
    NoneIn,
    Outcome,
    Seen,
    Severity,
    SourceCheck,
    SourceRuling,
    Stage,
    StageStatus,
    Verdict,
    VerdictKind,
)
from latchtrace.model.time import MILLISECOND, SECOND, Interval
from latchtrace.model.vehicle import (
    Channel,
    Closure,
    Parameter,
    Reading,
    Role,
    RoleStatus,
    Shows,
    Vehicle,
)

ZERO = 1_931_119_800 * SECOND + 120_000
LENGTH = 3 * 3600 + 20 * 60
DOORS = ("front-left", "front-right", "rear-left", "rear-right", "tailgate")
FILE = "harbour_night.log"
MAPPED = (
    "request.remote-button",
    "request.handle-touch",
    "request.interior-switch",
    "validation",
    "command",
    "ignition",
    "speed",
    *(f"latch.{name}" for name in DOORS),
    *(f"ajar.{name}" for name in (*DOORS, "bonnet")),
)
IDS = {"request": 0x1A0, "validation": 0x1A4, "command": 0x210, "latch": 0x230, "ajar": 0x238, "ignition": 0x130}


def moment(seconds: float) -> int:
    """A moment of the night, in the capture's time base."""
    return ZERO + round(seconds * 1000) * MILLISECOND


def cyclic(seconds: float, width: int = 100) -> Interval:
    """A change first seen in a cyclic frame."""
    return Interval(moment(seconds) - width * MILLISECOND + 1, moment(seconds))


class Night:
    """Collects what happened, then hands out the analysis."""

    def __init__(self) -> None:
        self.events: list[LockEvent] = []
        self.episodes: list[Episode] = []
        self.evidence: dict[EvidenceRef, Evidence] = {}
        self.row = 0

    def event(self, kind: EventKind, subject: str, value: str, at: Interval, **more: object) -> Seen:
        """Add an event with the frame that shows it."""
        self.row += 1
        can_id = IDS.get(str(kind), IDS["ignition"])
        signal = f"Body.{str(kind).title()}{subject.title().replace('-', '')}"
        seen = Seen(self.row, signal, value)
        line = 1 + (at.hi - ZERO) // (6 * MILLISECOND)
        data = f"{self.row % 256:02X} 00 {len(value):02X} 10"
        self.evidence[seen] = Evidence(FILE, line, at.hi, "body", can_id, False, data, signal, value)
        event = LockEvent(kind, subject, value, at, row=self.row, signal=signal)
        self.events.append(replace(event, **more))  # type: ignore[arg-type]
        return seen

    def start(self) -> None:
        """What is seen first."""
        first = Interval.at(moment(0.1))
        for name in DOORS:
            self.event(EventKind.LATCH, name, "unlocked", first, change=False)
        for name in (*DOORS, "bonnet"):
            self.event(EventKind.AJAR, name, "shut", first, change=False)
        self.event(EventKind.STATE, "ignition", "on", first, change=False)

    def door(self, name: str, opened: float, shut: float) -> None:
        """A closure is opened and shut."""
        self.event(EventKind.AJAR, name, "open", cyclic(opened))
        self.event(EventKind.AJAR, name, "shut", cyclic(shut))

    def move(self, seconds: float, action: str, origin: str, source: str = "", slot: int | None = None) -> Episode:
        """An episode: asked for by a source (or nobody), commanded, and done by every closure."""
        request = Stage(StageStatus.MISSING)
        validation = Stage(StageStatus.MISSING if origin == "none" else StageStatus.NOT_NEEDED)
        if source:
            details = (("slot", slot),) if slot is not None else ()
            asked = Interval(moment(seconds) - 20 * MILLISECOND + 1, moment(seconds))
            seen = self.event(EventKind.REQUEST, source, action, asked, details=details)
            request = Stage(StageStatus.SEEN, asked, action, (seen,))
        if slot is not None:
            checked = Interval.at(moment(seconds + 0.045))
            seen = self.event(EventKind.VALIDATION, "", "accepted", checked, details=(("slot", slot),))
            validation = Stage(StageStatus.SEEN, checked, "accepted", (seen,))
        told = cyclic(seconds + 0.12, 20)
        seen = self.event(EventKind.COMMAND, "", action, told, end=cyclic(seconds + 0.42, 20))
        command = Stage(StageStatus.SEEN, told, action, (seen,))
        state = {"lock": "locked", "unlock": "unlocked"}[action]
        feedback = {}
        for i, name in enumerate(DOORS):
            at = cyclic(seconds + 0.3 + 0.04 * i)
            feedback[name] = Stage(StageStatus.SEEN, at, state, (self.event(EventKind.LATCH, name, state, at),))
        self.episodes.append(
            Episode(
                id=f"E{len(self.episodes) + 1}",
                action=action,
                origin=origin,
                at=request.at or told,
                end=moment(seconds + 0.5),
                outcome=Outcome.DONE,
                key_slot=slot,
                request=request,
                validation=validation,
                command=command,
                feedback=feedback,
                sources=self.sources(source, seconds) if origin == "none" else (),
                group=DOORS,
            )
        )
        return self.episodes[-1]

    def sources(self, _: str, seconds: float) -> tuple[SourceCheck, ...]:
        """Every mapped source ruled out by frames that are not there."""
        checks = []
        for source in ("remote-button", "handle-touch", "interior-switch"):
            span = Interval(moment(seconds - 2), moment(seconds + 0.12))
            refs: list[EvidenceRef] = [
                LastBefore("body", 0x1A0, False, span.lo),
                NoneIn("body", 0x1A0, False, span, source),
            ]
            last = moment(seconds - 1310.25)
            self.evidence[refs[0]] = Evidence(FILE, 90211, last, "body", 0x1A0, False, "00 00 00 00")
            self.evidence[refs[1]] = Evidence(
                FILE, 0, span.hi, "body", 0x1A0, False, "", f"a request by {source}", "", after=last, until=span.hi
            )
            reason = "no request of it in the 2 s before the command"
            checks.append(SourceCheck(source, SourceRuling.OUT, reason, tuple(refs)))
        reason = "it cannot unlock"
        return (*checks, SourceCheck("relock-timer", SourceRuling.OUT, reason), SourceCheck("speed", SourceRuling.OUT))


def _vehicle() -> Vehicle:
    titles = ("driver's door", "passenger's door", "rear left door", "rear right door", "tailgate")
    closures = [Closure(n, t, driver=i == 0) for i, (n, t) in enumerate(zip(DOORS, titles, strict=True))]
    roles = {}
    for name in MAPPED:
        kind, _, subject = name.partition(".")
        reading = Reading(SignalRef("Body", name.title().replace(".", "")), Shows.LEVEL, numeric=name == "speed")
        roles[name] = Role(name, kind, subject, RoleStatus.MAPPED, (reading,))
    roles["request.key-cylinder"] = Role(
        "request.key-cylinder", "request", "key-cylinder", RoleStatus.NOT_VISIBLE, note="wired to the body module"
    )
    roles["request.walk-away"] = Role("request.walk-away", "request", "walk-away", RoleStatus.NOT_FITTED)
    stated = "vehicle documentation, locking, table 2"
    return Vehicle(
        name="Harbour estate",
        system="radio key with rolling code, decoder in the body module, motors in the latches",
        folder="",
        channels=(Channel("body", ("can0",), 125_000), Channel("drive", ("can1",), 500_000)),
        messages={},
        closures=(*closures, Closure("bonnet", "bonnet", lockable=False)),
        lock_groups={"all": DOORS},
        roles=roles,
        parameters={
            "relock.delay": Parameter("relock.delay", 30 * SECOND, "ns", stated, "30 s"),
            "relock.tolerance": Parameter("relock.tolerance", 1 * SECOND, "ns", stated, "1 s"),
            "relock.policy": Parameter("relock.policy", "cancel", "", stated),
            "speed_lock.threshold": Parameter("speed_lock.threshold", 15.0, "km/h", stated, "15 km/h"),
        },
        functions={"auto-relock": True, "speed-lock": True},
    )


def _speed() -> SignalTrack:
    t = np.arange(0, 130, 0.25)
    kmh = np.clip(38 * np.sin(t / 18) ** 2 * np.clip((118 - t) / 40, 0, 1), 0, None).round(1)
    when = np.array([moment(float(x)) for x in t], dtype=np.int64)
    zeros = np.zeros(len(t), dtype=np.uint8)
    return SignalTrack(
        ref=SignalRef("Drive", "Speed"),
        key=MessageKey("drive", 0x100),
        t_lo=when - 20 * MILLISECOND,
        t_hi=when,
        raw=(kmh * 10).astype(np.int64),
        value=kmh,
        validity=zeros + np.uint8(Validity.KNOWN),
        onset=zeros + np.uint8(Onset.CHANGED),
        row=np.arange(len(t), dtype=np.int64),
        known_until=moment(268),
    )


def _happenings(night: Night) -> None:
    night.start()
    night.move(14.2, "lock", "speed")
    night.event(EventKind.STATE, "ignition", "off", cyclic(131))
    night.move(134, "unlock", "interior-switch", "interior-switch")
    night.door("front-left", 137.2, 144.9)
    night.door("tailgate", 150.3, 181)
    night.move(190.4, "lock", "remote-button", "remote-button", slot=2)
    night.move(4360.2, "unlock", "none")
    night.move(4390.31, "lock", "relock-timer")
    night.move(7500.5, "unlock", "handle-touch", "handle-touch", slot=2)
    night.door("rear-right", 7506.1, 7532)
    night.move(7560.7, "lock", "remote-button", "remote-button", slot=1)
    night.move(10035.4, "unlock", "none")
    night.move(10065.48, "lock", "relock-timer")


def _findings(night: Night) -> tuple[Finding, ...]:
    findings: list[Finding] = []
    for i, unlock in enumerate(night.episodes):
        if unlock.origin != "none":
            continue
        lock = night.episodes[i + 1]
        assert unlock.command.at is not None
        assert lock.command.at is not None
        proof = [*unlock.command.evidence, *(ref for check in unlock.sources for ref in check.evidence)]
        steps = (
            "Park the car locked again and record the body network for at least three nights.",
            "Take every key out of radio range for one of these nights, to separate keys from the car.",
        )
        fault = Finding(
            id=f"F{len(findings) + 1}",
            rule="command-without-request",
            severity=Severity.FAULT,
            at=unlock.at,
            message="The body module unlocked the car and nobody had asked for it",
            closures=DOORS,
            episode=unlock.id,
            cautions=("A connected recorder may keep the network awake and so hide or change a fault.",),
            next_steps=steps,
            evidence=tuple(proof),
            proof=tuple(night.evidence[ref] for ref in proof),
        )
        took = lock.command.at.since(unlock.command.at)
        both = (*unlock.command.evidence, *lock.command.evidence)
        warning = Finding(
            id=f"F{len(findings) + 2}",
            rule="relock-without-door-opening",
            severity=Severity.WARNING,
            at=unlock.at.hull(lock.at),
            message="Nobody opened anything after this unlock, and the relock timer locked the car again",
            closures=DOORS,
            episode=lock.id,
            measured=Measured(took.lo, took.hi, "ns"),
            limit="30 s ± 1 s",
            explained_by=fault.id,
            evidence=both,
            proof=tuple(night.evidence[ref] for ref in both),
        )
        findings += [fault, warning]
    note = Finding(
        id=f"F{len(findings) + 1}",
        rule="mechanical-operation",
        severity=Severity.NOTE,
        at=cyclic(137.2),
        message="The driver's door was opened from inside",
        closures=("front-left",),
        by_design=True,
    )
    return (*findings, note)


def _coverage() -> dict[str, Coverage]:
    seen = Interval(moment(0.1), moment(LENGTH))
    found = {}
    for name in MAPPED:
        kind = name.partition(".")[0]
        channel = "drive" if name == "speed" else "body"
        blind = (Blind(Interval(moment(9200), moment(9203)), Reason.LOSS),) if name == "request.remote-button" else ()
        found[name] = Coverage(name, RoleStatus.MAPPED, seen, blind, channel, IDS.get(kind, 0x100))
    return found


def night_result() -> AnalysisResult:
    """The whole analysis of the invented night."""
    night = Night()
    _happenings(night)
    night.events.sort(key=lambda event: event.at.hi)
    span = Interval(moment(0), moment(LENGTH))
    sleeps = [(270.0, 4351.0), (4471.4, 7494.2), (7640.8, 10026.0), (10150.5, 11100.0)]
    gap = Interval(moment(11220), moment(11260))
    rest = [Sleep("body", Interval(moment(a), moment(b))) for a, b in sleeps]
    rest.append(Sleep("drive", Interval(moment(268), moment(LENGTH))))
    file = FileReport(FILE, "0" * 64, "candump text", 2_411_077, 2_411_076, 1, ("body", "drive"), span.lo, span.hi)
    capture = CaptureReport(
        files=(file,),
        gaps=(Gap("", gap, GapCause.SILENCE),),
        sleeps=tuple(rest),
        segments=(Segment(0, span),),
        skipped_count=(("not a frame", 1),),
    )
    timeline = Timeline(
        segment=0,
        span=span,
        events=tuple(night.events),
        numeric={"speed": _speed()},
        coverage=_coverage(),
        gaps=(gap,),
        sleeps=tuple(Interval(moment(a), moment(b)) for a, b in sleeps),
    )
    return AnalysisResult(
        version="0.1.0",
        capture=capture,
        vehicle=_vehicle(),
        roles=dict.fromkeys(MAPPED, "mapped"),
        timelines=(timeline,),
        episodes=tuple(night.episodes),
        findings=_findings(night),
        verdicts=(
            Verdict("command-without-request", VerdictKind.FAIL, exercised=8, failed=2),
            Verdict("relock-early", VerdictKind.PASS, exercised=2),
            Verdict("speed-lock-missing", VerdictKind.PASS, exercised=1),
            Verdict("code-replayed", VerdictKind.NOT_APPLICABLE, reason=Reason.NOT_VISIBLE),
        ),
        exercised=(Exercised("auto-relock", "an unlock that nobody used", 2, VerdictKind.PASS),),
        diagnosis=(
            Diagnosis(
                symptom="the car unlocks itself",
                cause="the body module actuates without a request",
                supports=("two unlocks with every mapped source ruled out",),
                unknown=("the lock cylinder's switch is not on this network",),
                next_step="check supply and earth of the body module under vibration",
            ),
        ),
        evidence=night.evidence,
    )


HOSTILE = '<img src=x onerror="window.struck=1"><script>window.struck=1</script>\' " & javascript:alert(1)'


def hostile_result() -> AnalysisResult:
    """The same night with markup in every text a capture, a DBC or a vehicle file can bring."""
    result = night_result()
    vehicle = result.vehicle
    closures = tuple(replace(closure, title=HOSTILE) for closure in vehicle.closures)
    files = tuple(replace(file, name=HOSTILE, channels=(HOSTILE,)) for file in result.capture.files)

    def strike(piece: Evidence) -> Evidence:
        return replace(piece, file=HOSTILE, channel=HOSTILE, signal=HOSTILE, value=HOSTILE)

    findings = tuple(
        replace(
            finding,
            message=HOSTILE,
            rule=HOSTILE,
            cautions=(HOSTILE,),
            next_steps=(HOSTILE,),
            limit=HOSTILE,
            proof=tuple(strike(piece) for piece in finding.proof),
        )
        for finding in result.findings
    )
    timeline = result.timelines[0]
    struck = LockEvent(EventKind.REQUEST, f"other:{HOSTILE}", HOSTILE, cyclic(4360), row=1, signal=HOSTILE)
    events = tuple(sorted((*timeline.events, struck), key=lambda event: event.at.hi))
    return replace(
        result,
        vehicle=replace(vehicle, name=HOSTILE, system=HOSTILE, closures=closures),
        capture=replace(result.capture, files=files),
        timelines=(replace(timeline, events=events),),
        findings=findings,
        evidence={ref: strike(piece) for ref, piece in result.evidence.items()},
        marks=(LockEvent(EventKind.MARK, HOSTILE, HOSTILE, cyclic(4361)),),
    )

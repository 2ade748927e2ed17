"""A small invented vehicle and what an analysis of its capture results in, for tests of what people see."""

from __future__ import annotations

from dataclasses import replace

from latchtrace.model.events import EventKind, LockEvent, Reason, Timeline
from latchtrace.model.frames import (
    CaptureReport,
    FileReport,
    Gap,
    GapCause,
    IdStatistics,
    Loss,
    Segment,
    SkippedLine,
    Sleep,
)
from latchtrace.model.network import SignalRef
from latchtrace.model.results import (
    AnalysisResult,
    Diagnosis,
    Episode,
    Evidence,
    EvidenceRef,
    Exercised,
    Finding,
    FunctionTest,
    Measured,
    NoneIn,
    Notice,
    Outcome,
    Seen,
    Severity,
    SourceCheck,
    SourceRuling,
    Stage,
    StageStatus,
    Trial,
    Verdict,
    VerdictKind,
)
from latchtrace.model.time import MILLISECOND, SECOND, Interval
from latchtrace.model.vehicle import (
    Channel,
    Closure,
    Detail,
    Labels,
    MessageUse,
    Parameter,
    Reading,
    Role,
    RoleStatus,
    SendType,
    Shows,
    Vehicle,
)

ZERO = 1_935_352_800 * SECOND
"""2031-04-30T22:00:00Z, when the invented night starts."""

SECRET_CODE = "5EC0DE77"
SECRET_COUNTER = 48_879
SECRET_PAYLOAD = "0231" + SECRET_CODE + "BEEF"


def at(seconds: float, width_ms: int = 0) -> Interval:
    """An interval that ends `seconds` after the start, `width_ms` wide."""
    hi = ZERO + round(seconds * 1000) * MILLISECOND
    return Interval(hi - width_ms * MILLISECOND, hi)


def fake_vehicle() -> Vehicle:
    """A car with three lockable closures and a radio key with rolling code."""
    receiver = SignalRef("KeyReceiver", "Button")
    roles = [
        Role("latch.front-left", "latch", "front-left", RoleStatus.MAPPED, (_level("BodyLatches", "LatchFL"),)),
        Role("latch.rear-left", "latch", "rear-left", RoleStatus.MAPPED, (_level("BodyLatches", "LatchRL"),)),
        Role("latch.tailgate", "latch", "tailgate", RoleStatus.MAPPED, (_level("BodyLatches", "LatchTail"),)),
        Role(
            "request.remote-button",
            "request",
            "remote-button",
            RoleStatus.MAPPED,
            (
                Reading(
                    receiver,
                    Shows.EVENT,
                    Labels({0: (("", "none"),), 1: (("", "lock"),), 2: (("", "unlock"),)}),
                    details=(
                        Detail("slot", SignalRef("KeyReceiver", "Slot")),
                        Detail("code", SignalRef("KeyReceiver", "Code")),
                        Detail("counter", SignalRef("KeyReceiver", "Count")),
                    ),
                ),
            ),
        ),
        Role("request.interior-switch", "request", "interior-switch", RoleStatus.MAPPED, (_level("Panel", "Key"),)),
        Role("request.walk-away", "request", "walk-away", RoleStatus.NOT_FITTED),
        Role("request.key-cylinder", "request", "key-cylinder", RoleStatus.NOT_VISIBLE, note="wired"),
        Role("command", "command", "", RoleStatus.MAPPED, (_level("BodyCommand", "Actuators"),)),
    ]
    return Vehicle(
        name="Quay estate",
        system="radio key with rolling code, motors in the latches",
        folder="/home/somebody/cars",
        channels=(Channel("body", ("can0",), 125_000, ("quay_body.dbc",)),),
        messages={"KeyReceiver": MessageUse("KeyReceiver", None, SendType.EVENT, repeats=3)},
        closures=(
            Closure("front-left", "driver's door", driver=True),
            Closure("rear-left", "rear left door", rear=True),
            Closure("tailgate", "tailgate"),
        ),
        lock_groups={"all": ("front-left", "rear-left", "tailgate")},
        roles={role.name: role for role in roles},
        parameters={
            "relock.delay": Parameter("relock.delay", 30 * SECOND, "ns", "vehicle documentation, table 2", "30 s"),
            "relock.policy": Parameter("relock.policy", "cancel", "choice", "vehicle file", "cancel"),
            "speed_lock.threshold": Parameter("speed_lock.threshold", 15.0, "km/h", "vehicle file", "15 km/h"),
        },
        functions={"auto-relock": True},
        file="quay.yaml",
    )


def _level(message: str, signal: str) -> Reading:
    return Reading(SignalRef(message, signal), Shows.LEVEL, Labels({0: (("", "none"),), 1: (("", "lock"),)}))


def fake_capture() -> CaptureReport:
    """One hour of a parked car's body network, with a hole, a sleep and two unreadable lines."""
    end = at(3600).hi
    return CaptureReport(
        files=(FileReport("night.log.gz", "ab" * 32, "candump text, gzip", 36_002, 36_000, 2, ("body",), ZERO, end),),
        gaps=(Gap("body", Interval(at(2000).hi, at(2010).hi), GapCause.DROP_NOTE, 120),),
        sleeps=(Sleep("body", Interval(at(300).hi, at(890).hi)),),
        segments=(Segment(0, Interval(ZERO, end)),),
        losses=(Loss("body", 0x2A0, False, Interval(at(2100).hi, at(2101).hi), 3),),
        error_frames=1,
        out_of_order=4,
        skipped=(
            SkippedLine("night.log.gz", 17, "the data has an odd number of hex digits"),
            SkippedLine("night.log.gz", 40, "not a frame"),
        ),
        skipped_count=(("the data has an odd number of hex digits", 1), ("not a frame", 1)),
        ids=(
            IdStatistics("body", 0x2A0, False, 35_000, ZERO, end, (8,), 99 * 10**6, 1e8, 102 * 10**6, 10**8, 0b111, 9),
            IdStatistics("body", 0x18DA40F1, True, 3, ZERO, end, (3, 8), 10**7, 4e8, 10**9, None, 0xFF, 2),
        ),
        bus_load=(("body", 0.0712),),
    )


def _frame(line: int, seconds: float, can_id: int, data: str, signal: str = "", value: str = "") -> Evidence:
    return Evidence("night.log.gz", line, at(seconds).hi, "body", can_id, False, data, signal, value)


def _absence(seconds: float, can_id: int) -> Evidence:
    t = at(seconds)
    return Evidence("", 0, t.lo, "body", can_id, False, "", after=t.lo - 2 * SECOND, until=t.hi)


def _stage(row: int, seconds: float, signal: str, value: str, width_ms: int = 0) -> Stage:
    return Stage(StageStatus.SEEN, at(seconds, width_ms), value, (Seen(row, signal, value),))


def fake_evidence() -> dict[EvidenceRef, Evidence]:
    """The resolved evidence of the stages below."""
    none = NoneIn("body", 0x31A, False, Interval(at(1498).hi, at(1500).hi), "remote key")
    return {
        Seen(1, "KeyReceiver.Button", "unlock"): _frame(
            9001, 900, 0x31A, SECRET_PAYLOAD, "KeyReceiver.Button", "unlock"
        ),
        Seen(2, "BodyCommand.Actuators", "unlock"): _frame(
            9003, 900.1, 0x2B0, "0200", "BodyCommand.Actuators", "unlock"
        ),
        Seen(3, "BodyLatches.LatchFL", "unlocked"): _frame(
            9006, 900.3, 0x2A0, "0000000000000000", "BodyLatches.LatchFL", "unlocked"
        ),
        Seen(4, "BodyCommand.Actuators", "unlock"): _frame(
            15_011, 1500, 0x2B0, "0200", "BodyCommand.Actuators", "unlock"
        ),
        Seen(5, "BodyLatches.LatchFL", "unlocked"): _frame(
            15_014, 1500.2, 0x2A0, "0000000000000000", "BodyLatches.LatchFL", "unlocked"
        ),
        Seen(6, "BodyCommand.Actuators", "lock"): _frame(15_330, 1530, 0x2B0, "0100", "BodyCommand.Actuators", "lock"),
        Seen(7): _frame(8999, 899.9, 0x31A, SECRET_PAYLOAD),
        none: Evidence("", 0, none.span.lo, "body", 0x31A, False, "", after=none.span.lo, until=none.span.hi),
    }


def fake_episodes() -> tuple[Episode, ...]:
    """A remote unlock, a self-unlock, and the relock after it."""
    out = NoneIn("body", 0x31A, False, Interval(at(1498).hi, at(1500).hi), "remote key")
    group = ("front-left", "rear-left", "tailgate")
    return (
        Episode(
            "E1",
            "unlock",
            "remote-button",
            at(900),
            at(900.3).hi,
            Outcome.DONE,
            key_slot=2,
            request=_stage(1, 900, "KeyReceiver.Button", "unlock"),
            validation=Stage(StageStatus.NOT_VISIBLE),
            command=_stage(2, 900.1, "BodyCommand.Actuators", "unlock", 100),
            feedback={"front-left": _stage(3, 900.3, "BodyLatches.LatchFL", "unlocked", 100)},
            sources=(SourceCheck("remote-button", SourceRuling.IN, "pressed 0.1 s before"),),
            group=group,
        ),
        Episode(
            "E2",
            "unlock",
            "none",
            at(1500, 100),
            at(1500.2).hi,
            Outcome.DONE,
            command=_stage(4, 1500, "BodyCommand.Actuators", "unlock", 100),
            feedback={
                "front-left": _stage(5, 1500.2, "BodyLatches.LatchFL", "unlocked", 100),
                "tailgate": Stage(StageStatus.MISSING),
            },
            sources=(
                SourceCheck("remote-button", SourceRuling.OUT, "no press in the 2 s before", (out,)),
                SourceCheck("interior-switch", SourceRuling.OUT, "not pressed in the 2 s before"),
                SourceCheck("walk-away", SourceRuling.OUT, "not fitted"),
                SourceCheck("key-cylinder", SourceRuling.OPEN, "not visible on this network: wired"),
            ),
            cannot_rule_out=("key-cylinder",),
            group=group,
        ),
        Episode(
            "E3",
            "lock",
            "relock-timer",
            at(1530, 100),
            at(1530.2).hi,
            Outcome.PARTIAL,
            command=_stage(6, 1530, "BodyCommand.Actuators", "lock", 100),
            feedback={"tailgate": Stage(StageStatus.MISSING)},
            sources=(SourceCheck("relock-timer", SourceRuling.IN, "30 s after the unlock"),),
            group=group,
        ),
    )


def fake_findings() -> tuple[Finding, ...]:
    """The self-unlock, its relock, and a note that is by design."""
    return (
        Finding(
            "F1",
            "command-without-request",
            Severity.FAULT,
            at(1500, 100),
            "The car unlocked and nobody asked for it: no source asked for an unlock in the 2 s before",
            closures=("front-left", "rear-left", "tailgate"),
            episode="E2",
            cannot_rule_out=("key-cylinder",),
            cautions=("A connected recorder may keep the network awake and so hide or change the fault.",),
            next_steps=("Measure the supply of the body module while it happens", "Look at the interior switch"),
            proof=(
                _frame(15_011, 1500, 0x2B0, "0200", "BodyCommand.Actuators", "unlock"),
                _absence(1500, 0x31A),
                _frame(8999, 899.9, 0x31A, SECRET_PAYLOAD),
            ),
        ),
        Finding(
            "F2",
            "relock-without-door-opening",
            Severity.WARNING,
            at(1530, 100),
            "Locked again by itself; no closure had been opened since the unlock at F1",
            closures=("front-left", "rear-left", "tailgate"),
            episode="E3",
            measured=Measured(29.9e9, 30.1e9, "ns"),
            limit="30 s ± 1 s",
            explained_by="F1",
            proof=(_frame(15_330, 1530, 0x2B0, "0100", "BodyCommand.Actuators", "lock"),),
        ),
        Finding(
            "F3",
            "mechanical-operation",
            Severity.NOTE,
            at(1700, 100),
            "The driver's door was locked by hand",
            closures=("front-left",),
            by_design=True,
            proof=(_frame(17_000, 1700, 0x2A0, "0100000000000000", "BodyLatches.LatchFL", "locked"),),
        ),
    )


def _events() -> tuple[LockEvent, ...]:
    button = ("slot", 2), ("code", int(SECRET_CODE, 16)), ("counter", SECRET_COUNTER)
    later = ("slot", 2), ("code", int(SECRET_CODE, 16)), ("counter", SECRET_COUNTER + 3)
    return (
        LockEvent(EventKind.REQUEST, "remote-button", "unlock", at(900), 1, details=button),
        LockEvent(EventKind.COMMAND, "all", "unlock", at(900.1, 100), 2),
        LockEvent(EventKind.LATCH, "front-left", "unlocked", at(900.3, 100), 3),
        LockEvent(EventKind.REQUEST, "remote-button", "lock", at(950), 8, details=later),
        LockEvent(EventKind.COMMAND, "all", "unlock", at(1500, 100), 4),
    )


def fake_result() -> AnalysisResult:
    """The whole analysis: one fault, one warning, one note."""
    vehicle = fake_vehicle()
    return AnalysisResult(
        version="0.0.0",
        capture=fake_capture(),
        vehicle=vehicle,
        roles={name: str(role.status) for name, role in vehicle.roles.items()},
        timelines=(Timeline(0, Interval(ZERO, at(3600).hi), _events()),),
        episodes=fake_episodes(),
        findings=fake_findings(),
        verdicts=(
            Verdict("command-without-request", VerdictKind.FAIL, 3, 1, 0),
            Verdict("latch-no-response", VerdictKind.PASS, 5),
            Verdict("relock-late", VerdictKind.INCONCLUSIVE, 1, 0, 1, Reason.GAP),
            Verdict("speed-lock-missing", VerdictKind.NOT_APPLICABLE, reason=Reason.NOT_VISIBLE),
        ),
        exercised=(
            Exercised("auto-relock", "unlocked by the remote key, nothing opened", 1, VerdictKind.PASS),
            Exercised(
                "auto-relock",
                "a closure opened inside the delay",
                0,
                VerdictKind.INCONCLUSIVE,
                steps=("Unlock with the key", "Open and shut one door within 20 s", "Wait 60 s"),
                cautions=("Keep a spare key outside the car.",),
            ),
        ),
        diagnosis=(
            Diagnosis(
                "the car unlocks itself",
                "the body module restarts",
                supports=("the command came without a request",),
                opposes=("no module fell silent before it",),
                unknown=("the supply is not on this network",),
                next_step="Record the supply of the body module",
                cautions=("A long recording drains the battery.",),
            ),
        ),
        notices=(Notice("unlisted-value", "BodyLatches.LatchTail showed 3, which has no label", 7),),
        unknown_ids=(("body", 0x5F0, False, 812), ("body", 0x1ABCDE01, True, 3)),
        evidence=fake_evidence(),
    )


def healthy_result() -> AnalysisResult:
    """The same car with nothing found."""
    return replace(
        fake_result(),
        episodes=fake_episodes()[:1],
        findings=(),
        verdicts=(Verdict("command-without-request", VerdictKind.PASS, 3),),
        diagnosis=(),
    )


def fake_test() -> FunctionTest:
    """A relock test of four trials: kept, cancelled by a door, undecided, too late."""
    return FunctionTest(
        function="auto-relock",
        title="Automatic relock",
        trials=(
            Trial(1, at(100), "relocked", VerdictKind.PASS, Measured(29.9e9, 30.1e9, "ns")),
            Trial(2, at(200), "cancelled by an opened closure", VerdictKind.PASS),
            Trial(3, at(300), "relocked", VerdictKind.INCONCLUSIVE, Measured(28.9e9, 29.1e9, "ns"), "straddles"),
            Trial(
                4,
                at(400),
                "relocked",
                VerdictKind.FAIL,
                Measured(33e9, 33.1e9, "ns"),
                proof=(_frame(4000, 433, 0x2B0, "0100", "BodyCommand.Actuators", "lock"),),
            ),
        ),
        verdict=VerdictKind.FAIL,
        passes=1,
        fails=1,
        inconclusives=1,
        cancelled=1,
        measured=Measured(28.9e9, 33.1e9, "ns"),
        limit="30 s ± 1 s",
        rate_low=0.0126,
        rate_high=0.9874,
        not_exercised=("unlocked with nobody asking",),
        cautions=("Keep a spare key outside the car.",),
        steps=("Shut every closure", "Unlock with the key", "Wait 40 s"),
    )

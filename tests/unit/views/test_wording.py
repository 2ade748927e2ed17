from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta, timezone

import pytest

from latchtrace.model.clock import Clock
from latchtrace.model.events import Reason
from latchtrace.model.frames import GapCause
from latchtrace.model.results import (
    Episode,
    Evidence,
    Measured,
    Outcome,
    Severity,
    SourceCheck,
    SourceRuling,
    Stage,
    StageStatus,
    Verdict,
    VerdictKind,
)
from latchtrace.model.time import HOUR, MILLISECOND, SECOND, Interval
from latchtrace.model.vehicle import ACTIONS, AJAR_STATES, LATCH_STATES, REQUEST_SOURCES, TIMED_SOURCES
from latchtrace.views import wording
from latchtrace.views.terms import terms
from support.night import DOORS, ZERO, night_result

VEHICLE = night_result().vehicle
TIMES = Clock(ZERO)


class TestEveryLabelHasWords:
    @pytest.mark.parametrize("source", [*REQUEST_SOURCES, *TIMED_SOURCES, "none", "unknown", "hand-release"])
    def test_sources(self, source: str) -> None:
        assert set(terms()["sources"][source]) == {"title", "phrase"}

    @pytest.mark.parametrize("action", ACTIONS)
    def test_actions(self, action: str) -> None:
        assert set(terms()["actions"][action]) == {"done", "noun", "now"}

    @pytest.mark.parametrize("state", [*LATCH_STATES, *AJAR_STATES, *ACTIONS, "accepted", "refused", "on", "off"])
    def test_states(self, state: str) -> None:
        assert terms()["states"][state]

    @pytest.mark.parametrize(
        ("group", "labels"),
        [
            ("severities", Severity),
            ("verdicts", VerdictKind),
            ("reasons", Reason),
            ("left-open", Reason),
            ("outcomes", Outcome),
            ("rulings", SourceRuling),
            ("statuses", StageStatus),
            ("gaps", GapCause),
        ],
    )
    def test_enumerations(self, group: str, labels: type[Severity]) -> None:
        assert set(terms()[group]) == {str(label) for label in labels}


class TestClock:
    @pytest.mark.parametrize(
        ("since", "text"),
        [
            (0, "+00:00:00.000"),
            (2 * HOUR + 14 * 60 * SECOND + 7 * SECOND + 250 * MILLISECOND, "+02:14:07.250"),
            (SECOND - 1, "+00:00:00.999"),
            (-500 * MILLISECOND, "-00:00:00.500"),
            (100 * HOUR, "+100:00:00.000"),
        ],
    )
    def test_a_capture_without_dates_counts_from_the_start(self, since: int, text: str) -> None:
        assert wording.moment_text(since, Clock(0)) == text

    def test_a_capture_with_dates_tells_the_time_of_day_in_the_zone(self) -> None:
        assert wording.moment_text(ZERO, Clock(ZERO, UTC)) == "22:10:00.000"
        assert wording.moment_text(ZERO, Clock(ZERO, timezone(timedelta(hours=2))), 0) == "00:10:00"

    def test_a_day_beyond_the_calendar_counts_from_the_start(self) -> None:
        assert wording.moment_text(10**24, Clock(ZERO), 0).startswith("+")

    def test_an_uncertain_moment_names_both_ends_unless_they_read_the_same(self) -> None:
        at = Interval(ZERO + SECOND, ZERO + SECOND + 99 * MILLISECOND)
        assert wording.interval_text(at, TIMES) == "between 22:10:01.000 and 22:10:01.099"
        assert wording.interval_text(at, TIMES, 0) == "22:10:01"


class TestClosures:
    def test_all_of_them_are_named_as_all(self) -> None:
        assert wording.closure_text(DOORS, VEHICLE) == "all closures"

    def test_some_are_named_by_their_titles(self) -> None:
        assert wording.closure_text(("front-left",), VEHICLE) == "driver's door"
        three = ("front-left", "rear-left", "tailgate")
        assert wording.closure_text(three, VEHICLE) == "driver's door, rear left door and tailgate"

    def test_one_the_vehicle_file_gives_no_title_is_named_by_its_own_name(self) -> None:
        assert wording.closure_text(("fuel-flap",), VEHICLE) == "fuel flap"


class TestEpisodes:
    def episode(self, **more: object) -> Episode:
        plain = Episode("E1", "unlock", "remote-button", Interval.at(ZERO), ZERO, Outcome.DONE)
        return replace(plain, **more)  # type: ignore[arg-type]

    def test_names_source_and_key(self) -> None:
        text = wording.episode_text(self.episode(key_slot=2), VEHICLE)
        assert text == "Unlocked by the remote key (key 2): every closure followed."

    def test_names_nobody(self) -> None:
        assert wording.episode_text(self.episode(origin="none"), VEHICLE).startswith("Unlocked by nobody: ")

    def test_says_what_cannot_be_ruled_out(self) -> None:
        episode = self.episode(origin="none", cannot_rule_out=("request.key-cylinder", "inside-handle"))
        said = "the key in the lock cylinder or an inside handle cannot be ruled out."
        assert wording.episode_text(episode, VEHICLE).endswith(said)

    def test_does_not_claim_an_action_that_never_came(self) -> None:
        text = wording.episode_text(self.episode(outcome=Outcome.NO_COMMAND), VEHICLE)
        assert text == "Unlock asked for by the remote key: nothing came of it."

    def test_names_the_closures_that_did_not_follow(self) -> None:
        feedback = {"front-left": Stage(StageStatus.SEEN), "tailgate": Stage(StageStatus.MISSING)}
        episode = self.episode(outcome=Outcome.PARTIAL, feedback=feedback)
        assert wording.episode_text(episode, VEHICLE).endswith(": tailgate did not follow.")


class TestVerdicts:
    @pytest.mark.parametrize(
        ("verdict", "text"),
        [
            (Verdict("r", VerdictKind.PASS, exercised=4), "no violation in this capture, exercised 4 times"),
            (Verdict("r", VerdictKind.FAIL, exercised=8, failed=2), "violated twice of 8"),
            (
                Verdict("r", VerdictKind.INCONCLUSIVE, inconclusive=1, reason=Reason.GAP),
                "not decided once: the recording has a hole there",
            ),
            (
                Verdict("r", VerdictKind.NOT_APPLICABLE, reason=Reason.LIMIT_NOT_STATED, detail="relock.delay"),
                "does not apply: the vehicle file states no limit (relock.delay)",
            ),
        ],
    )
    def test_say_what_they_mean(self, verdict: Verdict, text: str) -> None:
        assert wording.verdict_text(verdict) == text


class TestTheRest:
    def test_severity_tells_design_and_doubt(self) -> None:
        assert wording.severity_text(Severity.FAULT) == "Fault"
        assert wording.severity_text("note", by_design=True) == "Note, by design"
        assert wording.severity_text("warning", conclusive=False) == "Warning, not decided"

    def test_a_source_check_says_how_it_came_out_and_why(self) -> None:
        check = SourceCheck("handle-touch", SourceRuling.OUT, "no touch in the 2 s before")
        assert wording.source_check_text(check) == "Handle sensor: ruled out (no touch in the 2 s before)"

    def test_a_label_of_the_users_own_is_shown_as_written(self) -> None:
        assert wording.origin_text("other:winch remote") == "winch remote"
        assert wording.source_title("other:winch remote") == "Winch remote"

    def test_a_measured_time_is_one_figure_where_both_ends_read_the_same(self) -> None:
        assert wording.measured_text(Measured(30.094e9, 30.096e9, "ns")) == "between 30.09 s and 30.1 s"
        assert wording.measured_text(Measured(30.1e9, 30.1e9, "ns")) == "30.1 s"
        assert wording.measured_text(Measured(12.5, 14, "km/h")) == "between 12.5 and 14 km/h"

    def test_a_frame_as_evidence_names_file_line_id_and_bytes(self) -> None:
        piece = Evidence("night.log", 12, ZERO, "body", 0x1A0, False, "01 FF", "Key.Button", "lock")
        text = wording.evidence_text(piece, TIMES)
        assert text == "22:10:00.000 body 1A0 [01 FF]: Key.Button = lock (night.log, line 12)"

    def test_absence_as_evidence_names_both_ends(self) -> None:
        piece = Evidence("night.log", 0, ZERO, "body", 0x18DAF110, True, "", after=ZERO, until=ZERO + SECOND)
        text = wording.evidence_text(piece, TIMES)
        assert text == "no frame of body 18DAF110 from 22:10:00.000 until 22:10:01.000"
        open_ended = replace(piece, until=None)
        assert wording.evidence_text(open_ended, TIMES).endswith("until the end of the capture")

    def test_a_finding_names_limit_cause_and_doubt(self) -> None:
        finding = replace(night_result().findings[1], cannot_rule_out=("key-cylinder",))
        text = wording.finding_text(finding, VEHICLE)
        assert "Measured between 30.09 s and 30.13 s, limit 30 s ± 1 s." in text
        assert "Cannot be ruled out: the key in the lock cylinder." in text
        assert text.endswith("Explained by finding F1.")

    def test_roles_are_named_in_trade_terms(self) -> None:
        assert wording.role_text("latch.front-left", VEHICLE) == "latch state, driver's door"
        assert wording.role_text("request.remote-button") == "requests by the remote key"
        assert wording.role_text("ignition") == "ignition"

    def test_counts_are_words(self) -> None:
        assert wording.counts_text({"fault": 2, "warning": 1, "note": 0}) == "2 faults, 1 warning"
        assert wording.counts_text({"fault": 0}) == "nothing found"

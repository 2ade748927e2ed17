"""The stream of key codes: presses joined with answers, what is told of each, and what stays secret."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

import latchtrace
from latchtrace.model.events import Blind, Coverage, EventKind, LockEvent, Reason, Timeline
from latchtrace.model.results import Seen
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import Parameter, RoleStatus
from latchtrace.pipeline import worlds_of
from latchtrace.rules.example_car import LITTLE_CAR, example_vehicle
from latchtrace.rules.item import Item
from latchtrace.rules.key_codes import WAITING
from latchtrace.rules.world import World
from support.case_files import load_cases, write_case

LIMITS = {"rolling.window": 16, "rolling.resync_window": 32768, "rolling.bits": 16}
ROLES = ("validation", "request.remote-button", "request.handle-touch", "request.walk-away")
END = 1000 * SECOND


def happened(
    what: str, second: float, slot: int | str | None = 2, counter: int | None = None, row: int = 0, width: float = 0.0
) -> LockEvent:
    """An `accepted` or `refused` answer, or a press of the source named."""
    hi = round(second * SECOND)
    at = Interval(hi - round(width * SECOND), hi)
    details = tuple((name, value) for name, value in (("slot", slot), ("counter", counter)) if value is not None)
    if what in ("accepted", "refused"):
        return LockEvent(EventKind.VALIDATION, "", what, at, row, details=details, signal="V")
    return LockEvent(EventKind.REQUEST, what, "unlock", at, row, details=details, signal="R")


def world(
    events: Sequence[LockEvent], blind: Mapping[str, tuple[Blind, ...]] | None = None, without: str = ""
) -> World:
    little = example_vehicle(LITTLE_CAR)
    stated = {name: Parameter(name, value, "", "test") for name, value in LIMITS.items() if name != without}
    vehicle = replace(little, parameters={**little.parameters, **stated})
    span = Interval(0, END)
    coverage = {name: Coverage(name, RoleStatus.MAPPED, span, (blind or {}).get(name, ())) for name in ROLES}
    ordered = tuple(sorted(events, key=lambda event: (event.at.hi, event.at.lo)))
    (made,) = worlds_of(vehicle, [Timeline(0, span, ordered, coverage=coverage)])
    return made


def items(*events: LockEvent, blind: Mapping[str, tuple[Blind, ...]] | None = None, without: str = "") -> list[Item]:
    return list(world(events, blind, without).items("key-code"))


def facts(found: Sequence[Item], name: str) -> list[object]:
    return [one.facts[name] for one in found]


def test_a_press_and_its_answer_are_one_attempt_at_the_time_of_the_press() -> None:
    (one,) = items(happened("remote-button", 5, counter=0x100, row=7), happened("accepted", 5.1, row=8))
    assert one.at == Interval.at(5 * SECOND)
    assert (one.facts["key"], one.facts["result"]) == ("2", "accepted")
    assert one.evidence == (Seen(7, "R", "unlock"), Seen(8, "V", "accepted"))


@pytest.mark.parametrize(
    ("press", "answer"),
    [
        ({"slot": 1, "counter": 5}, {"slot": 2}),
        ({"slot": 2, "counter": 5}, {"slot": 2, "counter": 6}),
        ({"slot": 2, "counter": 5}, {"slot": 2, "second": 5.500000001}),
        ({"slot": 2, "counter": 5}, {"slot": 2, "second": 4.999999999}),
    ],
)
def test_another_slot_counter_or_time_is_another_attempt(press: dict[str, int], answer: dict[str, float]) -> None:
    given = {"second": 5.1, **answer}
    counter = given.get("counter")
    reply = happened("refused", given["second"], int(given["slot"]), None if counter is None else int(counter))
    assert sorted(map(str, facts(items(happened("remote-button", 5, **press), reply), "result"))) == [
        "refused",
        "unknown",
    ]


def test_an_answer_in_the_same_cycle_as_its_press_is_taken_as_meant() -> None:
    found = items(happened("remote-button", 5.05, counter=5, width=0.1), happened("accepted", 5))
    assert facts(found, "result") == ["accepted"]


def test_of_two_presses_waiting_the_last_one_is_answered() -> None:
    found = items(
        happened("remote-button", 5, counter=5), happened("remote-button", 5.2, counter=6), happened("refused", 5.3)
    )
    assert facts(found, "result") == ["unknown", "refused"]


def test_slot_and_counter_are_taken_from_whichever_tells_them() -> None:
    found = items(
        happened("remote-button", 5, None, 0x100), happened("accepted", 5.1, 3), happened("refused", 9, 3, 0x150)
    )
    assert facts(found, "key") == ["3", "3"]
    assert facts(found, "lead") == ["unknown", "80"]


def test_a_request_that_names_no_key_and_one_that_leaves_the_zone_are_no_attempts() -> None:
    assert not items(happened("remote-button", 5, None), happened("walk-away", 6, 2, 9))


def test_a_press_without_a_counter_and_without_an_answer_is_no_attempt() -> None:
    assert not items(happened("handle-touch", 5, 2))


def test_the_first_one_refused_tells_of_the_spell_and_knows_the_later_ones() -> None:
    found = items(
        happened("accepted", 1, counter=0x100),
        happened("remote-button", 2, counter=0x150, row=2),
        happened("refused", 3, counter=0x152, row=3),
        happened("refused", 4, counter=0x100, row=4),
        happened("refused", 5, counter=0x155, row=5),
        happened("accepted", 6, counter=0x156, row=6),
    )
    assert facts(found, "refusal") == ["none", "another", "first", "another", "another", "none"]
    assert facts(found, "desynchronised") == ["no", "yes", "yes", "yes", "yes", "no"]
    assert facts(found, "standing")[1:] == [
        "beyond-window",
        "beyond-window",
        "repeat",
        "beyond-window",
        "resynchronised",
    ]
    assert facts(found, "failed") == ["0", "0", "1", "0", "0", "0"]
    assert [ref.row for ref in found[2].evidence if isinstance(ref, Seen)] == [3, 5]


def test_what_is_not_certain_carries_the_reason_and_where_more_would_be_shown() -> None:
    first, unnamed, named = items(
        happened("refused", 1, counter=0x100), happened("refused", 2, None, 5), happened("handle-touch", 3, None, 5)
    )
    assert first.doubts("refusal") == first.doubts("standing") == ((Reason.UNKNOWN_BEFORE, "validation"),)
    assert unnamed.doubts("key") == unnamed.doubts("desynchronised") == ((Reason.NOT_VISIBLE, "validation"),)
    assert named.doubts("key") == ((Reason.NOT_VISIBLE, "handle-touch"),)
    assert named.doubts("result") == ((Reason.NOT_VISIBLE, "validation"),)
    assert facts([first, unnamed, named], "desynchronised") == ["unknown"] * 3


def test_an_accepted_press_is_in_step_whatever_is_not_known_of_it() -> None:
    found = items(happened("accepted", 1, None), happened("accepted", 2, 2), happened("accepted", 3, 2, 9))
    assert facts(found, "desynchronised") == ["no"] * 3
    assert not any(one.doubts("refusal") for one in found)


@pytest.mark.parametrize("role", ["validation", "request.remote-button"])
@pytest.mark.parametrize(("reason", "open_"), [(Reason.GAP, True), (Reason.LOSS, True), (Reason.ENDED, False)])
def test_only_a_gap_or_a_loss_of_a_role_it_comes_from_hides_presses(role: str, reason: Reason, open_: bool) -> None:
    blind = {role: (Blind(Interval(4 * SECOND, 6 * SECOND), reason),)}
    *_, last = items(
        happened("remote-button", 1, counter=0x100), happened("accepted", 1.1), happened("refused", 9, 2, 0x150),
        blind=blind,
    )  # fmt: skip
    assert last.doubts("refusal") == (((reason, "validation"),) if open_ else ())


def test_the_blindness_of_a_source_that_tells_no_code_hides_nothing() -> None:
    blind = {"request.handle-touch": (Blind(Interval(4 * SECOND, 6 * SECOND), Reason.GAP),)}
    *_, last = items(happened("accepted", 1, 2, 0x100), happened("refused", 9, 2, 0x150), blind=blind)
    assert last.facts["refusal"] == "first"


@pytest.mark.parametrize(
    ("named", "counter"), [("rolling.window", 0x150), ("rolling.bits", 0x90), ("rolling.resync_window", 0x8100)]
)
def test_a_limit_that_is_not_stated_is_named(named: str, counter: int) -> None:
    *_, last = items(happened("accepted", 1, 2, 0x100), happened("refused", 9, 2, counter), without=named)
    assert last.doubts("refusal") == ((Reason.LIMIT_NOT_STATED, named),)


def test_many_presses_are_all_told_and_an_old_one_waits_no_longer() -> None:
    count = 8000
    events = [happened("remote-button", 1 + i * 0.0001, i % 7, i) for i in range(count)]
    events += [happened("refused", 1 + i * 0.0001, None, 2**20 + i) for i in range(count)]
    assert len(world(events).stream("key-code")) == 2 * count
    late = [happened("remote-button", 5 + i * 0.001, 2, 100 + i) for i in range(WAITING + 1)]
    found = items(*late, happened("accepted", 5.1, 2, 100))
    assert facts(found, "result").count("accepted") == 1
    assert found[0].facts["result"] == "unknown"


SECRETS = ("0101", "0151", "0153", "0156", "257", "337", "339", "342", "0x151", "01.51")


def test_no_output_shows_a_counter(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from latchtrace import cli

    case = next(one for one in load_cases() if one.name == "three presses too far ahead are one fault")
    capture, vehicle = write_case(case, tmp_path)
    shown = []
    for more in (["--json", str(tmp_path / "out.json")], ["--html", str(tmp_path / "out.html")]):
        cli.main(["analyse", str(capture), "--vehicle", str(vehicle), *more])
        shown += [capsys.readouterr().out, Path(more[1]).read_text(encoding="utf-8")]
    for second in ("9", "12"):
        cli.main(["rules", "why", "remote-desynchronised", str(capture), "--vehicle", str(vehicle), "--at", second])
        shown.append(capsys.readouterr().out)
    assert all("80" in text and "desynchronised" in text for text in shown[:-2])
    result = latchtrace.analyse([capture], vehicle).result
    shown += [finding.message + " ".join(finding.next_steps) for finding in result.findings]
    for text in shown:
        assert not [secret for secret in SECRETS if secret in text], text[:2000]

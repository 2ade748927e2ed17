"""`rules check` tells every mistake of a rule file at once, with its place and how to mend it."""

from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace.errors import UsageError, UserFileError
from latchtrace.pipeline import worlds_of
from latchtrace.rules import wording
from latchtrace.rules.check import check_files, check_text, rule_files, shipped_rules
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.vocabulary import FACTS, PLACEHOLDERS, fits
from latchtrace.rules.world import STREAM_ROLES
from support.rule_changes import examples_of, sources

HEAD = """version: 1
rule: tried
severity: fault
function: chain
title: A rule of a test
message: It happened.
means: Nothing.
"""
ABSENCE = "pattern: absence\nobserve: {what: action}\nnever: {fact: origin, is: none}\n"
DELAY = """version: 1
function: chain
pattern: delay-classes
observe: {what: action, action: unlock}
expect: {what: action, action: lock}
"""


def told(text: str) -> list[str]:
    """Every mistake but those about examples that are missing."""
    problems = check_text(text.encode(), "tried.yaml").problems
    return [str(problem) for problem in problems if "shows no" not in problem.what]


def test_a_sound_rule_has_no_mistake() -> None:
    assert told(HEAD + ABSENCE) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD + ABSENCE.replace("observe: {what: action}", "observe: {what: opening, origin: none}"),
         "tried.yaml:9:26: observe.origin: 'origin' is no fact of opening; write one of closure"),
        (HEAD + ABSENCE.replace("{what: action}", "{what: action, action: unlok}"),
         "tried.yaml:9:25: observe.action: 'unlok' is no value of action; did you mean 'unlock'?"),
        (HEAD + ABSENCE.replace("{fact: origin, is: none}", "{fact: orign, is: none}"),
         "tried.yaml:10:9: never.fact: 'orign' is no fact of what this rule observes; did you mean 'origin'?"),
        (HEAD + ABSENCE.replace("is: none", "is: relock-tmer"),
         "tried.yaml:10:23: never.is: 'relock-tmer' is no value of origin; did you mean 'relock-timer'?"),
        (HEAD + ABSENCE + "needs: [latches]\n",
         "tried.yaml:11:1: needs: 'latches' is neither a kind of role nor a limit; did you mean 'latch'?"),
        (HEAD + ABSENCE + "needs: [relock.dely]\n",
         "tried.yaml:11:1: needs: 'relock.dely' is neither a kind of role nor a limit; did you mean 'relock.delay'?"),
        (HEAD + ABSENCE + "fitted: speedlock\n", "did you mean 'speed-lock'?"),
        (HEAD.replace("function: chain", "function: chian") + ABSENCE, "did you mean 'chain'?"),
        (HEAD.replace("It happened.", "'{closure} did it'") + ABSENCE,
         "tried.yaml:6:1: message: '{closure}' is nothing a message can tell; did you mean 'closures'?"),
        (HEAD.replace("It happened.", "'{closures did it'") + ABSENCE, "message: has a brace without its partner"),
        (HEAD + ABSENCE + "given: [{state: ignition, is: onn}]\n", "'onn' is no state of ignition; did you mean 'on'?"),
        (HEAD + ABSENCE + "given: [{state: ignitoin, is: on}]\n", "'ignitoin' is no state; did you mean 'ignition'?"),
        (HEAD + ABSENCE + "given: [{closure: every, latch: shut}]\n", "given[0].latch: 'shut' is no latch state"),
        (HEAD + ABSENCE + "given: [{closure: some, ajar: shut}]\n", "'some' is unclear; write any, every or $closure"),
        (HEAD + ABSENCE + "given: [{closure: $door, ajar: shut}]\n", "'$door' is no fact of what this rule observes"),
        (HEAD + ABSENCE + "given: [{policy: relock.policy, is: cancle}]\n", "did you mean 'cancel'?"),
        (HEAD + ABSENCE + "given: [{policy: relock.delay, is: cancel}]\n", "is no parameter of this kind"),
        (HEAD + ABSENCE + "given: [{number: sped, above: 1 km/h}]\n", "did you mean 'speed'?"),
        (HEAD + ABSENCE + "given: [{number: speed, above: relock.delay}]\n",
         "given[0].above: 'relock.delay' is time, where a speed is needed"),
        (HEAD + ABSENCE + "given: [{elapsed: previous, from: 0, to: relock.delay + speed_lock.threshold}]\n",
         "given[0].to: 'relock.delay + speed_lock.threshold' mixes speed, where a time is needed"),
        (HEAD + ABSENCE + "unless: {happened: {what: request, source: [remote-buton]}, within: [-2 s, 0]}\n",
         "did you mean 'remote-button'?"),
        (HEAD + ABSENCE + "from: 1 s\n", "from: 'from' is not known here"),
        (HEAD + ABSENCE.replace("{fact: origin, is: none}", "{what: opening}"),
         "never: is something that happens, not a condition; write `pattern: bounded-absence`"),
        (HEAD + ABSENCE + "unles: []\n", "'unles' is not known here; did you mean 'unless'?"),
        (DELAY + "classes: {early: {rule: a, severity: fault, title: T, message: M., means: M.}}\n",
         "classes.early: the class 'early' needs 'early-before'; add `early-before:`"),
        (DELAY + "late-after: 2 s\nmissing-after: 9 s\n"
         "classes: {missing: {rule: a, severity: fault, title: T, message: M., means: M.}}\n",
         "late-after: is used by no class of this file (late, slow); remove it"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place_and_how_to_mend_it(text: str, expected: str) -> None:
    found = told(text)
    assert any(expected in line for line in found), found


def test_all_mistakes_of_a_file_are_told_at_once() -> None:
    text = HEAD.replace("severity: fault", "severity: bad").replace("function: chain", "function: chian") + ABSENCE
    assert len(told(text + "needs: [latches]\ngiven: [{fact: orign, is: x}]\n")) == 4


def test_mistakes_of_meaning_stop_an_analysis_too() -> None:
    with pytest.raises(UserFileError, match="did you mean 'origin'"):
        parse_rule(HEAD + ABSENCE.replace("fact: origin", "fact: orign"), "tried.yaml")


def test_missing_examples_are_mistakes_one_for_each_kind() -> None:
    found = [problem.what for problem in check_text((HEAD + ABSENCE).encode(), "tried.yaml").problems]
    assert found == [
        f"rule tried shows no {kind} example" for kind in ("boundary", "failing", "passing", "undecidable")
    ]


def test_a_rule_explained_by_one_that_is_not_there_is_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(HEAD + ABSENCE + "explained-by: [{rule: latch-no-respons, of: episode}]\n", encoding="utf-8")
    (checked,) = check_files([path])
    found = [str(problem) for problem in checked.problems if "no rule" in problem.what]
    assert found == [
        f"{path}:11:17: explained-by[0].rule: there is no rule 'latch-no-respons'; did you mean 'latch-no-response'?"
    ]


def test_a_rule_may_be_explained_by_one_checked_beside_it(tmp_path: Path) -> None:
    one, two = tmp_path / "one.yaml", tmp_path / "two.yaml"
    one.write_text(HEAD + ABSENCE, encoding="utf-8")
    text = HEAD.replace("rule: tried", "rule: other") + ABSENCE + "explained-by: [{rule: tried, of: episode}]\n"
    two.write_text(text, encoding="utf-8")
    assert not [
        problem for checked in check_files([one, two]) for problem in checked.problems if "no rule" in str(problem)
    ]


def test_the_same_rule_in_two_files_is_a_mistake(tmp_path: Path) -> None:
    for name in ("one.yaml", "two.yaml"):
        (tmp_path / name).write_text(HEAD + ABSENCE, encoding="utf-8")
    checked = check_files(rule_files([tmp_path]))
    assert all(any("stands in another" in problem.what for problem in one.problems) for one in checked)


def test_a_folder_without_rules_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds no rule file"):
        rule_files([tmp_path])


def test_the_shipped_rules_are_checked_where_nothing_is_named() -> None:
    assert rule_files([]) == sorted(shipped_rules().glob("*.yaml"))


def test_every_fact_of_every_stream_is_in_the_vocabulary() -> None:
    assert set(STREAM_ROLES) <= set(FACTS)
    for file in sources():
        for _, world in examples_of(file):
            for stream in STREAM_ROLES:
                for item in world.items(stream):
                    for name, value in item.facts.items():
                        assert name in FACTS[stream], (stream, name)
                        values = (value,) if isinstance(value, str) else value
                        assert all(fits(one, FACTS[stream][name]) for one in values), (stream, name, value)


def test_every_placeholder_is_one_that_messages_know() -> None:
    from latchtrace.rules.judgement import Judgement, Ruling

    rule = parse_rule(sources()["command-without-request.yaml"], "command-without-request.yaml")
    _, world = examples_of("command-without-request.yaml")[0]
    (vehicle_world,) = worlds_of(world.vehicle, [world.history.timeline])
    item = vehicle_world.stream("action").item(0)
    known = wording._phrases(rule, vehicle_world, Judgement(item, Ruling.FAIL, item.at, rule_id=rule.texts[0].id))
    assert set(known) >= set(PLACEHOLDERS)

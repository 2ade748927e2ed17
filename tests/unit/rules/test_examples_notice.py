"""The examples of the shipped rules notice changes of the rules (all of them: tests/bench/mutate_rules.py)."""

from __future__ import annotations

import os
import random

from support.rule_changes import SAME, SEVERITIES, changes, sources, survives

SAMPLE = 100


def test_no_change_of_a_shipped_rule_goes_unnoticed() -> None:
    every = [change for file in sources() for change in changes(file)]
    chosen = every if os.environ.get("LATCHTRACE_LONG") else random.Random(3).sample(every, SAMPLE)
    assert len(every) > 400
    assert [f"{change.file}: {change.what}" for change in chosen if survives(change)] == []


def test_every_change_said_to_change_nothing_is_one_of_the_changes() -> None:
    assert SAME.keys() <= {f"{change.file}: {change.what}" for file in sources() for change in changes(file)}


def test_every_shipped_rule_has_the_severity_of_its_definition() -> None:
    from latchtrace.rules.catalogue import catalogue

    rules, _ = catalogue()
    assert {text.id: str(text.severity) for rule in rules for text in rule.texts} == SEVERITIES

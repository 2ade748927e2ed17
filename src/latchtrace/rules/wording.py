"""Turns a violated occasion into a finding in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from string import Formatter
from typing import Any

from latchtrace.model.quantity import duration_text, time_text
from latchtrace.model.results import EvidenceRef, Finding, Measured, SourceRuling
from latchtrace.rules.catalogue import words
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World

_ADVICE = {
    "motor-in-latch": "The motor sits in the latch: where latch or motor fails, the latch is replaced whole.",
    "separate": "The actuator is separate from the latch: check the actuator and its rod first.",
}


def closure_titles(world: World, names: tuple[str, ...]) -> str:
    """Closures in a sentence."""
    if len(names) > 1 and set(names) >= set(world.vehicle.lockable):
        return "all closures"
    titles = {closure.name: closure.title or closure.name.replace("-", " ") for closure in world.vehicle.closures}
    listed = [titles.get(name, name) for name in names]
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} and {listed[-1]}" if listed else "a closure"


def origin_phrase(origin: str) -> str:
    """A source in a sentence: `the remote key`, `nobody`."""
    entry = words()["sources"].get(origin)
    return entry["phrase"] if entry else origin.removeprefix("other:")


def _phrases(rule: Rule, world: World, judgement: Judgement) -> Mapping[str, str]:
    item = judgement.item
    action = str(item.fact("action"))
    done = words()["actions"].get(action, {}).get("done", action)
    origin = origin_phrase(str(item.fact("origin") or item.fact("source")))
    template = rule.text(judgement.rule_id).message if judgement.rule_id else ""
    named = {name: _named(item, name) for _, name, _, _ in Formatter().parse(template) if name}
    return {
        **named,
        "closures": closure_titles(world, judgement.closures or item.closures),
        "action": action,
        "done": done.lower(),
        "Done": done,
        "state": str(item.fact("state")),
        "origin": origin,
        "Origin": origin[:1].upper() + origin[1:],
        "started": "the last opening" if judgement.note == "restarted" else "the unlock",
        "measured": duration_text(judgement.measured) if judgement.measured else _since_previous(item),
        "limit": limit_text(rule, world, judgement),
        "advice": _advice(world, judgement),
        "count": "some",
        "missing": "what should follow",
        **dict(judgement.told),
    }


def _named(item: Item, name: str) -> str:
    """A fact of the item, or of another one the rule calls by a name, in words."""
    fact = item.fact(name)
    words_of_it = fact if isinstance(fact, str) else " or ".join(fact)
    if name.rpartition(".")[2] in ("origin", "source"):
        return origin_phrase(words_of_it)
    return words_of_it


def _since_previous(item: Item) -> str:
    return duration_text(item.at.since(item.previous.at)) if item.previous is not None else "some time"


def limit_text(rule: Rule, world: World, judgement: Judgement) -> str:
    """The limit a judgement was made by, in words."""
    if judgement.limit:
        return judgement.limit
    if rule.pattern != "delay-classes":
        return _value_text(rule.within or rule.every or rule.at_least or rule.at_most, world)
    name = next((name for name, rule_id in rule.classes.items() if rule_id == judgement.rule_id), "")
    if name == "early":
        return f"no sooner than {_value_text(rule.early_before, world)} is allowed"
    return f"at most {_value_text(rule.late_after, world)} is allowed"


def _value_text(quantity: Quantity | None, world: World) -> str:
    value = quantity.value(world.limit) if quantity is not None else None
    return "a limit the vehicle file does not state" if value is None else time_text(value)


def _advice(world: World, judgement: Judgement) -> str:
    kinds = {closure.name: closure.actuator for closure in world.vehicle.closures}
    closure = (judgement.closures or judgement.item.closures or ("",))[0]
    return _ADVICE.get(kinds.get(closure, ""), "Check the actuator as the vehicle's documentation says.")


def _filled(template: str, phrases: Mapping[str, str]) -> str:
    names = {name for _, name, _, _ in Formatter().parse(template) if name}
    text = template
    for name in names & phrases.keys():
        text = text.replace("{" + name + "}", phrases[name])
    return text[:1].upper() + text[1:]


def finding_of(rule: Rule, world: World, judgement: Judgement) -> Finding:
    """The finding of one violated occasion; its id is given when all are known."""
    texts = rule.text(judgement.rule_id)
    phrases = _phrases(rule, world, judgement)
    measured = judgement.measured
    if measured is None and judgement.item.previous is not None and "{measured}" in texts.message:
        measured = judgement.item.at.since(judgement.item.previous.at)
    previous = judgement.item.previous
    return Finding(
        id="",
        rule=texts.id,
        severity=texts.severity,
        at=judgement.at,
        message=_filled(texts.message, phrases),
        closures=judgement.closures or judgement.item.closures,
        episode=judgement.item.episode,
        by_design=texts.by_design,
        measured=Measured(measured.lo, measured.hi, "ns") if measured else None,
        limit=limit_text(rule, world, judgement) if _has_limit(rule) else "",
        cautions=texts.cautions,
        next_steps=tuple(_filled(step, phrases) for step in texts.check),
        evidence=_evidence(world, judgement),
        previous_episode=previous.episode if previous is not None else "",
    )


def _has_limit(rule: Rule) -> bool:
    parts: list[Any] = [rule.within, rule.late_after, rule.early_before, rule.steps or None]
    return any(part is not None for part in parts)


def _evidence(world: World, judgement: Judgement) -> tuple[EvidenceRef, ...]:
    """The frames of the occasion, and, where nobody asked, the silence of every source that was ruled out."""
    refs: list[EvidenceRef] = list(judgement.evidence)
    if judgement.rule_id == "command-without-request":
        episode = next((one for one in world.episodes if one.id == judgement.item.episode), None)
        for check in episode.sources if episode is not None else ():
            if check.ruling == SourceRuling.OUT:
                refs += check.evidence
    return tuple(dict.fromkeys(refs))

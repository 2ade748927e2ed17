"""Reads rule files: every mistake at once, each with its place, and the compiled rule where there is none."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

from latchtrace.errors import Problem, UserFileError
from latchtrace.model.events import EventKind
from latchtrace.model.results import Severity
from latchtrace.model.userfile import UserFile, load_user_file, parse_user_text
from latchtrace.rules.conditions import (
    ClosureIs,
    Condition,
    Elapsed,
    FactIs,
    Happened,
    Joined,
    Latest,
    NumberIs,
    PolicyIs,
    Selector,
    StateIs,
)
from latchtrace.rules.meaning import ScopeKind
from latchtrace.rules.quantities import Quantity, parse_quantity
from latchtrace.rules.reaches import Reaches
from latchtrace.rules.rule import Captured, Cause, Rule, StateScope, Step, Texts, Trend
from latchtrace.rules.vocabulary import FACTS, FOR_EACH
from latchtrace.rules.vocabulary_check import vocabulary_problems
from latchtrace.rules.world import STREAM_ROLES

VERSION = "1"
_TEXT_FIELDS = {"severity", "title", "message", "means", "check", "cautions", "by-design"}
_COMMON = {"version", "rule", "function", "pattern", "observe", "needs", "fitted", "given", "unless", "explained-by"}
_COMMON |= {"concerns", "for-each", "let", "scope"}
_EXAMPLES = {"example-car", "examples"}
PATTERN_FIELDS: Mapping[str, frozenset[str]] = {
    "absence": frozenset({"never"}),
    "bounded-absence": frozenset({"never", "from", "within"}),
    "response": frozenset({"expect", "within", "excepting"}),
    "precedence": frozenset({"require", "within", "since"}),
    "bounded-response": frozenset({"expect", "within", "overtaken-by"}),
    "delay-classes": frozenset(
        {
            "expect",
            "within",
            "cancelled-by",
            "restarted-by",
            "restart-policy",
            "doubtful",
            "early-before",
            "late-after",
            "missing-after",
            "classes",
            "trend",
        }
    ),
    "sequence": frozenset({"steps"}),
    "count": frozenset({"count", "from", "within", "at-most", "at-least"}),
    "stability": frozenset({"state", "from", "within"}),
    "universality": frozenset({"state"}),
    "existence": frozenset({"state"}),
    "bounded-recurrence": frozenset({"state", "every"}),
    "minimum-duration": frozenset({"state", "at-least"}),
    "maximum-duration": frozenset({"state", "at-most"}),
}
"""The patterns, and the fields each has beside the common ones."""
WATCHING = frozenset({"universality", "existence", "bounded-recurrence", "minimum-duration", "maximum-duration"})
"""The patterns that watch a state instead of observing occasions."""
_REQUIRED: Mapping[str, tuple[str, ...]] = {
    "absence": ("never",),
    "bounded-absence": ("never", "within"),
    "response": ("expect", "within"),
    "precedence": ("require", "within"),
    "bounded-response": ("expect", "within"),
    "delay-classes": ("expect", "classes"),
    "sequence": ("steps",),
    "count": ("count", "within"),
    "stability": ("state", "within"),
    "bounded-recurrence": ("state", "every"),
    "minimum-duration": ("state", "at-least"),
    "maximum-duration": ("state", "at-most"),
}
_SCOPES = {
    frozenset({"after"}): ScopeKind.AFTER,
    frozenset({"before"}): ScopeKind.BEFORE,
    frozenset({"between", "and"}): ScopeKind.BETWEEN,
    frozenset({"after", "until"}): ScopeKind.AFTER_UNTIL,
}
_CLASSES = ("early", "late", "slow", "missing")
_Path = tuple[str | int, ...]


def allowed_fields(pattern: str) -> frozenset[str]:
    """The fields a rule of this pattern may have."""
    common = _COMMON - {"observe", "for-each", "let"} if pattern in WATCHING else _COMMON
    return frozenset(common | _EXAMPLES | _TEXT_FIELDS | PATTERN_FIELDS[pattern])


def required_fields(pattern: str) -> tuple[str, ...]:
    """The fields of its own a rule of this pattern must have."""
    return _REQUIRED.get(pattern, ("state",))


def condition_fields() -> Mapping[str, frozenset[str]]:
    """Every kind of condition with its fields."""
    return {name: fields for name, (fields, _) in _CONDITIONS.items()}


def load_rules(folder: Path) -> list[Rule]:
    """All rule files of a folder in order of name; raises UserFileError with the mistakes of all of them."""
    rules: list[Rule] = []
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.yaml")):
        try:
            file = load_user_file(path)
            rules.append(compile_rule(file, path.read_text(encoding="utf-8")))
        except UserFileError as error:
            problems += error.problems
    if problems:
        raise UserFileError(problems)
    return rules


def parse_rule(text: str, name: str) -> Rule:
    """One rule from its text; raises UserFileError with all its mistakes."""
    return compile_rule(parse_user_text(text.encode(), name), text)


def compile_rule(file: UserFile, source: str) -> Rule:
    """One rule from its file; raises UserFileError with all its mistakes."""
    compiler = _Compiler(file)
    rule = compiler.rule(source)
    problems = sorted({*compiler.problems, *vocabulary_problems(file)})
    if problems or rule is None:
        raise UserFileError(problems)
    return rule


class _Compiler:
    """Walks one file; every mistake is noted and reading goes on."""

    def __init__(self, file: UserFile) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.for_each = ""

    def wrong(self, path: _Path, what: str, mend: str = "") -> None:
        self.problems.append(self.file.problem(path, what, mend))

    def rule(self, source: str) -> Rule | None:
        data = self.file.data
        if not isinstance(data, dict):
            self.wrong((), "is not a rule", "write fields such as `rule: my-rule`")
            return None
        pattern = str(data.get("pattern", ""))
        if pattern not in PATTERN_FIELDS:
            self.wrong(("pattern",), f"'{pattern}' is no pattern", f"use one of {', '.join(PATTERN_FIELDS)}")
            return None
        self.keys(data, allowed_fields(pattern), ())
        if data.get("version") != VERSION:
            self.wrong(("version",), f"must be {VERSION}", f"write `version: {VERSION}`")
        texts = self.classes(data) if pattern == "delay-classes" else (self.texts(data, (), str(data.get("rule", ""))),)
        rule = self.body(data, texts, source)
        return None if self.problems else rule

    def body(self, data: Mapping[str, Any], texts: tuple[Texts, ...], source: str) -> Rule:
        pattern = str(data["pattern"])
        observe, begins = (Selector("recording"), ()) if pattern in WATCHING else self.observed(data.get("observe"))
        self.for_each = self.each(data, observe)
        expect, expect_state = self.expected(data)
        never, never_selector = self.never(data)
        for name in required_fields(pattern):
            if name not in data:
                self.wrong((), f"pattern {pattern} needs '{name}'", f"add `{name}:`")
        numbers = self.numbers(data) if pattern == "count" else (None, None)
        if data.get("since", "request") != "request":
            self.wrong(("since",), f"'{data['since']}' is unknown", "write `since: request` or leave it out")
        return Rule(
            texts=texts,
            function=self.text(data, "function", ()),
            pattern=pattern,
            observe=observe,
            begins=begins,
            for_each=self.for_each,
            let=self.let(data.get("let", {})),
            concerns=self.concerned(data),
            state=self.conditions(data.get("state", []), ("state",)),
            scope=self.scope(data["scope"]) if "scope" in data else None,
            every=self.quantity(data.get("every"), ("every",)),
            at_least=None if pattern == "count" else self.quantity(data.get("at-least"), ("at-least",)),
            at_most=None if pattern == "count" else self.quantity(data.get("at-most"), ("at-most",)),
            needs=self.words(data.get("needs", []), ("needs",)),
            fitted=str(data.get("fitted", "")),
            given=self.conditions(data.get("given", []), ("given",)),
            unless=self.conditions(data.get("unless", []), ("unless",)),
            never=never,
            never_selector=never_selector,
            count=self.selector(data["count"], ("count",)) if "count" in data else None,
            most=numbers[0],
            fewest=numbers[1],
            steps=self.steps(data.get("steps", [])) if pattern == "sequence" else (),
            require=self.selector(data["require"], ("require",)) if "require" in data else None,
            expect=expect,
            expect_state=expect_state,
            excepting=self.selector(data["excepting"], ("excepting",)) if "excepting" in data else None,
            since_request="since" in data,
            lo=self.quantity(data.get("from"), ("from",)),
            within=self.quantity(data.get("within"), ("within",)),
            overtaken_by=self.selectors(data.get("overtaken-by", []), ("overtaken-by",)),
            cancelled_by=self.selectors(data.get("cancelled-by", []), ("cancelled-by",)),
            restarted_by=self.selectors(data.get("restarted-by", []), ("restarted-by",)),
            restart_policy=self.condition(data["restart-policy"], ("restart-policy",))
            if "restart-policy" in data
            else None,
            doubtful=self.conditions(data.get("doubtful", []), ("doubtful",)),
            early_before=self.quantity(data.get("early-before"), ("early-before",)),
            late_after=self.quantity(data.get("late-after"), ("late-after",)),
            missing_after=self.quantity(data.get("missing-after"), ("missing-after",)),
            classes={name: str(body.get("rule", "")) for name, body in self.class_bodies(data)},
            class_given={
                name: self.conditions(body["given"], ("classes", name, "given"))
                for name, body in self.class_bodies(data)
                if "given" in body
            },
            trend=self.trend(data.get("trend")),
            causes=self.causes(data.get("explained-by", [])),
            file=self.file.name,
            source=source,
        )

    # texts

    def class_bodies(self, data: Mapping[str, Any]) -> Iterable[tuple[str, Mapping[str, Any]]]:
        classes = data.get("classes", {})
        return [(n, b) for n, b in classes.items() if isinstance(b, dict)] if isinstance(classes, dict) else []

    def classes(self, data: Mapping[str, Any]) -> tuple[Texts, ...]:
        classes = data.get("classes")
        if not isinstance(classes, dict) or not classes:
            self.wrong(("classes",), "names no class", f"add at least one of {', '.join(_CLASSES)}")
            return ()
        self.keys(classes, frozenset(_CLASSES), ("classes",))
        found = []
        for name, body in self.class_bodies(data):
            path: _Path = ("classes", name)
            self.keys(body, _TEXT_FIELDS | {"rule", "given"}, path)
            found.append(self.texts(body, path, str(body.get("rule", ""))))
        return tuple(found)

    def texts(self, data: Mapping[str, Any], path: _Path, rule_id: str) -> Texts:
        if not rule_id or not all(part.isalnum() for part in rule_id.split("-")):
            self.wrong((*path, "rule"), f"'{rule_id}' is no rule id", "use small letters, figures and hyphens")
        severity = str(data.get("severity", ""))
        if severity not in set(Severity):
            mend = f"use one of {', '.join(Severity)}"
            self.wrong((*path, "severity"), f"'{severity}' is no severity", mend)
        by_design = str(data.get("by-design", "no"))
        if by_design not in ("yes", "no"):
            self.wrong((*path, "by-design"), f"'{by_design}' is unclear", "write yes or no")
        return Texts(
            id=rule_id,
            severity=Severity(severity) if severity in set(Severity) else Severity.NOTE,
            title=self.text(data, "title", path),
            message=self.text(data, "message", path),
            means=self.text(data, "means", path),
            check=self.words(data.get("check", []), (*path, "check")),
            cautions=self.words(data.get("cautions", []), (*path, "cautions")),
            by_design=by_design == "yes",
        )

    def text(self, data: Mapping[str, Any], name: str, path: _Path) -> str:
        value = data.get(name)
        if not isinstance(value, str) or not value.strip():
            self.wrong((*path, name) if name in data else path, f"needs '{name}' in words", f"add `{name}: …`")
            return ""
        return " ".join(value.split())

    # small parts

    def keys(self, data: Mapping[str, Any], allowed: Iterable[str], path: _Path) -> None:
        names = sorted(allowed)
        for key in data:
            if key not in names:
                near = get_close_matches(key, names, 1)
                mend = f"did you mean '{near[0]}'?" if near else f"use one of {', '.join(names)}"
                self.wrong((*path, key), f"'{key}' is not known here", mend)

    def words(self, value: Any, path: _Path) -> tuple[str, ...]:
        if isinstance(value, str):
            return (" ".join(value.split()),)
        if isinstance(value, list) and all(isinstance(one, str) for one in value):
            return tuple(" ".join(one.split()) for one in value)
        self.wrong(path, "must be text or a list of texts")
        return ()

    def quantity(self, value: Any, path: _Path) -> Quantity | None:
        if value is None:
            return None
        try:
            quantity = parse_quantity(str(value))
        except ValueError as error:
            self.wrong(path, str(error))
            return None
        known = known_parameters()
        for name in quantity.names:
            if name not in known:
                near = get_close_matches(name, known, 1)
                self.wrong(path, f"'{name}' is no parameter", f"did you mean '{near[0]}'?" if near else "")
        return quantity

    def trend(self, value: Any) -> Trend | None:
        if value is None:
            return None
        try:
            return Trend(int(value["at-least"]), float(value["alpha"]))
        except (KeyError, TypeError, ValueError):
            self.wrong(("trend",), "needs at-least and alpha", "write `trend: {at-least: 8, alpha: 0.01}`")
            return None

    def causes(self, value: Any) -> tuple[Cause, ...]:
        found = []
        for i, one in enumerate(value if isinstance(value, list) else [value]):
            if not isinstance(one, dict) or set(one) != {"rule", "of"} or one["of"] not in ("episode", "previous"):
                self.wrong(("explained-by", i), "needs rule and of", "write `{rule: …, of: episode}` or `of: previous`")
            else:
                found.append(Cause(str(one["rule"]), str(one["of"])))
        return tuple(found)

    def numbers(self, data: Mapping[str, Any]) -> tuple[int | None, int | None]:
        """At most and at least how many."""
        if "at-most" not in data and "at-least" not in data:
            self.wrong((), "pattern count needs 'at-most' or 'at-least'", "add `at-most:`")
        most, fewest = (self.number(data.get(name), (name,)) for name in ("at-most", "at-least"))
        if most is not None and fewest is not None and fewest > most:
            self.wrong(("at-least",), "is more than at-most", "exchange the two")
        return most, fewest

    def number(self, value: Any, path: _Path) -> int | None:
        if value is None:
            return None
        if not str(value).isdecimal():
            self.wrong(path, f"'{value}' is no whole number", "write how many, such as 3")
            return None
        return int(value)

    def steps(self, value: Any) -> tuple[Step, ...]:
        if not isinstance(value, list) or not value:
            self.wrong(("steps",), "is no list of steps", "write `- {what: …, within: …}` for each")
            return ()
        found = (self.step(one, ("steps", i)) for i, one in enumerate(value))
        return tuple(step for step in found if step is not None)

    def step(self, value: Any, path: _Path) -> Step | None:
        if not isinstance(value, dict):
            self.wrong(path, "is no step", "write `{what: …, within: …}`")
            return None
        selector = self.selector({name: one for name, one in value.items() if name not in ("from", "within")}, path)
        within = self.quantity(value.get("within"), (*path, "within"))
        if "within" not in value:
            self.wrong(path, "needs 'within'", "add `within:`, the latest time after the step before")
        return Step(selector, within, self.quantity(value.get("from"), (*path, "from"))) if within else None

    # selectors and conditions

    def selectors(self, value: Any, path: _Path) -> tuple[Selector, ...]:
        entries = value if isinstance(value, list) else [value]
        return tuple(self.selector(one, (*path, i)) for i, one in enumerate(entries))

    def selector(self, value: Any, path: _Path) -> Selector:
        if not isinstance(value, dict) or str(value.get("what")) not in STREAM_ROLES:
            found = value.get("what") if isinstance(value, dict) else value
            near = get_close_matches(str(found), list(STREAM_ROLES), 1)
            mend = f"did you mean '{near[0]}'?" if near else f"`what` is one of {', '.join(STREAM_ROLES)}"
            self.wrong(path, f"'{found}' is nothing a rule can watch", mend)
            return Selector("action")
        facts = []
        for name, wanted in value.items():
            if name not in ("what", "where"):
                inverted = name.endswith("-not")
                facts.append((name.removesuffix("-not"), self.words(wanted, (*path, name)), not inverted))
        if self.for_each in FACTS[str(value["what"])] and self.for_each not in [name for name, _, _ in facts]:
            facts.append((self.for_each, (f"${self.for_each}", "any"), True))
        return Selector(str(value["what"]), tuple(facts), self.conditions(value.get("where", []), (*path, "where")))

    def each(self, data: Mapping[str, Any], observe: Selector) -> str:
        """What the rule is judged for each of: what else it looks for must be of the same one."""
        name = str(data.get("for-each", ""))
        if name and name not in FOR_EACH:
            self.wrong(("for-each",), f"'{name}' is nothing to be judged for each of", f"write {' or '.join(FOR_EACH)}")
            return ""
        if name and name not in FACTS.get(observe.what, {}):
            self.wrong(("for-each",), f"what this rule observes has no '{name}'", "remove it")
            return ""
        return name

    def let(self, value: Any) -> dict[str, Captured]:
        """Names for what is found at the occasion, and used elsewhere in the rule."""
        found: dict[str, Captured] = {}
        if not isinstance(value, dict):
            self.wrong(("let",), "is no mapping", "write `let: {name: {latest: {what: …}}}`")
            return found
        for name, one in value.items():
            path: _Path = ("let", name)
            if not name.replace("-", "").isalnum() or name in ("previous", "request"):
                self.wrong(path, f"'{name}' cannot be a name", "use other small letters, figures and hyphens")
            captured = self.captured(one, path)
            if captured is not None:
                found[name] = captured
        return found

    def captured(self, one: Any, path: _Path) -> Captured | None:
        if isinstance(one, dict) and set(one) == {"latest"}:
            return self.selector(one["latest"], (*path, "latest"))
        if isinstance(one, dict) and set(one) == {"state"}:
            return StateIs(str(one["state"]), ())
        if isinstance(one, dict) and one.get("read") in ("latch", "ajar") and one.get("when", "at") in ("at", "before"):
            self.keys(one, {"closure", "read", "when"}, path)
            return ClosureIs(str(one.get("closure")), EventKind(one["read"]), (), one.get("when") == "before")
        mend = "write `{latest: {what: …}}`, `{closure: $closure, read: latch, when: before}` or `{state: …}`"
        self.wrong(path, "captures nothing", mend)
        return None

    def observed(self, value: Any) -> tuple[Selector, tuple[Condition, ...]]:
        if not isinstance(value, dict) or "begins" not in value:
            return self.selector(value, ("observe",)), ()
        self.keys(value, {"begins"}, ("observe",))
        conditions = self.conditions(value["begins"], ("observe", "begins"))
        if not conditions and not self.problems:
            self.wrong(("observe", "begins"), "names no condition", "write at least one")
        return Selector("beginning"), conditions

    def scope(self, value: Any) -> StateScope | None:
        kind = _SCOPES.get(frozenset(value)) if isinstance(value, dict) else None
        if kind is None:
            mend = "write `{after: …}`, `{before: …}`, `{between: …, and: …}` or `{after: …, until: …}`"
            self.wrong(("scope",), "is no scope", mend)
            return None
        names = {"after": "opens", "between": "opens", "until": "closes", "and": "closes", "before": "closes"}
        parts = {names[name]: self.conditions(value[name], ("scope", name)) for name in value}
        return StateScope(kind, **parts)

    def concerned(self, data: Mapping[str, Any]) -> ClosureIs | None:
        if "concerns" not in data:
            return None
        condition = self.condition(data["concerns"], ("concerns",))
        if condition is not None and not isinstance(condition, ClosureIs):
            self.wrong(("concerns",), "must speak of closures", "write `{closure: any, latch: …}`")
        return condition if isinstance(condition, ClosureIs) else None

    def expected(self, data: Mapping[str, Any]) -> tuple[Selector | None, ClosureIs | None]:
        value = data.get("expect")
        if value is None:
            return None, None
        if isinstance(value, dict) and "closure" in value and "what" not in value:
            condition = self.condition(value, ("expect",))
            return None, condition if isinstance(condition, ClosureIs) else None
        if data.get("pattern") == "response":
            self.wrong(("expect",), "a response expects a state", "write `{closure: every, latch: …}`")
        return self.selector(value, ("expect",)), None

    def never(self, data: Mapping[str, Any]) -> tuple[tuple[Condition, ...], Selector | None]:
        value = data.get("never")
        if value is None:
            return (), None
        if data["pattern"] == "bounded-absence":
            return (), self.selector(value, ("never",))
        if isinstance(value, dict) and "what" in value:
            self.wrong(("never",), "is something that happens, not a condition", "write `pattern: bounded-absence`")
            return (), None
        return self.conditions(value, ("never",)), None

    def conditions(self, value: Any, path: _Path) -> tuple[Condition, ...]:
        entries = value if isinstance(value, list) else [value]
        found = (self.condition(one, (*path, i)) for i, one in enumerate(entries))
        return tuple(condition for condition in found if condition is not None)

    def condition(self, value: Any, path: _Path) -> Condition | None:
        if not isinstance(value, dict):
            self.wrong(path, "is not a condition", "write a mapping such as {fact: origin, is: none}")
            return None
        for name, (fields, build) in _CONDITIONS.items():
            if name in value:
                self.keys(value, fields, path)
                before = len(self.problems)
                try:
                    return build(self, value, path)
                except KeyError as error:
                    if len(self.problems) == before:
                        self.wrong(path, f"a condition with '{name}' needs {error}", "")
                    return None
        names = ", ".join(_CONDITIONS)
        self.wrong(path, "is no condition this version knows", f"begin with one of {names}")
        return None


_Build = Callable[["_Compiler", Mapping[str, Any], _Path], Condition | None]


def _fact(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition:
    return FactIs(str(v["fact"]), c.words(v["is"], (*p, "is")))


def _closure(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition:
    kind = "latch" if "latch" in v else "ajar"
    if v.get("when", "at") not in ("at", "before"):
        c.wrong((*p, "when"), f"'{v['when']}' is unknown", "write at or before")
    values = c.words(v[kind], (*p, kind))
    return ClosureIs(str(v["closure"]), EventKind(kind), values, v.get("when") == "before", str(v.get("of", "")))


def _state(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition:
    return StateIs(str(v["state"]), c.words(v["is"], (*p, "is")), str(v.get("or-parameter", "")))


def _policy(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition:
    return PolicyIs(str(v["policy"]), c.words(v["is"], (*p, "is")))


def _number(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition | None:
    if "reaches" in v:
        limit = c.quantity(v["reaches"], (*p, "reaches"))
        give, below = (c.quantity(v.get(name), (*p, name)) for name in ("give", "until-below"))
        return Reaches(str(v["number"]), limit, give, below) if limit else None
    side = "above" if "above" in v else "below"
    edge = c.quantity(v[side], (*p, side))
    return NumberIs(str(v["number"]), edge, side == "above") if edge else None


def _happened(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition | None:
    selector = c.selector(v["happened"], (*p, "happened"))
    if "since" in v:
        return Happened(selector, since=str(v["since"]))
    window: Sequence[Any] = v["within"]
    if not isinstance(window, list) or len(window) != 2:
        c.wrong((*p, "within"), "must be two limits", "write [-request_window, 0]")
        return None
    lo, hi = (c.quantity(window[i], (*p, "within", i)) for i in (0, 1))
    return Happened(selector, lo, hi)


def _elapsed(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition | None:
    lo, hi = c.quantity(v["from"], (*p, "from")), c.quantity(v["to"], (*p, "to"))
    return Elapsed(str(v["elapsed"]), lo, hi) if lo and hi else None


def _latest(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition:
    return Latest(c.selector(v["latest"], (*p, "latest")), c.selectors(v["after"], (*p, "after")))


def _joined(how: str) -> _Build:
    def build(c: _Compiler, v: Mapping[str, Any], p: _Path) -> Condition:
        return Joined(how, c.conditions(v[how], (*p, how)))

    return build


_CONDITIONS: Mapping[str, tuple[frozenset[str], _Build]] = {
    "fact": (frozenset({"fact", "is"}), _fact),
    "closure": (frozenset({"closure", "latch", "ajar", "when", "of"}), _closure),
    "state": (frozenset({"state", "is", "or-parameter"}), _state),
    "policy": (frozenset({"policy", "is"}), _policy),
    "number": (frozenset({"number", "above", "below", "reaches", "give", "until-below"}), _number),
    "happened": (frozenset({"happened", "within", "since"}), _happened),
    "elapsed": (frozenset({"elapsed", "from", "to"}), _elapsed),
    "latest": (frozenset({"latest", "after"}), _latest),
    "not": (frozenset({"not"}), _joined("not")),
    "all": (frozenset({"all"}), _joined("all")),
    "any-of": (frozenset({"any-of"}), _joined("any-of")),
}


@cache
def known_parameters() -> frozenset[str]:
    """Every parameter a vehicle file may state, and those the engine derives from them."""
    from latchtrace.rules.catalogue import data_folder

    file = load_user_file(data_folder() / "parameters.yaml")
    return frozenset(file.data["parameters"]) | {"answer_deadline"}

"""Checks what a rule file says against the words there are: facts, states, units, placeholders, limits of classes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from string import Formatter
from typing import Any

from latchtrace.errors import Problem
from latchtrace.model.userfile import UserFile
from latchtrace.rules.example_lines import meant
from latchtrace.rules.quantities import parse_quantity
from latchtrace.rules.vocabulary import (
    CLOSURE_STATES,
    FACTS,
    FITTED,
    NUMBERS,
    OF_OBSERVED,
    PLACEHOLDERS,
    ROLE_KINDS,
    STATES,
    Values,
    fits,
    functions,
    units,
)

TIMES = ("from", "to", "within", "every", "at-least", "at-most", "early-before", "late-after", "missing-after")
"""Fields that hold a time, or two."""
CLASS_LIMITS: Mapping[str, str] = {
    "early": "early-before",
    "late": "late-after",
    "slow": "late-after",
    "missing": "missing-after",
}
"""The limit each class of delay is told by."""
_TEXTS = ("title", "message", "means", "check", "cautions")
_OF_MOMENTS = ("fact", "happened", "elapsed", "latest")
"""Conditions on something that happened: no states, so they cannot be watched."""
_LEFT_OUT = ("examples", "example-car")
_FIXED = re.compile(r"\d[\d.]*\s*(km/h|ns|us|µs|ms|s|min|h)\b")
_Path = tuple[str | int, ...]


def vocabulary_problems(file: UserFile) -> tuple[Problem, ...]:
    """Every place where a rule file asks for what there is not."""
    checker = _Checker(file)
    if isinstance(file.data, dict):
        checker.file_fields(file.data)
        checker.walk({key: value for key, value in file.data.items() if key not in _LEFT_OUT}, ())
    return tuple(dict.fromkeys(checker.problems))


def unknown_causes(file: UserFile, known: Sequence[str]) -> tuple[Problem, ...]:
    """A problem for each `explained-by` that names a rule there is not."""
    data = file.data if isinstance(file.data, dict) else {}
    entries = data.get("explained-by", [])
    listed = entries if isinstance(entries, list) else [entries]
    return tuple(
        file.problem(("explained-by", i, "rule"), f"there is no rule '{one['rule'][:60]}'", meant(one["rule"], known))
        for i, one in enumerate(listed)
        if isinstance(one, dict) and isinstance(one.get("rule"), str) and one["rule"] not in known
    )


def words_of(value: Any) -> list[str]:
    """A value, or a list of values, as the texts it holds."""
    entries = value if isinstance(value, list) else [value]
    return [one for one in entries if isinstance(one, str)]


class _Checker:
    def __init__(self, file: UserFile) -> None:
        self.file = file
        self.problems: list[Problem] = []
        observe = file.data.get("observe") if isinstance(file.data, dict) else None
        what = observe.get("what") if isinstance(observe, dict) else None
        begins = isinstance(observe, dict) and "begins" in observe
        observed = FACTS["beginning"] if begins else self.facts_of(what)
        let = file.data.get("let") if isinstance(file.data, dict) else None
        self.let: Mapping[str, Any] = let if isinstance(let, dict) else {}
        self.observed = None if observed is None else {**observed, **self.named()}
        self.facts: Mapping[str, Values] | None = self.observed

    def named(self) -> dict[str, Values]:
        """The facts a rule gives names to: what is found at the occasion, and the facts of it."""
        found: dict[str, Values] = {}
        for name, one in self.let.items():
            latest = one.get("latest") if isinstance(one, dict) else None
            if isinstance(latest, dict):
                facts = self.facts_of(latest.get("what")) or {}
                found |= {f"{name}.{fact}": values for fact, values in facts.items()}
            else:
                found[name] = None
        return found

    def others(self) -> list[str]:
        """The names of things the rule may measure from."""
        items = [name for name, one in self.let.items() if isinstance(one, dict) and "latest" in one]
        return ["previous", *items]

    @staticmethod
    def facts_of(what: Any) -> Mapping[str, Values] | None:
        return FACTS.get(what) if isinstance(what, str) else None

    def wrong(self, path: _Path, what: str, mend: str = "") -> None:
        self.problems.append(self.file.problem(path, what, mend))

    def values(self, path: _Path, value: Any, allowed: Values, wanted: str) -> None:
        for one in words_of(value):
            if one.startswith("$"):
                self.bound(path, one)
            elif not fits(one, allowed):
                self.wrong(path, f"'{one[:60]}' is no {wanted}", meant(one, allowed or ()))

    def bound(self, path: _Path, name: str) -> None:
        if self.facts is not None and name[1:] not in self.facts:
            known = [f"${one}" for one in self.facts]
            self.wrong(
                path, f"'{name[:60]}' is no fact of what this rule observes", meant(name, known) if known else ""
            )

    # the file as a whole

    def file_fields(self, data: Mapping[str, Any]) -> None:
        self.values(("function",), data.get("function", []), functions(), "function")
        self.values(("fitted",), data.get("fitted", []), FITTED, "function a vehicle file tells fitted")
        for one in words_of(data.get("needs", [])):
            known = list(units()) if "." in one else list(ROLE_KINDS)
            if one not in known:
                self.wrong(("needs",), f"'{one[:60]}' is neither a kind of role nor a limit", meant(one, known))
        classes = data.get("classes")
        bodies: Mapping[str, Any] = classes if isinstance(classes, dict) else {}
        self.texts(data, ())
        for name, body in bodies.items():
            if isinstance(body, dict):
                self.texts(body, ("classes", name))
            limit = CLASS_LIMITS.get(name)
            if limit and limit not in data:
                self.wrong(("classes", name), f"the class '{name}' needs '{limit}'", f"add `{limit}:`")
        for limit in dict.fromkeys(CLASS_LIMITS.values()):
            users = [name for name, needed in CLASS_LIMITS.items() if needed == limit]
            if limit in data and bodies and not set(users) & set(bodies):
                self.wrong((limit,), f"is used by no class of this file ({', '.join(users)})", "remove it")
        expect = data.get("expect")
        if isinstance(expect, dict) and "what" not in expect and expect.get("closure") == "any":
            self.wrong(("expect", "closure"), "is any, and a state is expected of each", "write every")
        for field in ("state", "scope"):
            self.states_only((field,), data.get(field))
        concerns = data.get("concerns")
        if isinstance(concerns, dict) and concerns.get("closure") == "every":
            self.wrong(("concerns", "closure"), "is every, and each is looked at by itself", "write any")

    def states_only(self, path: _Path, value: Any) -> None:
        """What is watched all the time must be a state."""
        if isinstance(value, list):
            for i, one in enumerate(value):
                self.states_only((*path, i), one)
        elif isinstance(value, dict):
            for name in _OF_MOMENTS:
                if name in value:
                    self.wrong((*path, name), f"'{name}' is no state", "ask for closure, state or number")
            if not any(name in value for name in _OF_MOMENTS):
                for name, one in value.items():
                    self.states_only((*path, name), one)

    def texts(self, data: Mapping[str, Any], path: _Path) -> None:
        for field in ("message", "check"):
            for text in words_of(data.get(field, [])):
                self.placeholders((*path, field), text)

    def placeholders(self, path: _Path, text: str) -> None:
        try:
            names = [name for _, name, _, _ in Formatter().parse(text) if name is not None]
        except ValueError:
            self.wrong(path, "has a brace without its partner", "write {{ and }} for braces that are meant as such")
            return
        for name in names:
            own = "." in name or name in self.let or name in OF_OBSERVED
            if name not in PLACEHOLDERS and not (own and name in (self.observed or {})):
                self.wrong(path, f"'{{{name[:40]}}}' is nothing a message can tell", meant(name, PLACEHOLDERS))

    # selectors and conditions, wherever they stand

    def walk(self, value: Any, path: _Path) -> None:
        if isinstance(value, list):
            for i, one in enumerate(value):
                self.walk(one, (*path, i))
        elif isinstance(value, dict):
            if "what" in value:
                self.selector(value, path)
                before, self.facts = self.facts, self.facts_of(value.get("what"))
                self.walk(value.get("where", []), (*path, "where"))
                self.facts = before
            elif path and path[0] != "let":
                self.condition(value, path)
            self.quantities(value, path)
            for name, one in value.items():
                if name not in _TEXTS and name != "where":
                    self.walk(one, (*path, name))

    def selector(self, value: Mapping[str, Any], path: _Path) -> None:
        facts = self.facts_of(value.get("what"))
        if facts is None:
            return
        for name, wanted in value.items():
            plain = name.removesuffix("-not")
            if name in ("what", "where") or (path[:1] == ("steps",) and name in ("from", "within")):
                continue
            if plain not in facts:
                what = f"'{plain[:40]}' is no fact of {value['what']}"
                mend = meant(plain, list(facts)) if facts else "it has none; remove it"
                self.wrong((*path, name), what, mend)
            else:
                self.values((*path, name), wanted, facts[plain], f"value of {plain}")

    def condition(self, value: Mapping[str, Any], path: _Path) -> None:
        fact = value.get("fact")
        if isinstance(fact, str) and self.facts is not None:
            if fact not in self.facts:
                mend = meant(fact, list(self.facts)) if self.facts else ""
                self.wrong((*path, "fact"), f"'{fact[:40]}' is no fact of what this rule observes", mend)
            else:
                self.values((*path, "is"), value.get("is", []), self.facts[fact], f"value of {fact}")
        for name, more in (("since", ["request"]), ("elapsed", [])):
            known = [*self.others(), *more]
            if path and name in value and isinstance(value[name], str) and value[name] not in known:
                self.wrong((*path, name), f"'{value[name][:40]}' is unknown", meant(value[name], known))
        self.closure(value, path)
        self.state(value, path)

    def closure(self, value: Mapping[str, Any], path: _Path) -> None:
        which = value.get("closure")
        kinds = [kind for kind in CLOSURE_STATES if kind in value]
        if isinstance(which, str) and "closure" in value and kinds:
            if which.startswith("$"):
                self.bound((*path, "closure"), which)
            elif which not in ("any", "every"):
                self.wrong((*path, "closure"), f"'{which[:40]}' is unclear", "write any, every or $closure")
            for kind in kinds:
                self.values((*path, kind), value[kind], CLOSURE_STATES[kind], f"{kind} state")
            if value.get("of", "lockable") not in ("lockable", "$closures"):
                self.wrong((*path, "of"), f"'{str(value['of'])[:40]}' is unknown", "write lockable or $closures")

    def state(self, value: Mapping[str, Any], path: _Path) -> None:
        role, policy, number = value.get("state"), value.get("policy"), value.get("number")
        if isinstance(role, str):
            if role not in STATES:
                self.wrong((*path, "state"), f"'{role[:40]}' is no state", meant(role, list(STATES)))
            else:
                self.values((*path, "is"), value.get("is", []), STATES[role], f"state of {role}")
            self.parameter((*path, "or-parameter"), value.get("or-parameter"), "truth")
        if isinstance(policy, str):
            choices = self.parameter((*path, "policy"), policy, "choice")
            self.values((*path, "is"), value.get("is", []), choices, f"choice of {policy}")
        if isinstance(number, str) and number not in NUMBERS:
            self.wrong((*path, "number"), f"'{number[:40]}' tells no number", meant(number, list(NUMBERS)))

    def parameter(self, path: _Path, name: Any, unit: str) -> Values:
        from latchtrace.rules.example_car import limits

        if not isinstance(name, str):
            return None
        known = [one for one, entry in limits().items() if entry["unit"] == unit]
        if name not in known:
            self.wrong(path, f"'{name[:60]}' is no parameter of this kind", meant(name, known))
            return None
        return tuple(limits()[name].get("choices", ())) or None

    # limits

    def quantities(self, value: Mapping[str, Any], path: _Path) -> None:
        fields = dict.fromkeys(TIMES, "time")
        number = value.get("number")
        if isinstance(number, str):
            fields |= dict.fromkeys(value, NUMBERS.get(number, ""))
            del fields["number"]
        for name, unit in fields.items():
            entry = value.get(name)
            for i, text in enumerate(entry if isinstance(entry, list) else [entry]):
                at = (*path, name, i) if isinstance(entry, list) else (*path, name)
                if isinstance(text, str) and unit:
                    self.limit(at, text, unit)

    def limit(self, path: _Path, text: str, unit: str) -> None:
        try:
            names = parse_quantity(text).names
        except ValueError:
            return  # told where the rule is compiled
        found = {units()[name] for name in names if name in units()}
        found |= {"speed" if match == "km/h" else "time" for match in _FIXED.findall(text)}
        if found - {unit}:
            other = ", ".join(sorted(found - {unit}))
            mixed = "mixes" if unit in found or len(found) > 1 else "is"
            self.wrong(path, f"'{text[:60]}' {mixed} {other}, where a {unit} is needed", f"write a {unit}")

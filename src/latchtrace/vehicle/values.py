"""Raw values and what they mean: single values, hexadecimal ones, ranges, and maps of the whole car."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from latchtrace.model.network import SignalSpec
from latchtrace.vehicle.form import Form, Path, whole_number
from latchtrace.vehicle.kinds import NONE, OTHERS, UNKNOWN, Kind
from latchtrace.vehicle.layout import RAW
from latchtrace.vehicle.words import did_you_mean, listed

LARGEST_RANGE = 65_536
MOST_VALUES = 1_000_000
"""Raw values all ranges of one file may stand for, so that no file can fill the memory."""

Pairs = tuple[tuple[str, str], ...]
_RANGE = re.compile(rf"\s*({RAW})\s*(?:-\s*({RAW})\s*)?")


def raw_limits(spec: SignalSpec) -> tuple[int, int]:
    """Lowest and highest raw value a signal can hold."""
    bits = len(spec.bits)
    return (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if spec.signed else (0, (1 << bits) - 1)


def raws(form: Form, path: Path, text: str, spec: SignalSpec) -> range:
    """The raw values a key stands for; empty where a mistake was noted."""
    match = _RANGE.fullmatch(text)
    first = whole_number(match[1]) if match else None
    last = whole_number(match[2]) if match and match[2] else first
    if first is None or last is None:
        return range(0)
    lo, hi = raw_limits(spec)
    if first > last:
        form.problem(path, f"range {text} runs backwards", "write the lower value first")
    elif first < lo or last > hi:
        size = f"{len(spec.bits)} bit{'s' if len(spec.bits) > 1 else ''}, {'signed' if spec.signed else 'unsigned'}"
        what = f"raw value {first if first < lo else last} cannot occur in {spec.name} ({size})"
        form.problem(path, what, f"write raw values from {lo} to {hi}")
    elif last - first >= LARGEST_RANGE:
        form.problem(path, f"range {text} covers too many values", f"cover at most {LARGEST_RANGE:,}")
    elif form.raw_values + last - first >= MOST_VALUES:
        form.problem(path, "goes beyond what one file may list", f"list at most {MOST_VALUES:,} raw values in all")
    else:
        form.raw_values += last - first + 1
        return range(first, last + 1)
    return range(0)


def raw_set(form: Form, path: Path, text: Any, spec: SignalSpec) -> tuple[int, ...]:
    """The raw values one entry of `when`, a value or a list of them, stands for."""
    if isinstance(text, list):
        found = {raw for i, one in enumerate(text) for raw in raws(form, (*path, i), one, spec)}
        return tuple(sorted(found))
    return tuple(raws(form, path, text, spec))


def by_raw(form: Form, path: Path, entries: Mapping[str, Any], spec: SignalSpec) -> dict[int, tuple[Any, Path]]:
    """Each raw value with the entry it has and that entry's path; a raw value given twice is a mistake."""
    found: dict[int, tuple[Any, Path]] = {}
    for key, entry in entries.items():
        at = (*path, key)
        values = raws(form, at, key, spec)
        twice = next((raw for raw in values if raw in found), None)
        if twice is not None:
            form.problem(at, f"raw value {twice} has a meaning already", "let each raw value stand once")
            continue
        found.update((raw, (entry, at)) for raw in values)
    return found


@dataclass(frozen=True)
class Meaning:
    """Reads the `values` of one reading into (subject, label) pairs a raw value.

    `closures` are those a whole-car value tells of; empty for a role of one subject. `groups` are further
    subjects a command may name.
    """

    form: Form
    kind: Kind
    whole: bool
    closures: tuple[str, ...]
    groups: tuple[str, ...] = ()

    def read(self, path: Path, entries: Mapping[str, Any], spec: SignalSpec) -> dict[int, Pairs]:
        """All raw values with their pairs."""
        found = by_raw(self.form, path, entries, spec)
        read: dict[Path, Pairs | None] = {}
        covered = self.covered(entries) if self.whole else ()
        for entry, at in found.values():
            if at not in read:
                read[at] = self._pairs(at, entry, covered)
        return {raw: pairs for raw, (_, at) in found.items() if (pairs := read[at]) is not None}

    def covered(self, entries: Mapping[str, Any]) -> tuple[str, ...]:
        """The closures a whole-car reading tells of: all, unless its values only name some."""
        groups = [entry for entry in entries.values() if isinstance(entry, dict)]
        plain = any(isinstance(entry, str) and entry != UNKNOWN for entry in entries.values())
        if plain or not groups or any(OTHERS in group for group in groups):
            return self.closures
        named = {closure for group in groups for closure in group}
        return tuple(closure for closure in self.closures if closure in named)

    def _pairs(self, path: Path, entry: Any, covered: Sequence[str]) -> Pairs | None:
        if isinstance(entry, str):
            if not self._known(path, entry):
                return None
            return tuple((closure, entry) for closure in covered) if self.whole else (("", entry),)
        if not self.kind.by_closure or (self.kind.state and not self.whole):
            self.form.problem(path, "names closures, but this role is of one subject only", "write one label")
            return None
        return self._whole_car(path, entry, covered) if self.whole else self._some(path, entry)

    def _whole_car(self, path: Path, entry: Mapping[str, str], covered: Sequence[str]) -> Pairs | None:
        good = [self._named(path, name, label, self.closures, OTHERS) for name, label in entry.items()]
        missing = [closure for closure in covered if closure not in entry]
        if missing and OTHERS not in entry:
            mend = f"add {OTHERS}: with the state of all the others"
            self.form.problem(path, f"does not say what holds for {listed(missing)}", mend)
            return None
        if not all(good):
            return None
        return tuple((closure, entry.get(closure) or entry[OTHERS]) for closure in covered)

    def _some(self, path: Path, entry: Mapping[str, str]) -> Pairs | None:
        subjects = (*self.closures, *self.groups)
        good = [self._named(path, name, label, subjects, "") for name, label in entry.items()]
        pairs = tuple((name, label) for name, label in entry.items() if label != NONE)
        return (pairs or (("", NONE),)) if all(good) else None

    def _named(self, path: Path, name: str, label: str, subjects: Sequence[str], also: str) -> bool:
        if name not in subjects and (not also or name != also):
            self.form.problem(
                (*path, name), f"'{name}' is no closure this role can tell of", did_you_mean(name, subjects)
            )
            return False
        return self._known((*path, name), label)

    def _known(self, path: Path, label: str) -> bool:
        if label in self.kind.labels:
            return True
        mend = did_you_mean(label, self.kind.labels)
        if not mend.startswith("did"):
            mend = f"a {self.kind.name} is {listed(self.kind.labels, 'or')}"
        self.form.problem(path, f"'{label}' is no value of a {self.kind.name} role", mend)
        return False

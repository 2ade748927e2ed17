"""Reads the roles of a vehicle file: their names, what the file says of each, and that no two tell the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from latchtrace.model.vehicle import REQUEST_SOURCES, TIMED_SOURCES, Reading, Role, RoleStatus
from latchtrace.vehicle.form import Form, Path, kind_of, short
from latchtrace.vehicle.kinds import KINDS, NONE, UNKNOWN, Follows, Kind, source_is_known
from latchtrace.vehicle.layout import role_shape
from latchtrace.vehicle.readings import ReadingReader
from latchtrace.vehicle.words import did_you_mean

_Owners = dict[tuple[object, ...], tuple[str, Path]]


class RoleReader:
    """Reads every role, with the readings' reader for what is mapped."""

    def __init__(self, form: Form, readings: ReadingReader) -> None:
        self.form = form
        self.readings = readings

    def read(self, entries: Mapping[str, Any]) -> dict[str, Role]:
        """All roles that could be read, by name."""
        roles: dict[str, Role] = {}
        for name, entry in entries.items():
            kind_name, _, subject = name.partition(".")
            kind = KINDS.get(kind_name)
            if kind is None:
                known = [*KINDS, *(f"request.{source}" for source in REQUEST_SOURCES)]
                like = did_you_mean(kind_name, KINDS)
                mend = like if like.startswith("did") else did_you_mean(name, known)
                self.form.problem(("roles", name), f"'{short(name)}' is no role", mend)
                continue
            named = self._named(("roles", name), kind, name, subject)
            role = self._role(("roles", name), kind, subject, entry)
            if named and role is not None:
                roles[name] = role
        self._refuse_twice(roles)
        return roles

    def _named(self, path: Path, kind: Kind, name: str, subject: str) -> bool:
        """Whether what follows the dot is right for the kind."""
        reader = self.readings
        if name.endswith("."):
            self.form.problem(path, "ends with a dot", f"write {kind.name}, or what follows the dot")
            return False
        if kind.follows == Follows.NOTHING and subject:
            self.form.problem(path, f"nothing may follow {kind.name} after a dot", f"write {kind.name}")
            return False
        if kind.follows == Follows.SOURCE:
            return self._source(path, subject)
        known = reader.closures
        if kind.follows == Follows.GROUP:
            known = (*reader.groups, *reader.lockable)
        if not subject or kind.follows == Follows.NOTHING:
            return True
        if subject not in known:
            what = "closure" if kind.follows == Follows.CLOSURE else "lock group or closure"
            mend = did_you_mean(subject, known) or "declare it under closures"
            self.form.problem(path, f"'{short(subject)}' is no {what} of this file", mend)
            return False
        if kind.name == "latch" and subject not in reader.lockable:
            self.form.problem(path, f"{subject} is declared as not lockable", "remove lockable: false, or this role")
            return False
        return True

    def _source(self, path: Path, source: str) -> bool:
        if source in TIMED_SOURCES:
            self.form.problem(path, f"{source} is known by its own definition, not by a signal", "remove it")
        elif not source:
            self.form.problem(path, "names no source", f"write it such as request.{REQUEST_SOURCES[0]}")
        elif not source_is_known(source):
            mend = did_you_mean(source, REQUEST_SOURCES)
            mend = mend if mend.startswith("did") else f"write request.other:{source} for a source of your own; {mend}"
            self.form.problem(path, f"'{short(source)}' is no source", mend)
        return source_is_known(source)

    def _role(self, path: Path, kind: Kind, subject: str, entry: Any) -> Role | None:
        name = str(path[1])
        if entry in ("", []):
            mend = "write a reading with its signal, not-fitted, or not-visible"
            self.form.problem(path, f"says nothing ({kind_of(entry)} without content)", mend)
            return None
        before = len(self.form.problems)
        read = role_shape(kind).read(self.form, path, entry)
        if isinstance(read, str):
            return Role(name, kind.name, subject, RoleStatus(read))
        if isinstance(read, tuple):
            return Role(name, kind.name, subject, RoleStatus(read[0]), note=read[1])
        if read is None:
            return None
        several = isinstance(read, list)
        if kind.numeric and several and len(read) > 1:
            self.form.problem(path, f"takes one reading, not {len(read)}", "keep the best of them")
        found = [self._reading((*path, i) if several else path, kind, subject, one)
                 for i, one in enumerate(read if several else [read])]  # fmt: skip
        readings = tuple(reading for reading in found if reading is not None)
        if len(self.form.problems) != before or not readings:
            return None
        return Role(name, kind.name, subject, RoleStatus.MAPPED, readings)

    def _reading(self, path: Path, kind: Kind, subject: str, fields: Any) -> Reading | None:
        return self.readings.read(path, kind, subject, fields)

    def _refuse_twice(self, roles: Mapping[str, Role]) -> None:
        """Two roles of a kind must not be told by the same values, nor one closure by two roles."""
        told: _Owners = {}
        signs: _Owners = {}
        for role in roles.values():
            for i, reading in enumerate(role.readings):
                place: Path = ("roles", role.name, i) if len(role.readings) > 1 else ("roles", role.name)
                lasting = KINDS[role.kind].state and not reading.when
                subjects = [(role.kind, subject) for subject in closures_of(role, reading)] if lasting else []
                if owner := _owner(told, subjects, role, place):
                    self.form.problem(place, f"the {role.kind} state is told by {owner} already", "keep one of the two")
                if owner := _owner(signs, _signs(role, reading), role, place):
                    mend = "keep one of the two, or tell them apart by when"
                    self.form.problem(place, f"the same signal and values are mapped by {owner} already", mend)


def _owner(known: _Owners, keys: Sequence[tuple[object, ...]], role: Role, path: Path) -> str:
    """Who had one of the keys before, in words; empty where nobody had."""
    owners = [known.setdefault(key, (role.name, path)) for key in keys]
    before = next((name for name, place in owners if place != path), "")
    return "another reading of this role" if before == role.name else before


def closures_of(role: Role, reading: Reading) -> tuple[str, ...]:
    """The subjects whose state a reading tells: the role's own, or all that its whole-car values name."""
    if role.subject or reading.labels is None:
        return (role.subject,)
    named = {subject for pairs in reading.labels.by_raw.values() for subject, _ in pairs}
    return tuple(sorted(named)) or ("",)


def _signs(role: Role, reading: Reading) -> list[tuple[object, ...]]:
    """What a reading takes for a sign of its role: all values of a state, each value of a happening."""
    base = (role.kind, reading.signal, reading.shows, reading.when, reading.closure)
    if reading.labels is None:
        return [(*base, None)]
    if KINDS[role.kind].state:
        return [(*base, frozenset(reading.labels.by_raw.items()))]
    telling = (
        raw for raw, pairs in reading.labels.by_raw.items() if any(label not in (NONE, UNKNOWN) for _, label in pairs)
    )
    return [(*base, raw) for raw in telling]

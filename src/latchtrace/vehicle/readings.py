"""Reads one reading of a role: its signal, what the values mean, conditions and details, all checked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from latchtrace.model.network import SignalSpec
from latchtrace.model.vehicle import Detail, Labels, Reading, Shows
from latchtrace.vehicle.bus import Bus, Found
from latchtrace.vehicle.form import Form, Path, short
from latchtrace.vehicle.kinds import KINDS, NONE, ORIGINS, UNKNOWN, Kind, origin_is_known
from latchtrace.vehicle.values import Meaning, by_raw, raw_set
from latchtrace.vehicle.words import did_you_mean, listed

KM_H = {"km/h": 1.0, "kmh": 1.0, "km/hr": 1.0, "kph": 1.0, "kmph": 1.0, "mph": 1.609344, "mi/h": 1.609344, "m/s": 3.6}
"""Units of speed as DBCs write them, in km/h (1 mile is 1.609344 km, 1 m/s is 3.6 km/h, both exact)."""


class ReadingReader:
    """Turns the fields of a reading into a `Reading`, or None with the mistakes noted."""

    def __init__(self, form: Form, bus: Bus, closures: tuple[str, ...], lockable: tuple[str, ...],
                 groups: tuple[str, ...]) -> None:  # fmt: skip
        self.form = form
        self.bus = bus
        self.closures = closures
        self.lockable = lockable
        self.groups = groups

    def read(self, path: Path, kind: Kind, subject: str, fields: Mapping[str, Any]) -> Reading | None:
        """One reading, whole."""
        if "signal" not in fields:
            return None
        found = self.bus.signal((*path, "signal"), fields["signal"])
        if found is None:
            return None
        before = len(self.form.problems)
        shows = Shows(fields.get("shows", Shows.LEVEL))
        labels = self._labels(path, kind, subject, fields, found.spec)
        details = self._details((*path, "details"), fields.get("details", {}), found)
        self._check_shows(path, kind, shows, fields, found)
        reading = Reading(
            signal=found.ref,
            shows=shows,
            labels=labels,
            does=fields.get("does"),
            details=details,
            when=self._when((*path, "when"), fields.get("when", {}), found),
            modulus=self._modulus(path, shows, fields, found.spec),
            holds=fields.get("holds"),
            numeric=kind.numeric,
            closure=self._closure(path, fields),
            factor=self._factor(path, fields, found.spec) if kind.numeric else 1.0,
        )
        return reading if len(self.form.problems) == before else None

    def _labels(
        self, path: Path, kind: Kind, subject: str, fields: Mapping[str, Any], spec: SignalSpec
    ) -> Labels | None:
        entries = fields.get("values")
        if entries is None:
            return None
        if spec.is_float:
            what = f"signal {spec.name} is a floating-point number, which has no values to name"
            self.form.problem((*path, "values"), what, "choose a whole-number signal")
            return None
        whole = kind.state and kind.by_closure and not subject
        closures = self.lockable if kind.name in ("latch", "command") else self.closures
        meaning = Meaning(self.form, kind, whole, closures, self.groups if kind.name == "command" else ())
        return Labels(meaning.read((*path, "values"), entries, spec))

    def _check_shows(self, path: Path, kind: Kind, shows: Shows, fields: Mapping[str, Any], found: Found) -> None:
        if kind.numeric:
            return
        if shows in (Shows.LEVEL, Shows.PULSE):
            self._check_level(path, kind, shows, fields)
        else:
            self._check_steps(path, shows, fields, found)
        if "modulus" in fields and shows != Shows.COUNTER:
            self.form.problem((*path, "modulus"), "only counters have one", "remove it, or add shows: counter")
        if "holds" in fields and shows not in (Shows.LEVEL, Shows.PULSE):
            self.form.problem((*path, "holds"), f"means nothing for {shows}", "remove it: it is for level and pulse")

    def _check_level(self, path: Path, kind: Kind, shows: Shows, fields: Mapping[str, Any]) -> None:
        if "does" in fields:
            self.form.problem((*path, "does"), f"means nothing for {shows}", "write values, or shows: counter or event")
        if "values" not in fields:
            if not self._has(path, "values") and not self._unread(path, fields):
                labels = listed(kind.labels, "or")
                self.form.problem(
                    path, f"has no values, which a {kind.name} role needs", f"add values: {labels} by raw"
                )
            return
        used = _labels_used(fields["values"])
        if kind.idle and NONE not in used:
            self.form.problem((*path, "values"), "has no idle value", f"add the raw value that means {NONE}")
        if not used - {NONE, UNKNOWN}:
            mend = f"add raw values for {listed(kind.happenings, 'or')}"
            self.form.problem((*path, "values"), f"tells nothing a {kind.name} role is for", mend)

    def _check_steps(self, path: Path, shows: Shows, fields: Mapping[str, Any], found: Found) -> None:
        tells = [name for name in ("values", "does") if self._has(path, name)]
        tells += ["details.action"] if "action" in fields.get("details", {}) else []
        if shows == Shows.COUNTER and "values" in tells:
            self.form.problem((*path, "values"), "means nothing for a counter", "write does, or the detail action")
        elif len(tells) > 1:
            self.form.problem(path, f"says what happens by {listed(tells)}", "keep one of them")
        elif not tells and not self._unread(path, fields):
            ways = "does, or the detail action" if shows == Shows.COUNTER else "values, does, or the detail action"
            self.form.problem(path, f"does not say what each {shows} means", f"add {ways}")
        if shows == Shows.EVENT and found.use is not None and found.use.send.cyclic:
            self.form.problem(
                (*path, "shows"),
                f"takes each frame of {found.message.name} for an occurrence, but it is sent {found.use.send}",
                "write shows: level, pulse or counter, or mend send under messages",
            )

    def _unread(self, path: Path, fields: Mapping[str, Any]) -> bool:
        """Whether the reading has a field that was refused, perhaps a misspelt one that is missing now."""
        return any(key[:-1] == path and key[-1] not in fields for key in self.form.file.keys)

    def _has(self, path: Path, name: str) -> bool:
        return (*path, name) in self.form.file.keys

    def _modulus(self, path: Path, shows: Shows, fields: Mapping[str, Any], spec: SignalSpec) -> int | None:
        if shows != Shows.COUNTER:
            return None
        if spec.is_float:
            self.form.problem(
                (*path, "signal"), f"{spec.name} is a floating-point number", "choose a whole-number signal"
            )
        full = 1 << len(spec.bits)
        stated: int | None = fields.get("modulus")
        if stated is not None and stated > full:
            what = f"{stated} is more than the {len(spec.bits)} bits of {spec.name} can count"
            self.form.problem((*path, "modulus"), what, f"write at most {full}")
        return stated or full

    def _factor(self, path: Path, fields: Mapping[str, Any], spec: SignalSpec) -> float:
        unit = fields.get("unit", spec.unit.strip() or "km/h")
        factor = KM_H.get(unit.lower())
        if factor is None:
            what = f"signal {spec.name} has the unit '{short(unit)}', which is no speed known here"
            self.form.problem((*path, "signal"), what, "choose a speed signal, or add unit: km/h, mph or m/s")
        return factor or 1.0

    def _closure(self, path: Path, fields: Mapping[str, Any]) -> str:
        closure: str = fields.get("closure", "")
        if closure and closure not in self.closures:
            what = f"'{short(closure)}' is no closure of this file"
            self.form.problem((*path, "closure"), what, did_you_mean(closure, self.closures))
        return closure

    def _when(self, path: Path, entries: Mapping[str, Any], found: Found) -> tuple[tuple[Any, tuple[int, ...]], ...]:
        read = []
        for name, entry in entries.items():
            at = (*path, name)
            if "." not in name:
                mend = f"write it such as {found.message.name}.{name}"
                self.form.problem(at, f"'{short(name)}' is not written Message.Signal", mend)
                continue
            other = self.bus.signal(at, name, of=found.ref.message)
            if other is None:
                continue
            wanted = raw_set(self.form, at, entry, other.spec)
            if other.spec.is_float:
                self.form.problem(at, f"{other.spec.name} is a floating-point number", "choose a whole-number signal")
            elif not wanted and entry == []:
                self.form.problem(at, "lists no value", "write the raw values it must hold")
            read.append((other.ref, wanted))
        return tuple(read)

    def _details(self, path: Path, entries: Mapping[str, Any], found: Found) -> tuple[Detail, ...]:
        read = (self._detail((*path, name), name, entry, found) for name, entry in entries.items())
        return tuple(detail for detail in read if detail is not None)

    def _detail(self, path: Path, name: str, entry: Any, found: Found) -> Detail | None:
        text, values = (entry, {}) if isinstance(entry, str) else (entry.get("signal"), entry.get("values", {}))
        if text is None:
            return None
        at = path if isinstance(entry, str) else (*path, "signal")
        other = self.bus.signal(at, text, of=found.ref.message)
        if other is None:
            return None
        if other.spec.is_float:
            self.form.problem(at, f"{other.spec.name} is a floating-point number", "choose a whole-number signal")
            return None
        if not values and name in ("action", "origin", "closure"):
            self.form.problem(
                path, "has no values", f"write {{signal: {text}, values: …}} with what each raw value means"
            )
            return None
        labels: dict[int, str] = {}
        checked: set[Path] = set()
        for raw, (label, place) in by_raw(self.form, (*path, "values"), values, other.spec).items():
            labels[raw] = label
            if place not in checked:
                checked.add(place)
                self._check_detail_label(place, name, label)
        return Detail(name, other.ref, labels)

    def _check_detail_label(self, path: Path, name: str, label: str) -> None:
        if name == "origin" and not origin_is_known(label):
            self.form.problem(path, f"'{short(label)}' is no source", did_you_mean(label, ORIGINS))
        known = KINDS["request"].labels if name == "action" else (*self.closures, UNKNOWN) if name == "closure" else ()
        if known and label not in known:
            what = "action" if name == "action" else "closure of this file"
            self.form.problem(path, f"'{short(label)}' is no {what}", did_you_mean(label, known))


def _labels_used(entries: Mapping[str, Any]) -> set[str]:
    used: set[str] = set()
    for entry in entries.values():
        used.update(entry.values() if isinstance(entry, dict) else (entry,))
    return used

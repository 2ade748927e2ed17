"""Loads a vehicle file: everything it says, checked, with all its mistakes at once."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from latchtrace.errors import UserFileError
from latchtrace.model.userfile import UserFile, check_version, load_user_file
from latchtrace.model.vehicle import Channel, Closure, Vehicle
from latchtrace.vehicle.bus import Bus, LoadDatabase
from latchtrace.vehicle.form import Form, short
from latchtrace.vehicle.layout import FILE, NOT_FITTED, VERSION
from latchtrace.vehicle.parameters import defaults
from latchtrace.vehicle.readings import ReadingReader
from latchtrace.vehicle.roles import RoleReader
from latchtrace.vehicle.words import did_you_mean


def load_vehicle(path: str | FilePath, load_database: LoadDatabase) -> Vehicle:
    """Read a vehicle file and the DBCs it names, and check one against the other.

    `load_database` reads one DBC. Raises UserFileError with every mistake, each with line and column, what is
    wrong and how to mend it.
    """
    return read_vehicle(load_user_file(path), FilePath(path), load_database)


def read_vehicle(file: UserFile, path: FilePath, load_database: LoadDatabase) -> Vehicle:
    """The vehicle in a file's data; `path` is where the file stands, for the DBCs beside it."""
    check_version(file, VERSION)
    form = Form(file)
    data = FILE.read(form, (), file.data)
    if data is None:
        raise UserFileError(form.problems)
    closures = _closures(data.get("closures", {}))
    groups = _groups(form, data, closures)
    channels = _channels(form, data)
    bus = Bus(form, channels, declared="channels" in data)
    bus.load(path.parent, load_database)
    bus.read_uses(data.get("messages", {}))
    names = tuple(closure.name for closure in closures)
    lockable = tuple(closure.name for closure in closures if closure.lockable)
    readings = ReadingReader(form, bus, names, lockable, tuple(groups))
    roles = RoleReader(form, readings).read(data.get("roles", {}))
    bus.check_ids()
    if form.problems:
        raise UserFileError(_once(form))
    return Vehicle(
        name=data["name"],
        system=data.get("system", ""),
        folder=str(path.parent),
        channels=channels,
        messages=bus.uses,
        closures=closures,
        lock_groups=groups,
        roles=roles,
        parameters=defaults() | data.get("parameters", {}),
        functions={name: text != NOT_FITTED for name, text in data.get("functions", {}).items()},
        timestamp_uncertainty=data.get("timestamp_uncertainty", 0),
        file=path.name,
    )


def _once(form: Form) -> list[Any]:
    return list(dict.fromkeys(form.problems))


def _closures(entries: Mapping[str, Mapping[str, Any]]) -> tuple[Closure, ...]:
    return tuple(
        Closure(
            name=name,
            title=fields.get("title", name.replace("-", " ").replace("_", " ")),
            lockable=fields.get("lockable", True),
            actuator=fields.get("actuator", "motor-in-latch"),
            rear=fields.get("rear", False),
            driver=fields.get("driver", False),
        )
        for name, fields in entries.items()
    )


def _groups(form: Form, data: Mapping[str, Any], closures: tuple[Closure, ...]) -> dict[str, tuple[str, ...]]:
    """The lock groups; one of every lockable closure where the file states none."""
    known = {closure.name: closure for closure in closures}
    if "lock_groups" not in data:
        lockable = tuple(closure.name for closure in closures if closure.lockable)
        return {"all": lockable} if lockable else {}
    for group, members in data["lock_groups"].items():
        path = ("lock_groups", group)
        if group in known:
            form.problem(path, "is the name of a closure as well", "choose another name for the group")
        for i, member in enumerate(members):
            place = (*path, i)
            if member not in known:
                mend = did_you_mean(member, known) or "declare it under closures"
                form.problem(place, f"'{short(member)}' is no closure of this file", mend)
            elif not known[member].lockable:
                form.problem(place, f"{member} is declared as not lockable", "remove it from the group")
            elif member in members[:i]:
                form.problem(place, f"{member} stands twice in the group", "keep it once")
        if not members:
            form.problem(path, "has no closure", "list the closures that move together, or remove it")
    return {group: tuple(members) for group, members in data["lock_groups"].items()}


def _channels(form: Form, data: Mapping[str, Any]) -> tuple[Channel, ...]:
    if "channels" not in data:
        if not data.get("dbc") and ("dbc",) not in form.file.keys and ("channels",) not in form.file.keys:
            form.problem((), "names no DBC", "add dbc: [file.dbc], or channels with a dbc each")
        return (Channel("", databases=tuple(data.get("dbc", ()))),)
    if "dbc" in data:
        form.problem(("dbc",), "stands beside channels", "move it under the channel it belongs to")
    known: dict[str, str] = {name: name for name in data["channels"]}
    for name, fields in data["channels"].items():
        for i, alias in enumerate(fields.get("aliases", ())):
            if known.setdefault(alias, name) != name:
                what = f"'{short(alias)}' is a name of channel {known[alias]} already"
                form.problem(("channels", name, "aliases", i), what, "let each name stand for one channel")
    return tuple(
        Channel(name, tuple(fields.get("aliases", ())), fields.get("bit_rate"), tuple(fields.get("dbc", ())))
        for name, fields in data["channels"].items()
    )

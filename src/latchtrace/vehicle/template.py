"""Writes the start of a vehicle file from DBCs: candidates per role as comments, nothing mapped by a guess."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import PurePath

from latchtrace.model.events import EventKind
from latchtrace.model.network import Database, MessageSpec
from latchtrace.model.quantity import time_text
from latchtrace.model.vehicle import REQUEST_SOURCES
from latchtrace.vehicle.candidates import Candidate, candidates, closures_in, proposed_values
from latchtrace.vehicle.kinds import KINDS, Kind
from latchtrace.vehicle.layout import VERSION
from latchtrace.vehicle.parameters import catalogue
from latchtrace.vehicle.words import listed

NOT_YET = "{not-visible: not mapped yet}"
_COMMON = ("front-left", "front-right", "rear-left", "rear-right", "tailgate")
_NOT_LOCKED = ("bonnet",)
_Messages = dict[tuple[str, str], MessageSpec]
"""Messages of candidates by message and database name."""


def new_vehicle_text(databases: Sequence[Database], names: Sequence[str]) -> str:
    """A commented vehicle file to start from; `names` are the DBC files as the file shall name them.

    It can be loaded as it is, with every role not visible. Candidates stand beside each role with their score
    and the words that speak for them.
    """
    closures = _closures(databases)
    found: _Messages = {}
    roles = list(_roles(databases, tuple(closures), found))
    lines = [
        "# A vehicle file to start from. Nothing is mapped yet: each role has its candidates above it, with a score",
        "# and the words that speak for them. Try them on a capture with `latchtrace vehicle check FILE CAPTURE`.",
        "# At a role stands a reading, such as {signal: Message.Signal, values: {0: shut, 1: open}}, or not-fitted, or",
        "# {not-visible: why}.",
        f"version: {VERSION}",
        "name: Unnamed vehicle              # what people call it",
        "# system: radio key with rolling code, decoder in the body module",
        "",
        *_networks(databases, names),
        "",
        *_closure_lines(closures),
        "",
        "# functions: {auto-relock: fitted, speed-lock: not-fitted}",
        "",
        *_message_lines(found),
        "",
        "roles:",
        *roles,
        "",
        *_parameter_lines(),
    ]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def plain(text: str) -> str:
    """Text as it may stand in a comment: one line, printable."""
    line = " ".join(text.split())
    kept = "".join(letter if letter.isprintable() else "?" for letter in line)
    return kept if len(kept) <= 80 else kept[:79] + "…"


def _networks(databases: Sequence[Database], names: Sequence[str]) -> Iterator[str]:
    if len(names) == 1:
        yield f"dbc: [{json.dumps(names[0], ensure_ascii=False)}]"
        return
    yield "channels:                          # one a network; aliases are the names captures call it by, such as can0"
    taken: set[str] = set()
    for name in names[: len(databases)]:
        base = re.sub(r"[^a-z0-9]+", "-", PurePath(name).stem.lower()).strip("-") or "channel"
        slug = next(s for s in (base, *(f"{base}-{i}" for i in range(2, len(names) + 2))) if s not in taken)
        taken.add(slug)
        yield f"  {slug}: {{aliases: [], dbc: [{json.dumps(name, ensure_ascii=False)}]}}"


def _closures(databases: Sequence[Database]) -> dict[str, str]:
    """The closures that names of latch, ajar and handle candidates speak of, each with one such signal."""
    found: dict[str, str] = {}
    for database in databases:
        for message in database.messages:
            for signal in message.signals:
                named = closures_in(f"{message.name} {signal.name}")
                for closure in named:
                    if closure not in found and _tells_of_closure(database, message, signal.name, closure):
                        found[closure] = f"{message.name}.{signal.name}"
    order = (*_COMMON[:4], "driver", "passenger", *_COMMON[4:], "bonnet", "fuel-flap")
    return {closure: found[closure] for closure in order if closure in found}


def _tells_of_closure(database: Database, message: MessageSpec, signal: str, closure: str) -> bool:
    alone = Database(database.name, (MessageSpec(message.name, message.can_id, message.extended, message.length,
                     message.is_fd, tuple(s for s in message.signals if s.name == signal)),))  # fmt: skip
    return any(candidates(role, [alone], closure) for role in ("latch", "ajar", "request.inside-handle"))


def _closure_lines(closures: dict[str, str]) -> Iterator[str]:
    yield "closures:                          # name the driver's door: {driver: true}; the rear doors: {rear: true}"
    if not closures:
        yield "  # no name in the DBC tells the closures: strike those the car does not have"
    for closure in closures or dict.fromkeys(_COMMON, ""):
        fields = "{lockable: false}" if closure in _NOT_LOCKED else "{}"
        reason = f"   # named by {closures[closure]}" if closures else ""
        yield f"  {closure}: {fields}{reason}"


def _roles(databases: Sequence[Database], closures: tuple[str, ...], found: _Messages) -> Iterator[str]:
    doors = closures or _COMMON
    yield from _whole_car("latch", databases, found)
    for closure in (closure for closure in doors if closure not in _NOT_LOCKED):
        yield from _role(f"latch.{closure}", "latch", databases, found, closure if closures else "")
    yield from _whole_car("ajar", databases, found)
    for closure in doors:
        yield from _role(f"ajar.{closure}", "ajar", databases, found, closure if closures else "")
    for source in REQUEST_SOURCES:
        yield from _role(f"request.{source}", f"request.{source}", databases, found)
    for kind in list(KINDS.values())[3:]:
        yield from _role(kind.name, kind.name, databases, found)


def _whole_car(role: str, databases: Sequence[Database], found: _Messages) -> Iterator[str]:
    """Candidates that name no closure, for a signal that tells of the whole car; comments only."""
    best = [one for one in candidates(role, databases) if not closures_in(one.name)]
    if best:
        yield f"  # {role}: one signal for the whole car instead, such as {{2: {{front-left: …, others: …}}}}"
        yield from _candidate_lines(KINDS[role], best, found)


def _candidate_lines(kind: Kind, best: Sequence[Candidate], found: _Messages) -> Iterator[str]:
    for candidate in best:
        found[candidate.message.name, candidate.database] = candidate.message
        yield f"  # candidate: {_suggestion(kind, candidate)}   # score {candidate.score}: {_why(candidate)}"
    if not best:
        yield "  # candidate: none found by name"


def _role(name: str, words: str, databases: Sequence[Database], found: _Messages, closure: str = "") -> Iterator[str]:
    kind = KINDS[words.partition(".")[0]]
    told = "km/h" if kind.numeric else listed(kind.labels, "or")
    yield f"  # {name}: {kind.meaning} ({told})"
    yield from _candidate_lines(kind, candidates(words, databases, closure), found)
    yield f"  {name}: {NOT_YET}"


def _suggestion(kind: Kind, candidate: Candidate) -> str:
    """The line that would map the candidate, as far as the DBC tells."""
    if kind.numeric:
        return f"{{signal: {candidate.name}}}"
    if kind.event == EventKind.REPORT:
        return candidate.name
    whole = kind.state and kind.by_closure and not closures_in(candidate.name)
    proposed = proposed_values(kind, candidate.signal, whole=whole)
    values = ", ".join(f"{raw}: {label}" for raw, label in proposed.items())
    return f"{{signal: {candidate.name}, values: {{{values or '…'}}}}}"


def _why(candidate: Candidate) -> str:
    signal = candidate.signal
    facts = [*candidate.reasons, f"in {plain(candidate.database)}"]
    if signal.choices:
        table = ", ".join(f"{raw} {plain(text)}" for raw, text in sorted(signal.choices.items())[:8])
        facts.append(f"the DBC says {table}")
    else:
        facts.append(f"{len(signal.bits)} bit{'s' if len(signal.bits) > 1 else ''}, values not named in the DBC")
    if signal.comment:
        facts.append(f"comment: {plain(signal.comment)}")
    return "; ".join(plain(fact) if len(fact) > 400 else fact for fact in facts)


def _message_lines(found: _Messages) -> Iterator[str]:
    yield "messages:                          # how each is sent: cyclic, on-change, cyclic-and-on-change or event"
    names = [name for name, _ in found]
    for (name, database), message in sorted(found.items()):
        if message.period:
            sent = f"{{send: cyclic, period: {_period_text(message.period)}}}   # the DBC states this cycle time"
        else:
            sent = "{send: …}   # the DBC states no cycle time; measure it with a capture"
        where = f", in {plain(database)}" if names.count(name) > 1 else ""
        yield f"  # {name}: {sent}{where}"


def _period_text(period: int) -> str:
    text = time_text(period)
    return text if re.fullmatch(r"\d+(\.\d+)? (ms|s)", text) else f"{period} ns"


def _parameter_lines() -> Iterator[str]:
    yield "parameters:                        # limits have no default: take them from the vehicle's own documentation"
    for limit in catalogue().values():
        given = f", {limit.default} where not stated" if limit.default else ""
        yield f"  # {limit.name}: {{value: …, origin: …}}   # {limit.meaning}{given}"

"""What a person saw or did while recording: read from a marks file, placed in the capture, set beside the findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from latchtrace.errors import Problem, UserFileError
from latchtrace.model.clock import Moment, parse_moment
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.quantity import parse_time, time_text
from latchtrace.model.results import Episode, Finding, Notice
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.userfile import UserFile, check_version, load_user_file

VERSION = 1
MOST_LIKELY = 2 * SECOND
"""How exactly a person notes a time where the file does not say (common practice)."""

_FIELDS = frozenset({"at", "uncertainty", "action", "note"})


@dataclass(frozen=True, slots=True)
class WrittenMark:
    """One mark as written: the moment still in the user's terms."""

    moment: Moment
    uncertainty: int
    action: str
    note: str


@dataclass(frozen=True, slots=True)
class Marks:
    """All marks of a file."""

    file: str
    written: tuple[WrittenMark, ...]

    def place(self, zero: int, clock_offset: int) -> tuple[LockEvent, ...]:
        """The marks as events in the capture's time base."""
        events = []
        for mark in self.written:
            at = Interval.at(mark.moment.resolve(zero, clock_offset)).widen(mark.uncertainty)
            events.append(LockEvent(EventKind.MARK, mark.action, mark.note, at, signal=self.file))
        return tuple(sorted(events, key=lambda event: (event.at.hi, event.at.lo, event.subject)))


def load_marks(path: str, zone: tzinfo | None) -> Marks:
    """Read a marks file; raises UserFileError with all its mistakes."""
    file = load_user_file(path)
    check_version(file, VERSION)
    data = file.data if isinstance(file.data, dict) else {}
    problems = _unknown_keys(file, (), data, frozenset({"version", "marks"}))
    if data.get("version") != str(VERSION):
        problems.append(file.problem(("version",), f"must be {VERSION}", f"write `version: {VERSION}`"))
    entries = data.get("marks")
    if not isinstance(entries, list) or not entries:
        problems.append(file.problem(("marks",), "holds no mark", "write `marks:` and a list"))
        entries = []
    written = [_mark(file, i, entry, zone, problems) for i, entry in enumerate(entries)]
    if problems:
        raise UserFileError(problems)
    return Marks(file.name, tuple(mark for mark in written if mark is not None))


def _unknown_keys(
    file: UserFile, path: tuple[str | int, ...], entry: Mapping[str, object], known: frozenset[str]
) -> list[Problem]:
    mend = f"use {', '.join(sorted(known))}"
    return [file.problem((*path, key), f"'{key}' is not known here", mend) for key in entry if key not in known]


def _mark(file: UserFile, i: int, entry: object, zone: tzinfo | None, problems: list[Problem]) -> WrittenMark | None:
    path: tuple[str | int, ...] = ("marks", i)
    if not isinstance(entry, dict) or not {"at", "action"} <= entry.keys():
        problems.append(file.problem(path, "needs at and action", "write `{at: +12.5, action: unlock}`"))
        return None
    before = len(problems)
    problems += _unknown_keys(file, path, entry, _FIELDS)
    texts: dict[str, str] = {}
    for name in entry.keys() & _FIELDS:
        if isinstance(entry[name], str):
            texts[name] = entry[name]
        else:
            problems.append(file.problem((*path, name), "must be text", "write one value, in quotes if need be"))
    if "action" in texts and not texts["action"].strip():
        problems.append(file.problem((*path, "action"), "is empty", "write what was done or seen"))
    moment, uncertainty = None, MOST_LIKELY
    try:
        moment = parse_moment(texts["at"], zone) if "at" in texts else None
    except ValueError as error:
        problems.append(file.problem((*path, "at"), str(error)))
    try:
        uncertainty = parse_time(texts["uncertainty"]) if "uncertainty" in texts else MOST_LIKELY
    except ValueError as error:
        problems.append(file.problem((*path, "uncertainty"), str(error)))
    if moment is None or len(problems) > before:
        return None
    return WrittenMark(moment, uncertainty, texts["action"], texts.get("note", ""))


def mark_notices(
    marks: Sequence[LockEvent],
    findings: Sequence[Finding],
    episodes: Sequence[Episode],
    zero: int,
    events: Sequence[LockEvent] = (),
) -> list[Notice]:
    """For each mark, what the capture shows at that time: a finding, an episode, an opening, or nothing at all."""
    notices = []
    for mark in marks:
        when = f"your mark '{mark.subject}' at {time_text(mark.at.lo - zero)} to {time_text(mark.at.hi - zero)}"
        near = [finding for finding in findings if finding.at.overlaps(mark.at)]
        acts = [one for one in episodes if Interval(one.at.lo, max(one.at.lo, one.end)).overlaps(mark.at)]
        if near:
            text = f"{when}: {near[0].id}, {near[0].message}"
        elif acts:
            text = f"{when}: {acts[0].id}, {acts[0].action} by {acts[0].origin}"
        elif moved := [one for one in events if one.kind is EventKind.AJAR and one.change and one.at.overlaps(mark.at)]:
            text = f"{when}: {' and '.join(f'{one.subject} {one.value}' for one in moved)}, and no action of the locks"
        else:
            text = f"{when}: the network shows no action of the locks then"
        notices.append(Notice("mark", text))
    return notices

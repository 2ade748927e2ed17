"""What a capture shows of each role of a vehicle file, so that a mapping can be trusted before it is used."""

from __future__ import annotations

from dataclasses import dataclass

from latchtrace.model.vehicle import RoleStatus


@dataclass(frozen=True, slots=True)
class ValueSeen:
    """One raw value a signal took: its label ("" = none in the vehicle file), how often it began, how long it held.

    `held` in nanoseconds, over the stretches in which the value is known; for event frames only `times` counts.
    """

    raw: int
    label: str
    times: int
    held: int


@dataclass(frozen=True, slots=True)
class ReadingReport:
    """One signal of a role as the capture shows it; periods in nanoseconds.

    `send_found` is what the spacing of the frames looks like, "" where too few tell. `values` are in order of
    raw value (labelled signals only); `lowest` and `highest` are scaled (numeric signals only). `changes`
    counts changes of the signal, or frames of an event message.
    """

    signal: str
    channel: str
    can_id: int | None
    extended: bool
    frames: int
    changes: int
    values: tuple[ValueSeen, ...] = ()
    lowest: float | None = None
    highest: float | None = None
    send_stated: str = ""
    send_found: str = ""
    period_stated: int | None = None
    period_found: int | None = None
    mirrors: tuple[str, ...] = ()

    @property
    def unlabelled(self) -> tuple[ValueSeen, ...]:
        """The values the vehicle file gives no label."""
        return tuple(value for value in self.values if not value.label)


@dataclass(frozen=True, slots=True)
class RoleReport:
    """One role: what the file says of it, its readings, what happened, and what looks wrong.

    `events` counts what happened (changes, not states first seen); `first` is the time of the first of them
    (capture time base), `first_value` what it was. `doubts` say in plain words what speaks against the mapping
    (polarity, send type, values without a label); `notes` what else is worth knowing.
    """

    role: str
    status: RoleStatus
    note: str = ""
    readings: tuple[ReadingReport, ...] = ()
    events: int = 0
    first: int | None = None
    first_value: str = ""
    doubts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

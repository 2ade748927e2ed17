"""When a key with rolling code was out of step with its decoder, and how it came back.

Told from the steps of `rolling_code`, without any counter: only leads, times and places in the sequence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from latchtrace.model.time import Interval
from latchtrace.rules.trackers.rolling_code import ACCEPTING, AHEAD, Limits, Result, Standing, Step


class Way(StrEnum):
    """How a key came back.

    `two-in-a-row`: by two presses in a row. `procedure`: accepted with a lead beyond the window and not as the second
    of two in a row, so the cylinder or a procedure brought it back (or the stated window is too small).
    `within-window`: what was accepted leads by no more than the window, so it is an older press than those that
    failed. `unknown`: presses could have happened unseen, or the frames do not tell.
    """

    TWO_IN_A_ROW = "two-in-a-row"
    PROCEDURE = "procedure"
    WITHIN_WINDOW = "within-window"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Spell:
    """A time in which a key was desynchronised: from its first press refused beyond the window until it came back.

    `failed`, `unsure` and `back` are indices of the key's steps: the presses that failed beyond the window, the first
    one too; those in between of which that is not certain; and the one that was accepted. `lead` is that of the first
    one that failed, `last_lead` of the last one. `refused` tells whether the decoder's own answer shows that one of
    them failed. `back`, `until` and `way` are None while it lasts. Holds no counter.
    """

    since: Interval
    lead: int
    last_lead: int
    failed: tuple[int, ...]
    unsure: tuple[int, ...] = ()
    refused: bool = False
    back: int | None = None
    until: Interval | None = None
    way: Way | None = None


def desynchronised(steps: Sequence[Step], limits: Limits) -> tuple[Spell, ...]:
    """Every time in which the key was desynchronised, in order; the last one may still last."""
    spells: list[Spell] = []
    open_: Spell | None = None
    for i, step in enumerate(steps):
        if open_ is None:
            if _failed(step) and step.lead is not None:
                open_ = Spell(step.attempt.at, step.lead, step.lead, (i,), refused=_refused(step))
        elif step.worked:
            way = _way(steps[i - 1], step, limits)
            spells.append(replace(open_, back=i, until=step.attempt.at, way=way))
            open_ = None
        else:
            open_ = _goes_on(open_, i, step)
    return (*spells, open_) if open_ is not None else tuple(spells)


def _failed(step: Step) -> bool:
    """Whether a press surely failed with a lead beyond the window."""
    return step.possible <= AHEAD and step.worked is False


def _refused(step: Step) -> bool:
    return step.attempt.result == Result.REFUSED


def _goes_on(spell: Spell, place: int, step: Step) -> Spell:
    """The spell with one more press that was not, or not certainly, accepted."""
    if _failed(step):
        last = spell.last_lead if step.lead is None else step.lead
        failed = (*spell.failed, place)
        return replace(spell, failed=failed, last_lead=last, refused=spell.refused or _refused(step))
    if step.possible & AHEAD:
        return replace(spell, unsure=(*spell.unsure, place))
    return spell


def _way(before: Step, step: Step, limits: Limits) -> Way:
    """How an accepted press brought the key back."""
    if step.possible <= ACCEPTING - AHEAD:
        return Way.WITHIN_WINDOW
    if step.possible == {Standing.BEYOND_WINDOW}:
        return Way.PROCEDURE
    if step.possible == {Standing.RESYNCHRONISED} or (step.possible == AHEAD and _in_a_row(before, step, limits)):
        return Way.TWO_IN_A_ROW
    return Way.UNKNOWN


def _in_a_row(before: Step, step: Step, limits: Limits) -> bool:
    first, second = before.attempt.counter, step.attempt.counter
    return first is not None and second is not None and limits.lead(first, second) == 1

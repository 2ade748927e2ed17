"""A scenario that asks for what cannot happen."""

from __future__ import annotations


class StepError(Exception):
    """A step of the timeline makes no sense at its moment; carries what is wrong and how to mend it."""

    def __init__(self, what: str, mend: str) -> None:
        super().__init__(what)
        self.what, self.mend = what, mend

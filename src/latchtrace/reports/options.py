"""How reports are to be made: what may be shown, and by which clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, tzinfo

from latchtrace.model.clock import Clock
from latchtrace.model.frames import CaptureReport


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """What every report is told.

    `zone` and `clock_offset` (nanoseconds to add to the recorder's clock) decide how times read. `captures`,
    `vehicle` and `rules` (a folder of more rules) are what was analysed, as the user named it, for the commands that
    a report suggests.
    """

    show_codes: bool = False
    zone: tzinfo = UTC
    clock_offset: int = 0
    captures: tuple[str, ...] = ()
    vehicle: str = ""
    rules: str = ""

    def clock(self, capture: CaptureReport) -> Clock:
        """The clock that shows this capture's times."""
        return Clock(capture.zero, self.zone, self.clock_offset)

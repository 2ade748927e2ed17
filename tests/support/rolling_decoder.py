"""A decoder of rolling codes as its datasheets describe it, written apart from the tracker: it receives every press.

It counts the lead step by step, remembers one counter per key and one held back. "A typical implementation" (HCS410
4.3.1, HCS500 3.5, HCS515 3.4, HCS360 7.3, code-hopping encoder and decoder datasheets). That an accepted press
forgets the held counter is a choice; whether any other press between two in a row does is open, so the caller says.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Decoder:
    """One key of it. `size` is how many values the counter has."""

    stored: int
    window: int
    resync: int
    size: int
    held: int | None = None

    def lead(self, counter: int) -> int:
        """How many presses it takes from the stored counter to this one."""
        steps, at = 0, self.stored
        while at != counter:
            at = 0 if at == self.size - 1 else at + 1
            steps += 1
        return steps

    def press(self, counter: int, forgets: bool = False) -> tuple[str, bool]:
        """What it makes of a press, and whether it accepts; where it `forgets`, any other press clears the held one."""
        lead = self.lead(counter)
        if lead in range(1, self.window + 1):
            self.stored, self.held = counter, None
            return ("next" if lead == 1 else "in-window"), True
        if lead == 0 or lead > self.resync:
            if forgets:
                self.held = None
            return ("repeat" if lead == 0 else "behind"), False
        awaited = None if self.held is None else (0 if self.held == self.size - 1 else self.held + 1)
        if counter == awaited:
            self.stored, self.held = counter, None
            return "resynchronised", True
        self.held = counter
        return "beyond-window", False

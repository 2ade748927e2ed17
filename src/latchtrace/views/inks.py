"""The colours of pictures, by theme: a published palette that colour-blind people can tell apart.

Palette of Masataka Okabe and Kei Ito, "Color Universal Design" (2002, 2008); lighter or darker where the theme's
paper would swallow it. No colour stands alone: shape, outline or text says the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_HOLLOW = frozenset({"unlock"})


@dataclass(frozen=True, slots=True)
class Ink:
    """One theme's colours."""

    paper: str
    ink: str
    faint: str
    rule: str
    margin: str
    wash: str
    gap: str
    neutral: str
    outline: str
    tones: Mapping[str, str]

    def tone(self, tone: str) -> str:
        """The colour of a tone; what has none of its own is neutral."""
        return self.tones.get(tone, self.neutral)

    def severity(self, severity: str) -> str:
        """The colour of a finding."""
        return self.tones[severity]

    def hollow(self, tone: str) -> bool:
        """Whether the tone's sign is an empty box."""
        return tone in _HOLLOW


def _tones(blue: str, sky: str, orange: str, red: str, green: str, purple: str, yellow: str) -> dict[str, str]:
    timer = ("relocked", "cancelled", "locked-otherwise", "restarted", "ignition-on", "ran-out", "not-seen", "due")
    return {
        **dict.fromkeys(("lock", "locked", "speed"), blue),
        **dict.fromkeys(("unlock", "unlocked", "warning"), orange),
        **dict.fromkeys(("deadlock", "deadlocked"), purple),
        **dict.fromkeys(("release", "accepted", "decoded"), green),
        **dict.fromkeys(("refused", "undecoded", "fault"), red),
        **dict.fromkeys(("open", "note", *timer), sky),
        "on": yellow,
    }


INKS: Mapping[str, Ink] = {
    "light": Ink(
        paper="#fcfaf4",
        ink="#22262e",
        faint="#626772",
        rule="#e3ded1",
        margin="#b4472f",
        wash="#e9eef1",
        gap="#d5d2cb",
        neutral="#8a8d92",
        outline="#22262e",
        tones=_tones("#0072b2", "#56b4e9", "#e69f00", "#d55e00", "#009e73", "#a8487f", "#f0e442"),
    ),
    "dark": Ink(
        paper="#181b20",
        ink="#e9e4d8",
        faint="#9ba0a8",
        rule="#2b3037",
        margin="#e0785f",
        wash="#20262d",
        gap="#3a3f47",
        neutral="#7f858e",
        outline="#d9d4c8",
        tones=_tones("#56b4e9", "#56b4e9", "#e69f00", "#f2743a", "#2fc49b", "#cc79a7", "#f0e442"),
    ),
}

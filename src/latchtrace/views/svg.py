"""A stretch of the swimlane as a small SVG picture, for reports on screen and paper.

No script, no style sheet, no reference to anything else: colours are attributes, hatches are lines, every text is
escaped. The same stretch gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from latchtrace.model.clock import Clock
from latchtrace.views.detail import (
    BAND_KINDS,
    BANDS,
    BARS,
    CURVE,
    EVERYWHERE,
    MARKS,
    MERGE_PIXELS,
    OF_CHANNEL,
    SEVERAL,
    SEVERITIES,
    SPANS,
    UNCOUNTED,
    Block,
    Detail,
    Viewport,
)
from latchtrace.views.inks import INKS, Ink
from latchtrace.views.swimlane import Lane, LaneKind, Swimlane
from latchtrace.views.terms import term
from latchtrace.views.ticks import ticks
from latchtrace.views.wording import moment_text

GUTTER = 118
AXIS, STRIP, GAP = 16, 16, 7
HEIGHTS = {LaneKind.EVENTS: 16, LaneKind.STATES: 16, LaneKind.CONTACT: 8, LaneKind.TIMER: 16, LaneKind.CURVE: 34}
GLYPH = 5.3
"""About how wide a letter of the picture's small text is, in pixels."""

_QUIET = frozenset({"locked", "off", "shut", "unknown"})


@lru_cache(maxsize=2)
def _detail(swimlane: Swimlane) -> Detail:
    return Detail(swimlane)


def swimlane_svg(
    swimlane: Swimlane, t0: int, t1: int, width: int, theme: str = "light", times: Clock | None = None
) -> str:
    """The stretch from `t0` to `t1` (nanoseconds, capture time base) as an SVG element `width` pixels wide.

    `theme` is `light` or `dark`; `times` says how the axis reads (by default the capture's clock in UTC).
    """
    t1 = max(t1, t0 + 1)
    clock = times or Clock(swimlane.zero)
    picture = _Picture(swimlane, Viewport(t0, t1, max(width - GUTTER, 50)), INKS[theme], clock)
    height = picture.height
    label = f"What happened from {moment_text(t0, clock)} to {moment_text(t1, clock)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" aria-label={quoteattr(label)} font-family="Liberation Sans, Arial, sans-serif" font-size="10" '
        f'fill="{INKS[theme].ink}">{"".join(picture.parts())}</svg>'
    )


class _Picture:
    """Writes one picture, part by part, back to front."""

    def __init__(self, swimlane: Swimlane, viewport: Viewport, ink: Ink, clock: Clock) -> None:
        self.swimlane, self.viewport, self.ink, self.clock = swimlane, viewport, ink, clock
        self.detail = _detail(swimlane)
        self.scale = viewport.pixels / viewport.span
        self.tops: list[int] = []
        y, group = AXIS + STRIP, ""
        for lane in swimlane.lanes:
            y += GAP if lane.group != group and lane.kind is not LaneKind.CONTACT else 0
            group = lane.group
            self.tops.append(y)
            y += HEIGHTS[lane.kind]
        self.height = y + 4

    def x(self, offset: float) -> float:
        """Where an offset of the viewport lies, kept inside the picture."""
        at = float(offset) * (1 << self.viewport.shift) * self.scale
        return GUTTER + min(max(at, 0.0), float(self.viewport.pixels))

    def parts(self) -> Iterable[str]:
        """The whole picture."""
        blocks = [block for block in self.detail.blocks(self.viewport, MERGE_PIXELS) if block[2]]
        yield from (part for block in blocks if block[0] == BANDS for part in self._bands(block))
        yield from self._frame()
        for block in blocks:
            kind, index, _, _ = block
            if kind == MARKS:
                yield from self._marks(block)
            elif kind != BANDS:
                lane, top = self.swimlane.lanes[index], self.tops[index]
                yield from _PAINTERS[kind](self, lane, top, block)

    def _frame(self) -> Iterable[str]:
        ink, right = self.ink, GUTTER + self.viewport.pixels
        for tick in ticks(self.viewport.t0, self.viewport.t1, self.viewport.pixels // 95, self.clock):
            x = GUTTER + (tick.t - self.viewport.t0) * self.scale
            yield f'<path d="M{x:.1f} {AXIS - 4}V{self.height - 4}" stroke="{ink.rule}"/>'
            if x < right - GLYPH * len(tick.text):
                yield _text(x + 3, AXIS - 6, tick.text, ink.faint)
        rules = "".join(
            f"M{GUTTER} {top + HEIGHTS[lane.kind]}H{right}"
            for lane, top in zip(self.swimlane.lanes, self.tops, strict=True)
        )
        yield f'<path d="{rules}" stroke="{ink.rule}" fill="none"/>'
        yield f'<path d="M{GUTTER} {AXIS}H{right}" stroke="{ink.ink}"/>'
        yield f'<path d="M{GUTTER} 0V{self.height}" stroke="{ink.margin}"/>'
        yield _text(GUTTER - 6, AXIS + 11, term("lanes", "findings"), ink.ink, ' text-anchor="end" font-weight="bold"')
        for lane, top in zip(self.swimlane.lanes, self.tops, strict=True):
            small = lane.kind is LaneKind.CONTACT
            title = _shortened(lane.short or lane.title)
            size = ' font-size="7.5"' if small else ""
            y = top + HEIGHTS[lane.kind] / 2 + (2.5 if small else 3.5)
            yield _text(GUTTER - 6, y, title, ink.faint if small else ink.ink, f' text-anchor="end"{size}')

    def _bands(self, block: Block) -> Iterable[str]:
        start, end, scope, what = block[3]
        for i in range(block[2]):
            left, right = self.x(start[i]), self.x(end[i])
            wash = self.ink.wash if BAND_KINDS[int(what[i])] == "sleep" else self.ink.gap
            for number, lane in enumerate(self.swimlane.lanes):
                if self._in_scope(int(scope[i]), number, lane):
                    yield _rect(left, self.tops[number], max(right - left, 1), HEIGHTS[lane.kind], wash)

    def _in_scope(self, scope: int, number: int, lane: Lane) -> bool:
        if scope == EVERYWHERE:
            return True
        if scope & OF_CHANNEL:
            channels = self.detail.channels
            return lane.channel == channels[scope - OF_CHANNEL] if lane.channel else len(channels) < 2
        return scope == number

    def _marks(self, block: Block) -> Iterable[str]:
        if not block[2]:
            return
        start, end, ordinal, count, severity = block[3]
        y = AXIS + STRIP / 2
        for i in range(block[2]):
            left, right = self.x(start[i]), self.x(end[i])
            kind = SEVERITIES[int(severity[i])]
            colour = self.ink.severity(kind)
            if right - left > 4:
                yield _rect(left, y + 5, right - left, 1.5, colour)
            yield _sign(kind, left, y, colour, self.ink.outline)
            several = int(count[i]) > 1
            label = str(int(count[i])) if several else self.swimlane.marks[int(ordinal[i])].id
            yield _text(left + 7, y + 3.5, label, self.ink.ink)

    def spans(self, lane: Lane, top: float, block: Block) -> Iterable[str]:
        """Moments and states."""
        start_lo, start_hi, end_lo, end_hi, code = block[3]
        for i in range(block[2]):
            value = lane.values[int(code[i]) & ~UNCOUNTED]
            soft, left = self.x(start_lo[i]), self.x(start_hi[i])
            right = max(self.x(end_hi[i]), min(left + MERGE_PIXELS, GUTTER + self.viewport.pixels))
            firm = max(self.x(end_lo[i]), left)
            after = self.x(start_lo[i + 1]) if i + 1 < block[2] else GUTTER + self.viewport.pixels
            colour = self.ink.tone(value.tone)
            if left - soft > 1.5:
                yield _rect(soft, top + 4, left - soft, HEIGHTS[lane.kind] - 6, colour, 0.25)
            painter = _event if lane.kind is LaneKind.EVENTS else _state
            yield from painter(self.ink, lane, value.tone, colour, (left, firm, right, top))
            room = after - left if lane.kind is LaneKind.EVENTS else right - left
            quiet = value.tone in _QUIET
            if lane.kind is not LaneKind.CONTACT and room > 14 + GLYPH * len(value.text) and value.tone != "due":
                y = top + (9 if quiet else 11.5)
                yield _text(left + (9 if lane.kind is LaneKind.EVENTS else 4), y, value.text, self._caption(quiet))

    def _caption(self, quiet: bool) -> str:
        return self.ink.faint if quiet else self.ink.ink

    def bars(self, lane: Lane, top: float, block: Block) -> Iterable[str]:
        """What is too dense to tell apart."""
        start, end, count, code, share = block[3]
        most = HEIGHTS[lane.kind] - 4
        for i in range(block[2]):
            left = self.x(start[i])
            wide = max(self.x(end[i]) - left, MERGE_PIXELS)
            tall = max(3.0, most * int(share[i]) / 255)
            one = lane.kind is LaneKind.EVENTS and int(code[i]) != SEVERAL
            colour = self.ink.tone(lane.values[int(code[i])].tone) if one else self.ink.neutral
            title = f"<title>{int(count[i])}</title>"
            yield _rect(left, top + HEIGHTS[lane.kind] - 1 - tall, wide, tall, colour, 1.0, title)

    def curve(self, lane: Lane, top: float, block: Block) -> Iterable[str]:
        """A number over time, with its threshold."""
        t, value = block[3]
        curve = lane.curve
        assert curve is not None
        low, tall = top + HEIGHTS[lane.kind] - 3, HEIGHTS[lane.kind] - 8
        path, last = [], np.nan
        for i in range(block[2]):
            x, y = self.x(t[i]), low - min(float(value[i]), curve.top) / curve.top * tall
            if not np.isnan(last):
                path.append(f"H{x:.1f}")
            if not np.isnan(value[i]):
                path.append(f"V{y:.1f}" if not np.isnan(last) else f"M{x:.1f} {y:.1f}")
            last = value[i]
        yield f'<path d="{"".join(path)}" fill="none" stroke="{self.ink.tone("speed")}" stroke-width="1.3"/>'
        if curve.threshold is not None:
            y = low - curve.threshold / curve.top * tall
            right = GUTTER + self.viewport.pixels
            yield f'<path d="M{GUTTER} {y:.1f}H{right}" stroke="{self.ink.ink}" stroke-dasharray="4 3"/>'
            text = f"{curve.threshold:g} {curve.unit}"
            yield _text(right - 3, y - 2, text, self.ink.ink, ' text-anchor="end" font-size="8.5"')


_PAINTERS = {SPANS: _Picture.spans, BARS: _Picture.bars, CURVE: _Picture.curve}
_Box = tuple[float, float, float, float]


def _event(ink: Ink, lane: Lane, tone: str, colour: str, box: _Box) -> Iterable[str]:
    left, firm, right, top = box
    tall = HEIGHTS[lane.kind] - 3
    if right - left > 3:
        yield _rect(left, top + 5, max(firm, right - 1) - left, tall - 4, colour, 0.3)
    yield _rect(left, top + 1, 1.8, tall, ink.ink if ink.hollow(tone) else colour)
    fill = ink.paper if ink.hollow(tone) else colour
    line = ink.ink if ink.hollow(tone) else colour
    yield f'<rect x="{left:.1f}" y="{top + 1.6:.1f}" width="5.5" height="5.5" fill="{fill}" stroke="{line}"/>'


def _state(ink: Ink, lane: Lane, tone: str, colour: str, box: _Box) -> Iterable[str]:
    left, _, right, top = box
    height = HEIGHTS[lane.kind]
    if tone in _QUIET:
        if lane.kind is LaneKind.CONTACT and tone == "shut":
            return
        dash = ' stroke-dasharray="1.5 3"' if tone == "unknown" else ""
        line = colour if tone == "locked" else ink.faint
        weight = 2 if tone == "locked" else 1
        y = top + height - 3
        yield f'<path d="M{left:.1f} {y}H{right:.1f}" stroke="{line}" stroke-width="{weight}"{dash}/>'
        return
    inset = 1 if lane.kind is LaneKind.CONTACT else 2
    strength = 0.0 if tone == "due" else 0.5
    outline = f' stroke="{ink.outline}"' if right - left > 3 or tone == "due" else ""
    wide = max(right - left, MERGE_PIXELS)
    yield (
        f'<rect x="{left:.1f}" y="{top + inset}" width="{wide:.1f}" height="{height - 2 * inset}" fill="{colour}" '
        f'fill-opacity="{strength if right - left > 3 else 1}"{outline}/>'
    )
    if tone in ("open", "deadlocked") and right - left > 6:
        yield _hatch(left, right, top + inset, height - 2 * inset, ink.outline)


def _hatch(left: float, right: float, top: float, height: float, colour: str) -> str:
    pace = max(5.0, (right - left) / 60)
    lines = int((right - left - height) // pace)
    path = "".join(f"M{left + i * pace:.1f} {top + height}l{height} -{height}" for i in range(max(lines, 0)))
    return f'<path d="{path}" stroke="{colour}" stroke-width="0.7"/>' if path else ""


def _sign(kind: str, x: float, y: float, colour: str, outline: str) -> str:
    shape = {"fault": "m-5 -5h10l-5 10z", "warning": "m0 -5l5 5l-5 5l-5 -5z"}.get(kind)
    if shape is None:
        return f'<circle cx="{x:.1f}" cy="{y}" r="4" fill="{colour}" stroke="{outline}"/>'
    return f'<path d="M{x:.1f} {y}{shape}" fill="{colour}" stroke="{outline}"/>'


def _rect(x: float, y: float, wide: float, tall: float, colour: str, strength: float = 1.0, inside: str = "") -> str:
    faint = f' fill-opacity="{strength:g}"' if strength < 1 else ""
    end = f">{inside}</rect>" if inside else "/>"
    return f'<rect x="{x:.1f}" y="{y:g}" width="{wide:.1f}" height="{tall:.3g}" fill="{colour}"{faint}{end}'


def _text(x: float, y: float, text: str, colour: str, more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:g}" fill="{colour}"{more}>{escape(_clean(text))}</text>'


def _clean(text: str) -> str:
    """Text without the control characters and half characters that XML does not know."""
    return "".join(letter if _known(letter) else " " for letter in text)


def _known(letter: str) -> bool:
    return " " <= letter < "\ud800" or "\ue000" <= letter <= "\ufffd" or letter > "\uffff"


def _shortened(text: str) -> str:
    most = int((GUTTER - 8) / GLYPH)
    return text if len(text) <= most else f"{text[: most - 1]}…"

"""Which frames of a message the reader must let through so that the wanted signals can be followed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

from latchtrace.errors import NetworkError
from latchtrace.model.network import MessageSpec, SignalSpec
from latchtrace.model.plan import Emit, MessageKey, MessagePlan, Pages
from latchtrace.model.time import MILLISECOND
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.bits import bytes_needed

MOST_PAGES = 4096
JITTER = 2 * MILLISECOND
"""Allowance on top of 1.5 periods before a cyclic message counts as silent (common practice, no source)."""


def message_plan(
    spec: MessageSpec, use: MessageUse, signals: Sequence[str], channel: str | None, every: bool
) -> MessagePlan:
    """What the reader lets through of one message so that these signals can be followed.

    The mask covers the wanted signals, the multiplexers above them and, for event and on-change messages, the
    alive counter. Pages that take turns are compared each with its own last frame, as long as every wanted
    signal is on exactly one page; signals on several pages or on all of them would hide a change and its
    return that way, so there each change of page comes through as well. Signals under different multiplexers:
    every frame comes through. Raises NetworkError for a signal the message does not have or of over 64 bits.
    """
    wanted = wanted_specs(spec, use, signals)
    paging = page_mode(spec, use, wanted)
    masks = _Masks(spec, wanted, paging)
    always = every or use.send is SendType.EVENT or paging.emit_all
    return MessagePlan(
        key=MessageKey(channel, spec.can_id, spec.extended),
        emit=Emit.ALWAYS if always else Emit.CHANGE,
        pages=paging.pages,
        mask=masks.other,
        selector=paging.selector,
        page_masks=masks.by_page,
        shortest=min(max((bytes_needed(signal.bits) for signal in masks.needed), default=0), spec.length),
        silence_limit=silence_limit(spec, use),
        period=sending_period(spec, use),
    )


def sending_period(spec: MessageSpec, use: MessageUse) -> int | None:
    """The period of a cyclic message (vehicle file, else DBC) in nanoseconds; None for other send types."""
    return (use.period or spec.period) if use.send.cyclic else None


def silence_limit(spec: MessageSpec, use: MessageUse) -> int | None:
    """Nanoseconds without a frame from which on frames of a cyclic message are missing; None for other types."""
    period = sending_period(spec, use)
    return period * 3 // 2 + JITTER if period else None


def loss_counter(spec: MessageSpec, use: MessageUse) -> SignalSpec | None:
    """The alive counter that shows lost frames of an event or on-change message, where the vehicle file names one."""
    if use.counter is None or use.send.cyclic:
        return None
    return _find(spec, use.counter)


def wanted_specs(spec: MessageSpec, use: MessageUse, signals: Sequence[str]) -> tuple[SignalSpec, ...]:
    """The signals to follow, the alive counter with them, each once."""
    found = {name: _find(spec, name) for name in signals}
    if counter := loss_counter(spec, use):
        found[counter.name] = counter
    return tuple(found.values())


def _find(spec: MessageSpec, name: str) -> SignalSpec:
    signal = spec.signal(name)
    if signal is None:
        raise NetworkError(f"{spec.name}: has no signal '{name}'; name one of the message in the DBC")
    if len(signal.bits) > 64:
        raise NetworkError(f"{spec.name}.{name}: is {len(signal.bits)} bits long; name a signal of at most 64 bits")
    return signal


@dataclass(frozen=True, slots=True)
class Paging:
    """How a message's multiplexing shapes the plan; `selectors` are the multiplexers above the wanted signals."""

    pages: Pages = Pages.NONE
    selectors: tuple[SignalSpec, ...] = ()
    emit_all: bool = False

    @property
    def selector(self) -> int:
        """The bits of all selectors as one mask."""
        mask = 0
        for signal in self.selectors:
            mask |= signal.mask
        return mask

    def own_page(self, signal: SignalSpec) -> bool:
        """Whether `previous_page` of a row tells when this signal was seen before."""
        return bool(self.selectors) and bool(signal.multiplexers) and _page_count(signal) == 1


def page_mode(spec: MessageSpec, use: MessageUse, wanted: Sequence[SignalSpec]) -> Paging:
    """How the pages of a message must be treated for these signals (the alive counter among them)."""
    chains = {tuple(name for name, _ in signal.multiplexers) for signal in wanted}
    multiplexed = chains - {()}
    if not multiplexed:
        return Paging()
    selectors = [spec.signal(name) for name in next(iter(multiplexed))]
    if len(multiplexed) > 1 or None in selectors:
        return Paging(emit_all=True)
    known = tuple(signal for signal in selectors if signal is not None)
    everywhere = () in chains or any(_page_count(signal) != 1 for signal in wanted)
    return Paging(Pages.KIND if use.kind_pages or everywhere else Pages.ROTATING, known)


def _page_count(signal: SignalSpec) -> int:
    return prod(len(ids) for _, ids in signal.multiplexers)


class _Masks:
    """The masks of a plan: of each page that carries a wanted signal, and of all others."""

    def __init__(self, spec: MessageSpec, wanted: Sequence[SignalSpec], paging: Paging) -> None:
        above = {name: spec.signal(name) for signal in wanted for name, _ in signal.multiplexers}
        self.needed = [*wanted, *(signal for signal in above.values() if signal is not None)]
        self.other = 0
        self.by_page: dict[int, int] = {}
        paged = [signal for signal in wanted if signal.multiplexers] if paging.selectors else []
        if sum(_page_count(signal) for signal in paged) > MOST_PAGES:
            paged = []
        own = {signal.name for signal in paged}
        for signal in self.needed:
            if signal.name not in own:
                self.other |= signal.mask
        for signal in paged:
            for page in _pages(signal, paging.selectors):
                self.by_page[page] = self.by_page.get(page, self.other) | signal.mask


def _pages(signal: SignalSpec, selectors: Sequence[SignalSpec]) -> list[int]:
    """The masked selector bits of every page that carries a signal."""
    by_name: Mapping[str, tuple[int, ...]] = dict(signal.multiplexers)
    choices = [[deposit(selector, value) for value in by_name[selector.name]] for selector in selectors]
    return [sum(combination) for combination in product(*choices)]


def deposit(signal: SignalSpec, raw: int) -> int:
    """A raw value put where the signal's bits are, the payload read little-endian; other bits 0."""
    payload = 0
    for place, bit in enumerate(signal.bits):
        payload |= (raw >> place & 1) << bit
    return payload

"""What the reader is asked to let through: compiled once, from the rules in use down to bit masks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


def id_text(can_id: int, extended: bool) -> str:
    """An id as people and captures write it: three hex digits, or eight for a 29-bit one."""
    return f"{can_id:08X}" if extended else f"{can_id:03X}"


@dataclass(frozen=True, slots=True, order=True)
class MessageKey:
    """A message on the wire; `channel` None stands for every channel of the capture."""

    channel: str | None
    can_id: int
    extended: bool = False

    def __str__(self) -> str:
        number = id_text(self.can_id, self.extended)
        return f"{self.channel}:{number}" if self.channel else number


class Emit(StrEnum):
    """Which frames of a message come through."""

    CHANGE = "change"  # those whose masked payload differs from the last one of this message (and page)
    ALWAYS = "always"  # every one: a repeated event frame with the same bytes is a new event


class Pages(StrEnum):
    """What a multiplexer means for change detection."""

    NONE = "none"
    ROTATING = "rotating"  # the pages take turns: compare with the last frame of the same page
    KIND = "kind"  # the page tells what happened: also compare with the frame before, of any page


@dataclass(frozen=True, slots=True)
class MessagePlan:
    """How to treat one message.

    Masks are integers over the payload read little-endian: bit k of byte n is bit 8n + k, up to 512 bits.
    `selector` masks the multiplexer's bits; `page_masks` maps the masked selector (payload & selector) to the
    mask of that page, which always includes the selector's own bits; pages not listed use `mask`, which also
    is the mask of a message without pages. A frame shorter than `shortest` bytes is let through as SHORT.
    A frame after more than `silence_limit` nanoseconds without one of this id is let through as AFTER_SILENCE.
    """

    key: MessageKey
    emit: Emit = Emit.CHANGE
    pages: Pages = Pages.NONE
    mask: int = 0
    selector: int = 0
    page_masks: Mapping[int, int] = field(default_factory=dict)
    shortest: int = 0
    silence_limit: int | None = None
    period: int | None = None


@dataclass(frozen=True, slots=True)
class ReadPlan:
    """All messages to let through, and the channel names the vehicle file knows captures by.

    `aliases` maps a capture's channel name to the plan's; names not listed stay as they are.
    `bit_rates` per channel in bit/s. `uncertainty` widens every time (nanoseconds, from the vehicle file).
    """

    messages: tuple[MessagePlan, ...] = ()
    aliases: Mapping[str, str] = field(default_factory=dict)
    bit_rates: Mapping[str, int] = field(default_factory=dict)

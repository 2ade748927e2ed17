"""The report of one reading: what was noticed on the way, put together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from latchtrace.capture.feed import FilesRead
from latchtrace.capture.states import ChannelState
from latchtrace.capture.tally import MOST_SKIPS_KEPT
from latchtrace.model.frames import CaptureReport, Gap, Loss, Segment, Sleep
from latchtrace.model.plan import ReadPlan
from latchtrace.model.time import SECOND, Interval

MOST_LOSSES_PER_ID = 100

_Key = tuple[str, int, bool]


@dataclass(slots=True)
class Noticed:
    """What the reader noticed; of each id's losses the first hundred one by one, the rest as one."""

    gaps: list[Gap] = field(default_factory=list)
    sleeps: list[Sleep] = field(default_factory=list)
    segments: list[Segment] = field(default_factory=list)
    error_frames: int = 0
    remote_frames: int = 0
    _losses: dict[_Key, list[Loss]] = field(default_factory=dict)

    def loss(self, loss: Loss) -> None:
        """Count a loss."""
        mine = self._losses.setdefault((loss.channel, loss.can_id, loss.extended), [])
        if len(mine) <= MOST_LOSSES_PER_ID:
            mine.append(loss)
            return
        last = mine[-1]
        span = last.span.hull(loss.span)
        mine[-1] = Loss(loss.channel, loss.can_id, loss.extended, span, last.missing + loss.missing)

    @property
    def losses(self) -> tuple[Loss, ...]:
        """All losses in order of time."""
        return tuple(sorted((loss for mine in self._losses.values() for loss in mine), key=_loss_order))


def _loss_order(loss: Loss) -> tuple[int, str, int, bool]:
    return (loss.span.lo, loss.channel, loss.can_id, loss.extended)


def report_of(read: FilesRead, noticed: Noticed, channels: Iterable[ChannelState], plan: ReadPlan) -> CaptureReport:
    """The report of a finished reading."""
    channels = sorted(channels, key=lambda channel: channel.name)
    reasons: Counter[str] = Counter()
    for tally in read.tallies:
        reasons.update(tally.reasons)
    skipped = [skip for tally in read.tallies for skip in tally.kept]
    names = {name for file in read.reports for name in file.channels}
    ids = [state.statistics() for channel in channels for state in channel.ids]
    return CaptureReport(
        files=read.reports,
        gaps=tuple(noticed.gaps),
        sleeps=tuple(noticed.sleeps),
        segments=tuple(noticed.segments),
        losses=noticed.losses,
        error_frames=noticed.error_frames,
        remote_frames=noticed.remote_frames,
        out_of_order=sum(tally.out_of_order for tally in read.tallies),
        skipped=tuple(skipped[:MOST_SKIPS_KEPT]),
        skipped_count=tuple(sorted(reasons.items())),
        ids=tuple(sorted(ids, key=lambda entry: (entry.channel, entry.extended, entry.can_id))),
        bus_load=tuple(_loads(channels, noticed, plan.bit_rates)),
        renamed=tuple(sorted((raw, name) for raw, name in plan.aliases.items() if raw != name and raw in names)),
    )


def _loads(
    channels: Iterable[ChannelState], noticed: Noticed, bit_rates: Mapping[str, int]
) -> Iterable[tuple[str, float]]:
    """The share of time each channel was busy while it was seen awake; not for CAN FD, whose data rate is unknown."""
    for channel in channels:
        rate = bit_rates.get(channel.name)
        time = _awake(channel, noticed)
        if rate and time > 0 and not channel.flexible:
            bits = sum(state.all_bits for state in channel.ids)
            yield channel.name, bits * SECOND / rate / time


def _awake(channel: ChannelState, noticed: Noticed) -> int:
    """How long the channel was seen, sleeps and gaps left out, in nanoseconds."""
    return sum(segment.span.width for segment in noticed.segments) - sum(span.width for span in merged(channel.breaks))


def merged(spans: Iterable[Interval]) -> list[Interval]:
    """Spans that overlap joined into one."""
    found: list[Interval] = []
    for span in sorted(spans):
        if found and span.lo <= found[-1].hi:
            found[-1] = found[-1].hull(span)
        else:
            found.append(span)
    return found

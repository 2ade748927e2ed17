"""What a capture cannot tell, in plain words: holes, loss, what the network does not show, what nobody exercised."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from latchtrace.model.clock import Clock
from latchtrace.model.events import Reason
from latchtrace.model.frames import CaptureReport
from latchtrace.model.plan import id_text
from latchtrace.model.quantity import time_text
from latchtrace.model.results import AnalysisResult, VerdictKind
from latchtrace.views import wording
from latchtrace.views.terms import term

_SHOWN = 5


def what_it_cannot_tell(result: AnalysisResult, times: Clock) -> Iterator[str]:
    """One line for each limit of this capture and this vehicle file."""
    yield from quality_lines(result.capture, times)
    yield from _undecided(result)
    yield from _unseen_roles(result)
    yield from _unknown_ids(result)
    for notice in result.notices:
        often = f" ({wording.times_text(notice.count)})" if notice.count > 1 else ""
        yield f"{wording.sentence(notice.message).rstrip('.')}{often}."


def quality_lines(capture: CaptureReport, times: Clock) -> Iterator[str]:
    """One line for each thing that is wrong with the recording itself."""
    for gap in capture.gaps[:_SHOWN]:
        where = f" on {gap.channel}" if gap.channel else ""
        lost = f", {gap.frames_lost:,} frames lost" if gap.frames_lost else ""
        span = f"{times.text(gap.span.lo)} to {times.text(gap.span.hi)}"
        yield f"A hole of {time_text(gap.span.width)}{where}, {span} ({term('gaps', str(gap.cause))}{lost})."
    yield from _more(len(capture.gaps) - _SHOWN, "hole")
    if capture.losses:
        missing = sum(loss.missing for loss in capture.losses)
        ids = wording.listing(sorted({id_text(loss.can_id, loss.extended) for loss in capture.losses})[:_SHOWN])
        yield f"About {missing:,} cyclic frames are missing ({ids}): around them a missing frame proves nothing."
    if len(capture.segments) > 1:
        yield f"Time steps back {wording.times_text(len(capture.segments) - 1)}: nothing is paired across such a step."
    skipped = sum(count for _, count in capture.skipped_count)
    if skipped:
        first = capture.skipped[0] if capture.skipped else None
        example = f", the first in {first.file}, line {first.line}: {first.reason}" if first else ""
        yield f"{skipped:,} {'line' if skipped == 1 else 'lines'} could not be read as a frame{example}."
    if capture.error_frames:
        yield f"{capture.error_frames:,} error {'frame' if capture.error_frames == 1 else 'frames'} on the bus."


def _more(left: int, noun: str) -> Iterator[str]:
    if left > 0:
        yield f"{left:,} more {noun}{'' if left == 1 else 's'} like these."


def _undecided(result: AnalysisResult) -> Iterator[str]:
    reasons: dict[str, list[str]] = {}
    for verdict in result.verdicts:
        if verdict.verdict is VerdictKind.INCONCLUSIVE and verdict.reason not in (None, Reason.NOT_EXERCISED):
            reasons.setdefault(str(verdict.reason), []).append(verdict.rule)
    for reason, rules in sorted(reasons.items()):
        yield f"Not decided, because {wording.reason_text(reason)}: {wording.listing(sorted(rules))}."


def _unseen_roles(result: AnalysisResult) -> Iterator[str]:
    for status, words in (("not-visible", "does not show"), ("silent", "is silent about")):
        roles = sorted(name for name, said in result.roles.items() if said == status)
        if roles:
            yield f"This network {words}: {'; '.join(_role_titles(roles, result))}."


def _role_titles(roles: Sequence[str], result: AnalysisResult) -> list[str]:
    """Roles in trade terms; those who may ask in one list."""
    sources = [name.partition(".")[2] for name in roles if name.startswith("request.")]
    titles = [wording.role_text(name, result.vehicle) for name in roles if not name.startswith("request.")]
    if not sources:
        return titles
    first = wording.role_text(f"request.{sources[0]}")
    asked = wording.listing([first, *(wording.origin_text(source) for source in sources[1:])], "or")
    return [*titles, asked]


def _unknown_ids(result: AnalysisResult) -> Iterator[str]:
    if not result.unknown_ids:
        return
    most = sorted(result.unknown_ids, key=lambda item: (-item[3], item[:3]))
    named = wording.listing(
        f"{channel} {id_text(can_id, extended)} ({frames:,})".strip()
        for channel, can_id, extended, frames in most[:_SHOWN]
    )
    count = len(most)
    rest = f" and {count - _SHOWN:,} more" if count > _SHOWN else ""
    yield (
        f"{count:,} {'id' if count == 1 else 'ids'} the DBCs do not know: {named}{rest}; "
        "something fitted later may be among them."
    )

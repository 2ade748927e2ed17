"""Which frames of a planned message come through: the comparison of masked payloads, page by page."""

from __future__ import annotations

from latchtrace.model.frames import Why
from latchtrace.model.plan import Emit, MessagePlan, Pages
from latchtrace.model.time import NO_TIME

MOST_PAGES = 4096
_NO_PAGE = -1  # the frame is too short to hold its selector


class _Page:
    """The last frame of one page: its masked payload with its length where short, and its time."""

    __slots__ = ("last", "seen")

    def __init__(self) -> None:
        self.seen: tuple[int, int] | None = None
        self.last = NO_TIME


class Watch:
    """What is known of one message on one channel; knows nothing at the start and after `forget`."""

    __slots__ = ("_page", "_pages", "plan")

    def __init__(self, plan: MessagePlan) -> None:
        self.plan = plan
        self._pages: dict[int, _Page] = {}
        self._page: int | None = None

    def forget(self) -> None:
        """After a hole in the recording nothing is known any more."""
        self._pages.clear()
        self._page = None

    def look(self, value: int, length: int, previous: int, silent: bool) -> tuple[Why | None, int]:
        """Why a frame comes through (None: it does not), and the time of the frame before of its page.

        `value` is the payload as a little-endian integer, `previous` the time of the id's frame before,
        whatever its page. Frames with the very bytes of the one before need not be shown, unless all are wanted.
        """
        if self._page is not None:
            self._pages[self._page].last = previous  # no other page came since
        page, mask = self._page_of(value, length)
        known = self._pages.get(page)
        if known is None:
            if len(self._pages) >= MOST_PAGES:
                self._pages.clear()
            known = self._pages[page] = _Page()
        why = self._why(known, (value & mask, length if length < self.plan.shortest else -1), page, silent)
        before, self._page = known.last, page
        return why, before

    def _page_of(self, value: int, length: int) -> tuple[int, int]:
        plan = self.plan
        if plan.pages is Pages.NONE:
            return 0, plan.mask
        if plan.selector >> (8 * length):
            return _NO_PAGE, plan.mask
        page = value & plan.selector
        return page, plan.page_masks.get(page, plan.mask)

    def _why(self, known: _Page, seen: tuple[int, int], page: int, silent: bool) -> Why | None:
        plan, before = self.plan, known.seen
        known.seen = seen
        if before is None:
            return Why.FIRST
        if silent:
            return Why.AFTER_SILENCE
        turned = plan.pages is Pages.KIND and page != self._page
        always = plan.emit is Emit.ALWAYS
        if seen[1] >= 0 and (turned or always or seen != before):
            return Why.SHORT
        if turned:
            return Why.PAGE
        if seen != before:
            return Why.CHANGE
        return Why.ALWAYS if always else None

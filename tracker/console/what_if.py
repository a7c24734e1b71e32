"""What if, at the desk: supposed lines, the estimates beside them, and the choice to record them.

Hides when both estimates and the search for better orders are asked for and when they are let go. Only the
choice writes, as one batch that one undo takes back.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from tracker.console.desk_actions import DeskActions
from tracker.console.entry_line import Purpose
from tracker.console.key_events import batch_of, over_doubts
from tracker.console.layout import WHAT_IF_PAGE
from tracker.console.live_screen import LiveScreen
from tracker.console.order_search import Bettered, OrderSearch, order_search
from tracker.console.session import DeskRuntime
from tracker.console.typed_doubts import number_notes
from tracker.console.view.scene import RENEW_S, Scene, Snapshot, Suggestion, Weighed, WhatIfPage
from tracker.console.view.styled_text import Line
from tracker.console.view.what_if_pages import EXAMPLES, refused, what_if_page
from tracker.console.workers import LatestOnly
from tracker.foundation.errors import EventError, TrackerError
from tracker.journal.progress import Progress
from tracker.journal.typed import naming_steps, with_supposed
from tracker.journal.wording import event_words


@dataclass(frozen=True)
class Asked:
    """What is to be weighed: supposed lines, beside what stands at an instant."""

    text: str
    progress: Progress
    now: float
    utc: datetime


def weigh(asked: Asked, known: Weighed | None = None) -> Weighed:
    """Return what is supposed beside what stands, both for one instant.

    What stands is taken from what was weighed before, where that is of the same events and of the last
    minute, and what is supposed can be as of its instant. Takes tenths of a second, and seconds with
    hundreds of steps: it belongs into a thread.
    """
    # Arrays are imported here, after the first frame is painted.
    from tracker.forecast.estimate import estimate

    now = max(asked.now, asked.progress.at)
    if known is not None and known.progress is asked.progress and now - known.now < RENEW_S:
        with suppress(TrackerError):
            return _supposing(asked, known)
    found = Weighed(asked.progress, now, estimate(asked.progress, now))
    try:
        return _supposing(asked, found)
    except TrackerError as error:
        return replace(found, trouble=refused(error))


def _supposing(asked: Asked, stands: Weighed) -> Weighed:
    """Return what is supposed beside what stands, as of its instant; TrackerError where it cannot be."""
    from tracker.forecast.estimate import estimate

    supposed = None
    if asked.text:
        utc = asked.utc - timedelta(seconds=max(0.0, asked.now - stands.now))
        then, _ = with_supposed(asked.text, asked.progress, stands.now, utc)
        supposed = estimate(then, max(stands.now, then.at))
    return replace(stands, supposed=supposed, trouble="")


class WhatIf:
    """The what-if page of a desk: what is supposed there, and its commands."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime, actions: DeskActions) -> None:
        self._screen, self._session, self._actions = screen, runtime.session, actions
        self.page = WhatIfPage()
        self._asked: Asked | None = None
        self._weighing = False
        """Whether what was asked last is still being worked out."""
        self._threads: tuple[LatestOnly[Any], ...] = ()
        """None before the page is shown for the first time."""
        self._weigh_later: Callable[[Asked], None]
        self._last: Weighed | None = None
        """What was weighed last; the thread that weighs reads and writes it."""
        self._search = OrderSearch()

    @property
    def shown(self) -> bool:
        """Whether the page is shown."""
        return self._screen.view_name == WHAT_IF_PAGE

    @property
    def order(self) -> Suggestion | None:
        """The better order that is chosen."""
        return self.page.order_of(self._screen.chosen) if self.shown else None

    def view(self, scene: Scene, width: int, height: int) -> list[Line]:
        """Return the page for a pane."""
        keys = (self._screen.key("entry"), self._screen.key("record-supposed"))
        return what_if_page(scene, self.page, keys, width, height)

    @property
    def line(self) -> str:
        """The purpose of a line that a deed's key opens: on this page it supposes."""
        return WHAT_IF_PAGE if self.shown else "entry"

    def purpose(self) -> Purpose:
        """Return what the line is for on this page."""
        return Purpose("WHAT IF", self._offer, self._complete, self._enter, lambda text: self._screen.say(""))

    def open(self) -> None:
        """Turn to the page, on which nothing is supposed yet, and open the line that supposes."""
        if self._screen.progress is not None:
            self.page = WhatIfPage()
            self._screen.view_name, self._screen.top, self._screen.chosen = WHAT_IF_PAGE, 0, None
            self._screen.entry.open(WHAT_IF_PAGE)

    # Estimates

    def weigh(self) -> None:
        """Ask for what the page shows where that is for something else, or for a minute that has passed.

        What was begun for these lines is finished first, and tells its instant: where it went at every tick
        or minute, fast ones would leave none that is finished.
        """
        progress = self._screen.progress
        if not self.shown or progress is None:
            self._let_go()
            return
        now, text, before = self._now(), self.page.text, self._asked
        weighed = self.page.weighed
        if (
            before is None
            or before.text != text
            or (not self._weighing and (before.progress is not progress or self.page.old(now)))
        ):
            self._ask(Asked(text, progress, now, self._screen.utc()))
        if weighed is not None:
            self._search.want(Snapshot(weighed.progress, weighed.stands), now, self._screen.mono())

    def _ask(self, asked: Asked) -> None:
        self._asked, self._weighing = asked, True
        if not self._threads:
            hear = self._screen.call_later
            work = LatestOnly[Asked](
                "what if",
                lambda one: hear(self._found, one, self._weighed(one)),
                lambda one, words: hear(self._failed, one, words),
            )
            orders = order_search(lambda report: hear(self._sought, report))
            self._weigh_later, self._search = work.ask, OrderSearch(orders.ask)
            self._threads = (work, orders)
            for thread in self._threads:
                thread.start()
        self._weigh_later(asked)

    def _weighed(self, asked: Asked) -> Weighed:
        self._last = weigh(asked, self._last)
        return self._last

    def stop(self) -> None:
        """End the threads after what is being worked out."""
        for thread in self._threads:
            thread.stop()

    def _now(self) -> float:
        return self._session.now(self._screen.utc())

    def _let_go(self) -> None:
        """End a search on a page that nobody sees; what it shows is asked for anew when it is shown."""
        if self._asked is not None:
            self._asked = None
            self._search.forget()
            self.page = replace(self.page, orders=None, seeking=None)

    def _found(self, asked: Asked, weighed: Weighed) -> None:
        """Take in estimates, unless something else is supposed by now."""
        self._weighing = self._weighing and asked is not self._asked
        if asked.text == self.page.text:
            self.page = replace(self.page, weighed=weighed)
            self._screen.repaint()

    def _sought(self, report: Bettered) -> None:
        """Take in how far the search for better orders is, or what it found."""
        trouble = self._search.heard(report, self._screen.mono())
        if trouble:
            self._failed(None, trouble)
        self.page = replace(self.page, orders=self._search.orders, seeking=self._search.share)
        self._screen.repaint()

    def _failed(self, asked: Asked | None, words: str) -> None:
        """Say what went wrong: the operator goes on ticking."""
        self._weighing = self._weighing and asked is not self._asked
        self._screen.say(f"not worked out: {words}", "late")

    # Lines

    def _offer(self, text: str) -> None:
        """Say what a line would suppose, before it is entered."""
        if not text.strip():
            self._screen.say(f"{EXAMPLES}   Tab completes", "dim")
            return
        try:
            events = self._supposed(text)
        except TrackerError as error:
            self._screen.say(refused(error), "late")
            return
        noted = "".join(f"   note: {one}" for one in number_notes(text, events, self._session.progress))
        self._screen.say(f"Enter supposes: {self._told(events)}{self._unmoved(events)}{noted}", "going")

    def _complete(self, text: str, by: int) -> None:
        if not self._screen.entry.complete_last(text, ";", by):
            self._screen.say("nothing completes this", "late")

    def _supposed(self, text: str) -> list[dict[str, Any]]:
        """Return the events of a line on top of what is supposed already."""
        progress = self._so_far()
        _, events = with_supposed(text, progress, self._now(), self._screen.utc())
        if over := over_doubts(events, progress):
            raise EventError(over[0])
        return [dict(event) for event in events]

    def _so_far(self) -> Progress:
        """Return the progress with all that is supposed already."""
        progress = self._session.progress
        if not self.page.lines:
            return progress
        return with_supposed(self.page.text, progress, self._now(), self._screen.utc())[0]

    def _unmoved(self, events: list[dict[str, Any]]) -> str:
        """Return that nothing changes, where all that is given up was not counted anyway."""
        snapshot = self._session.snapshot
        left_out = snapshot.passed_over if snapshot is not None else frozenset()
        kinds = {("chose", "drop"), ("dropped", None)}
        gone = [e["task"] for e in events if (e["kind"], e.get("choice")) in kinds]
        whole = len(gone) == len(events) and left_out.issuperset(gone)
        return ": not counted already: no change" if whole and not self.page.lines else ""

    def _told(self, events: list[dict[str, Any]]) -> str:
        progress = self._session.progress
        return "; ".join(event_words(progress, str(event.get("kind")), event) for event in events)

    def _enter(self, text: str) -> bool:
        """Suppose a line besides; whether it can be."""
        if not text.strip():
            return True
        try:
            events = self._supposed(text)
        except TrackerError as error:
            self._screen.say(refused(error), "late")
            return False
        unmoved = self._unmoved(events)
        named = naming_steps(text, self._so_far(), self._now(), self._screen.utc())
        self.page, self._screen.chosen = self.page.more(named), None
        self._screen.say(f"{self._told(events)}{unmoved}" if unmoved else "")
        return True

    def suppose_less(self) -> None:
        """Take a supposed line back: the chosen one, else the last."""
        place = self.page.line_of(self._screen.chosen)
        if place is None:
            place = len(self.page.lines) - 1
        if place < 0:
            self._screen.say("nothing is supposed")
            return
        words = f"no longer supposed: {self.page.lines[place]}"
        self.page, self._screen.chosen = self.page.less(place), None
        self._screen.say(words)

    # The choice

    def record(self) -> None:
        """Record the chosen better order, else all that is supposed: one sweep, one undo."""
        progress = self._screen.progress
        if progress is None:
            return
        if not self.shown:
            self._screen.say(f"{self._screen.key('what-if')} shows what would be recorded")
        elif self.order is not None:
            self._record([dict(self.order.event)], WhatIfPage(self.page.lines, self.page.weighed))
        elif self.page.lines:
            try:
                events = self.page.events(progress, self._now(), self._screen.utc())
            except TrackerError as error:
                self._screen.say(refused(error), "late")
                return
            self._record(events, WhatIfPage())
        else:
            self._screen.say("nothing is supposed, and no better order is chosen")

    def _record(self, events: list[dict[str, Any]], rest: WhatIfPage) -> None:
        """Send events to the disk; `rest` is then still supposed."""
        if self._actions.perform(batch_of(self._session.progress, events, self._told(events))):
            self.page, self._screen.chosen = rest, None
            self._let_go()

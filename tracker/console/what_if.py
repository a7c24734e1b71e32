"""What if, at the desk: supposed lines, the estimates beside them, and the choice to record them.

Hides when both estimates and the search for better orders are asked for and when they are let go. Only the
choice writes, as one batch that one undo takes back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Any

from textual.worker import get_current_worker

from tracker.console.desk_actions import DeskActions
from tracker.console.entry_line import Purpose
from tracker.console.key_events import batch_of, over_doubts
from tracker.console.layout import WHAT_IF_PAGE
from tracker.console.live_screen import LiveScreen
from tracker.console.session import DeskRuntime
from tracker.console.view.scene import Scene, Suggestion, Weighed, WhatIfPage
from tracker.console.view.styled_text import Line
from tracker.console.view.what_if_pages import EXAMPLES, what_if_page
from tracker.console.workers import heeding
from tracker.foundation.errors import EventError, TrackerError
from tracker.journal.progress import Progress
from tracker.journal.typed import with_supposed
from tracker.journal.wording import event_words


def weigh(
    text: str,
    progress: Progress,
    now: float,
    utc: datetime,
    *,
    tell: Callable[[Weighed], None] = lambda found: None,
    wanted: Callable[[], bool] = lambda: True,
) -> Iterator[Weighed]:
    """Yield what is supposed beside what stands, then with better orders for what stands.

    Takes tenths of a second, and seconds with hundreds of steps: it belongs into a thread. `tell` hears how
    far the search for better orders is; once nobody has `wanted` it any more, there are none.
    """
    # Arrays are imported here, after the first frame is painted.
    from tracker.forecast.estimate import estimate
    from tracker.forecast.orders import better_orders

    now = max(now, progress.at)
    found = Weighed(progress, now, estimate(progress, now))
    if text:
        try:
            supposed, _ = with_supposed(text, progress, now, utc)
        except TrackerError as error:
            found = replace(found, trouble=error.lines[0])
        else:
            found = replace(found, supposed=estimate(supposed, max(now, supposed.at)))
    yield found
    heed = heeding(lambda share: tell(replace(found, sought=share)), wanted)
    orders = better_orders(progress, now=now, kept=found.stands.advice.kept, heed=heed)
    if not wanted():
        return
    told = tuple(Suggestion(order.event, order.text, order.gain_s, order.safe) for order in orders)
    yield replace(found, suggestions=told)


class WhatIf:
    """The what-if page of a desk: what is supposed there, and its commands."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime, actions: DeskActions) -> None:
        self._screen, self._session, self._actions = screen, runtime.session, actions
        self.page = WhatIfPage()
        self._asked_for: tuple[str, Progress, float] | None = None

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
        """Ask for the estimates of the page when it is shown and they are for something else."""
        progress = self._screen.progress
        if not self.shown or progress is None:
            self._let_go()
            return
        now, text, before = self._now(), self.page.text, self._asked_for
        same = before is not None and before[:2] == (text, progress)
        if before is not None and same and not (self.page.old(now) and now - before[2] > 1):
            return
        self._asked_for = (text, progress, now)
        work = partial(self._weigh, text, progress, now, self._screen.utc())
        self._screen.run_worker(work, thread=True, exclusive=True, exit_on_error=False, group=WHAT_IF_PAGE)

    def _now(self) -> float:
        return self._session.now(self._screen.utc())

    def _let_go(self) -> None:
        """End what is still looked for on a page that nobody sees; it is asked for anew when it is shown."""
        weighed = self.page.weighed
        if self._asked_for is not None and (weighed is None or weighed.suggestions is None):
            self._screen.workers.cancel_group(self._screen, WHAT_IF_PAGE)
            self._asked_for = None

    def _weigh(self, text: str, progress: Progress, now: float, utc: datetime) -> None:
        worker = get_current_worker()

        def tell(weighed: Weighed) -> None:
            self._screen.call_later(self._found, text, weighed)

        try:
            for weighed in weigh(text, progress, now, utc, tell=tell, wanted=lambda: not worker.is_cancelled):
                if worker.is_cancelled:
                    return
                tell(weighed)
        except Exception as error:
            # Whatever goes wrong in here, the operator goes on ticking, and is told.
            words = f"not worked out: {type(error).__name__}: {error}"
            self._screen.call_later(self._screen.say, words, "late")

    def _found(self, text: str, weighed: Weighed) -> None:
        """Take in estimates, unless something else is supposed by now."""
        if text == self.page.text:
            self.page = WhatIfPage(self.page.lines, weighed)
            self._screen.repaint()

    # Lines

    def _offer(self, text: str) -> None:
        """Say what a line would suppose, before it is entered."""
        if not text.strip():
            self._screen.say(f"{EXAMPLES}   Tab completes", "dim")
            return
        try:
            events = self._supposed(text)
        except TrackerError as error:
            self._screen.say(error.lines[0], "late")
            return
        self._screen.say(f"Enter supposes: {self._told(events)}{self._unmoved(events)}", "going")

    def _complete(self, text: str, by: int) -> None:
        if not self._screen.entry.complete_last(text, ";", by):
            self._screen.say("nothing completes this", "late")

    def _supposed(self, text: str) -> list[dict[str, Any]]:
        """Return the events of a line on top of what is supposed already."""
        progress, utc, now = self._session.progress, self._screen.utc(), self._now()
        if self.page.lines:
            progress, _ = with_supposed(self.page.text, progress, now, utc)
        _, events = with_supposed(text, progress, now, utc)
        if over := over_doubts(events, progress):
            raise EventError(over[0])
        return [dict(event) for event in events]

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
            self._screen.say(error.lines[0], "late")
            return False
        unmoved = self._unmoved(events)
        self.page, self._screen.chosen = self.page.more(text), None
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
            self._record([dict(self.order.event)], WhatIfPage(self.page.lines))
        elif self.page.lines:
            try:
                events = self.page.events(progress, self._now(), self._screen.utc())
            except TrackerError as error:
                self._screen.say(error.lines[0], "late")
                return
            self._record(events, WhatIfPage())
        else:
            self._screen.say("nothing is supposed, and no better order is chosen")

    def _record(self, events: list[dict[str, Any]], rest: WhatIfPage) -> None:
        """Send events to the disk; `rest` is then still supposed."""
        if self._actions.perform(batch_of(self._session.progress, events, self._told(events))):
            self.page, self._screen.chosen, self._asked_for = rest, None, None

"""What if, at the desk: supposed lines, the estimates beside them, and the choice to record them.

What is supposed at the desk, beside what stands, and orders that would be better. Nothing here writes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Any

from textual.message import Message
from textual.worker import get_current_worker

from tracker.console.key_events import EventBatch, crew_of
from tracker.console.layout import WHAT_IF_PAGE
from tracker.console.live_screen import Looking
from tracker.console.session import DeskRuntime
from tracker.console.settings import Settings
from tracker.console.view.scene import Scene, Suggestion, Weighed, WhatIf
from tracker.console.view.styled_text import Line
from tracker.console.view.what_if import EXAMPLES, what_if_page
from tracker.console.workers import heeding
from tracker.foundation.errors import TrackerError
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


class Weighing(Looking):
    """The actions of the what-if page. Only `action_record_supposed` writes."""

    class Found(Message):
        """Estimates of what is supposed."""

        def __init__(self, text: str, weighed: Weighed | None, trouble: str = "") -> None:
            super().__init__()
            self.text, self.weighed, self.trouble = text, weighed, trouble

    def __init__(self, runtime: DeskRuntime, settings: Settings) -> None:
        super().__init__(runtime, settings)
        self.what_if = WhatIf()
        self._asked_for: tuple[str, Progress, float] | None = None

    def what_if_view(self, scene: Scene, width: int, height: int) -> list[Line]:
        """Return the page for a pane."""
        keys = (self.key("entry"), self.key("record-supposed"))
        return what_if_page(scene, self.what_if, keys, width, height)

    def what_if_rows(self) -> list[str]:
        """Return the rows that can be chosen."""
        return self.what_if.rows()

    def choose(self, name: str | None) -> None:
        """Choose a row; the message line then says all of a better order."""
        super().choose(name)
        order = self.what_if.order_of(name) if self.view_name == WHAT_IF_PAGE else None
        if order is not None:
            self.say(order.text)

    def show_what_if(self) -> None:
        """Turn to the page."""
        self.view_name, self.top, self.chosen = WHAT_IF_PAGE, 0, None
        self.repaint()

    # Estimates

    def weigh_what_if(self) -> None:
        """Ask for the estimates of the page when it is shown and they are for something else."""
        progress = self.progress
        if self.view_name != WHAT_IF_PAGE or progress is None:
            self._leave_what_if()
            return
        now, text = self.runtime.session.now(self.utc()), self.what_if.text
        before = self._asked_for
        if (
            before is not None
            and before[:2] == (text, progress)
            and not (self.what_if.old(now) and now - before[2] > 1)
        ):
            return
        self._asked_for = (text, progress, now)
        work = partial(self._weigh, text, progress, now, self.utc())
        self.run_worker(work, thread=True, exclusive=True, exit_on_error=False, group=WHAT_IF_PAGE)

    def _leave_what_if(self) -> None:
        """End what is still looked for on a page that nobody sees; it is asked for anew when it is shown."""
        weighed = self.what_if.weighed
        if self._asked_for is not None and (weighed is None or weighed.suggestions is None):
            self.workers.cancel_group(self, WHAT_IF_PAGE)
            self._asked_for = None

    def _weigh(self, text: str, progress: Progress, now: float, utc: Any) -> None:
        worker = get_current_worker()

        def tell(weighed: Weighed) -> None:
            self.post_message(self.Found(text, weighed))

        try:
            for weighed in weigh(text, progress, now, utc, tell=tell, wanted=lambda: not worker.is_cancelled):
                if worker.is_cancelled:
                    return
                self.post_message(self.Found(text, weighed))
        except Exception as error:
            # Whatever goes wrong in here, the operator goes on ticking, and is told.
            self.post_message(self.Found(text, None, f"{type(error).__name__}: {error}"))

    def on_weighing_found(self, message: Found) -> None:
        """Take in estimates, unless something else is supposed by now."""
        if message.weighed is None:
            self.say(f"not worked out: {message.trouble}", "late")
        elif message.text == self.what_if.text:
            self.what_if = WhatIf(self.what_if.lines, message.weighed)
            self.repaint()

    # Lines

    def offer_supposed(self, text: str) -> None:
        """Say what a line would suppose, before it is entered."""
        if not text.strip():
            self.say(f"{EXAMPLES}   Tab completes", "dim")
            return
        try:
            events = self._supposed(text)
        except TrackerError as error:
            self.say(error.lines[0], "late")
            return
        self.say(f"Enter supposes: {self._told(events)}", "going")

    def _supposed(self, text: str) -> list[dict[str, Any]]:
        """Return the events of a line on top of what is supposed already."""
        progress, utc = self.progress, self.utc()
        assert progress is not None
        now = self.runtime.session.now(utc)
        if self.what_if.lines:
            progress, _ = with_supposed(self.what_if.text, progress, now, utc)
        _, events = with_supposed(text, progress, now, utc)
        return [dict(event) for event in events]

    def _told(self, events: list[dict[str, Any]]) -> str:
        assert self.progress is not None
        return "; ".join(event_words(self.progress, str(event.get("kind")), event) for event in events)

    def suppose(self, text: str) -> bool:
        """Suppose a line besides; whether it can be."""
        try:
            self._supposed(text)
        except TrackerError as error:
            self.say(error.lines[0], "late")
            return False
        self.what_if, self.chosen = self.what_if.more(text), None
        self.say("")
        self.weigh_what_if()
        return True

    def suppose_less(self) -> None:
        """Take a supposed line back: the chosen one, else the last."""
        place = self.what_if.line_of(self.chosen)
        if place is None:
            place = len(self.what_if.lines) - 1
        if place < 0:
            self.say("nothing is supposed")
            return
        self.say(f"no longer supposed: {self.what_if.lines[place]}")
        self.what_if, self.chosen = self.what_if.less(place), None
        self.weigh_what_if()
        self.repaint()

    # The choice

    def action_record_supposed(self) -> None:
        """Record the chosen better order, else all that is supposed: one sweep, one undo."""
        if self.progress is None:
            return
        if self.view_name != WHAT_IF_PAGE:
            self.say(f"{self.key('what-if')} shows what would be recorded")
            return
        order = self.what_if.order_of(self.chosen)
        if order is not None:
            events = [dict(order.event)]
        elif self.what_if.lines:
            try:
                events = self.what_if.events(self.progress, self.runtime.session.now(self.utc()), self.utc())
            except TrackerError as error:
                self.say(error.lines[0], "late")
                return
        else:
            self.say("nothing is supposed, and no better order is chosen")
            return
        self._record(events, all_of_it=order is None)

    def _record(self, events: list[dict[str, Any]], *, all_of_it: bool) -> None:
        progress = self.progress
        assert progress is not None
        crew = dict.fromkeys(c for event in events for c in crew_of(progress, event))
        if self.perform(EventBatch(tuple(events), self._told(events), tuple(crew))):
            self.what_if = WhatIf() if all_of_it else WhatIf(self.what_if.lines)
            self.chosen, self._asked_for = None, None

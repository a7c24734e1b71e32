"""The lead's view: `tracker watch`, and a key at the desk. It follows a journal and can write nothing.

Hides what is where at a size of the screen, and how one goes back and forth through pages and instants.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal

from tracker.console.commands import NOTHING_WRITTEN, READING_IT, Pair
from tracker.console.entry_line import EntryController, Purpose
from tracker.console.help_page import HelpPage
from tracker.console.layout import ACROSS, BANDS, VIEWS, LeadView, Page, page_of, pages_for
from tracker.console.lead_analysis import would_suppose
from tracker.console.lead_session import LeadRuntime, event_beside, minutes_beside
from tracker.console.live_screen import EACH_SECOND, LiveScreen, bindings
from tracker.console.pane import Pane, View
from tracker.console.settings import Settings
from tracker.console.view.head import advisory, advisory_rows, changed_rule, lead_head, notice, notice_rows
from tracker.console.view.help import in_full
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.styled_text import Line, crop, say

HEAD_ROWS = 4
"""Rows of the head, and of the rule below it."""
SAID_S = 8.0
"""How long a message stands."""


def _over_lead(view: LeadView) -> View:
    """Return a view of the lead's for a pane."""

    def shown(scene: Scene, width: int, height: int) -> list[Line]:
        assert isinstance(scene, LeadScene)
        return view(scene, width, height)

    return shown


_REGIONS: dict[str, View] = {name: _over_lead(view) for name, view in VIEWS.items()}


class Lead(LiveScreen):
    """Everything the lead sees, and the commands that move through it."""

    BINDINGS = bindings("lead")
    CSS_PATH = "lead.tcss"
    runtime: LeadRuntime

    def __init__(self, runtime: LeadRuntime, settings: Settings | None = None) -> None:
        super().__init__("lead", runtime, settings or Settings(), home="regions")
        self.help = HelpPage(self, (NOTHING_WRITTEN, *READING_IT))

        def complete(text: str, by: int) -> None:
            self.entry.complete_last(text, ";", by)

        what_if = Purpose(" WHAT IF ", self._offer, complete, self._suppose, lambda kept: self.say(""))
        self.entry = EntryController(self, {"what-if": what_if}, prefix="lead-")
        self.page = 0
        self.pages: tuple[Page, ...] = ()
        self._rung = None
        self._said = ""
        self._placed: tuple[object, ...] | None = None

    @property
    def over_a_desk(self) -> bool:
        """Whether a desk lies beneath, to which leaving leads."""
        return len(self.app.screen_stack) > 2

    @property
    def reading(self) -> bool:
        """Whether a page of text is shown, and not the regions."""
        return self.view_name != self.home

    def compose(self) -> ComposeResult:
        """Lay out places for the bands and their regions; which is where depends on the size."""
        yield Pane(_over_lead(lead_head), id="lead-head", classes=EACH_SECOND)
        yield Pane(changed_rule, id="lead-rule")
        for band in range(BANDS):
            with Horizontal(id=f"band-{band}", classes="band"):
                for place in range(ACROSS):
                    classes = "region second" if place else "region"
                    yield Pane(_REGIONS["day"], id=f"region-{band}-{place}", classes=classes)
        yield Pane(self.paged_view(self._text), id="lead-page")
        yield Pane(_over_lead(notice), id="lead-notice")
        yield Pane(_over_lead(advisory), id="lead-advisory")
        yield from self.bottom()

    def on_mount(self) -> None:
        """Say what happens until the journal is open."""
        notice = self.query_one("#lead-notice", Pane)
        self.runtime.until_open(lambda words: notice.show([crop((say(words, "dim"),), self.size.width)]))

    def on_unmount(self) -> None:
        """End the threads."""
        self.runtime.stop()

    def look(self) -> Scene:
        """Return the scene of this instant; better orders are looked for while they are in sight."""
        session = self.runtime.session
        session.carry()
        page = self.pages[self.page] if not self.reading and self.pages else ()
        sought = self.view_name == "whole" or any("orders" in band.names for band in page)
        if sought and session.settled and session.snapshot is not None:
            session.search.want(session.snapshot, session.now(self.utc()), self.mono())
        return super().look()

    def looks(self) -> tuple[object, ...]:
        """Return all besides the scene that the panes depend on."""
        return (*super().looks(), self._placed)

    def repaint(self) -> None:
        """Give every pane the scene of this instant, and let a message go after a while."""
        super().repaint()
        said = self.runtime.session.said
        if said != self._said:
            self._said = said
            if said:
                self.set_timer(SAID_S, partial(self._unsay, said))

    def _unsay(self, words: str) -> None:
        """Take a message away, so that no alert waits behind it."""
        if self.runtime.session.said == words and not self.entry.line.display:
            self.say("")

    def ring(self, scene: Scene) -> None:
        """Ring for what is new: not for what stood when the view was opened, nor over a desk, which rings."""
        if isinstance(scene, LeadScene) and scene.estimate is not None and not scene.back:
            if self.over_a_desk:
                self._rung = None
            super().ring(scene)

    def on_resize(self, event: events.Resize) -> None:
        """Arrange the regions anew."""
        self._placed = None

    def lay_out(self, scene: Scene) -> None:
        """Give every band of the page its rows, and every region its view."""
        assert isinstance(scene, LeadScene)
        width, below = self.size.width, advisory_rows(self.size.width)
        told = notice_rows(scene, width)
        self.pages = pages_for(scene, width, self.size.height - HEAD_ROWS - told - below - 1)
        self.page = min(self.page, len(self.pages) - 1)
        placed = (self.pages, self.page, self.reading, width, told)
        if placed == self._placed:
            return
        self._placed = placed
        self.query_one("#lead-advisory", Pane).give(below)
        self.query_one("#lead-notice", Pane).give(told)
        self.query_one("#lead-page", Pane).display = self.reading
        page = self.pages[self.page]
        for number in range(BANDS):
            self._place(number, page, shown=not self.reading and number < len(page))

    def _place(self, number: int, page: Page, *, shown: bool) -> None:
        row = self.query_one(f"#band-{number}")
        row.display = shown
        if not shown:
            return
        band = page[number]
        row.styles.height = band.height or "1fr"
        for place in range(ACROSS):
            pane = self.query_one(f"#region-{number}-{place}", Pane)
            pane.display = place < len(band.names)
            if pane.display:
                pane.styles.width = band.second if place else "1fr"
                pane.set_class(band.names[place] == "fresh", EACH_SECOND)
                pane.use(_REGIONS[band.names[place]])

    def _text(self, scene: Scene, width: int) -> list[Line]:
        """Return the page of text that is shown."""
        assert isinstance(scene, LeadScene)
        return self.help.page(scene, width) if self.view_name == "help" else in_full(scene, width)

    def footer_pairs(self) -> list[Pair]:
        """Return keys and words of the footer; where there are pages, on which one this is."""
        (key, _), *rest = super().footer_pairs()
        if self.reading:
            return [(self.key("back"), "back"), *rest]
        return [(key, f"page {self.page + 1} of {len(self.pages)}"), *rest] if len(self.pages) > 1 else rest

    def next_page(self, by: int) -> None:
        """Show the next page, or the one before."""
        self.view_name, self.page = self.home, (self.page + by) % max(1, len(self.pages))
        self.repaint()

    def show_region(self, name: str) -> None:
        """Show the page on which a region stands."""
        self.view_name, self.page = self.home, page_of(self.pages, name)
        self.repaint()

    def back(self) -> None:
        """Leave a page of text, else an earlier instant, else the view over a desk."""
        if self.reading:
            self.turn_to(self.view_name)
        elif self.progress is not None and self.runtime.session.chosen is not None:
            self.go_to(None)
        elif self.over_a_desk:
            self.leave()

    def leave(self) -> None:
        """Leave the view: to the desk it was opened from, or altogether."""
        if self.over_a_desk:
            self.app.pop_screen()
        else:
            self.app.exit(return_code=0)

    def by_minutes(self, by: int) -> None:
        """Show an instant some minutes earlier or later; on a page of text, move by what is in sight."""
        if self.reading and abs(by) > 1:
            self._move(self.page_rows if by > 0 else -self.page_rows)
        elif self.progress is not None:
            self.go_to(minutes_beside(self.runtime.session.now(self.utc()), by))

    def by_events(self, by: int) -> None:
        """Show the event before or after; on a page of text, move through it."""
        if self.reading:
            self._move(by)
        elif self.progress is not None:
            session = self.runtime.session
            times = (event.at for event in session.followed.events)
            self.go_to(event_beside(times, session.now(self.utc()), by))

    def on_pane_scrolled(self, message: Pane.Scrolled) -> None:
        """Go back and forth with the wheel."""
        self.by_events(message.rows)

    def _move(self, rows: int) -> None:
        self.top = max(0, self.top + rows)
        self.repaint()

    def go_to(self, at: float | None) -> None:
        """Show the instant of a PET; None: the present."""
        self._go(partial(self.runtime.session.go_to, at))

    def mark(self) -> None:
        """Ask what moved the ingress from the shown instant on."""
        self._go(self.runtime.session.mark)

    def _go(self, move: Callable[[datetime], None]) -> None:
        if self.progress is not None:
            move(self.utc())
            self.runtime.want()
            self.repaint()

    def suppose_nothing(self) -> None:
        """Suppose nothing any more."""
        if self.progress is not None:
            self.runtime.session.suppose("", self.utc())
            self.repaint()

    def _offer(self, text: str) -> None:
        """Say what would be supposed."""
        if self.progress is not None:
            now = self.runtime.session.now(self.utc())
            self.say(*would_suppose(text, self.progress, now, self.utc()))

    def _suppose(self, text: str) -> bool:
        """Suppose what was typed; whether it can be."""
        supposed = self.runtime.session.suppose(text, self.utc())
        if supposed:
            self.runtime.session.say("")
            self.view_name, self.page = self.home, page_of(self.pages, "what-if")
        self.repaint()
        return supposed

"""The lead's view: `tracker watch`, and a key at the desk. It follows a journal and can write nothing."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.message import Message

from tracker.console.entry import EntryLine
from tracker.console.layout import ACROSS, BANDS, VIEWS, LeadView, Page, pages_for
from tracker.console.lead_commands import READING_IT
from tracker.console.lead_keys import LeadKeys
from tracker.console.pane import Pane, View
from tracker.console.settings import Settings
from tracker.console.view.alerts import waiting_alerts
from tracker.console.view.footer import footer_line
from tracker.console.view.lead_head import advisory, advisory_rows, lead_head, notice
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.lead_whole import in_full
from tracker.console.view.pages import help_lines
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, crop, page, say, top_of
from tracker.console.watching import Heard, Watching
from tracker.foundation.times import pet_of

HEAD_ROWS = 3
SAID_S = 8.0
"""How long a message stands."""
EVERY_SECOND = ("lead-head", "fresh")
"""What shows seconds; the rest is looked at every ten, and whenever something came."""


class LeadHeard(Message):
    """A thread has something to say."""

    def __init__(self, report: Heard) -> None:
        super().__init__()
        self.report = report


def over_lead(view: LeadView) -> View:
    """Return a view of the lead's for a pane."""

    def shown(scene: Scene, width: int, height: int) -> list[Line]:
        assert isinstance(scene, LeadScene)
        return view(scene, width, height)

    return shown


_SHOWN: dict[str, View] = {name: over_lead(view) for name, view in VIEWS.items()}


class LeadScreen(LeadKeys):
    """Everything the lead sees, and the keys that move through it."""

    CSS_PATH = "lead.tcss"
    AUTO_FOCUS = ""

    def __init__(self, watching: Watching, settings: Settings | None = None) -> None:
        super().__init__(watching, settings or Settings())
        self._shown_keys = {command.id: command.shown for command in self.table}
        self._rung: frozenset[str] | None = None
        self._said = ""
        self._placed: tuple[object, ...] | None = None
        self._painted: tuple[object, ...] | None = None

    # What is where

    def compose(self) -> ComposeResult:
        """Lay out places for the bands and their regions; which is where depends on the size."""
        yield Pane(over_lead(lead_head), id="lead-head")
        for band in range(BANDS):
            with Horizontal(id=f"band-{band}", classes="band"):
                for place in range(ACROSS):
                    classes = "region second" if place else "region"
                    yield Pane(_SHOWN["inside"], id=f"region-{band}-{place}").add_class(*classes.split())
        yield Pane(self._page, id="lead-page")
        yield Pane(over_lead(notice), id="lead-notice")
        yield Pane(over_lead(advisory), id="lead-advisory")
        with Horizontal(id="lead-bottom"):
            yield Pane(self._footer, id="lead-footer")
            yield Pane(self._entry_label, id="lead-label")
            yield EntryLine(self.hear_line, id="lead-entry")

    def on_mount(self) -> None:
        """Paint once, then begin what is heavy."""
        self.query_one("#lead-head", Pane).styles.height = HEAD_ROWS
        self.query_one("#lead-label", Pane).styles.width = 9
        self._show_entry(False)
        words = f" opening {self.watching.path.name} ..."
        self.query_one("#lead-notice", Pane).show([crop((say(words, "dim"),), self.size.width)])
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        self.watching.start(self._hear)
        self._beat()

    def _hear(self, report: Heard) -> None:
        self.post_message(LeadHeard(report))

    def on_unmount(self) -> None:
        """End the threads."""
        self.watching.stop()

    def _beat(self) -> None:
        """Repaint what changes by itself, and come again at the next full second of the clock."""
        if self.watching.session.picture is not None:
            self.watching.session.want(self.utc, self.watching.monotonic_s())
            self.repaint()
        self.set_timer(self._to_next_second(), self._beat)

    def _to_next_second(self) -> float:
        session = self.watching.session
        zero = session.followed.zero if session.picture is not None else None
        shown = pet_of(self.utc, zero) if zero is not None else self.utc.timestamp()
        return max(0.02, 1.0 - shown % 1.0 + 0.005)

    def on_lead_heard(self, message: LeadHeard) -> None:
        """Take in what a thread says."""
        self.watching.take(message.report)
        if self.watching.failed:
            self.app.exit(return_code=1)
            return
        session = self.watching.session
        if session.picture is not None:
            self.repaint()
            self.call_after_refresh(lambda: session.want(self.utc, self.watching.monotonic_s()))

    # What is painted

    def repaint(self) -> None:
        """Give every pane the scene of this instant."""
        session = self.watching.session
        if session.picture is None:
            return
        if self._in_sight("orders"):
            session.look_for_orders(self.utc, self.watching.monotonic_s())
        scene = replace(session.scene(self.utc), keys=self._shown_keys, local_time=self.settings.local_time)
        self._lay_out(scene)
        self._ring(scene)
        self._let_go(scene)
        slow = self._slowly(scene)
        for pane in self.query(Pane):
            if slow != self._painted or pane.id == "lead-head" or pane.has_class("fresh"):
                pane.draw(scene)
        # A page of text keeps its first row within its rows while it is drawn.
        self._painted = self._slowly(scene)

    def _slowly(self, scene: LeadScene) -> tuple[object, ...]:
        """Return all that the panes which show no seconds depend on."""
        return (
            scene.picture, int(scene.now) // 10, scene.points, scene.moved, scene.since, scene.chances,
            scene.supposed, scene.back, scene.trouble, scene.said, scene.orders, scene.seeking, self._placed,
            self.reading, self.top,
        )  # fmt: skip

    def _let_go(self, scene: LeadScene) -> None:
        """Take a message away after a while, so that no alert waits behind it."""
        if scene.said != self._said:
            self._said = scene.said
            if scene.said:
                self.set_timer(SAID_S, partial(self._unsay, scene.said))

    def _unsay(self, words: str) -> None:
        if self.watching.session.said == words and not self.query_one("#lead-entry").display:
            self.watching.session.say("")
            self.repaint()

    def _in_sight(self, region: str) -> bool:
        """Return whether a region can be seen: on this page, or on the page of everything."""
        page = self.pages[self.page] if not self.reading and self.pages else ()
        return self.reading == "whole" or any(region in band.names for band in page)

    def _ring(self, scene: LeadScene) -> None:
        """Ring once for every alert that was not there before, where a bell is wanted.

        What stands when the view opens is in sight and rings nothing; over a desk, the desk rings.
        """
        if scene.estimate is None or scene.back:
            return
        new = frozenset(alert.id for alert in waiting_alerts(scene))
        if self._rung is not None and new - self._rung and self.settings.bell and not self.over_a_desk:
            self.app.bell()
        self._rung = new

    def on_resize(self, event: events.Resize) -> None:
        """Arrange the regions anew."""
        self._placed = self._painted = None
        self.repaint()

    def _lay_out(self, scene: LeadScene) -> None:
        """Give every band of the page its rows, and every region its view."""
        width, below = self.size.width, advisory_rows(self.size.width)
        self.pages = pages_for(scene, width, self.size.height - HEAD_ROWS - below - 2)
        self.page = min(self.page, len(self.pages) - 1)
        placed = (self.pages, self.page, self.reading, width)
        if placed == self._placed:
            return
        self._placed = placed
        self.query_one("#lead-advisory", Pane).styles.height = below
        self.query_one("#lead-page", Pane).display = bool(self.reading)
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
                pane.set_class(band.names[place] == "fresh", "fresh")
                pane.use(_SHOWN[band.names[place]])

    def _page(self, scene: Scene, width: int, height: int) -> list[Line]:
        """Return the page of text from its row `top` on, which is kept within the page."""
        assert isinstance(scene, LeadScene)
        lines = in_full(scene, width) if self.reading == "whole" else self._help(width)
        self.top, self.page_rows = top_of(len(lines), height, self.top), max(1, height - 2)
        return page(lines, width, height, self.top)

    def _help(self, width: int) -> list[Line]:
        rows = [(c.group, c.shown, c.help) for c in self.table]
        return help_lines([*rows, *(("How to read it", sign, words) for sign, words in READING_IT)], width)

    def _footer(self, scene: Scene, width: int, height: int) -> list[Line]:
        return [footer_line(self.footer_pairs(), width)]

    def _entry_label(self, scene: Scene, width: int, height: int) -> list[Line]:
        return [crop((say(" WHAT IF ", "typed"),), width)]

"""The lead's view: `tracker watch`, and a key at the desk. It follows a journal and can write nothing.

What every command of the lead's view does: moving through it and supposing; nothing here writes.

The application of `tracker watch`: the lead's view alone.
"""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.screen import Screen

from tracker.console.app import Frame
from tracker.console.commands import BINDING, LEAD_BY_ID, LEAD_COMMANDS, READING_IT, lead_footer
from tracker.console.entry import EntryLine, Holder
from tracker.console.keys import binding_id, lead_keymap, with_keys
from tracker.console.layout import ACROSS, BANDS, VIEWS, LeadView, Page, page_of, pages_for
from tracker.console.lead_session import Heard, LeadRuntime
from tracker.console.pane import Pane, View
from tracker.console.settings import Settings
from tracker.console.terminal import THEMES
from tracker.console.view.alerts import command_at, footer_line, waiting_alerts
from tracker.console.view.head import advisory, advisory_rows, lead_head, notice
from tracker.console.view.pages import help_lines, in_full
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.styled_text import Line, crop, page, say, top_of
from tracker.foundation.times import pet_of
from tracker.journal.progress import Progress


class LeadKeys(Holder, Screen[None]):
    """The actions of the lead's command table."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, c.action, c.words, id=binding_id(BINDING + c.id, n), show=False)
        for c in LEAD_COMMANDS
        for n, key in enumerate(c.keys)
    ]

    def __init__(self, runtime: LeadRuntime, settings: Settings) -> None:
        super().__init__()
        self.runtime = runtime
        self.settings = settings
        self.table = with_keys(LEAD_COMMANDS, settings.lead_keys)
        self.page = 0
        self.reading = ""
        """The page of text that is shown, `help` or `whole`; empty: the regions."""
        self.top = 0
        """Its first row."""
        self.page_rows = 10
        """By how many rows it is moved at once."""
        self.pages: tuple[Page, ...] = ()

    @property
    def utc(self) -> datetime:
        """The instant that this seat goes by."""
        return self.runtime.utc_now()

    @property
    def progress(self) -> Progress | None:
        """What is shown; None before the journal is open."""
        snapshot = self.runtime.session.snapshot
        return snapshot.progress if snapshot is not None else None

    @property
    def over_a_desk(self) -> bool:
        """Whether a desk lies beneath, to which leaving leads."""
        return len(self.app.screen_stack) > 2

    def repaint(self) -> None:
        """Paint; the screen does it."""
        raise NotImplementedError

    def footer_pairs(self) -> list[tuple[str, str]]:
        """Return the keys of the footer with their words; where there are pages, on which one this is."""
        pairs = lead_footer(self.table, self.progress)
        if self.reading:
            return [(LEAD_BY_ID["back"].shown, "back"), *pairs[1:]]
        if len(self.pages) > 1:
            return [(pairs[0][0], f"page {self.page + 1} of {len(self.pages)}"), *pairs[1:]]
        return pairs[1:]

    def action_page(self, by: int) -> None:
        """Show the next page, or the one before."""
        self.reading = ""
        self.page = (self.page + by) % max(1, len(self.pages))
        self.repaint()

    def action_region(self, name: str) -> None:
        """Show the page on which a region stands."""
        self.reading = ""
        self.page = page_of(self.pages, name)
        self.repaint()

    def action_minutes(self, by: int) -> None:
        """Show an instant some minutes earlier or later; on a page of text, move by what is in sight."""
        if self.reading and abs(by) > 1:
            self._move(self.page_rows if by > 0 else -self.page_rows)
            return
        self._go(partial(self.runtime.session.by_minutes, by))

    def action_events(self, by: int) -> None:
        """Show the event before or after; on a page of text, move through it."""
        if self.reading:
            self._move(by)
        else:
            self._go(partial(self.runtime.session.by_events, by))

    def _move(self, rows: int) -> None:
        self.top = max(0, self.top + rows)
        self.repaint()

    def action_to_zero(self) -> None:
        """Show the beginning."""
        self._go(partial(self.runtime.session.go_to, 0.0))

    def action_present(self) -> None:
        """Show the present again."""
        self._go(partial(self.runtime.session.go_to, None))

    def _go(self, move: partial[None]) -> None:
        if self.progress is not None:
            move(self.utc)
            self.runtime.session.want(self.utc, self.runtime.monotonic_s())
            self.repaint()

    def action_mark(self) -> None:
        """Ask what moved the ingress from the shown instant on."""
        self._go(partial(self.runtime.session.mark))

    def action_back(self) -> None:
        """Leave a page of text, then an earlier instant."""
        if self.reading:
            self.action_read(self.reading)
        elif self.progress is not None and self.runtime.session.chosen is not None:
            self.action_present()
        elif self.over_a_desk:
            self.action_leave()

    def action_read(self, name: str) -> None:
        """Show a page of text, or leave it."""
        self.reading, self.top = ("" if self.reading == name else name), 0
        self.repaint()

    def action_theme(self) -> None:
        """Go to the next theme."""
        names = [theme.name for theme in THEMES]
        place = names.index(self.app.theme) if self.app.theme in names else -1
        self.app.theme = names[(place + 1) % len(names)]
        self.runtime.session.say(f"theme {self.app.theme}")
        self.repaint()

    def action_leave(self) -> None:
        """Leave the view: to the desk it was opened from, or altogether."""
        if self.over_a_desk:
            self.app.pop_screen()
        else:
            self.app.exit(return_code=0)

    async def on_pane_picked(self, message: Pane.Picked) -> None:
        """Take a click on a key of the footer."""
        if message.pane.id == "lead-footer":
            key = command_at(self.footer_pairs(), message.pane.size.width, message.column)
            command = next((c for c in self.table if c.shown == key), None)
            if command is not None:
                await self.run_action(command.action)

    def on_pane_scrolled(self, message: Pane.Scrolled) -> None:
        """Go back and forth with the wheel."""
        self.action_events(message.rows)

    # What if

    def action_what_if(self) -> None:
        """Open the line in which events are supposed."""
        if self.progress is None:
            return
        self._show_entry(True)
        entry = self.query_one(EntryLine)
        entry.begin("entry")
        # At once, not by a message: keys that were typed fast after this one belong to the line already.
        self.set_focus(entry)

    def action_nothing_supposed(self) -> None:
        """Suppose nothing any more."""
        if self.progress is not None:
            self.runtime.session.suppose("", self.utc)
            self.repaint()

    def _show_entry(self, shown: bool) -> None:
        for name, display in (("#lead-entry", shown), ("#lead-label", shown), ("#lead-footer", not shown)):
            self.query_one(name).display = display
        if not shown:
            self.set_focus(None)

    def _line_left(self) -> None:
        """Close the line; its text is kept."""
        self._show_entry(False)
        self.runtime.session.say("")
        self.repaint()

    def on_entry_line_offered(self, message: EntryLine.Offered) -> None:
        """Say what would be supposed."""
        if self.query_one("#lead-entry").display:
            self.runtime.session.offer(message.text, self.utc)
            self.repaint()

    def _line_completing(self, message: EntryLine.Completing) -> None:
        """Complete what is typed after the last `;`."""
        from tracker.journal.typed.match import complete

        progress = self.progress
        if progress is None:
            return
        before, parted, last = message.text.rpartition(";")
        begin = f"{before}{parted} " if parted else ""
        choices = [begin + one for one in complete(last.lstrip(), progress)]
        self.query_one(EntryLine).choose(choices, message.by)

    def _line_entered(self, message: EntryLine.Entered) -> None:
        """Suppose what was typed."""
        if self.runtime.session.suppose(message.text, self.utc):
            self.runtime.session.say("")
            self.query_one(EntryLine).accepted()
            self._show_entry(False)
            self.action_region("what-if")
        self.repaint()


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

    def __init__(self, runtime: LeadRuntime, settings: Settings | None = None) -> None:
        super().__init__(runtime, settings or Settings())
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
        words = f" opening {self.runtime.path.name} ..."
        self.query_one("#lead-notice", Pane).show([crop((say(words, "dim"),), self.size.width)])
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        self.runtime.start(self._hear)
        self._beat()

    def _hear(self, report: Heard) -> None:
        self.post_message(LeadHeard(report))

    def on_unmount(self) -> None:
        """End the threads."""
        self.runtime.stop()

    def _beat(self) -> None:
        """Repaint what changes by itself, and come again at the next full second of the clock."""
        if self.runtime.session.snapshot is not None:
            self.runtime.session.want(self.utc, self.runtime.monotonic_s())
            self.repaint()
        self.set_timer(self._to_next_second(), self._beat)

    def _to_next_second(self) -> float:
        session = self.runtime.session
        zero = session.followed.zero if session.snapshot is not None else None
        shown = pet_of(self.utc, zero) if zero is not None else self.utc.timestamp()
        return max(0.02, 1.0 - shown % 1.0 + 0.005)

    def on_lead_heard(self, message: LeadHeard) -> None:
        """Take in what a thread says."""
        self.runtime.take(message.report)
        if self.runtime.failed:
            self.app.exit(return_code=1)
            return
        session = self.runtime.session
        if session.snapshot is not None:
            self.repaint()
            self.call_after_refresh(lambda: session.want(self.utc, self.runtime.monotonic_s()))

    # What is painted

    def repaint(self) -> None:
        """Give every pane the scene of this instant."""
        session = self.runtime.session
        if session.snapshot is None:
            return
        if self._in_sight("orders"):
            session.look_for_orders(self.utc, self.runtime.monotonic_s())
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
            scene.snapshot, int(scene.now) // 10, scene.points, scene.moved, scene.since, scene.chances,
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
        if self.runtime.session.said == words and not self.query_one("#lead-entry").display:
            self.runtime.session.say("")
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


PARENT_S = 1.0
"""How often it is looked whether the server that started this view still runs."""


class LeadApp(Frame):
    """Shows the lead's view. It has no palette: nothing but the view's own table can be done."""

    ENABLE_COMMAND_PALETTE = False

    def __init__(self, runtime: LeadRuntime, settings: Settings | None = None) -> None:
        settings = settings or Settings()
        super().__init__(theme=settings.theme_name)
        self.runtime = runtime
        self.lead = LeadScreen(runtime, settings)
        self.set_keymap(lead_keymap(settings.lead_keys))

    def on_mount(self) -> None:
        """Mind the signals and show the view; for a visitor's browser, mind the server too."""
        self.mind_signals()
        if "TEXTUAL_DRIVER" in os.environ:
            self._server_pid = os.getppid()
            self.set_interval(PARENT_S, self._mind_parent)
        self.push_screen(self.lead)

    def _mind_parent(self) -> None:
        """End when the server is gone: nobody else would end this process."""
        if os.getppid() != self._server_pid:
            self.exit(return_code=0)

    async def action_quit(self) -> None:
        """Leave at once: there is nothing to lose."""
        self.exit(return_code=0)

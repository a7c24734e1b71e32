"""What every command of the lead's view does: moving through it and supposing; nothing here writes."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.screen import Screen

from tracker.console.entry import EntryLine, Holder
from tracker.console.keys import binding_id, with_keys
from tracker.console.layout import Page, page_of
from tracker.console.lead_commands import BINDING, LEAD_BY_ID, LEAD_COMMANDS, lead_footer
from tracker.console.pane import Pane
from tracker.console.settings import Settings
from tracker.console.themes import THEMES
from tracker.console.view.footer import command_at
from tracker.console.watching import Watching
from tracker.journal.progress import Progress


class LeadKeys(Holder, Screen[None]):
    """The actions of the lead's command table."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, c.action, c.words, id=binding_id(BINDING + c.id, n), show=False)
        for c in LEAD_COMMANDS
        for n, key in enumerate(c.keys)
    ]

    def __init__(self, watching: Watching, settings: Settings) -> None:
        super().__init__()
        self.watching = watching
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
        return self.watching.utc_now()

    @property
    def progress(self) -> Progress | None:
        """What is shown; None before the journal is open."""
        picture = self.watching.session.picture
        return picture.progress if picture is not None else None

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
        self._go(partial(self.watching.session.by_minutes, by))

    def action_events(self, by: int) -> None:
        """Show the event before or after; on a page of text, move through it."""
        if self.reading:
            self._move(by)
        else:
            self._go(partial(self.watching.session.by_events, by))

    def _move(self, rows: int) -> None:
        self.top = max(0, self.top + rows)
        self.repaint()

    def action_to_zero(self) -> None:
        """Show the beginning."""
        self._go(partial(self.watching.session.go_to, 0.0))

    def action_present(self) -> None:
        """Show the present again."""
        self._go(partial(self.watching.session.go_to, None))

    def _go(self, move: partial[None]) -> None:
        if self.progress is not None:
            move(self.utc)
            self.watching.session.want(self.utc, self.watching.monotonic_s())
            self.repaint()

    def action_mark(self) -> None:
        """Ask what moved the ingress from the shown instant on."""
        self._go(partial(self.watching.session.mark))

    def action_back(self) -> None:
        """Leave a page of text, then an earlier instant."""
        if self.reading:
            self.action_read(self.reading)
        elif self.progress is not None and self.watching.session.chosen is not None:
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
        self.watching.session.say(f"theme {self.app.theme}")
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
            self.watching.session.suppose("", self.utc)
            self.repaint()

    def _show_entry(self, shown: bool) -> None:
        for name, display in (("#lead-entry", shown), ("#lead-label", shown), ("#lead-footer", not shown)):
            self.query_one(name).display = display
        if not shown:
            self.set_focus(None)

    def _line_left(self) -> None:
        """Close the line; its text is kept."""
        self._show_entry(False)
        self.watching.session.say("")
        self.repaint()

    def on_entry_line_offered(self, message: EntryLine.Offered) -> None:
        """Say what would be supposed."""
        if self.query_one("#lead-entry").display:
            self.watching.session.offer(message.text, self.utc)
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
        if self.watching.session.suppose(message.text, self.utc):
            self.watching.session.say("")
            self.query_one(EntryLine).accepted()
            self._show_entry(False)
            self.action_region("what-if")
        self.repaint()

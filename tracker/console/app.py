"""The application in which a live screen stands: keys in their turn, the palette, no motion over a wire."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from typing import ClassVar
from weakref import WeakSet

from textual import events
from textual.command import CommandPalette, DiscoveryHit, Hit, Hits, Provider
from textual.widgets import Input

from tracker.console.commands import Command, keymap_of
from tracker.console.entry_line import EntryLine
from tracker.console.key_events import ENTERED_S, PAIR_S, REPEAT_S
from tracker.console.live_screen import LiveScreen
from tracker.console.terminal import (
    DEFAULT,
    THEMES,
    LeanApp,
    driver_for_here,
    end_on_signals,
    end_with_server,
    over_a_wire,
    passed_on,
)
from tracker.console.view.help import unbound_words


class TableProvider(Provider):
    """Offers the commands of the table that can be done now."""

    def _commands(self) -> list[Command]:
        live = self.app.live if isinstance(self.app, TrackerApp) else None
        progress = live.progress if live is not None else None
        if live is None or progress is None:
            return []
        return [c for c in live.table.values() if c.palette and c.can(progress)]

    def _run(self, command: Command) -> Callable[[], object]:
        assert isinstance(self.app, TrackerApp)
        return partial(command.do, self.app.live)

    async def discover(self) -> Hits:
        """Offer every command before anything is typed."""
        for command in self._commands():
            yield DiscoveryHit(f"{command.words}  ({command.shown})", self._run(command), help=command.help)

    async def search(self, query: str) -> Hits:
        """Offer the commands that match what is typed."""
        matcher = self.matcher(query)
        for command in self._commands():
            score = matcher.match(f"{command.words} {command.help}")
            if score > 0:
                text = f"{command.words}  ({command.shown})"
                yield Hit(score, text, self._run(command), help=command.help)


class TrackerApp(LeanApp):
    """Shows a live screen: the desk, or the lead's view, which has no palette."""

    CSS_PATH = "desk.tcss"
    TITLE = "tracker"
    BINDINGS: ClassVar = []
    COMMANDS = {TableProvider}  # noqa: RUF012

    def __init__(self, live: LiveScreen) -> None:
        super().__init__(driver_class=driver_for_here())
        self.live = live
        self.use_command_palette = "palette" in live.table
        self._loose: WeakSet[events.Key] = WeakSet()
        self._before: events.Key | None = None
        for one in THEMES:
            self.register_theme(one)
        wanted = live.settings.theme_name
        self.theme = wanted if wanted in self.available_themes else DEFAULT
        self.set_keymap(
            {**keymap_of("desk", live.settings.keys), **keymap_of("lead", live.settings.lead_keys)}
        )
        if over_a_wire() or os.environ.get("NO_MOTION"):
            self.animation_level = "none"

    def on_mount(self) -> None:
        """End in good order when a signal says so, and show the screen."""
        if not self.is_headless:
            end_on_signals(self)
        end_with_server(self)
        self.push_screen(self.live)

    async def on_event(self, event: events.Event) -> None:
        """Do what a key means in its turn; remember those that come before a line of the palette is open."""
        if not isinstance(event, events.Key) or event.is_forwarded:
            await super().on_event(event)
        elif isinstance(self.focused, EntryLine) or (
            self.focused is None and not isinstance(self.screen, CommandPalette)
        ):
            await self._press(event)
        else:
            if self.focused is None:
                self._loose.add(event)
            await super().on_event(event)

    async def _press(self, event: events.Key) -> None:
        """Do a key before the next is looked at.

        The screen library sends text straight to a line, and Enter, Tab or Esc on a longer way: typed fast,
        text would overtake them.
        """
        before, self._before = self._before, event
        line = self.focused
        # A line that the first one did not enter may want a second; one that it did enter wants none, and
        # who presses it all the same must not find digits typed into an empty line.
        within = PAIR_S if line is not None else ENTERED_S if self.live.chosen is None else REPEAT_S
        again = before is not None and before.key == event.key and event.time - before.time < within
        if again and event.key == "enter":
            if (hands := self.live.entry.hands) is not None:
                hands.bounce("Enter", within)
            return  # It bounced: the first one entered the line, this one would open the next.
        if line is None and self.screen is self.live and self.live.takes(event.key):
            return
        if await self.do_bound(event.key, priority=True):
            return
        if isinstance(line, EntryLine) and not event.is_printable and event.key not in ("escape", "enter"):
            line.touched()
        if isinstance(line, EntryLine) and event.is_printable and event.character is not None:
            line.add_character(event.character)
        elif (
            not await self.do_bound(event.key) and event.is_printable and isinstance(self.screen, LiveScreen)
        ):
            live = self.screen
            live.say(unbound_words(live.where, event.key, live.key("help")))

    async def on_key(self, event: events.Key) -> None:
        """Give a line that has just been opened the keys that were typed fast behind the one that opened it.

        They were on their way as commands before the line was there; typed text must never act as commands.
        """
        if event in self._loose and isinstance(self.focused, Input):
            event.prevent_default()
            event.stop()
            self.focused.post_message(passed_on(event))

    async def action_quit(self) -> None:
        """Leave as the screen leaves."""
        self.live.action_command("quit")

    def action_command_palette(self) -> None:
        """Open the palette, in our words."""
        if self.use_command_palette and not isinstance(self.screen, CommandPalette):
            self.push_screen(CommandPalette(id="--command-palette", placeholder="a command by its words"))

    def get_css_variables(self) -> dict[str, str]:
        """Return the theme's roles; those of the default where another theme has none."""
        found = super().get_css_variables()
        return {**THEMES[0].variables, **found}

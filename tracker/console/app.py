"""What every screen of ours stands in: themes, clean terminals, no motion over a wire."""

from __future__ import annotations

import os
from typing import ClassVar
from weakref import WeakSet

from textual import events
from textual.command import CommandPalette
from textual.widgets import Input

from tracker.console.entry import EntryLine
from tracker.console.key_events import REPEAT_S
from tracker.console.terminal import (
    DEFAULT,
    THEMES,
    LeanApp,
    driver_for_here,
    end_on_signals,
    over_a_wire,
    passed_on,
)


class Frame(LeanApp):
    """An application with our looks; who inherits shows the screens."""

    CSS_PATH = "desk.tcss"
    TITLE = "tracker"
    BINDINGS: ClassVar = []

    def __init__(self, *, theme: str = DEFAULT) -> None:
        super().__init__(driver_class=driver_for_here())
        self._loose: WeakSet[events.Key] = WeakSet()
        self._before: events.Key | None = None
        for one in THEMES:
            self.register_theme(one)
        self.theme = theme if theme in self.available_themes else DEFAULT
        if over_a_wire() or os.environ.get("NO_MOTION"):
            self.animation_level = "none"

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
        again = before is not None and before.key == event.key and event.time - before.time < REPEAT_S
        if again and event.key == "enter":
            return  # It bounced: the first one entered the line, this one would open the next.
        line = self.focused
        if await self.do_bound(event.key, priority=True):
            return
        if isinstance(line, EntryLine) and event.is_printable and event.character is not None:
            line.add_character(event.character)
        else:
            await self.do_bound(event.key)

    async def on_key(self, event: events.Key) -> None:
        """Give a line that has just been opened the keys that were typed fast behind the one that opened it.

        They were on their way as commands before the line was there; typed text must never act as commands.
        """
        if event in self._loose and isinstance(self.focused, Input):
            event.prevent_default()
            event.stop()
            self.focused.post_message(passed_on(event))

    def mind_signals(self) -> None:
        """End in good order when a signal says so."""
        if not self.is_headless:
            end_on_signals(self)

    def action_command_palette(self) -> None:
        """Open the palette, in our words."""
        if not isinstance(self.screen, CommandPalette):
            self.push_screen(CommandPalette(id="--command-palette", placeholder="a command by its words"))

    def get_css_variables(self) -> dict[str, str]:
        """Return the theme's roles; those of the default where another theme has none."""
        found = super().get_css_variables()
        return {**THEMES[0].variables, **found}

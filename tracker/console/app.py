"""The application: themes, palette, signals; the screens do the rest."""

from __future__ import annotations

import os
from typing import Any, ClassVar

from textual.app import App
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.screen import Screen

from tracker.console.commands import COMMANDS, Command
from tracker.console.desk import Desk
from tracker.console.sitting import Sitting
from tracker.console.terminal import driver_for_here, end_on_signals, lean, over_a_wire
from tracker.console.themes import DEFAULT, THEMES


class TableProvider(Provider):
    """Offers the commands of the table that can be done now."""

    def _commands(self) -> list[Command]:
        progress = self.app.desk.progress if isinstance(self.app, TrackerApp) else None
        return [c for c in COMMANDS if c.palette and progress is not None and c.can(progress)]

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

    def _run(self, command: Command):  # type: ignore[no-untyped-def]
        async def run() -> None:
            assert isinstance(self.app, TrackerApp)
            await self.app.desk.run_action(command.action)

        return run


class TrackerApp(App[None]):
    """Shows the desk."""

    CSS_PATH = "desk.tcss"
    COMMANDS = {TableProvider}  # noqa: RUF012
    ENABLE_COMMAND_PALETTE = True
    TITLE = "tracker"
    BINDINGS: ClassVar = []

    def __init__(self, sitting: Sitting, *, theme: str = DEFAULT) -> None:
        super().__init__(driver_class=driver_for_here())
        self.sitting = sitting
        self.desk = Desk(sitting)
        for one in THEMES:
            self.register_theme(one)
        self.theme = theme if theme in self.available_themes else DEFAULT
        if over_a_wire() or os.environ.get("NO_MOTION"):
            self.animation_level = "none"

    def on_mount(self) -> None:
        """Mind the signals and show the desk."""
        if not self.is_headless:
            end_on_signals(self)
        self.push_screen(self.desk)

    def _display(self, screen: Screen[Any], renderable: Any) -> None:
        super()._display(screen, lean(renderable))

    async def action_quit(self) -> None:
        """Leave as the desk leaves, with its question."""
        self.desk.action_leave()

    def get_css_variables(self) -> dict[str, str]:
        """Return the theme's roles; those of the default where another theme has none."""
        found = super().get_css_variables()
        return {**THEMES[0].variables, **found}

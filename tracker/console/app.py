"""The application: the desk in its frame, and the palette."""

from __future__ import annotations

from textual.command import DiscoveryHit, Hit, Hits, Provider

from tracker.console.command import Command
from tracker.console.commands import COMMANDS
from tracker.console.desk import Desk
from tracker.console.frame import Frame
from tracker.console.keys import keymap_of
from tracker.console.lead_commands import lead_keymap
from tracker.console.settings import Settings
from tracker.console.sitting import Sitting


class TableProvider(Provider):
    """Offers the commands of the table that can be done now."""

    def _commands(self) -> list[Command]:
        progress = self.app.desk.progress if isinstance(self.app, TrackerApp) else None
        return [c for c in self._table() if c.palette and progress is not None and c.can(progress)]

    def _table(self) -> tuple[Command, ...]:
        return self.app.desk.table if isinstance(self.app, TrackerApp) else ()

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


class TrackerApp(Frame):
    """Shows the desk."""

    COMMANDS = {TableProvider}  # noqa: RUF012
    ENABLE_COMMAND_PALETTE = True

    def __init__(self, sitting: Sitting, settings: Settings | None = None) -> None:
        settings = settings or Settings()
        super().__init__(theme=settings.theme_name)
        self.sitting = sitting
        self.desk = Desk(sitting, settings)
        self.set_keymap({**keymap_of(COMMANDS, settings.keys), **lead_keymap(settings.lead_keys)})

    def on_mount(self) -> None:
        """Mind the signals and show the desk."""
        self.mind_signals()
        self.push_screen(self.desk)

    async def action_quit(self) -> None:
        """Leave as the desk leaves, with its question."""
        self.desk.action_leave()

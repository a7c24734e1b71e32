"""The application of `tracker watch`: the lead's view alone."""

from __future__ import annotations

from tracker.console.frame import Frame
from tracker.console.lead import LeadScreen
from tracker.console.lead_commands import lead_keymap
from tracker.console.settings import Settings
from tracker.console.watching import Watching


class LeadApp(Frame):
    """Shows the lead's view. It has no palette: nothing but the view's own table can be done."""

    ENABLE_COMMAND_PALETTE = False

    def __init__(self, watching: Watching, settings: Settings | None = None) -> None:
        settings = settings or Settings()
        super().__init__(theme=settings.theme_name)
        self.watching = watching
        self.lead = LeadScreen(watching, settings)
        self.set_keymap(lead_keymap(settings.lead_keys))

    def on_mount(self) -> None:
        """Mind the signals and show the view."""
        self.mind_signals()
        self.push_screen(self.lead)

    async def action_quit(self) -> None:
        """Leave at once: there is nothing to lose."""
        self.exit(return_code=0)

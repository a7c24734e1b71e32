"""The application of `tracker watch`: the lead's view alone."""

from __future__ import annotations

import os

from tracker.console.frame import Frame
from tracker.console.lead import LeadScreen
from tracker.console.lead_commands import lead_keymap
from tracker.console.settings import Settings
from tracker.console.watching import Watching

PARENT_S = 1.0
"""How often it is looked whether the server that started this view still runs."""


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

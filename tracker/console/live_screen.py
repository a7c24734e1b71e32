"""What is shown on the desk: views, the choice in a list, pages of text, and the looks."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.console.desk_actions import Deeds
from tracker.console.pane import Pane
from tracker.console.terminal import THEMES
from tracker.console.view.alerts import listed, waiting_alerts
from tracker.console.view.scene import Scene
from tracker.console.view.steps import rows_of
from tracker.console.view.styled_text import Line, page, top_of

PAGES = ("help", "brief", "optional", "consumables")
"""Views that move as a page."""
LISTS = ("steps", "events", "what-if")
"""Views with rows to be chosen."""


class Looking(Deeds):
    """The actions that change what is shown. None of them writes."""

    _rung: frozenset[str] | set[str] = frozenset()

    def what_if_rows(self) -> list[str]:
        """Return the rows of the what-if page that can be chosen."""
        raise NotImplementedError

    def action_view(self, name: str) -> None:
        """Show a view in the middle; the same key again goes back to the steps."""
        back = self.view_name == name and name != "steps"
        self.view_name, self.top, self.chosen = ("steps" if back else name), 0, None
        self.repaint()
        if self.view_name == "steps" and name == "runway" and not back:
            self.say("the runway is in sight at this size")

    def choose(self, name: str | None) -> None:
        """Choose a row; the message line then says all of it."""
        self.chosen = name
        if name is not None:
            self.runtime.session.say("")
        self.repaint()

    def action_choose_crew(self, by: int) -> None:
        """Choose the next crew member's line."""
        if self.progress is None:
            return
        members = [member.id for member in self.progress.plan.crew]
        place = members.index(self.chosen) + by if self.chosen in members else 0
        self.choose(members[place % len(members)])

    def paged(self, lines: Sequence[Line], width: int, height: int) -> list[Line]:
        """Return the part of a page that is in sight, and hold the place within the page."""
        self.top = top_of(len(lines), height, self.top)
        return page(lines, width, height, self.top)

    def action_next_view(self) -> None:
        """Show the next of the views that do not fit at this size."""
        names = self.last_layout.apart() if self.last_layout else ("steps",)
        place = names.index(self.view_name) if self.view_name in names else -1
        self.view_name = names[(place + 1) % len(names)]
        self.repaint()

    def action_move(self, by: int) -> None:
        """Move the choice in a list, or the page."""
        if self.last_scene is None:
            return
        if self.view_name in PAGES:
            self.top = max(0, self.top + by)
            self.repaint()
        elif self.view_name in LISTS:
            self.choose(self._moved(self.last_scene, by))

    def _moved(self, scene: Scene, by: int) -> str | None:
        if self.view_name == "events":
            names = [str(event.number) for event in listed(scene)]
            begin = 0
        elif self.view_name == "what-if":
            names, begin = self.what_if_rows(), 0
        else:
            rows = rows_of(scene.snapshot)
            names, begin = [row.step for row in rows], sum(row.done for row in rows)
        if not names:
            return None
        if self.chosen not in names:
            return names[min(len(names) - 1, begin)]
        return names[max(0, min(len(names) - 1, names.index(self.chosen) + by))]

    def action_back(self) -> None:
        """Leave what was begun, then the choice, then the view."""
        if self._prefix is not None:
            self._prefix = None
            self.runtime.session.say("")
        elif self.chosen is not None:
            self.chosen = None
        else:
            self.view_name = "steps"
        self._asked = ("", 0.0)
        self.repaint()

    def action_theme(self) -> None:
        """Go to the next theme."""
        names = [theme.name for theme in THEMES]
        place = names.index(self.app.theme) if self.app.theme in names else -1
        self.app.theme = names[(place + 1) % len(names)]
        self.say(f"theme {self.app.theme}")

    def action_copy(self) -> None:
        """Copy the chosen line of the list; without one, the message. The terminal takes it (OSC 52)."""
        text = self._chosen_line() or self.runtime.session.said.strip()
        if not text:
            self.say("nothing is chosen to be copied")
            return
        self.app.copy_to_clipboard(text)
        self.say(f"copied: {text}")

    def _chosen_line(self) -> str:
        """Return the text of the row that is chosen, without the blanks that only line it up."""
        rows = self.query_one("#body", Pane).lines if self.chosen is not None else []
        row = next((line for line in rows if any(span.ink == "chosen" for span in line)), ())
        return " ".join("".join(span.text for span in row).split())

    def ring(self, scene: Scene) -> None:
        """Ring once for every alert that was not there before, where a bell is wanted."""
        new = {alert.id for alert in waiting_alerts(scene)}
        if self.settings.bell and new - self._rung:
            self.app.bell()
        self._rung = new

    def action_palette(self) -> None:
        """Open the palette."""
        self.app.action_command_palette()

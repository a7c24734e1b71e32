"""The help of a screen: a first page, every key and word by subject, and the line that finds a row of it."""

from __future__ import annotations

from tracker.console.commands import help_rows
from tracker.console.entry_line import Purpose
from tracker.console.live_screen import LiveScreen
from tracker.console.view.help import HelpRow, found_lines, found_rows, help_lines, job_rows
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line
from tracker.foundation.text import count

_ASKS = "type some words, or a key; Esc shows all of it again"


class HelpPage:
    """The help page of a screen, with the keys that it has."""

    def __init__(self, screen: LiveScreen, more: tuple[HelpRow, ...] = (), find: str = "") -> None:
        self._screen, self._more, self._find = screen, more, find
        """The screen, what its help explains besides keys, and the key that finds rows there; empty: none."""
        self._text = ""
        """What is looked for while the line is open."""

    @property
    def rows(self) -> list[HelpRow]:
        """Rows by subject: every command, and what is explained besides."""
        return [*help_rows(self._screen.table.values()), *self._more]

    def page(self, scene: Scene, width: int) -> list[Line]:
        """Return the page, or its rows that have what is typed."""
        if self._text.strip() and self._screen.entry.line.display:
            return found_lines(self.rows, self._text, width)
        screen = self._screen
        return help_lines(job_rows(screen.where, screen.table), self.rows, width, self._find)

    def purpose(self) -> Purpose:
        """Return what the line is for while a row is looked for."""
        # Digits are looked for like any other key.
        nothing = lambda text, by: None  # noqa: E731
        return Purpose(" FIND  ", self._offer, nothing, self._enter, self._leave, figures=True)

    def _offer(self, text: str) -> None:
        self._text, self._screen.top = text, 0
        found = f"{count(len(found_rows(self.rows, text)), 'row')}; Esc shows all of it again"
        self._screen.say(found if text.strip() else _ASKS, "dim")

    def _enter(self, text: str) -> bool:
        """Stay with what was found until the line is left; whether nothing is looked for."""
        return not text.strip()

    def _leave(self, text: str) -> None:
        self._text = ""
        self._screen.say("")

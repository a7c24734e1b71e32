"""The entry line: closed by default so that digits tick; open, it says so in reverse and digits type.

Esc closes it and keeps the text. It knows no events: what is typed is offered, completed and previewed
by whoever holds the desk. What closes or enters it is heard at once, so that the key behind finds it done.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, Literal

from rich.cells import cell_len
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message
from textual.widgets import Input

Purpose = Literal["entry", "find", "what-if"]


class History:
    """Lines that were entered, and a place among them."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._place = 0
        self._draft = ""

    def keep(self, line: str) -> None:
        """Remember a line, the same one only once in a row."""
        if line.strip() and (not self._lines or self._lines[-1] != line):
            self._lines.append(line)
        self._place = len(self._lines)

    def step(self, by: int, present: str) -> str:
        """Return the line before (-1) or after (+1); past the end, what was being typed."""
        if self._place == len(self._lines):
            self._draft = present
        self._place = max(0, min(len(self._lines), self._place + by))
        return self._lines[self._place] if self._place < len(self._lines) else self._draft


class EntryLine(Input):
    """One line of text with history and completion."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", show=False, id="entry-leave"),
        Binding("tab", "complete(1)", show=False, id="entry-complete"),
        Binding("shift+tab", "complete(-1)", show=False, id="entry-complete-back"),
        Binding("up", "history(-1)", show=False, id="entry-before"),
        Binding("down", "history(1)", show=False, id="entry-after"),
    ]

    class Left(Message):
        """The line was closed without entering."""

    class Offered(Message):
        """The text changed: somebody may say what it would write."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Entered(Message):
        """The text was entered."""

        def __init__(self, text: str, purpose: Purpose) -> None:
            super().__init__()
            self.text, self.purpose = text, purpose

    class Completing(Message):
        """Completions are wanted for a text."""

        def __init__(self, text: str, by: int) -> None:
            super().__init__()
            self.text, self.by = text, by

    Heard = Left | Entered | Completing
    """What whoever holds the line is told."""

    def __init__(self, hear: Callable[[Heard], None], *, id: str) -> None:
        super().__init__(id=id, compact=True, select_on_focus=False)
        self._hear = hear
        self.purpose: Purpose = "entry"
        self._kept: dict[Purpose, str] = {"entry": "", "find": "", "what-if": ""}
        self.history = History()
        self._choices: list[str] = []
        self._choice = -1

    def begin(self, purpose: Purpose, text: str | None = None) -> None:
        """Open with a text or with what was kept; a kept text that gives way goes to the history."""
        if text is not None and self._kept[purpose] not in ("", text):
            self.history.keep(self._kept[purpose])
        self.purpose = purpose
        self.value = self._kept[purpose] if text is None else text
        self.cursor_position = len(self.value)
        self._choices = []
        self.post_message(self.Offered(self.value))

    def action_leave(self) -> None:
        """Close and keep the text."""
        self._kept[self.purpose] = self.value
        self._hear(self.Left())

    def action_history(self, by: int) -> None:
        """Show the line entered before or after."""
        self.value = self.history.step(by, self.value)
        self.cursor_position = len(self.value)

    def action_complete(self, by: int) -> None:
        """Put in the next completion."""
        if self._choices and self.value in self._choices:
            self.choose(self._choices, by)
        else:
            self._hear(self.Completing(self.value, by))

    def choose(self, choices: list[str], by: int) -> None:
        """Take whole lines to go round, and show the next of them."""
        if not choices:
            return
        if choices != self._choices:
            self._choices, self._choice = choices, -1 if by > 0 else 0
        self._choice = (self._choice + by) % len(choices)
        self.value = choices[self._choice]
        self.cursor_position = len(self.value)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Offer the text for a preview."""
        event.stop()
        self.post_message(self.Offered(event.value))

    async def action_submit(self) -> None:
        """Enter the text; the desk clears it once it was accepted."""
        self._hear(self.Entered(self.value, self.purpose))

    def add_character(self, character: str) -> None:
        """Put a character at the cursor, or in the place of what is selected."""
        if self.selection.is_empty:
            self.insert_text_at_cursor(character)
        else:
            self.replace(character, *self.selection)

    def accepted(self) -> None:
        """Forget the text: it was taken."""
        self.history.keep(self.value)
        self._kept[self.purpose] = ""
        self.value = ""

    def on_resize(self, event: events.Resize) -> None:
        """Keep the cursor in sight on a narrower line."""
        self.call_after_refresh(self._show_cursor)

    def _show_cursor(self) -> None:
        cells = cell_len(self.value[: self.cursor_position])
        self.scroll_to_region(Region(cells, 0, width=2, height=1), force=True, animate=False)

    def on_blur(self, event: events.Blur) -> None:
        """Keep the text when the line loses the keys."""
        self._kept[self.purpose] = self.value


class Holder:
    """Who holds an entry line; a screen says what is done with what is typed there."""

    def hear_line(self, heard: EntryLine.Heard) -> None:
        """Do what the line is told, at once."""
        if isinstance(heard, EntryLine.Left):
            self._line_left()
        elif isinstance(heard, EntryLine.Entered):
            self._line_entered(heard)
        else:
            self._line_completing(heard)

    def _line_left(self) -> None:
        raise NotImplementedError

    def _line_entered(self, message: EntryLine.Entered) -> None:
        raise NotImplementedError

    def _line_completing(self, message: EntryLine.Completing) -> None:
        raise NotImplementedError

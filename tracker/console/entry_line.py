"""The entry line: closed by default so that digits tick; open, it says so in reverse and digits type.

It opens empty, or with the word of a deed; Esc empties it, and the up arrow brings back what was left or
entered. Hides history and completion. It knows no events: what a line is typed for says what is offered,
completed and done. What closes or enters a line is done at once, not by a message, so that the key behind it
finds it done. Digits that may have been meant as ticks are handed on when the line is left.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar, Protocol

from rich.cells import cell_len
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input

from tracker.console.left_open import LeftOpen, Meant
from tracker.console.pane import Pane, View
from tracker.console.view.scene import OpenLine, Scene
from tracker.console.view.styled_text import Line, crop, say
from tracker.journal.progress import Progress


@dataclass(frozen=True)
class Purpose:
    """What a line is typed for."""

    label: str
    """What the open line says of itself."""
    offer: Callable[[str], None]
    """Says what a text would do."""
    complete: Callable[[str, int], None]
    """Completes a text, forwards or backwards."""
    enter: Callable[[str], bool]
    """Does what was typed; whether that is done, and the line can go."""
    left: Callable[[str], None]
    """Says that a text was left, and how it comes back."""
    figures: bool = False
    """Whether digits are what it asks for, so that none is taken for a tick."""


class Holder(Protocol):
    """What the line needs of its screen."""

    @property
    def progress(self) -> Progress | None:
        """What is shown; None before the journal is open."""

    def utc(self) -> datetime:
        """Return the instant that this seat goes by."""

    def mono(self) -> float:
        """Return a clock for short spans."""

    def repaint(self) -> None:
        """Paint what changed."""

    def set_focus(self, widget: Widget | None) -> None:
        """Give the keys to a widget."""


class Hands(Protocol):
    """What hands do beside an open line."""

    def drop_begun(self) -> None:
        """Forget what was begun before the line was opened."""

    def bounce(self, key: str, within_s: float) -> None:
        """Say that a key came again too soon to be meant."""

    def typed(self, meant: Sequence[Meant]) -> None:
        """Say of digits in the line that they tick nothing."""

    def offer(self, meant: Sequence[Meant]) -> None:
        """Ask of digits that were in a line which was left whether they were ticks."""


class EntryController:
    """The line at the bottom of a screen: opens and closes it, and does what it is typed for."""

    def __init__(
        self,
        screen: Holder,
        purposes: Mapping[str, Purpose],
        *,
        prefix: str = "",
        hands: Hands | None = None,
    ) -> None:
        self.prefix = prefix
        """What the ids of its widgets begin with."""
        self._screen, self._purposes = screen, purposes
        self.hands = hands
        """What is done beside it; nothing by who only looks on."""
        self._left_open: LeftOpen | None = None
        self.line = EntryLine(self, id=f"{prefix}entry")
        self.label = Pane(self._label, id=f"{prefix}entry-label")
        self.footer: Pane | None = None

    @property
    def purpose(self) -> str:
        """What the line is, or was last, open for."""
        return self.line.purpose

    @property
    def meant(self) -> Sequence[Meant]:
        """Digits in the line that may have been meant as ticks."""
        kept = self._left_open
        return () if kept is None or self._purposes[self.purpose].figures else kept.meant

    def opened(self) -> OpenLine | None:
        """What a screen says of the line; None while it is closed."""
        kept = self._left_open
        if kept is None:
            return None
        quiet = self.line.value.strip() if kept.quiet(self._screen.mono()) else None
        return OpenLine(self._purposes[self.purpose].label.strip(), quiet)

    def key(self, character: str = "") -> None:
        """Take note of a key at the open line: a character that is typed, or another one."""
        if self._left_open is not None:
            self._left_open.typed(character, self._screen.utc(), self._screen.mono())

    def compose(self, footer: View) -> ComposeResult:
        """Lay out the footer and, in its place while it is open, the line with its label."""
        self.footer = Pane(footer, id=f"{self.prefix}footer")
        yield from (self.footer, self.label, self.line)

    def _label(self, scene: Scene, width: int, height: int) -> list[Line]:
        label = self._purposes[self.purpose].label if self.purpose in self._purposes else ""
        return [crop((say(label, "typed"),), width)]

    def open(self, purpose: str, text: str = "") -> None:
        """Open the line, empty or with the beginning of a text."""
        if self.hands is not None:
            self.hands.drop_begun()
        if self._screen.progress is None:
            return
        self.line.begin(purpose, text)
        self._left_open = LeftOpen(self._screen.mono())
        self.show(True)
        # At once: keys typed fast behind the one that opened the line belong to it.
        self._screen.set_focus(self.line)

    def show(self, shown: bool) -> None:
        """Show the line, or the footer in its place."""
        self.line.display = self.label.display = shown
        if self.footer is not None:
            self.footer.display = not shown
        if not shown:
            self._left_open = None
            self._screen.set_focus(None)
        self._screen.repaint()

    def offered(self, text: str) -> None:
        """Say what a text would do, while the line is open."""
        if self.line.display:
            self._purposes[self.purpose].offer(text)
            if self.meant and self.hands is not None:
                self.hands.typed(self.meant)

    def leave(self, text: str) -> None:
        """Close the line, from which a text was taken; ask of digits whether they were ticks."""
        meant = (*self.meant,)
        self.show(False)
        self._purposes[self.purpose].left(text)
        if self.hands is not None:
            self.hands.offer(meant)

    def enter(self) -> None:
        """Do what was typed; where that cannot be, the line stays open with it."""
        if self._purposes[self.purpose].enter(self.line.value):
            self.line.accepted()
            self.show(False)
        elif self._left_open is not None:
            self._left_open.refused(self._screen.mono())

    def complete(self, by: int) -> None:
        """Complete what is typed."""
        self._purposes[self.purpose].complete(self.line.value, by)

    def complete_last(self, text: str, parted_by: str, by: int) -> bool:
        """Complete what stands behind the last parting sign; whether anything completes it."""
        from tracker.journal.typed.match import complete

        if self._screen.progress is None:
            return False
        before, parted, last = text.rpartition(parted_by)
        begin = f"{before}{parted} " if parted else ""
        choices = complete(last.lstrip() if parted else last, self._screen.progress)
        self.line.choose([begin + one for one in choices], by)
        return bool(choices)


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

    class Offered(Message):
        """The text changed: somebody may say what it would do."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self, controller: EntryController, *, id: str) -> None:
        super().__init__(id=id, compact=True, select_on_focus=False)
        self._controller = controller
        self.purpose = ""
        self.history = History()
        self._choices: list[str] = []
        self._choice = -1

    def begin(self, purpose: str, text: str) -> None:
        """Open with a text; what was being typed goes to the history."""
        self.history.keep(self.value)
        self.purpose, self.value = purpose, text
        # What begins with a blank ends with its time, before which a deed is typed.
        self.cursor_position = 0 if text.startswith(" ") else len(self.value)
        self._choices = []
        self.post_message(self.Offered(self.value))

    def action_leave(self) -> None:
        """Close, and keep the text for the up arrow."""
        text, self.value = self.value.strip(), ""
        self.history.keep(text)
        self._controller.leave(text)

    def action_history(self, by: int) -> None:
        """Show the line entered before or after."""
        self.value = self.history.step(by, self.value)
        self.cursor_position = len(self.value)

    def action_complete(self, by: int) -> None:
        """Put in the next completion."""
        if self._choices and self.value in self._choices:
            self.choose(self._choices, by)
        else:
            self._controller.complete(by)

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
        """Enter the text; it is cleared once it was accepted."""
        self._controller.enter()

    def add_character(self, character: str) -> None:
        """Put a character at the cursor, or in the place of what is selected."""
        self._controller.key(character)
        if self.selection.is_empty:
            self.insert_text_at_cursor(character)
        else:
            self.replace(character, *self.selection)

    def touched(self) -> None:
        """Take note that a key came which is no text: somebody edits the line."""
        self._controller.key()

    def accepted(self) -> None:
        """Forget the text: it was taken."""
        self.history.keep(self.value)
        self.value = ""

    def on_resize(self, event: events.Resize) -> None:
        """Keep the cursor in sight on a narrower line."""
        self.call_after_refresh(self._show_cursor)

    def _show_cursor(self) -> None:
        cells = cell_len(self.value[: self.cursor_position])
        self.scroll_to_region(Region(cells, 0, width=2, height=1), force=True, animate=False)

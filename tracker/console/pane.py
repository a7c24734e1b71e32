"""A region of the screen: given a scene, it asks its view for lines and repaints the cells that changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region, Size
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import INKS, Line

View = Callable[[Scene, int, int], list[Line]]
"""Scene, width and height to exactly that many lines."""


_JOIN = 8
"""Writing this many unchanged cells costs no more than moving past them and naming the style again."""


class Pane(Widget, can_focus=False):
    """Paints the lines of one view."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"ink--{ink}" for ink in INKS}

    class Picked(Message):
        """Somebody clicked on a cell of a pane."""

        def __init__(self, pane: Pane, column: int, row: int) -> None:
            super().__init__()
            self.pane, self.column, self.row = pane, column, row

        @property
        def control(self) -> Pane:
            """The pane that was clicked."""
            return self.pane

    class Scrolled(Message):
        """Somebody turned the wheel over a pane."""

        def __init__(self, pane: Pane, rows: int) -> None:
            super().__init__()
            self.pane, self.rows = pane, rows

    def __init__(self, view: View, *, id: str, classes: str = "") -> None:
        super().__init__(id=id, classes=classes)
        self._view = view
        self._scene: Scene | None = None
        self._lines: list[Line] = []
        self._styles: dict[str, Style] = {}
        self._coming: int | None = None
        """Rows that it is about to have."""

    @property
    def lines(self) -> list[Line]:
        """The lines as painted last."""
        return self._lines

    def use(self, view: View) -> None:
        """Show another view of the same scene."""
        if view is not self._view:
            self._view = view
            self._redraw()

    def give(self, rows: int) -> None:
        """Give it so many rows and write it for them at once, so that no frame shows it cut."""
        self.styles.height, self.display, self._coming = rows, rows > 0, rows
        self.call_after_refresh(self._given)

    def _given(self) -> None:
        self._coming = None
        self._redraw()

    def draw(self, scene: Scene) -> None:
        """Take the new scene and repaint what changed."""
        self._scene = scene
        self._redraw()

    def show(self, lines: list[Line]) -> None:
        """Paint these lines until there is a scene."""
        self._lines = lines
        self.refresh()

    def _redraw(self) -> None:
        width, height = self.size.width, self.size.height if self._coming is None else self._coming
        if self._scene is None or width <= 0 or height <= 0 or not self.display:
            return
        before, self._lines = self._lines, self._view(self._scene, width, height)
        if len(before) != len(self._lines):
            self.refresh()
            return
        pairs = enumerate(zip(before, self._lines, strict=True))
        regions = [region for y, (old, new) in pairs for region in _changed(y, old, new, width)]
        if regions:
            self.refresh(*regions)

    def on_resize(self, event: events.Resize) -> None:
        """Write the lines anew for the new size."""
        self._lines = []
        self._redraw()

    def notify_style_update(self) -> None:
        """Forget the colours of the old theme."""
        super().notify_style_update()
        self._styles = {}

    def render_line(self, y: int) -> Strip:
        """Return one row as a strip."""
        width = self.size.width
        base = self.rich_style
        if y >= len(self._lines):
            return Strip.blank(width, base)
        segments = [Segment(span.text, self._style(span.ink)) for span in self._lines[y] if span.text]
        return Strip(segments).adjust_cell_length(width, base)

    def _style(self, ink: str) -> Style:
        style = self._styles.get(ink)
        if style is None:
            style = self.get_component_rich_style(f"ink--{ink}") if ink else self.rich_style
            self._styles[ink] = style
        return style

    def get_content_width(self, container: Size, viewport: Size) -> int:
        """Return all the width there is."""
        return container.width

    def on_click(self, event: events.Click) -> None:
        """Say which cell was clicked."""
        self.post_message(self.Picked(self, event.x, event.y))

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Say that the wheel went down."""
        self.post_message(self.Scrolled(self, 1))

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Say that the wheel went up."""
        self.post_message(self.Scrolled(self, -1))


def _changed(y: int, old: Line, new: Line, width: int) -> list[Region]:
    """Return the cells of a row that changed, as runs; a few equal cells between two join them."""
    if old == new:
        return []
    before, after = _cells(old), _cells(new)
    if len(before) != width or len(after) != width:
        # Some character takes two cells or none.
        return [Region(0, y, width, 1)]
    runs: list[list[int]] = []
    for x, (a, b) in enumerate(zip(before, after, strict=True)):
        if a == b:
            continue
        if runs and x - runs[-1][1] <= _JOIN:
            runs[-1][1] = x
        else:
            runs.append([x, x])
    return [Region(first, y, last - first + 1, 1) for first, last in runs]


def _cells(line: Line) -> list[tuple[str, str]]:
    return [(char, span.ink) for span in line for char in span.text]

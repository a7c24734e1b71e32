"""What both screens are: live. They beat with the clock, hear their threads, and repaint what changed.

Hides when a screen looks again, which panes it repaints, how pages of text move and how a command is found.
It knows neither what writes nor what follows: a screen is handed a runtime, and asks it for the scene.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.screen import Screen

from tracker.console.commands import (
    Pair,
    Where,
    binding_id,
    clicked,
    commands_of,
    footer,
    why_not,
    with_keys,
)
from tracker.console.entry_line import EntryController, EntryLine
from tracker.console.pane import Pane, View
from tracker.console.settings import Settings
from tracker.console.view.alerts import waiting_alerts
from tracker.console.view.help import command_at, footer_line
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import Ink, Line, page, top_of
from tracker.foundation.times import pet_of
from tracker.journal.progress import Progress

EACH_SECOND = "each-second"
"""Class of the panes that show seconds; the others are looked at every ten, and when something happened."""


class SeatSession(Protocol):
    """What a screen asks of all that its seat knows."""

    snapshot: Snapshot | None
    """None before the journal is open."""
    said: str
    keys: Mapping[str, str]
    local_time: bool

    @property
    def zero(self) -> datetime | None:
        """When the clock was started."""

    def say(self, words: str, ink: Ink = "") -> None:
        """Put words on the message line."""


class Runtime(Protocol):
    """A seat: what it knows, the threads beside it and the clock that it goes by."""

    utc_now: Callable[[], datetime]
    monotonic_s: Callable[[], float]
    failed: tuple[str, ...]
    """Why the journal could not be opened."""

    @property
    def session(self) -> SeatSession:
        """What the seat knows."""

    def start(self, hear: Callable[[Any], object]) -> None:
        """Begin; reports come from other threads."""

    def take(self, report: Any) -> None:
        """Take in what a thread says."""

    def scene(self) -> Scene:
        """Return everything that the views may look at, at this instant."""

    def want(self) -> None:
        """Ask for an estimate when one is due."""


class Reported(Message):
    """A thread has something to say."""

    def __init__(self, report: Any) -> None:
        super().__init__()
        self.report = report


def bindings(where: Where) -> list[BindingType]:
    """Return the bindings of a screen's commands."""
    return [
        Binding(key, f"command({c.id!r})", c.words, id=binding_id(where, c.id, place), show=False)
        for c in commands_of(where)
        for place, key in enumerate(c.keys)
    ]


class LiveScreen(Screen[None]):
    """A screen on a journal that goes on."""

    AUTO_FOCUS = ""
    entry: EntryController
    """The line at the bottom; whoever inherits says what is typed there."""

    def __init__(self, where: Where, runtime: Runtime, settings: Settings, home: str) -> None:
        super().__init__()
        self.where, self.runtime, self.settings = where, runtime, settings
        chosen = settings.lead_keys if where == "lead" else settings.keys
        self.table = {command.id: command for command in with_keys(commands_of(where), chosen)}
        """The commands by id, with this seat's keys."""
        runtime.session.keys = {id: command.shown for id, command in self.table.items()}
        runtime.session.local_time = settings.local_time
        self.home = self.view_name = home
        """The view to which leaving another leads, and the one that is shown."""
        self.top, self.page_rows = 0, 10
        """First row of a page of text, and by how many rows it is moved at once."""
        self.chosen: str | None = None
        """The chosen row of a list, or crew member."""
        self.last_scene: Scene | None = None
        self.takes: Callable[[str], bool] = lambda key: False
        """Whether a key is taken before it is looked up among the commands."""
        self._rung: frozenset[str] | None = frozenset()
        self._painted: tuple[object, ...] | None = None

    # The instant, and what is known

    def utc(self) -> datetime:
        """Return the instant that this seat goes by."""
        return self.runtime.utc_now()

    def mono(self) -> float:
        """Return a clock for short spans."""
        return self.runtime.monotonic_s()

    @property
    def progress(self) -> Progress | None:
        """What is shown; None before the journal is open."""
        snapshot = self.runtime.session.snapshot
        return snapshot.progress if snapshot is not None else None

    def key(self, command: str) -> str:
        """Return the key of a command, as a person reads it."""
        return self.table[command].shown

    def say(self, words: str, ink: Ink = "") -> None:
        """Put words on the message line."""
        self.runtime.session.say(words, ink)
        self.repaint()

    # Beat and hear

    def on_mount(self) -> None:
        """Begin what is heavy once this is painted."""
        self.entry.show(False)
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        self.runtime.start(lambda report: self.post_message(Reported(report)))
        self.beat()

    def beat(self) -> None:
        """Repaint what changes by itself, and come again at the next full second of the clock."""
        if self.progress is not None:
            self.runtime.want()
            self.repaint()
        zero = self.runtime.session.zero
        shown = pet_of(self.utc(), zero) if zero is not None else self.utc().timestamp()
        self.set_timer(max(0.02, 1.0 - shown % 1.0 + 0.005), self.beat)

    def on_reported(self, message: Reported) -> None:
        """Take in what a thread says, or end where there is no journal."""
        self.runtime.take(message.report)
        if self.runtime.failed:
            self.app.exit(return_code=1)
        elif self.progress is not None:
            self.heard(message.report)

    def heard(self, report: Any) -> None:
        """Paint first what was taken in: an estimate would only be in the way of it."""
        self.repaint()
        self.call_after_refresh(self.runtime.want)

    # What is painted

    def repaint(self) -> None:
        """Give every pane the scene of this instant, where it changed; none while the program ends."""
        if self.progress is None or not self.is_attached:
            return  # Panes go before the screen does, and a report or a key may still come.
        scene = self.look()
        self.lay_out(scene)
        self.last_scene = scene
        self.ring(scene)
        changed = (scene.slow, self.looks()) != self._painted
        for pane in self.query(Pane):
            if changed or pane.has_class(EACH_SECOND):
                pane.draw(scene)
        self._painted = (scene.slow, self.looks())  # Drawn, a page of text keeps its first row in its rows.

    def look(self) -> Scene:
        """Return the scene of this instant."""
        return self.runtime.scene()

    def lay_out(self, scene: Scene) -> None:
        """Give the panes their places; where nothing else is said, they keep them."""

    def looks(self) -> tuple[object, ...]:
        """Return all besides the scene that the panes depend on."""
        return (self.view_name, self.top, self.entry.purpose)

    def ring(self, scene: Scene) -> None:
        """Ring once for every alert to act upon that was not there before, where a bell is wanted."""
        if scene.snapshot.news.rerouted:
            return  # What is left out while the way home is worked out is nothing new when it is back.
        waiting = waiting_alerts(scene)
        new = frozenset(alert.id for alert in waiting if alert.severity == "act")
        if self.settings.bell and self._rung is not None and new - self._rung:
            self.app.bell()
        # One that is to be looked at for a moment between is not another one.
        self._rung = new | (self._rung or frozenset()).intersection(alert.id for alert in waiting)

    def on_resize(self, event: events.Resize) -> None:
        """Paint everything anew."""
        self._painted = None
        self.repaint()

    # Commands

    def action_command(self, id: str) -> None:
        """Do a command of the table, or say why it cannot be done now."""
        command = self.table[id]
        if why := why_not(command, self.progress, self.key("zero")):
            self.say(why, "late")
        else:
            command.do(self)

    def footer_pairs(self) -> list[Pair]:
        """Return keys and words of the footer."""
        return footer(self.table.values(), self.progress)

    def on_pane_picked(self, message: Pane.Picked) -> None:
        """Take a click on a key of the footer."""
        pane = message.pane
        if pane is self.entry.footer:
            key = command_at(self.footer_pairs(), pane.size.width, message.column)
            if (command := clicked(self.table, key)) is not None:
                command.do(self)

    # The line at the bottom, and pages of text

    def bottom(self) -> ComposeResult:
        """Lay out footer and entry line, one of which is shown."""
        with Horizontal(id=f"{self.entry.prefix}bottom"):
            yield from self.entry.compose(
                lambda scene, width, height: [footer_line(self.footer_pairs(), width)]
            )

    def on_entry_line_offered(self, message: EntryLine.Offered) -> None:
        """Say what the typed text would do."""
        self.entry.offered(message.text)

    def turn_to(self, name: str) -> None:
        """Show a view from its beginning; the same once more leads back."""
        self.view_name, self.top, self.chosen = (self.home if self.view_name == name else name), 0, None
        self.repaint()

    def paged(self, lines: Sequence[Line], width: int, height: int) -> list[Line]:
        """Return the part of a page that is in sight, and hold the place within the page."""
        self.top, self.page_rows = top_of(len(lines), height, self.top), max(1, height - 2)
        return page(lines, width, height, self.top)

    def paged_view(self, lines: Callable[[Scene, int], list[Line]]) -> View:
        """Return a view of what is in sight of a page of text."""
        return lambda scene, width, height: self.paged(lines(scene, width), width, height)

"""The operator's screen: a list of what is where, and the wires between keys, session and panes.

The application: the desk in its frame, and the palette.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.containers import Horizontal, Vertical
from textual.message import Message

from tracker.console.app import Frame
from tracker.console.commands import COMMANDS, Command, footer
from tracker.console.entering import Entering
from tracker.console.entry import EntryLine, Purpose
from tracker.console.keys import binding_id, keymap_of, lead_keymap
from tracker.console.layout import BELOW, FIXED, MIDDLE, WHAT_IF_PAGE, WIDE, Layout, layout_for
from tracker.console.pane import Pane, View
from tracker.console.session import MARK_S, PATIENCE_S, DeskRuntime
from tracker.console.settings import Settings
from tracker.console.view.alerts import command_at, event_at, footer_line
from tracker.console.view.consumables import consumables_lines, consumables_list
from tracker.console.view.crew import member_at
from tracker.console.view.optional import optional_list, optional_page
from tracker.console.view.pages import help_lines, text_lines
from tracker.console.view.scene import Scene
from tracker.console.view.steps import step_at, steps_list
from tracker.console.view.styled_text import Line, crop, say
from tracker.console.workers import Estimated, NotEstimated
from tracker.console.writer import Failed, Report

DIGIT = 3
"""Cells at the left of a crew member's line on which a click ticks."""

EVERY_SECOND = ("head", "crew")
"""Panes that show seconds; the others are looked at every ten, and whenever something happened."""


LABELS: dict[Purpose, str] = {"entry": " ENTRY ", "find": " FIND  ", "what-if": "WHAT IF"}
"""What the open line says of itself, in seven cells."""


class Reported(Message):
    """A thread has something to say."""

    def __init__(self, report: Report | Estimated | NotEstimated) -> None:
        super().__init__()
        self.report = report


class Desk(Entering):
    """Everything the operator sees; what the keys do is in `Deeds` and `Entering`."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, command.action, command.words, id=binding_id(command.id, n), show=False)
        for command in COMMANDS
        for n, key in enumerate(command.keys)
    ]
    AUTO_FOCUS = ""

    _painted: tuple[object, ...] | None = None

    def compose(self) -> ComposeResult:
        """Lay the panes out, from the top down."""
        for name, view in FIXED:
            yield Pane(view, id=name)
        with Horizontal(id="middle"):
            yield Pane(steps_list, id="body")
            with Vertical(id="side"):
                yield Pane(optional_list, id="optional")
                yield Pane(consumables_list, id="consumables")
        for name, view in BELOW:
            yield Pane(view, id=name)
        with Horizontal(id="bottom"):
            yield Pane(self._footer, id="footer")
            yield Pane(self._entry_label, id="entry-label")
            yield EntryLine(self.hear_line, id="entry")

    def on_mount(self) -> None:
        """Paint once, then begin what is heavy."""
        for name in ("#entry", "#entry-label"):
            self.query_one(name).display = False
        self._show_opening()
        self.call_after_refresh(self.begin)

    def begin(self) -> None:
        """Start the threads and the beat of the clock."""
        self.runtime.start(self._hear)
        self._beat()

    def _hear(self, report: Report | Estimated | NotEstimated) -> None:
        self.post_message(Reported(report))

    def _beat(self) -> None:
        """Repaint what changes by itself, and come again at the next full second of the clock."""
        self.expire_prefix()
        session = self.runtime.session
        if session.snapshot is not None:
            session.look(self.mono())
            session.want(self.utc(), self.mono())
            self.repaint()
        self.set_timer(self.to_next_second(), self._beat)

    def on_reported(self, message: Reported) -> None:
        """Take in what a thread says."""
        report, session = message.report, self.runtime.session
        if isinstance(report, Failed):
            self.app.exit(return_code=1, message=None)
            self.runtime.failed = report.lines
            return
        if isinstance(report, (Estimated, NotEstimated)):
            session.estimated(report, self.mono())
        else:
            session.take(report, self.mono())
            for batch in session.owed():
                self.perform(batch)
            self.set_timer(MARK_S + 0.05, self.repaint)
            self._mind_recall()
            # Paint first: the estimate would only be in the way of it.
            self.call_after_refresh(lambda: session.want(self.utc(), self.mono()))
        self.repaint()

    def _mind_recall(self) -> None:
        """Turn to the way home when somebody is called, here or at another seat; once, and back."""
        called = bool(self.progress and self.progress.recall)
        if called and not self._was_called:
            self.view_name = "home"
        elif self._was_called and not called and self.view_name == "home":
            self.view_name = "steps"
        self._was_called = called

    def watch_disk(self) -> None:
        """Look again when a write should have been answered."""
        self.set_timer(PATIENCE_S + 0.02, self._look)

    def _look(self) -> None:
        if self.runtime.session.snapshot is not None:
            self.runtime.session.look(self.mono())
            self.repaint()

    # What is painted

    def repaint(self) -> None:
        """Give every pane the scene of this instant."""
        session = self.runtime.session
        if session.snapshot is None:
            return
        scene = session.scene(self.utc(), self.mono(), self.chosen)
        self.lay_out(scene)
        self.last_scene = scene
        self.ring(scene)
        slow = self._slowly(scene)
        for pane in self.query(Pane):
            if slow != self._painted or pane.id in EVERY_SECOND:
                pane.draw(scene)
        self._painted = slow
        self.weigh_what_if()

    def _slowly(self, scene: Scene) -> tuple[object, ...]:
        """Return all that the panes which show no seconds depend on."""
        return (
            scene.snapshot, int(scene.now) // 10, scene.disk, scene.hollow, scene.said, scene.said_ink,
            scene.live,
            scene.chosen, self.view_name, self.top, self.last_layout, self.entry.purpose, self.what_if,
        )  # fmt: skip

    def on_resize(self, event: events.Resize) -> None:
        """Arrange the panes anew; what now stands beside the steps needs no view of its own."""
        self.last_layout = self._painted = None
        if self.view_name in WIDE and self.runtime.session.snapshot is not None:
            scene = self.runtime.session.scene(self.utc(), self.mono(), self.chosen)
            layout = layout_for(scene, self.size.width, self.size.height)
            self.view_name = self.view_name if self.view_name in layout.apart() else "steps"
        self.repaint()

    def lay_out(self, scene: Scene) -> None:
        """Give the regions their rows and the middle its view."""
        layout = layout_for(scene, self.size.width, self.size.height, self.view_name)
        if self.view_name == "runway" and layout.runway:
            self.view_name = "steps"
        if layout != self.last_layout:
            self.last_layout = layout
            self._set_rows(layout)
        self.query_one("#body", Pane).use(self._middle(self.view_name))

    async def on_pane_picked(self, message: Pane.Picked) -> None:
        """Take a click: on a key of the footer, on a step of the list, on the first alert."""
        scene, pane = self.last_scene, message.pane
        if scene is None:
            return
        if pane.id == "footer":
            key = command_at(footer(self.table, scene.progress), pane.size.width, message.column)
            several = "crew" if key is not None and ".." in key else None
            command = next((c for c in self.table if several == c.id or c.shown == key), None)
            if command is not None:
                await self.run_action(command.action)
        elif pane.id == "crew":
            self._pick_member(
                member_at(scene, pane.size.width, pane.size.height, message.row), message.column
            )
        elif pane.id == "body" and self.view_name == "steps":
            self.choose(step_at(scene, pane.size.height, message.row))
        elif pane.id == "body" and self.view_name == "events":
            self.choose(event_at(scene, pane.size.height, message.row))
        elif pane.id == "alerts" and message.row == 0:
            self.action_acknowledge()

    def _pick_member(self, number: int | None, column: int) -> None:
        """Tick on a click on the digit; choose on a click on the rest of the line."""
        if number is not None and column < DIGIT:
            self.action_digit(number)
        elif number is not None and self.progress is not None:
            self.choose(self.progress.plan.crew[number - 1].id)

    def on_pane_scrolled(self, message: Pane.Scrolled) -> None:
        """Move the list or the page with the wheel."""
        if message.pane.id == "body":
            self.action_move(message.rows * 2)

    def _set_rows(self, layout: Layout) -> None:
        rows = {"head": 3, "crew": layout.crew, "runway": layout.runway}
        rows |= {"alerts": layout.alerts, "message": layout.message}
        rows["rule-3"] = 1 if layout.runway else 0
        for name, height in rows.items():
            pane = self.query_one(f"#{name}", Pane)
            pane.styles.height = height
            pane.display = height > 0
        side = self.query_one("#side")
        side.display = layout.side > 0
        side.styles.width = layout.side
        self.query_one("#optional").styles.height = layout.optional or "1fr"
        self.query_one("#consumables").display = layout.consumables > 0

    def _middle(self, name: str) -> View:
        pages: dict[str, View] = {"help": self._help, "brief": self._brief}
        pages |= {"optional": self._optional, "consumables": self._consumables}
        return self.what_if_view if name == WHAT_IF_PAGE else pages.get(name) or MIDDLE[name]

    def _help(self, scene: Scene, width: int, height: int) -> list[Line]:
        rows = [
            (c.group, c.shown, c.help)
            for c in self.table
            if c.group != "Ticking" or not c.id.startswith("tick-") or c.id == "tick-chosen"
        ]
        ticks = ("Ticking", "1 ... 9", "tick the current step of that crew member")
        return self.paged(help_lines([ticks, *rows], width), width, height)

    def _brief(self, scene: Scene, width: int, height: int) -> list[Line]:
        from tracker.forecast.report import brief

        if scene.estimate is None:
            return self.paged(text_lines(["the estimate is being worked out"], width), width, height)
        return self.paged(text_lines(brief(scene.progress, scene.estimate), width), width, height)

    def _optional(self, scene: Scene, width: int, height: int) -> list[Line]:
        return self.paged(optional_page(scene, width), width, height)

    def _consumables(self, scene: Scene, width: int, height: int) -> list[Line]:
        return self.paged(consumables_lines(scene, width), width, height)

    def _footer(self, scene: Scene, width: int, height: int) -> list[Line]:
        return [footer_line(footer(self.table, scene.progress), width)]

    def _entry_label(self, scene: Scene, width: int, height: int) -> list[Line]:
        return [crop((say(LABELS[self.entry.purpose], "typed"),), width)]

    def action_lead(self) -> None:
        """Open the lead's view of this journal over the desk, which goes on beneath."""
        from tracker.console.lead import LeadScreen
        from tracker.console.lead_session import LeadRuntime

        here = self.runtime
        if here.session.path:
            there = LeadRuntime(Path(here.session.path), utc_now=here.utc_now, monotonic_s=here.monotonic_s)
            self.app.push_screen(LeadScreen(there, self.settings))

    def _show_opening(self) -> None:
        """Say what happens until the journal is open."""
        words = f"opening {self.runtime.title} ..."
        self.query_one("#message", Pane).show([crop((say(f" {words}", "dim"),), self.size.width)])
        pet = (say(" "), say(" PET -:--:-- ", "clock"), say(f"  {self.utc():%H:%M:%S} UTC", "strong"))
        self.query_one("#head", Pane).show([crop(pet, self.size.width)])


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

    def __init__(self, runtime: DeskRuntime, settings: Settings | None = None) -> None:
        settings = settings or Settings()
        super().__init__(theme=settings.theme_name)
        self.runtime = runtime
        self.desk = Desk(runtime, settings)
        self.set_keymap({**keymap_of(COMMANDS, settings.keys), **lead_keymap(settings.lead_keys)})

    def on_mount(self) -> None:
        """Mind the signals and show the desk."""
        self.mind_signals()
        self.push_screen(self.desk)

    async def action_quit(self) -> None:
        """Leave as the desk leaves, with its question."""
        self.desk.action_leave()

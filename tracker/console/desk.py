"""The operator's screen: what is where, which view is in the middle, and what is chosen there.

Hides the panes and their rows. What the commands write is in the actions that the desk holds, beside what is
typed and what is supposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.screen import Screen

from tracker.console.commands import READING_IT, TYPING, Pair, footer
from tracker.console.desk_actions import DeskActions
from tracker.console.entry_line import EntryController, Purpose
from tracker.console.help_page import HelpPage
from tracker.console.layout import (
    BELOW,
    FIXED,
    LISTS,
    MIDDLE,
    PAGES,
    WHAT_IF_PAGE,
    WIDE,
    Layout,
    layout_for,
    titled,
)
from tracker.console.live_screen import EACH_SECOND, LiveScreen, bindings
from tracker.console.pane import Pane, View
from tracker.console.pending import MARK_S
from tracker.console.round_line import RoundLine
from tracker.console.session import DeskRuntime
from tracker.console.settings import Settings
from tracker.console.typed_events import TypedEvents
from tracker.console.view.consumables import consumables_lines
from tracker.console.view.crew import member_at
from tracker.console.view.due import due_page
from tracker.console.view.events import EVENTS, SAID, event_at, listed, report_line, to_enter
from tracker.console.view.right_pane import optional_page, side
from tracker.console.view.scene import Scene, WhatIfPage
from tracker.console.view.steps import bad_day, found_by, left_out_by, rows_of, step_at, steps_list
from tracker.console.view.styled_text import Line, crop, say, text_lines
from tracker.console.view.words import pet_s
from tracker.console.what_if import WhatIf
from tracker.console.workers import Estimated, NotEstimated
from tracker.foundation.text import count
from tracker.journal.place import place_of
from tracker.journal.progress import Progress

DIGIT = 3
"""Cells at the left of a crew member's line on which a click ticks."""


class StepFinder:
    """The line that finds a step of the list by its words or its id."""

    def __init__(self, screen: LiveScreen) -> None:
        self._screen = screen

    def purpose(self) -> Purpose:
        """Return what the line is for while a step is looked for."""
        return Purpose(" FIND  ", self._offer, self._next, self._enter, lambda text: self._screen.say(""))

    def _matches(self, text: str) -> list[str]:
        scene = self._screen.last_scene
        return found_by(scene, text) if scene is not None else []

    def _offer(self, text: str) -> None:
        """Choose the first step that has all the words."""
        screen, matches = self._screen, self._matches(text)
        screen.view_name, screen.chosen = "steps", matches[0] if matches else None
        left = left_out_by(screen.last_scene, text) if screen.last_scene is not None else ""
        if not text.strip():
            screen.say("type some words of the step or its id; Tab goes to the next, Enter chooses it", "dim")
        elif matches:
            screen.say(f"{count(len(matches), 'step')}: Tab goes to the next, Enter chooses it")
        elif left:
            why = f"{screen.key('optional')} says why"
            screen.say(f"not in the list, as the figures leave it out: {left}; {why}", "late")
        else:
            screen.say("no step has these words", "late")

    def _next(self, text: str, by: int) -> None:
        """Choose the next step that has all the words, or the one before."""
        matches = self._matches(text)
        if matches:
            chosen = self._screen.chosen
            place = matches.index(chosen) if chosen in matches else -1
            self._screen.chosen = matches[(place + by) % len(matches)]
            self._screen.repaint()

    def _enter(self, text: str) -> bool:
        """Stay at the step that was found."""
        if self._screen.chosen is not None:
            self._screen.runtime.session.say("")
        return True


class Desk(LiveScreen):
    """Everything the operator sees."""

    BINDINGS = bindings("desk")
    runtime: DeskRuntime

    def __init__(self, runtime: DeskRuntime, settings: Settings | None = None) -> None:
        super().__init__("desk", runtime, settings or Settings(), home="steps")
        self.help = HelpPage(self, (*TYPING, *READING_IT), find=self.key("find"))
        self.actions = DeskActions(self, runtime)
        self.takes = self.actions.answered
        self.what_if = WhatIf(self, runtime, self.actions)
        self.round_line = RoundLine(self, runtime, self.actions)
        purposes = {
            "entry": TypedEvents(self, runtime, self.actions).purpose(),
            "find": StepFinder(self).purpose(),
            "find-help": self.help.purpose(),
            WHAT_IF_PAGE: self.what_if.purpose(),
            RoundLine.PURPOSE: self.round_line.purpose(),
        }
        self.entry = EntryController(self, purposes, hands=self.actions)
        paged = {"help": self.help.page, **_PAGED}
        self._views: dict[str, View] = MIDDLE | {n: self.paged_view(page) for n, page in paged.items()}
        self._views[WHAT_IF_PAGE] = self.what_if.view
        self.last_layout: Layout | None = None
        self._homeward = False
        """Whether somebody was called home, here or at another seat, or nobody outside has other work."""

    # What is where

    def compose(self) -> ComposeResult:
        """Lay the panes out, from the top down."""
        for name, view in FIXED:
            yield Pane(view, id=name, classes=EACH_SECOND if name in ("head", "crew") else "")
        with Horizontal(id="middle"):
            yield Pane(steps_list, id="body")
            yield Pane(side, id="side")
        for name, view in BELOW:
            yield Pane(view, id=name)
        yield from self.bottom()

    def on_mount(self) -> None:
        """Say what happens until the journal is open."""
        words = f" opening {self.runtime.title} ..."
        self.query_one("#message", Pane).show([crop((say(words, "dim"),), self.size.width)])
        pet = (say(" "), say(" PET -:--:-- ", "clock"), say(f"  {self.utc():%H:%M:%S} UTC", "strong"))
        self.query_one("#head", Pane).show([crop(pet, self.size.width)])

    def on_unmount(self) -> None:
        """End the threads of the what-if page."""
        self.what_if.stop()

    def beat(self) -> None:
        """Forget what was begun and not completed, and notice a disk that does not answer."""
        self.actions.expire()
        if self.progress is not None:
            self.runtime.session.look(self.mono())
        super().beat()

    def heard(self, report: Any) -> None:
        """Turn to the way home once they are on it; the lead's view over this one shows the same at once."""
        super().heard(report)
        if (above := self.app.screen) is not self and isinstance(above, LiveScreen):
            above.repaint()
        self._turn_home()
        self.actions.heard(report)
        self.round_line.ask_again()
        if isinstance(report, (Estimated, NotEstimated)):
            return
        self.set_timer(MARK_S + 0.05, self.repaint)

    def _turn_home(self) -> None:
        """Turn to the way home, and back: once, so that who looks at something else is left in peace.

        As long as they are on it, it is what leaving any other view leads to.
        """
        snapshot = self.runtime.session.snapshot
        homeward = snapshot is not None and snapshot.homeward
        if homeward != self._homeward:
            self._homeward = homeward
            self.home = "home" if homeward else "steps"
            self.view_name = "home" if homeward else "steps" if self.view_name == "home" else self.view_name
            self.repaint()

    def footer_pairs(self) -> list[Pair]:
        """Return keys and words of the footer: of the way home, or of what could be, where that is shown."""
        shown = (("home", self._homeward), ("what if", self.what_if.shown))
        return footer(self.table.values(), self.progress, {state for state, there in shown if there})

    def look(self) -> Scene:
        """Return the scene of this instant."""
        heard = self.view_name != SAID
        return replace(super().look(), chosen=self.chosen, line=self.entry.opened(), heard=heard)

    def repaint(self) -> None:
        """Give every pane the scene of this instant, and have what is supposed worked out for it."""
        super().repaint()
        self.what_if.weigh()

    def looks(self) -> tuple[object, ...]:
        """Return all besides the scene that the panes depend on."""
        return (*super().looks(), self.last_layout, self.what_if.page)

    def on_resize(self, event: events.Resize) -> None:
        """Leave a view that stands beside the steps at this size."""
        self.last_layout = None
        if self.view_name in WIDE and self.progress is not None:
            layout = layout_for(self.look(), self.size.width, self.size.height)
            self.view_name = self.view_name if self.view_name in layout.apart() else self.home

    def lay_out(self, scene: Scene) -> None:
        """Give the regions their rows and the middle its view."""
        self.actions.first.painted(scene, self.mono())
        layout = layout_for(scene, self.size.width, self.size.height, self.view_name)
        if self.view_name == "runway" and layout.runway:
            self.view_name = "steps"
        if layout != self.last_layout:
            self.last_layout = layout
            _give_rows(self, layout)
        self.query_one("#body", Pane).use(self._views[self.view_name])

    # Clicks and the wheel

    def on_pane_picked(self, message: Pane.Picked) -> None:
        """Take a click: on a crew member, on a step or an event of the list, on the first alert."""
        scene, pane, row = self.last_scene, message.pane, message.row
        if scene is None:
            return
        if pane.id == "crew":
            number = member_at(scene, pane.size.width, pane.size.height, row)
            if number is not None and message.column < DIGIT:
                self.actions.digits.digit(number)
            elif number is not None:
                self.choose(scene.progress.plan.crew[number - 1].id)
        elif pane.id == "body" and self.view_name == "steps":
            self.choose(step_at(scene, pane.size.height, row))
        elif pane.id == "body" and self.view_name in (EVENTS, SAID):
            self.choose(event_at(scene, pane.size.height, row, self.view_name))
        elif pane.id == "alerts" and row == 0:
            self.actions.acknowledge()

    def on_pane_scrolled(self, message: Pane.Scrolled) -> None:
        """Move the list or the page with the wheel."""
        if message.pane.id == "body":
            self.move(message.rows * 2)

    # Views, and the choice in a list

    def turn_to(self, name: str) -> None:
        """Show a view; where it stands beside the steps at this size, say so."""
        back = self.view_name == name
        super().turn_to(name)
        if name == "runway" and self.view_name == "steps" and not back:
            self.say("the runway is in sight at this size")

    def next_view(self) -> None:
        """Show the next of the views that do not fit at this size, on the way home that one first."""
        names = self.last_layout.apart() if self.last_layout else (self.home,)
        place = names.index(self.view_name) if self.view_name in names else -1
        self.view_name = names[(place + 1) % len(names)]
        self.repaint()

    def choose(self, name: str | None) -> None:
        """Choose a row; the message line then says all of it."""
        self.chosen = name
        if name is not None:
            self.runtime.session.say("")
        self.repaint()
        if (order := self.what_if.order) is not None:
            self.say(order.text)

    def choose_crew(self) -> None:
        """Choose the next crew member's line."""
        if self.progress is not None:
            members = [member.id for member in self.progress.plan.crew]
            place = members.index(self.chosen) + 1 if self.chosen in members else 0
            self.choose(members[place % len(members)])

    def move(self, by: int) -> None:
        """Move the choice in a list, or the page."""
        if self.last_scene is None:
            return
        if self.view_name in LISTS:
            rows = _rows(self.view_name, self.last_scene, self.what_if.page)
            self.choose(_beside(self.chosen, *rows, by))
        elif self.view_name in PAGES:
            self.top = max(0, self.top + by)
            self.repaint()

    def back(self) -> None:
        """Leave what was begun, else the choice, else the view."""
        if not self.actions.digits.left():
            self.chosen, self.view_name = None, self.home if self.chosen is None else self.view_name
        self.repaint()

    def copy(self) -> None:
        """Copy the chosen line of the list; without one, the message. The terminal takes it (OSC 52)."""
        chosen = _chosen_text(self.query_one("#body", Pane).lines) if self.chosen is not None else ""
        text = chosen or self.runtime.session.said.strip()
        if text:
            self.app.copy_to_clipboard(text)
        self.say(f"copied: {text}" if text else "nothing is chosen to be copied")

    def type_about_chosen(self) -> None:
        """Open the entry line with what is chosen; without that with the next report, or empty."""
        progress, chosen = self.progress, self.chosen
        if self.view_name == SAID and chosen is None and progress and (waiting := to_enter(progress)):
            chosen = str(waiting[0].number)
        if progress is None or chosen is None or self.view_name == WHAT_IF_PAGE:
            self.entry.open(self.what_if.line)
        else:
            self.entry.open("entry", _line_about(progress, chosen, self.view_name))

    def take_back(self) -> None:
        """Open the entry line with the withdrawal of the chosen event; a supposed line goes at once."""
        if self.view_name == WHAT_IF_PAGE:
            self.what_if.suppose_less()
        elif self.view_name == EVENTS and self.chosen is not None:
            self.entry.open("entry", f"withdraw {self.chosen} ")

    def open_lead(self) -> None:
        """Open the lead's view of this journal over the desk, which goes on beneath."""
        if self.runtime.session.path:
            self.app.push_screen(_lead_of(self.runtime, self.settings))


def _line_about(progress: Progress, chosen: str, view: str) -> str:
    """Return what the entry line opens with for what is chosen: a report, a correction, a step, somebody."""
    if view not in (EVENTS, SAID):
        return f"{chosen} " if chosen in progress.plan.member else f"done {chosen} "
    event = next((e for e in progress.fold.recorded if str(e.number) == chosen), None)
    if event is None:
        return ""
    return report_line(progress, event) if view == SAID else f"amend {chosen} {pet_s(event.at)} "


def _lead_of(here: DeskRuntime, settings: Settings) -> Screen[None]:
    """Return the lead's view of a desk's journal."""
    from tracker.console.lead import Lead
    from tracker.console.lead_session import LeadRuntime

    there = LeadRuntime(place_of(here.session.path), utc_now=here.utc_now, monotonic_s=here.monotonic_s)
    there.session.beneath = lambda: here.session.snapshot
    there.session.carry()
    return Lead(there, settings)


def _brief(scene: Scene, width: int) -> list[Line]:
    """Return the handover brief, once there is an estimate."""
    from tracker.forecast.handover import brief

    words = ["the estimate is being worked out"]
    return text_lines(words if scene.estimate is None else brief(scene.progress, scene.estimate), width)


_PAGED = {
    "brief": _brief,
    "due": due_page,
    "bad-day": bad_day,
    "optional": optional_page,
    "consumables": consumables_lines,
}
"""Pages to scroll through, by name."""


def _chosen_text(lines: Sequence[Line]) -> str:
    """Return the text of the row that is chosen, without the blanks that only line it up."""
    row = next((line for line in lines if any(span.ink == "chosen" for span in line)), ())
    return " ".join("".join(span.text for span in row).split())


def _rows(view: str, scene: Scene, supposed: WhatIfPage) -> tuple[list[str], int]:
    """Return the names of the rows in the list that is shown, and the place where a choice begins."""
    if view in (EVENTS, SAID):
        return [str(event.number) for event in listed(scene, view)], 0
    if view == WHAT_IF_PAGE:
        return supposed.rows(), 0
    rows = rows_of(scene.snapshot)
    return [row.step for row in rows], sum(row.done for row in rows)


def _beside(chosen: str | None, names: list[str], begin: int, by: int) -> str | None:
    """Return the name of the row that lies so many further on; the one to begin with where none is chosen."""
    if not names:
        return None
    place = names.index(chosen) + by if chosen in names else begin
    return names[max(0, min(len(names) - 1, place))]


def _give_rows(screen: Screen[None], layout: Layout) -> None:
    """Give the panes of the desk their rows, and the rules their words."""
    for name, height in layout.rows.items():
        screen.query_one(f"#{name}", Pane).give(height)
    side = screen.query_one("#side")
    side.display = layout.side > 0
    side.styles.width = layout.side
    screen.query_one("#rule-2", Pane).use(titled(layout.title, layout.ink))
    screen.query_one("#rule-4", Pane).use(titled(layout.foot))

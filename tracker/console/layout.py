"""What is where at a size of the screen: the desk's panes with their rows, and the lead's five pages.

Hides every number that makes a screen fit. Nothing here paints.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

from tracker.console.view.alerts import (
    alert_lines,
    alert_rows,
    alerts_list,
    coming_due,
    message_lines,
    message_rows,
)
from tracker.console.view.consumables import consumables_list
from tracker.console.view.crew import crew_lines, crew_rows
from tracker.console.view.due import due_rows
from tracker.console.view.events import EVENTS, SAID, events_list, said_list, to_enter
from tracker.console.view.head import changed_rule, head, unsure_beside
from tracker.console.view.lead_1_day import day
from tracker.console.view.lead_2_choices import choices
from tracker.console.view.lead_3_work import tasks, word
from tracker.console.view.lead_4_runs_down import levels, limits, readings
from tracker.console.view.right_pane import optional_list
from tracker.console.view.runway import TITLE, runway, runway_rows
from tracker.console.view.scene import LARGE, SMALL, LeadScene, Scene
from tracker.console.view.steps import steps_list, way_home
from tracker.console.view.styled_text import Ink, Line, rule
from tracker.console.view.what_if_pages import orders, what_if
from tracker.journal.wording import spoken

View = Callable[[Scene, int, int], list[Line]]

MIDDLE: dict[str, View] = {
    "steps": steps_list,
    "runway": runway,
    "optional": optional_list,
    "consumables": consumables_list,
    "home": way_home,
    EVENTS: events_list,
    SAID: said_list,
    "alerts": alerts_list,
}
"""Views that can stand in the middle of the screen, by name; help, brief and bad day are pages of text."""

WHOLE = ("home", "bad-day", EVENTS, SAID, "alerts", "due", "help", "brief", "what-if")
"""Views that take the runway's and the side's room too."""
WIDE = ("optional", "consumables")
"""Views that take the side's room: there they have columns for which the side is too narrow."""
LONG = (EVENTS, SAID, "alerts", "due", "bad-day", "help", "brief", "what-if", "optional", "consumables")
"""Views that may have more rows than there are; on a small screen the crew makes room for them."""

DUE = 5
"""Rows of what comes due, from `SMALL` columns on always in sight."""
DUE_SMALL = 3
"""Rows of it on the smallest screens, where alerts may have them."""
LIST_LEAST = 5
"""Rows that the list keeps, whatever else wants room."""
CREW_LEAST = 3
"""Rows that the crew keeps on the smallest screen."""
TALL = 36
"""From so many rows on, views of many rows leave the crew and what comes due theirs."""
_ALWAYS = 3 + 1 + 1 + 1 + 1
"""Rows of the head, of the rules below it, below the crew and below the list, and of the keys."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Rows of the regions with a fixed height, what stands beside the middle, and what the rules say."""

    crew: int
    runway: int
    """0: under its key."""
    side: int
    """Columns of what stands beside the middle; 0: nothing."""
    due: int
    """0: nothing comes due, or alerts have its rows."""
    alerts: int
    message: int
    title: str = ""
    """What the rule below the crew says of what stands below it."""
    foot: str = ""
    """What the rule below the list says of what its room has no place for."""
    ink: Ink = "dim"
    """Of what the rule below the crew says."""
    head: int = 3
    ruled: bool = True
    """Whether rules part the regions."""
    homeward: bool = False
    """Whether they are on the way home, which then stands before the steps."""

    @property
    def rows(self) -> Mapping[str, int]:
        """Rows of every pane above and below the middle, by its name; 0: it is not shown."""
        rows = {name: int(self.ruled) for name, _ in (*FIXED, *BELOW)} | {"rule-3": int(self.runway > 0)}
        rows |= {"head": self.head, "crew": self.crew, "runway": self.runway, "due": self.due}
        return rows | {"alerts": self.alerts, "message": self.message}

    def apart(self) -> tuple[str, ...]:
        """Return the views that the view key goes round at this size."""
        names = ["home", "steps"] if self.homeward else ["steps"]
        names += [] if self.side else ["optional"]
        names += [] if self.runway else ["runway"]
        return (*names, "consumables")


def layout_for(scene: Scene, width: int, height: int, view: str = "steps") -> Layout:
    """Return the layout of a screen of this size for this crew, with a view in the middle.

    Where room is short the runway goes first, then the crew's second rows; head, crew and alerts never. What
    is usual decides, so that digits keep their rows, until the list would have too little.
    """
    members, single = len(scene.progress.plan.crew), crew_rows(scene, width, double=False)
    if height < _ALWAYS + min(single, CREW_LEAST) + 3:
        return replace(_smallest(single, height, view), homeward=scene.snapshot.homeward)
    side = 0 if width < SMALL or height < 20 or view in (*WHOLE, *WIDE) else _side(width)
    usual = _usual(height)
    coming = _due_rows(scene, width, height, view)
    below = height - _ALWAYS - coming
    crew, bars = single, 0
    twice = width < LARGE and not (view in LONG and height < TALL)
    double = crew_rows(scene, width, double=True) if twice else single
    if below - usual - double >= LIST_LEAST + (1 if coming else members):
        crew = double
    wanted = runway_rows(scene) + 1
    if view not in (*WHOLE, "runway") and width >= SMALL and below - usual - crew - wanted >= 8:
        bars = wanted
    # What is to be heeded is never cut: the list makes room for it, down to its head.
    most = max(CREW_LEAST, below - LIST_LEAST - 2)
    crew = min(crew, most + min(single - members, max(0, below - 4 - most)))
    least = min(LIST_LEAST, max(1, below - crew - 3))
    if (more := crew_rows(scene, width, double=crew == double != single, ahead=True)) > crew:
        crew = more if below - usual - bars - more > LIST_LEAST else crew
    alerts, message = _below(scene, width, height, below - crew - bars - least)
    if alerts + message > usual and bars and alerts < alert_rows(scene, width)[1]:
        bars = 0
        alerts, message = _below(scene, width, height, below - crew - least)
    if alerts + message > usual and crew > single and alerts < alert_rows(scene, width)[1]:
        crew = single
        alerts, message = _below(scene, width, height, below - crew - least)
    if view == "alerts":
        alerts = 1  # All of them stand above.
    homeward = scene.snapshot.homeward
    made = Layout(crew, max(0, bars - 1), side, coming, alerts, message, homeward=homeward)
    title = unsure_beside(scene, width, TITLE if bars else _TITLES.get(view, ""))
    hidden = [_NAMED[name] for name in made.apart() if name != "steps"] if view == "steps" else []
    all_due = [f"due, all of it {scene.key('due')}"] if coming else []
    heard = [f"{scene.key('said')}: {_heard(scene)}"] if spoken(scene.progress) else []
    foot = "; ".join([*heard, *all_due, *([f"{scene.key('view')}: {', '.join(hidden)}"] if hidden else [])])
    if scene.line is not None:
        # Where eyes are that follow the crew: their digits do nothing meanwhile.
        return replace(made, title=scene.line.words, ink="typed", foot=foot)
    return replace(made, title=title, foot=foot)


def _heard(scene: Scene) -> str:
    """Return that all that was said can be seen, and how much of it nobody has entered."""
    waiting = len(to_enter(scene.progress))
    return f"all that was said, {waiting} to enter" if waiting else "all that was said"


def _smallest(crew: int, height: int, view: str) -> Layout:
    """Return the layout where rules have no room: what is to be heeded, what was said and the keys stay."""
    head = 3 if height >= 8 else 1
    left = 0 if view in LONG else max(0, height - head - 4)
    return Layout(min(crew, left), runway=0, side=0, due=0, alerts=1, message=1, head=head, ruled=False)


_TITLES = {"home": "way home", "help": "help: the first ten minutes; below, every key and word"}
_NAMED = {
    "home": "way home",
    "optional": "optional, choices",
    "runway": "runway",
    "consumables": "what runs down",
}


def _side(width: int) -> int:
    """Return the columns beside the middle."""
    return 108 if width >= 190 else 66 if width >= LARGE else 56 if width >= 120 else 43


def _usual(height: int) -> int:
    """Return the rows that alerts and message take together while nothing is long."""
    return 2 if height < 28 else 3 if height < 44 else 4


def _due_rows(scene: Scene, width: int, height: int, view: str) -> int:
    """Return the rows of what comes due: from `SMALL` columns on always, below that what alerts leave.

    A crew of many keeps a row each, and the list its least. The page of many alerts has their room too.
    """
    usual = _usual(height)
    room = height - _ALWAYS - usual - LIST_LEAST - crew_rows(scene, width, double=False)
    if view == "due" or (view in LONG and height < TALL):
        return 0
    if view == "alerts" and alert_rows(scene, width)[1] >= LIST_LEAST:
        return 0
    if room <= 0 or not coming_due(scene):
        return 0
    if width >= SMALL:
        return min(DUE, room)
    more = alert_rows(scene, width)[1] + max(1, message_rows(scene, width)) - usual
    return min(room, max(0, DUE_SMALL - max(0, more)))


def _below(scene: Scene, width: int, height: int, room: int) -> tuple[int, int]:
    """Return the rows of alerts and of the message: a fixed number together, more only for what is long.

    `room`: rows that there are for them where the crew and the least of the list are to stay.
    """
    usual = max(1, min(room, _usual(height)))
    first, every = alert_rows(scene, width)
    first = min(first, room - 1)
    # What was just said gives way to the first alert, never the other way round.
    message = min(max(1, message_rows(scene, width)), max(1, min(height // 3, room - max(1, first))))
    alerts = max(first, min(every, max(usual - 1, room - message)))
    return (max(min(alerts, max(0, room - message)), usual - message), message)


@cache
def titled(words: str, ink: Ink = "dim") -> View:
    """Return the view of a rule that says something."""
    return lambda scene, width, height: [rule(width, words, ink=ink)] * height


FIXED: tuple[tuple[str, View], ...] = (
    ("head", head),
    ("rule-1", changed_rule),
    ("crew", crew_lines),
    ("rule-2", titled("")),
    ("runway", runway),
    ("rule-3", titled("")),
)
"""Panes above the middle, from the top down."""

BELOW: tuple[tuple[str, View], ...] = (
    ("rule-4", titled("")),
    ("due", due_rows),
    ("alerts", alert_lines),
    ("message", message_lines),
)
"""Panes below the middle, from the top down."""


WHAT_IF_PAGE = "what-if"
PAGES = ("help", "brief", "due", "bad-day", "optional", "consumables")
"""Views that move as a page."""
LISTS = ("steps", EVENTS, SAID, WHAT_IF_PAGE)
"""Views with rows to be chosen."""


LeadView = Callable[[LeadScene, int, int], list[Line]]

VIEWS: dict[str, LeadView] = {
    "day": day,
    "choices": choices,
    "tasks": tasks,
    "fresh": word,
    "limits": limits,
    "levels": levels,
    "readings": readings,
    "what-if": what_if,
    "orders": orders,
}
"""The regions of the lead's view by name, in the order of the pages."""

BANDS, ACROSS = 3, 2
"""At most so many bands on a page, and so many regions beside one another."""
_WIDE, _TALL = 190, 44
"""From this size on the first two pages stand together."""
_COMPARED, _ORDERS = 9, 5
"""Rows of both estimates beside one another, and of better orders."""


@dataclass(frozen=True, slots=True)
class Band:
    """Regions beside one another."""

    height: int
    """Rows; 0: what is left."""
    names: tuple[str, ...]
    """The first takes the width that the second leaves."""
    second: int = 0
    """Columns of the second region."""


Page = tuple[Band, ...]


def pages_for(scene: LeadScene, width: int, height: int) -> tuple[Page, ...]:
    """Return the pages at a size of what lies between the head and the last lines."""
    first: tuple[Page, ...] = ((Band(0, ("day",)),), (Band(0, ("choices",)),))
    if width >= _WIDE and height >= _TALL:
        first = ((Band(0, ("day", "choices"), width // 2),),)
    return (*first, *_work(scene, height), *_running_down(scene, width, height), *_supposed(scene, height))


def _work(scene: LeadScene, height: int) -> tuple[Page, ...]:
    """Return the tasks, and below them how fresh it is; apart where there is no room for both."""
    fresh = len(scene.progress.plan.crew) + 4
    if len(scene.progress.tasks) + 2 + fresh <= height:
        return ((Band(0, ("tasks",)), Band(fresh, ("fresh",))),)
    half = min(fresh, height // 2)
    return ((Band(0, ("tasks",)), Band(half, ("fresh",))),)


def _running_down(scene: LeadScene, width: int, height: int) -> tuple[Page, ...]:
    """Return the limits, and what runs down as rows and as curves, as far as there is room."""
    estimate = scene.estimate
    accounts = len(estimate.consumables) if estimate is not None else 0
    number = len(estimate.limits) if estimate is not None else len(scene.progress.limits)
    rows, limit_rows = min(accounts + 3, height // 2), min(number + 2, max(4, height // 3))
    if height - rows - limit_rows >= 7:
        return ((Band(limit_rows, ("limits",)), Band(0, ("levels",)), Band(rows, ("readings",))),)
    return ((Band(0, ("limits",)), Band(rows, ("readings",))),)


def _supposed(scene: LeadScene, height: int) -> tuple[Page, ...]:
    """Return what is supposed, and better orders."""
    compared = 3 if scene.supposed is None else _COMPARED
    if compared + _ORDERS <= height:
        return ((Band(compared, ("what-if",)), Band(0, ("orders",))),)
    return ((Band(0, ("what-if",)),),)


_NEAR = {"levels": "readings", "orders": "what-if"}
"""Where a region has no room, the one that tells the same in fewer rows."""


def page_of(pages: tuple[Page, ...], name: str) -> int:
    """Return the page on which a region stands, else the one that is nearest to it; 0 where there is none."""
    for wanted in (name, _NEAR.get(name)):
        for place, page in enumerate(pages):
            if any(wanted in band.names for band in page):
                return place
    return 0

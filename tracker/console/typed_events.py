"""A typed line that becomes events: what it would write, what is unlikely about it and what follows from it.

Hides what Enter is wanted twice for, and the estimate of what follows, which is worked out beside the screen
unless it is one of the choices that stand.
"""

from __future__ import annotations

import re
import time
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from typing import Any

from textual.worker import get_current_worker

from tracker.console.commands import ASKS
from tracker.console.desk_actions import DeskActions
from tracker.console.elsewhere import typed_place
from tracker.console.entry_line import Purpose
from tracker.console.key_events import batch_of, outside, over_doubts
from tracker.console.live_screen import LiveScreen
from tracker.console.refused import LATER, LEAVE
from tracker.console.seat_clock import instant_of
from tracker.console.session import DeskRuntime
from tracker.console.typed_doubts import (
    doubts,
    enter_doubts,
    far_doubts,
    level_taken,
    must_doubts,
    number_notes,
)
from tracker.console.view.scene import Snapshot
from tracker.console.view.styled_text import Ink
from tracker.console.view.words import inside_words, pet_s
from tracker.forecast.change_words import turned_words
from tracker.forecast.figures import Choice, Estimate
from tracker.forecast.wording import also_short, chance_of, limit_words, need_of, verdict_words
from tracker.foundation.errors import EventError, TrackerError
from tracker.foundation.shown import pet_up, up
from tracker.foundation.text import amount, count, percent, plain
from tracker.journal.kept_press import refused_words
from tracker.journal.kinds import BY_NAME, UNTIMED, partner_of
from tracker.journal.progress import Progress
from tracker.journal.typed.match import LISTED
from tracker.journal.wording import event_words

MOST_REFUSED = 400
"""Characters of a refusal: it may repeat what was pasted."""
MOST = 200
"""Characters in which events that are written together are told one by one."""
EXAMPLES = "1 -3   k a   t 1 15   h 2 glove check   b o .52 .49   note ...   Tab completes"
STANDS_S = 0.25
"""How long a text stands before what follows from it is worked out."""
MOST_SUPPOSED = 20
"""Events whose consequences are worked out together."""


class TypedEvents:
    """The entry line of a desk."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime, actions: DeskActions) -> None:
        self._screen, self._session, self._actions = screen, runtime.session, actions
        self._clock, self._go_elsewhere = runtime.clock, runtime.go_elsewhere
        self._sure: str | None = None
        """A text that Enter was pressed for once and that is unlikely."""
        self._weighed: tuple[str, Follows | None] = ("", None)
        """A text, and what follows from it; None while that is worked out."""

    def purpose(self) -> Purpose:
        """Return what the entry line is for."""
        return Purpose(" ENTRY ", self._offer, self._complete, self._enter, self._left)

    def _left(self, text: str) -> None:
        self._screen.say(f"left, not written: {text}   the up arrow brings it back" if text else "")

    def _offer(self, text: str) -> None:
        if text != self._sure:
            self._sure = None
        if text.strip():
            self._screen.say(*self._preview(text))
        else:
            self._screen.say(EXAMPLES, "dim")

    def _complete(self, text: str, by: int) -> None:
        if not self._screen.entry.complete_last(text, "\n", by):
            why = f": {self._preview(text)[0]}" if text.strip() else f"; {EXAMPLES}"
            self._screen.say(f"nothing completes this{why}", "late")

    def _enter(self, text: str) -> bool:
        """Write what was typed, when asked twice what is unlikely; whether the line can go."""
        if not text.strip():
            self._screen.say("")  # The examples belong to the open line.
            return True
        if text.strip().lower() == UNDO:
            self._actions.undo()
            return True
        if (place := typed_place(text)) is not None:
            self._go_elsewhere(place)
            return True
        decision = self._session.refusals.decision(text)
        if decision is not None and decision.way == LATER:
            self._session.refusals.put_off(decision.press)
            self._screen.say(f"it stays in the outbox: {refused_words(decision.press)}", "late")
            return True
        try:
            events = self._events(text)
        except TrackerError as error:
            self._screen.say(f"{self._wrong(text, error)}   Esc leaves the line", "late")
            return False
        unlikely = self._unlikely(text, events)
        if unlikely and self._sure != text:
            self._sure = text
            self._screen.say(f" {unlikely[0]}: Enter again writes it ", "alarm")
            return False
        self._sure = None
        batch = batch_of(self._progress, events, self._written_words(events))
        settles = decision.settles if decision is not None else None
        return self._actions.perform(replace(batch, settles=settles))

    @property
    def _progress(self) -> Progress:
        return self._session.progress

    @property
    def _estimate(self) -> Estimate | None:
        """The estimate that is shown, where nothing happened since."""
        snapshot = self._session.snapshot
        found = snapshot.estimate if snapshot is not None else None
        return found if found is not None and found.at >= self._progress.at else None

    def _events(self, text: str) -> list[dict[str, Any]]:
        from tracker.journal.typed import parse_entry

        if text.strip() == NOBODY:
            raise EventError("taken: by whom? as in `taken by Kim`")
        session, utc, since = self._session, self._screen.utc(), self._actions.held_at
        decision = session.refusals.decision(text)
        if decision is not None and decision.way == LEAVE:
            return [dict(decision.note)]
        text = decision.rest if decision is not None else text
        ahead = session.ahead
        now = session.now(utc, ahead)
        if self._clock is not None and (said := self._clock.answer(text, ahead, session.seat, now)):
            return said
        events = parse_entry(text, ahead, now=now, utc_now=utc, seat=session.seat)
        if since is not None and events[0]["kind"] == "held":
            events = [{"at": since, **event} for event in events]
        return events

    def _unlikely(self, text: str, events: list[dict[str, Any]]) -> list[str]:
        """Return why Enter is wanted twice, if it is."""
        now, snapshot = self._session.now(self._screen.utc()), self._session.snapshot
        left_out = snapshot.passed_over if snapshot is not None else frozenset()
        found = far_doubts(events, self._session.ahead, left_out)
        found += doubts(events, self._session.ahead, self._estimate, now)
        found += enter_doubts(events, self._session.ahead, now)
        follows = self._follows(text, events)
        if follows is not None and follows.worse and any(event["kind"] in CHOICES for event in events):
            found.append(follows.words)
        elif against := against_advice(events, self._advised(), follows):
            found.append(f"{against}, and what follows is being worked out" if follows is None else against)
        return found + must_doubts(events, self._session.ahead) + over_doubts(events, self._session.ahead)

    def _advised(self) -> dict[str, str]:
        """Return the advice as it is shown, by task."""
        found = None if self._session.snapshot is None else self._session.snapshot.estimate
        return {
            figure.task: verdict_words(figure) for figure in (found.optional if found is not None else ())
        }

    # What is said of it

    def _preview(self, text: str) -> tuple[str, Ink]:
        """Return what Enter would write, its PET and UTC, and what follows; or what is wrong."""
        decision = self._session.refusals.decision(text)
        if decision is not None and decision.way == LATER:
            return (f"Enter keeps it for later: {refused_words(decision.press)}", "going")
        if (place := typed_place(text)) is not None:
            why = "where the present place is gone or refuses"
            return (f"Enter goes on in {place} with all entries on record, {why}", "going")
        try:
            events = self._events(text)
            unusual = self._session.unusual(events, instant_of(events, self._screen.utc()))
        except TrackerError as error:
            asked = len(text.split()) == 1 and self._deed(text)
            return (self._wrong(text, error), "" if asked else "late")
        follows = self._follows(text, events)
        words = f"Enter writes {self._when(events[-1])}: {self._words(events)}"
        words += f"   {follows.words}" if follows is not None else ""
        unlikely = self._unlikely(text, events)
        told = (*unlikely, *unusual, *number_notes(text, events, self._session.ahead))
        notes = [note for note in told if follows is None or note != follows.words]
        words += f"   note: {notes[0]}" if notes else ""
        return (f"{words}   Enter twice" if unlikely else words, "late" if unlikely or unusual else "going")

    def _wrong(self, text: str, error: TrackerError) -> str:
        """Return what is wrong and would be right; of a deed with nothing behind its word what it asks."""
        said, snapshot = error.lines[0], self._session.snapshot
        deed = self._deed(text)
        if snapshot is not None and deed:
            asked = ASKS[deed].format_map(known_to(snapshot))
            alone = len(text.split()) == len(deed.split())
            lacks = said.startswith("the plan has no ")
            said = (
                said if lacks else asked if alone else said if _EXPLAINS.search(said) else f"{said}; {asked}"
            )
        return plain(said.replace(LISTED, f"as in {EXAMPLES}"), most=MOST_REFUSED)

    def _deed(self, text: str) -> str:
        """Return the word of a deed with which a text begins, or whose key does; else nothing."""
        first = text.strip().partition(" ")[0]
        if text.strip().startswith(NOBODY):
            return NOBODY
        if first in ASKS:
            return first
        return next((c.types for c in self._screen.table.values() if c.types and c.shown == first), "")

    def _written_words(self, events: list[dict[str, Any]]) -> str:
        """Return what is said once it is written; of a choice also what was advised."""
        advised = self._advised()
        chosen = dict.fromkeys(task for task, _ in _decided(events))
        tail = "".join(f", advised {advised[task]}: on record" for task in chosen if task in advised)
        if taken := self._taken_as(events):
            tail += f"; {taken}"
        inside = {event["crew"] for event in events if event["kind"] == "entered"}
        if inside and inside >= set(outside(self._session.ahead)):
            close = self._screen.key("close")
            tail += f"; all are inside: {close} {close} closes"
        return self._words(events) + tail

    def _taken_as(self, events: list[dict[str, Any]]) -> str:
        """Return what a level was taken as before it was read, where as shown it is another."""
        told = []
        for event in events:
            taken = level_taken(event, self._progress, self._estimate) if event["kind"] == "reading" else None
            if taken is None:
                continue
            read, before = amount(float(event["value"]), even=True), amount(taken, even=True)
            if read != before:
                told.append(f"{limit_words('{crew}.{consumable}'.format_map(event))} was taken as {before}")
        return ", ".join(told)

    def _words(self, events: list[dict[str, Any]]) -> str:
        said = [event_words(self._progress, str(event.get("kind")), event) for event in events]
        if len(said) == 1:
            return said[0]
        every = f"{count(len(said), 'event')}: {'; '.join(said)}"
        return every if len(every) <= MOST else f"{count(len(said), 'event')}, from {said[0]} to {said[-1]}"

    def _when(self, event: dict[str, Any]) -> str:
        """Return the PET and the UTC at which an event will stand."""
        zero, at = self._progress.zero, event.get("at")
        if event.get("kind") == "zero":
            return f"for {event.get('utc')}"
        if zero is None:
            return "before the clock starts"
        pet = (
            float(at)
            if isinstance(at, (int, float))
            else self._session.now(instant_of([event], self._screen.utc()))
        )
        return f"at {pet_s(pet)} = {zero + timedelta(seconds=pet):%H:%M:%S} UTC"

    # What follows

    def _follows(self, text: str, events: list[dict[str, Any]]) -> Follows | None:
        """Return what follows from a text; None while it is not known, and then it is worked out."""
        if self._estimate is None or not any(BY_NAME[event["kind"]].cause for event in events):
            return None
        if (known := of_choices(events, self._estimate)) is not None:
            return known
        if self._weighed[0] != text and len(events) <= MOST_SUPPOSED:
            self._weighed = (text, None)
            now = max(self._session.now(self._screen.utc()), self._progress.at)
            work = partial(self._weigh, text, self._estimate, self._session.ahead, events, now)
            self._screen.run_worker(work, thread=True, exclusive=True, exit_on_error=False, group="follows")
        return self._weighed[1]

    def _weigh(
        self, text: str, stands: Estimate, progress: Progress, events: list[dict[str, Any]], now: float
    ) -> None:
        """Work out what follows, beside the screen, for a text that stands for a moment."""
        time.sleep(STANDS_S)
        if get_current_worker().is_cancelled:
            return
        from tracker.forecast.estimate import estimate

        timed = [event if event["kind"] in UNTIMED else {"at": int(now), **event} for event in events]
        try:
            supposed = progress.suppose(*timed)
            named = {str(event["task"]) for event in events if "task" in event}
            follows = of_estimates(stands, estimate(supposed, max(now, supposed.at)), named)
        except (TrackerError, ValueError):
            return  # What cannot be is told by the line itself.
        self._screen.call_later(self._weighed_out, text, follows)

    def _weighed_out(self, text: str, follows: Follows) -> None:
        """Take in what follows, unless something else is typed by now."""
        if text == self._weighed[0]:
            self._weighed = (text, follows)
            line = self._screen.entry.line
            if line.display and line.value == text and self._sure is None:
                self._screen.entry.offered(text)


def known_to(snapshot: Snapshot) -> dict[str, str]:
    """Return what the entry line may ask with: whom, which tasks and stores there are, as they are typed."""
    progress, plan = snapshot.progress, snapshot.progress.plan
    crew = [(c.id, f"{n} {c.id}" if n < 10 else c.id) for n, c in enumerate(plan.crew, 1)]
    open_tasks = [
        f"{letter} {t}" for t, letter in snapshot.letters.items() if progress.tasks[t].status == "open"
    ]
    gone = [task for task, state in progress.tasks.items() if state.status == "dropped"]
    raised = [one for one in progress.raised if one.settled is None]
    found = {
        "crew": "  ".join(words for _, words in crew),
        "outside": "  ".join(words for id, words in crew if id in plan.outside),
        "held": " ".join(progress.holds),
        "tasks": "  ".join(open_tasks) or "no optional task is open",
        "gone": " ".join(gone) or "nothing",
        "sites": " ".join(plan.sites),
        "site": next(iter(plan.sites), ""),
        "store": next(iter(plan.consumable), ""),
        "raised": "  ".join(f"{one.number} {one.text}" for one in raised),
        "one": str(raised[0].number) if raised else "NUMBER",
    }
    return found


_EXPLAINS = re.compile(r"as in|there (?:is|are) |did you mean|how many|is not yet|for each of")
"""In a refusal that says what would be right."""
NOBODY = "taken by"
"""What a key opens the line with, and is no event yet."""
UNDO = "undo"
"""Typed alone it is what its key is."""
CHOICES = frozenset(("chose", "dropped", "restored", "moved", "called"))
"""Kinds that decide something, so that what they do to the chance is asked about."""


Event = Mapping[str, Any]


def _decided(events: Iterable[Event]) -> Iterator[tuple[str, str]]:
    """Yield what is decided about which task: `keep`, `drop`, `later` or `open`."""
    for event in events:
        if event.get("kind") == "chose":
            yield str(event["task"]), str(event["choice"])
        elif event.get("kind") == "dropped":
            yield str(event["task"]), "drop"


def against_advice(events: Iterable[Event], advised: Mapping[str, str], follows: Follows | None) -> str:
    """Return what was advised where something else is decided; keep is, where that leaves too little.

    Who is advised to decide may keep what leaves the chance that is needed, and may drop anything.
    """
    enough = follows is not None and follows.safe[1] >= follows.need - 1e-9
    for task, choice in _decided(events):
        said = advised.get(task, choice)
        lacks = said == "decide" and choice == "keep" and not enough
        if lacks or (said in ("keep", "drop", "later") and said != choice):
            return f"advised {said} for {task}"
    return ""


@dataclass(frozen=True, slots=True)
class Follows:
    """What an entry comes to beside what stands."""

    before: float | None
    """INSIDE as it stands."""
    after: float | None
    safe: tuple[float, float]
    """The chance before and after."""
    need: float
    worse: bool
    """Whether it takes the chance below what is needed, or further below it."""
    turned: str = ""
    """Which other optional work it puts in or takes out."""
    also: str = ""
    """The chance of the other kind of limit, where that misses what is needed."""

    @property
    def words(self) -> str:
        """`INSIDE 5:23 -> 6:12, 97 -> 78 %`, or that nothing changes."""
        before, after = (percent(share, self.need) for share in self.safe)
        if up(self.before) == up(self.after) and before == after:
            return f"INSIDE {pet_up(self.before)}, no change{self.also}"
        chance = after if before == after else f"{before.removesuffix(' %')} -> {after}"
        also = f", {self.turned}" if self.turned else ""
        return f"{inside_words(self.before, self.after)}, {chance}{also}{self.also}"


def of_choices(events: Sequence[Event], estimate: Estimate | None) -> Follows | None:
    """Return what events come to where they are one of the choices that are worked out; else None."""
    wanted = _deeds(events)
    for choice in (estimate.choices or ()) if estimate is not None else ():
        if choice.events and _deeds(choice.events) == wanted:
            assert estimate is not None
            return _of_choice(choice, estimate)
    return None


def _of_choice(choice: Choice, estimate: Estimate) -> Follows:
    _, before, need = need_of(estimate)
    safe, also = (before, chance_of(choice, estimate)), also_short(choice, estimate)
    worse = not choice.meets and choice.safe < estimate.safe
    return Follows(estimate.inside.p50, choice.inside.p50, safe, need, worse, also=also)


def of_estimates(stands: Estimate, supposed: Estimate, named: Collection[str] = ()) -> Follows:
    """Return what is supposed beside what stands; of two confidences by the one that this is held against.

    `named`: the tasks that are decided on; of others it is said where they are counted now or no longer.
    """
    _, before, need = need_of(stands)
    _, least, wanted = need_of(supposed)
    safe, also = (before, chance_of(supposed, stands)), also_short(supposed, stands)
    worse = least < wanted and least < chance_of(stands, supposed)
    turned = turned_words(stands.counted, supposed, named)
    return Follows(stands.inside.p50, supposed.inside.p50, safe, need, worse, turned, also)


_SAID = ("kind", "task", "step", "choice", "call", "crew", "last", "before")


def _deeds(events: Iterable[Event]) -> frozenset[tuple[tuple[str, str], ...]]:
    """Return what events do, whoever wrote them and whenever; a decision to drop is the drop."""
    return frozenset(
        tuple((key, str(event[key])) for key in _SAID if key in event)
        for event in events
        if (partner_of(event) or {}).get("kind") != "dropped"
    )

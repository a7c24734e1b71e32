"""Plays an excursion through a journal: the crew works, what it says is recorded, in the order of time.

Beside the crew stands, where wanted, a lead who follows the advice: keeps or drops what is about to begin,
and turns back in time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Protocol

from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate, OptionalFigure
from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.journal.kinds import NOT_OK, partner_of
from tracker.journal.progress import Progress, supposed_at
from tracker.journal.whereabouts import hardware_at
from tracker.plan.model import Round
from tracker.rehearsal.crew import Crew, CrewAction
from tracker.rehearsal.surprises import Surprise
from tracker.rehearsal.voice import SETTLES, Gauge, Said, Voice

Event = dict[str, Any]


class Lead:
    """Decides as the advice says, and records the advice beside the decision."""

    def __init__(self, *, every_s: float = 1800.0, scenarios: int = 10_000) -> None:
        """Make ready. `every_s`: how often the lead looks whether to turn back."""
        self._every_s, self._scenarios = every_s, scenarios
        self.next_at = every_s
        self.looked_at: list[tuple[int, Estimate]] = []
        """Each estimate that was looked at and not taken yet, with the number of the last event then."""

    def decide(self, progress: Progress, at: float, tasks: Iterable[str]) -> list[Event]:
        """Return what is decided about optional tasks that are about to begin; nothing for others.

        What is advised to be kept is kept for good, what is advised to be put off goes to the end. What is
        to be decided is kept where the chance with it is what is needed, else dropped; while too little is
        known it begins, and may go later.
        """
        open_now = [task for task in dict.fromkeys(tasks) if _status(progress, task) in ("open", "begun")]
        if not open_now:
            return []
        found = self._estimate(progress, at)
        advised = {figure.task: figure for figure in found.optional}
        events: list[Event] = []
        for task in open_now:
            figure = advised[task]
            if figure.advice == "decide" and figure.ground == "figures":
                events += _decided(figure, found, "keep" if self._holds(progress, found, task) else "drop")
            else:
                events += _decision(figure, found)
        return events

    def _holds(self, progress: Progress, found: Estimate, task: str) -> bool:
        """Whether the chance is what is needed when a task is kept, all else as it is counted."""
        at = supposed_at(progress, found.at)
        kept = progress.suppose({"kind": "chose", "task": task, "choice": "keep", "at": at})
        made = estimate(
            kept, max(found.at, kept.at), scenarios=self._scenarios, ranges="shown", advice=found.advice
        )
        return made.meets

    def look(self, progress: Progress, at: float) -> list[Event]:
        """Return what has to be given up by now, the recall or a task, and set when to look next."""
        self.next_at = at + self._every_s
        left = _work_left(progress)
        if progress.closed is not None or progress.recall or not left:
            self.next_at = math.inf
            return []
        found = self._estimate(progress, at)
        if _time_to_go(progress, found, at, left):
            return [{"kind": "called", "call": "home", "text": "time to turn back"}]
        if found.turn_back.latest is not None:
            self.next_at = min(self.next_at, max(at + 60.0, found.turn_back.latest))
        when = {"drop": "begun", "later": "open"}
        due = [f for f in found.optional if when.get(f.advice) == _status(progress, f.task)]
        return [event for figure in due for event in _decision(figure, found)]

    def _estimate(self, progress: Progress, at: float) -> Estimate:
        found = estimate(progress, max(at, progress.at), scenarios=self._scenarios, ranges="shown")
        self.looked_at.append((progress.number, found))
        return found


def _status(progress: Progress, task: str) -> str:
    """Return the status of an optional task; nothing for one that nobody may leave out any more."""
    return progress.tasks[task].status if progress.tasks[task].optional else ""


def _work_left(progress: Progress) -> set[str]:
    """Return the tasks besides closeout of which steps remain."""
    tasks = {progress.steps[step].step.task for steps in progress.order.values() for step in steps}
    return {task for task in tasks if not progress.tasks[task].task.closeout}


def _time_to_go(progress: Progress, found: Estimate, at: float, left: set[str]) -> bool:
    """Whether turn-back is reached.

    Once somebody has begun closeout the others follow; then extra work alone is broken off when it endangers
    the limits.
    """
    going_in = any(f.status != "open" for f in found.tasks if progress.tasks[f.task].task.closeout)
    if not (found.turn_back.homebound or going_in):
        return found.turn_back.latest is None or found.turn_back.latest <= at
    extra = all(progress.tasks[task].task.optional for task in left)
    return extra and found.safe < progress.plan.confidence.elapsed


def _decision(figure: OptionalFigure, found: Estimate) -> list[Event]:
    """Return a decision with the advice of its moment, and what it does; put off only on good ground."""
    if figure.advice == "decide" or (figure.advice == "later" and figure.ground != "figures"):
        return []
    return _decided(figure, found, figure.advice)


def _decided(figure: OptionalFigure, found: Estimate, choice: str) -> list[Event]:
    """Return a choice with the advice of its moment, and what it does."""
    figures = {name: getattr(figure, name) for name in ("last_call", "in_time", "cost")}
    chose = {"kind": "chose", "task": figure.task, "choice": choice, "advice": figure.advice}
    does = partner_of(chose)
    return [{**chose, "figures": {**figures, "safe": found.safe}}, *([does] if does else [])]


ANSWER_S = 25.0
"""How long one person takes to answer a round."""
AGAIN_S = 600.0
"""How much later a tool goes out of sight where nobody has one yet."""
CLOSE_S = 60.0
"""How long after the last word the excursion is closed."""


class Log(Protocol):
    """What a rehearsal needs of a journal."""

    def record_all(
        self, events: Sequence[Mapping[str, Any]], *, seat: str | None = None, utc_now: datetime | None = None
    ) -> list[int]:
        """Append events together, all or none."""

    def write_estimate(self, estimate: Mapping[str, Any], number: int) -> None:
        """Keep an estimate as it was looked at after an event."""

    def refresh(self) -> bool:
        """Take in what somebody else appended."""

    def progress(self) -> Progress:
        """Return what the events add up to."""


class Play:
    """One rehearsal, from its zero on: played instant by instant, as far as it is told to."""

    def __init__(
        self,
        log: Log,
        crew: Crew,
        voice: Voice,
        surprises: Sequence[Surprise] = (),
        *,
        lead: Lead | None = None,
        read_every_s: float = 1800.0,
        closes: bool = True,
        seat: str = "rehearsal",
    ) -> None:
        """Make ready.

        `read_every_s`: how often consumables are read. `closes`: the excursion is closed when everybody is
        inside and all is on record.
        """
        self._log, self.crew, self._voice, self._lead = log, crew, voice, lead
        self._surprises = [one for one in surprises if one.at < math.inf]
        self._closes, self._seat = closes, seat
        self._every_s = self._read_at = read_every_s
        self._close_at = math.inf
        self._rounds = {one.id: float(one.every) for one in crew.plan.rounds}
        """When each round is asked next."""
        self._not_ok: dict[str, str] = {}
        """Per crew member what they say is not ok in the next round."""
        self.at = 0.0

    @property
    def over(self) -> bool:
        """Whether the excursion is closed."""
        return self._log.progress().closed is not None

    def next_at(self) -> float:
        """Return when next something happens; infinite when nothing will by itself."""
        progress = self._log.progress()
        if progress.zero is None or progress.closed is not None:
            return math.inf
        surprise = self._surprises[0].at if self._surprises else math.inf
        reading = self._read_at if self.crew.out and self.crew.stores.accounts else math.inf
        asking = min(self._rounds.values(), default=math.inf) if self.crew.out else math.inf
        looking = self._lead.next_at if self._lead else math.inf
        others = (surprise, reading, asking, looking, self._close_at)
        return max(self.at, min(self.crew.next_at(progress), self._voice.next_at(), *others))

    def to(self, end: float, told: Callable[[float], None] | None = None) -> None:
        """Play everything that happens up to a PET, and let the time pass; `told` hears each PET."""
        self._step(self.at)
        while (at := self.next_at()) <= end and at < math.inf:
            self._step(at)
            if told is not None:
                told(at)
        progress = self._log.progress()
        if math.isfinite(end) and progress.zero is not None and progress.closed is None:
            self._hear(self.crew.advance(progress, end))
            self.at = max(self.at, end)

    def _step(self, at: float) -> None:
        """Play one instant."""
        progress = self._log.progress()
        if progress.zero is None or progress.closed is not None:
            return
        self.at = at
        self._hear(self.crew.advance(progress, at))
        self._surprise(at)
        self._read(at)
        self._ask(at)
        self._record_due(at)
        if self._lead and self._lead.next_at <= at:
            self._record(self._lead.look(self._log.progress(), at), at)
        self._begin(at)
        self._keep()
        self._close(at)

    def _keep(self) -> None:
        """Keep what the lead looked at, as a desk keeps what it shows."""
        while self._lead and self._lead.looked_at:
            number, found = self._lead.looked_at.pop(0)
            self._log.write_estimate(found.as_json(), number)

    def _hear(self, happened: Sequence[CrewAction]) -> None:
        progress = self._log.progress()
        for one in happened:
            self._voice.hear(one, progress)

    def _surprise(self, at: float) -> None:
        while self._surprises and self._surprises[0].at <= at:
            one = self._surprises.pop(0)
            if not self.crew.out:
                continue
            if one.kind == "leak":
                self.crew.stores.leak(one.crew[0], one.consumable, one.times)
            elif one.kind == "hold":
                self.crew.hold(one.crew, at + one.lasts_s)
            elif one.kind == "not-ok":
                self._not_ok[one.crew[0]] = one.words
                continue
            elif one.kind == "unseen":
                out = [p for p in hardware_at(self._log.progress(), at).values() if p.crew]
                if not out:
                    later = replace(one, at=at + AGAIN_S)
                    self._surprises = sorted((*self._surprises, later), key=lambda each: each.at)
                    continue
                one = replace(one, crew=out[0].crew[:1], words=out[0].hardware.title or out[0].hardware.id)
            self._voice.surprise(one, at)

    def _read(self, at: float) -> None:
        if at < self._read_at:
            return
        self._read_at += self._every_s
        stores, plan, out = self.crew.stores, self.crew.plan, self.crew.out
        asked = {item for one in plan.rounds for item in one.ask}
        self._voice.read(
            [
                Gauge(owner, name, plan.consumable[name].unit, stores.read(owner, name, at))
                for owner, name in stores.accounts
                if (owner == "*" or owner in out) and name not in asked
            ],
            at,
        )

    def _ask(self, at: float) -> None:
        """Ask the rounds that are due of everybody outside, in the order of the crew."""
        plan = self.crew.plan
        for one in plan.rounds:
            if at < self._rounds[one.id]:
                continue
            self._rounds[one.id] += one.every
            read: set[str] = set()
            for n, c in enumerate(member for member in plan.outside if member in self.crew.out):
                self._voice.check(one.id, c, self._answers(one, c, read, at), at + ANSWER_S * n)

    def _answers(self, one: Round, crew: str, read: set[str], at: float) -> dict[str, str | float]:
        """Return what somebody answers; a shared store is read by the first, noted in `read`."""
        stores, answers = self.crew.plan.consumable, dict[str, str | float]()
        for item in one.ask:
            store = stores.get(item)
            if store is not None and (crew in store.crew) and item not in read:
                answers[item] = self.crew.stores.read("*" if store.shared else crew, item, at)
                read.update([item] if store.shared else ())
            else:
                why = self._not_ok.pop(crew, "") if store is None else ""
                answers[item] = f"{NOT_OK}: {why}" if why else "ok"
        return answers

    def _record_due(self, at: float) -> None:
        while (said := self._voice.take(at)) is not None:
            event = _numbered(said.event, self._log.progress())
            if event is not None and not _needless(said, self._log.progress()):
                self._record([event], said.due, said.seat)

    def _begin(self, at: float) -> None:
        """Ask the lead about optional work that is about to begin, then begin what is ready."""
        while True:
            progress = self._log.progress()
            # No time passes: the crew only hears what was recorded in this instant, such as a recall.
            self._hear(self.crew.advance(progress, at))
            ready = self.crew.ready(progress)
            tasks = [t for t in (one.state.step.task for one in ready) if not self.crew.begun(t)]
            decided = self._lead.decide(progress, at, tasks) if self._lead else []
            if not decided or not self._record(decided, at):
                break
        self._hear(self.crew.begin(progress, ready))
        self._hear(self.crew.look(progress))

    def _close(self, at: float) -> None:
        """Close once everybody is inside and all has been said."""
        if not self._closes or self.crew.busy or self._voice.next_at() < math.inf:
            return
        if at >= self._close_at:
            self._record([{"kind": "closed"}], at)
        elif self._close_at == math.inf and not self.crew.out:
            self._close_at = at + CLOSE_S

    def _record(self, events: Sequence[Mapping[str, Any]], at: float, seat: str = "") -> bool:
        """Record events as if the clock stood at a PET; whether they are on record.

        What is refused is noted with its reason.
        """
        if not events:
            return True
        zero = self._log.progress().zero
        assert zero is not None
        now = zero + timedelta(seconds=at)
        try:
            self._log.record_all(events, seat=seat or self._seat, utc_now=now)
        except EventError as error:
            words = plain(f"not recorded: {error.lines[0]}", most=200)
            self._log.record_all([{"kind": "noted", "text": words}], seat=self._seat, utc_now=now)
            return False
        return True


def _numbered(event: Mapping[str, Any], progress: Progress) -> Mapping[str, Any] | None:
    """Return an event with the number of what it settles; None where that is no longer open."""
    if SETTLES not in event:
        return event
    open_now = [one.number for one in progress.raised if one.settled is None and one.text == event[SETTLES]]
    rest = {key: value for key, value in event.items() if key != SETTLES}
    return {**rest, "event": open_now[0]} if open_now else None


def _needless(said: Said, progress: Progress) -> bool:
    """Whether somebody else has recorded it already, or it has lost its meaning."""
    kind, event = said.event["kind"], said.event
    if kind in ("done", "counted", "skipped"):
        return progress.steps[event["step"]].ended is not None
    if kind == "went":
        state = progress.steps[event["step"]]
        return state.gone or state.ended is not None
    if kind == "resumed":
        return not any(c in progress.holds for c in event["crew"])
    if kind in ("entered", "checked"):
        return event["crew"] in progress.entered
    return False

"""What is said on the voice loop, and how it comes to the journal.

A voice turns what the crew does into events: `Ticking` as an operator would, promptly as a rule and late
when the loop is busy; `Calling` as notes of what everybody says, where somebody else ticks: what an operator
practises on.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from tracker.foundation.times import format_pet
from tracker.journal.kinds import NOT_OK
from tracker.journal.progress import Progress
from tracker.journal.typed.lines import deviation
from tracker.plan.model import Step, store_words
from tracker.rehearsal.crew import CrewAction
from tracker.rehearsal.nature import Chance
from tracker.rehearsal.surprises import Surprise


@dataclass(frozen=True, slots=True)
class Gauge:
    """One reading of a consumable; `owner` is `*` for a shared store."""

    owner: str
    consumable: str
    unit: str
    value: float


@dataclass(frozen=True, order=True, slots=True)
class Said:
    """An event to be recorded at a PET."""

    due: float
    turn: int
    seat: str = field(compare=False)
    event: Mapping[str, Any] = field(compare=False)
    true_at: float | None = field(compare=False, default=None)
    """When it happened, where the operator gives the time; None: the clock stamps it."""
    crew: tuple[str, ...] = field(compare=False, default=())


class Voice(Protocol):
    """Turns what happens into events of the journal, in its own time."""

    def hear(self, happened: CrewAction, progress: Progress) -> None:
        """Take in what the crew says."""

    def surprise(self, one: Surprise, at: float) -> None:
        """Take in a surprise that is said aloud."""

    def read(self, gauges: Sequence[Gauge], at: float) -> None:
        """Take in readings of consumables."""

    def check(self, round: str, crew: str, answers: Mapping[str, str | float], at: float) -> None:
        """Take in what somebody answers in a round."""

    def next_at(self) -> float:
        """Return when next something is to be recorded; infinite when nothing waits."""

    def take(self, at: float) -> Said | None:
        """Return the next event that is due by then, and forget it."""


class Agenda:
    """Events that wait for their time, soonest first; of the same time, in the order in which they came."""

    def __init__(self) -> None:
        self._waiting: list[Said] = []
        self._turn = 0

    def put(
        self,
        due: float,
        seat: str,
        event: Mapping[str, Any],
        *,
        true_at: float | None = None,
        crew: tuple[str, ...] = (),
    ) -> None:
        """Let an event wait."""
        self._turn += 1
        heapq.heappush(self._waiting, Said(due, self._turn, seat, event, true_at, crew))

    def next_at(self) -> float:
        """Return when the first is due; infinite without any."""
        return self._waiting[0].due if self._waiting else math.inf

    def take(self, at: float) -> Said | None:
        """Return the first that is due by then, and forget it."""
        return heapq.heappop(self._waiting) if self.next_at() <= at else None


SETTLES = "of"
"""Key of a `settled` that is to be recorded: the text of what it settles, whose number is not known yet."""
LEAD = "lead"
"""Who speaks when it is nobody of the crew."""


class Calling(Agenda):
    """Puts what the crew says into notes, each under the name of who says it."""

    def __init__(self) -> None:
        super().__init__()
        self._silent: dict[str, float] = {}

    def hear(self, happened: CrewAction, progress: Progress) -> None:
        """Take in what the crew says."""
        step = happened.step
        if happened.kind == "inside":
            self._say(happened.crew, happened.at, "I am inside.")
        elif step is not None and (words := _words(happened, step)):
            self._say(happened.crew, happened.at, words)

    def surprise(self, one: Surprise, at: float) -> None:
        """Take in a surprise that is said aloud."""
        crew = " and ".join(one.crew)
        if one.kind == "hold":
            self._note(at, LEAD, f"Hold {crew}: {one.words}.")
            self._note(at + one.lasts_s, LEAD, f"{crew} may go on.")
        elif one.kind == "silence":
            self._silent.update(dict.fromkeys(one.crew, at + one.lasts_s))
            self._note(at + 20.0, LEAD, f"{crew} does not answer.")
            self._say(one.crew, at + one.lasts_s, "I read you again.")
        elif one.kind == "unseen":
            self._say(one.crew, at, f"I do not see it any more: {one.words}.")
            self._say(one.crew, at + one.lasts_s, f"I have it again: {one.words}.")
        elif one.kind == "unplanned":
            time = format_pet(one.lasts_s)
            self._note(at, LEAD, f"Add for {crew}, {time}, next: {one.words}.")

    def read(self, gauges: Sequence[Gauge], at: float) -> None:
        """Take in readings of consumables: one note for each who reads."""
        for owner in dict.fromkeys(gauge.owner for gauge in gauges):
            mine = [g for g in gauges if g.owner == owner]
            shown = ", ".join(f"{store_words(g.consumable)} {g.value:g} {g.unit}" for g in mine)
            self._say((LEAD if owner == "*" else owner,), at, f"I read {shown}.")

    def check(self, round: str, crew: str, answers: Mapping[str, str | float], at: float) -> None:
        """Take in what somebody answers in a round: one note, which whoever is at the desk enters."""
        told = ", ".join(f"{item} {said}" for item, said in answers.items())
        self._say((crew,), at, f"{round}: {told}.")

    def _say(self, crew: Sequence[str], at: float, words: str) -> None:
        """Let the first of a crew who is heard say something, or wait until one of them is."""
        speaker = min(crew, key=lambda c: self._silent.get(c, 0.0))
        self._note(max(at, self._silent.get(speaker, 0.0)), speaker, words)

    def _note(self, at: float, who: str, words: str) -> None:
        self.put(at, who, {"kind": "noted", "text": words})


def _words(happened: CrewAction, step: Step) -> str:
    """Return what is said about a step; nothing where nobody would say anything."""
    match happened.kind:
        case "done":
            return f"Done: {step.do}."
        case "counted":
            return f"{step.do}: {happened.count} of {step.count}."
        case "asks":
            return f"Ready for a go: {step.do} ({step.hold_point})."
        case "shut out":
            return f"{step.do}: the window does not open again. Skip it?"
        case _:
            return ""


LAG_S = 8.0
"""Mean time from word to tick."""
LATE = 0.12
"""How often a tick is late, by `LATE_S`."""
LATE_S = (45.0, 240.0)
STATED = 0.6
"""How often a late tick is entered with the time at which it was."""
COUNTED = 0.7
"""How often the items of a counted step are called out."""
GO_S = (30.0, 150.0)
"""How long the answer to a hold point takes."""


class Ticking(Agenda):
    """Records what the crew says, as an operator would."""

    def __init__(self, chance: Chance, seat: str = "rehearsal") -> None:
        super().__init__()
        self._chance, self._seat = chance, seat
        self._said: dict[str, float] = {}
        """Per crew member and step, when the last word of it is entered."""
        self._noted: dict[str, float] = {}
        """Per crew member and step, the PET on record of the last word of it."""
        self._silent: dict[str, float] = {}
        """Until when somebody is not heard."""

    def hear(self, happened: CrewAction, progress: Progress) -> None:
        """Take in what the crew says."""
        step, at = happened.step, happened.at
        if happened.kind == "inside":
            due = max([at, *self._said.values()]) + self._lag("inside", *happened.crew)
            self.put(due, self._seat, {"kind": "entered", "crew": happened.crew[0]})
        elif step is None or happened.kind == "began":
            return
        elif happened.kind == "asks":
            due = at + self._chance.between(*GO_S, "go", step.id)
            self.put(due, self._seat, {"kind": "went", "step": step.id})
        elif happened.kind == "shut out":
            words = "its window does not open again"
            self.put(at + 5.0, self._seat, {"kind": "skipped", "step": step.id, "text": words})
        elif happened.kind == "done" or self._chance.happens(COUNTED, "call", step.id, happened.count):
            self._tick(happened, step, progress)

    def _tick(self, happened: CrewAction, step: Step, progress: Progress) -> None:
        what = (happened.kind, step.id, happened.count)
        after = [*happened.crew, *progress.needs.get(step.id, ()), step.id]
        heard = min((self._silent.get(c, 0.0) for c in happened.crew), default=0.0)
        word = max(happened.at, heard)
        late = word > happened.at + LATE_S[0] or self._chance.happens(LATE, "late", *what)
        lag = self._chance.between(*LATE_S, "lag", *what) if late else self._lag(*what)
        due = max([word + lag, *(self._said[one] + 1.5 for one in after if one in self._said)])
        stated = late and self._chance.happens(STATED, "stated", *what)
        event = {"kind": happened.kind, "step": step.id}
        self._said.update(dict.fromkeys([*happened.crew, step.id], due))
        names = (*after, *happened.crew)
        self.put(
            due,
            self._seat,
            {**event, "count": happened.count} if happened.kind == "counted" else event,
            true_at=happened.at if stated else None,
            crew=tuple(dict.fromkeys(names)),
        )

    def _lag(self, *what: object) -> float:
        return 2.0 - LAG_S * math.log(self._chance.uniform("lag", *what))

    def surprise(self, one: Surprise, at: float) -> None:
        """Take in a surprise that is said aloud."""
        crew = list(one.crew)
        if one.kind == "hold":
            until = int(at + 60 * math.ceil(one.lasts_s / 60))
            held = {"kind": "held", "crew": crew, "until": until, "text": one.words}
            self.put(at, self._seat, held)
            self.put(at + one.lasts_s, self._seat, {"kind": "resumed", "crew": crew})
        elif one.kind == "silence":
            heard = at + one.lasts_s
            self._silent.update(dict.fromkeys(crew, heard))
            self.put(at + 20.0, self._seat, {"kind": "silent", "crew": crew})
            self.put(heard, self._seat, {"kind": "heard", "crew": crew})
        elif one.kind == "unseen":
            text = f"{one.words} out of sight"
            raised = {"kind": "raised", "what": "deviation", "about": crew[0], "text": text}
            self.put(at + 15.0, self._seat, raised)
            self.put(at + one.lasts_s, self._seat, {"kind": "settled", SETTLES: text, "text": "found"})
        elif one.kind == "unplanned":
            self.put(at + 20.0, self._seat, {"kind": "added", "task": one.as_task()})

    def read(self, gauges: Sequence[Gauge], at: float) -> None:
        """Take in readings of consumables, a few seconds each; nobody answers out of voice contact."""
        due = at
        for gauge in gauges:
            if self._silent.get(gauge.owner, 0.0) > at:
                continue
            due += 2.0
            body = {"crew": gauge.owner, "consumable": gauge.consumable, "value": gauge.value}
            self.put(due, self._seat, {"kind": "reading", **body})

    def check(self, round: str, crew: str, answers: Mapping[str, str | float], at: float) -> None:
        """Take in what somebody answers in a round, and what is not ok with it; nobody answers unheard."""
        if self._silent.get(crew, 0.0) > at:
            return
        due = at + self._lag("round", round, crew, int(at))
        self.put(due, self._seat, {"kind": "checked", "round": round, "crew": crew, "answers": answers})
        for item, said in answers.items():
            if str(said).startswith(NOT_OK):
                self.put(due, self._seat, deviation(crew, item, str(said)))

    def take(self, at: float) -> Said | None:
        """Return the next event that is due, with its time where the operator gives it."""
        said = super().take(at)
        if said is None:
            return None
        floor = max((self._noted.get(one, 0.0) for one in said.crew), default=0.0)
        when = math.floor(said.due)
        if said.true_at is not None:
            when = min(when, max(math.ceil(said.true_at), math.ceil(floor)))
            said = replace(said, event={**said.event, "at": when})
        self._noted.update(dict.fromkeys(said.crew, float(when)))
        return said

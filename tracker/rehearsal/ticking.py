"""A simulated operator: hears the crew and ticks, promptly as a rule and late when the loop is busy."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from tracker.journal.progress import Progress
from tracker.plan.model import Step
from tracker.rehearsal.chance import Chance
from tracker.rehearsal.crew import Happened
from tracker.rehearsal.surprises import Surprise
from tracker.rehearsal.voice import Agenda, Gauge, Said

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


class Ticking:
    """Records what the crew says, as an operator would."""

    def __init__(self, chance: Chance, seat: str = "rehearsal") -> None:
        self._chance, self._seat = chance, seat
        self._agenda = Agenda()
        self._said: dict[str, float] = {}
        """Per crew member and step, when the last word of it is entered."""
        self._noted: dict[str, float] = {}
        """Per crew member and step, the PET on record of the last word of it."""
        self._silent: dict[str, float] = {}
        """Until when somebody is not heard."""

    def hear(self, happened: Happened, progress: Progress) -> None:
        """Take in what the crew says."""
        step, at = happened.step, happened.at
        if happened.kind == "inside":
            due = max([at, *self._said.values()]) + self._lag("inside", *happened.crew)
            self._agenda.put(due, self._seat, {"kind": "entered", "crew": happened.crew[0]})
        elif step is None or happened.kind == "began":
            return
        elif happened.kind == "asks":
            due = at + self._chance.between(*GO_S, "go", step.id)
            self._agenda.put(due, self._seat, {"kind": "went", "step": step.id})
        elif happened.kind == "shut out":
            words = "its window does not open again"
            self._agenda.put(at + 5.0, self._seat, {"kind": "skipped", "step": step.id, "text": words})
        elif happened.kind == "done" or self._chance.happens(COUNTED, "call", step.id, happened.count):
            self._tick(happened, step, progress)

    def _tick(self, happened: Happened, step: Step, progress: Progress) -> None:
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
        self._agenda.put(
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
            self._agenda.put(at, self._seat, held)
            self._agenda.put(at + one.lasts_s, self._seat, {"kind": "resumed", "crew": crew})
        elif one.kind == "silence":
            self._silence(one, at)
        elif one.kind == "unplanned":
            self._agenda.put(at + 20.0, self._seat, {"kind": "added", "task": one.as_task()})

    def _silence(self, one: Surprise, at: float) -> None:
        crew, heard = list(one.crew), at + one.lasts_s
        self._silent.update(dict.fromkeys(one.crew, heard))
        self._agenda.put(at + 20.0, self._seat, {"kind": "silent", "crew": crew})
        self._agenda.put(heard, self._seat, {"kind": "heard", "crew": crew})

    def read(self, gauges: Sequence[Gauge], at: float) -> None:
        """Take in readings of consumables, a few seconds each; nobody answers out of voice contact."""
        due = at
        for gauge in gauges:
            if self._silent.get(gauge.owner, 0.0) > at:
                continue
            due += 2.0
            body = {"crew": gauge.owner, "consumable": gauge.consumable, "value": gauge.value}
            self._agenda.put(due, self._seat, {"kind": "reading", **body})

    def next_at(self) -> float:
        """Return when next something is to be recorded."""
        return self._agenda.next_at()

    def take(self, at: float, progress: Progress) -> Said | None:
        """Return the next event that is due, with its time where the operator gives it."""
        said = self._agenda.take(at)
        if said is None:
            return None
        floor = max((self._noted.get(one, 0.0) for one in said.crew), default=0.0)
        when = math.floor(said.due)
        if said.true_at is not None:
            when = min(when, max(math.ceil(said.true_at), math.ceil(floor)))
            said = replace(said, event={**said.event, "at": when})
        self._remember(said.crew, when)
        return said

    def _remember(self, names: Iterable[str], when: float) -> None:
        self._noted.update(dict.fromkeys(names, float(when)))

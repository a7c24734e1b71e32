"""The crew speaks and nobody ticks: what an operator practises on. Every word becomes a note."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress
from tracker.plan.model import Step
from tracker.rehearsal.crew import Happened
from tracker.rehearsal.surprises import Surprise
from tracker.rehearsal.voice import Agenda, Gauge, Said

LEAD = "lead"
"""Who speaks when it is nobody of the crew."""


class Calling:
    """Puts what the crew says into notes, each under the name of who says it."""

    def __init__(self) -> None:
        self._agenda = Agenda()
        self._silent: dict[str, float] = {}

    def hear(self, happened: Happened, progress: Progress) -> None:
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
        elif one.kind == "unplanned":
            time = format_pet(one.lasts_s)
            self._note(at, LEAD, f"Add for {crew}, {time}, next: {one.words}.")

    def read(self, gauges: Sequence[Gauge], at: float) -> None:
        """Take in readings of consumables: one note for each who reads."""
        for owner in dict.fromkeys(gauge.owner for gauge in gauges):
            mine = [g for g in gauges if g.owner == owner]
            shown = ", ".join(f"{g.consumable} {g.value:g} {g.unit}" for g in mine)
            self._say((LEAD if owner == "*" else owner,), at, f"I read {shown}.")

    def next_at(self) -> float:
        """Return when next something is said."""
        return self._agenda.next_at()

    def take(self, at: float, progress: Progress) -> Said | None:
        """Return the next note that is due."""
        return self._agenda.take(at)

    def _say(self, crew: Sequence[str], at: float, words: str) -> None:
        """Let the first of a crew who is heard say something, or wait until one of them is."""
        speaker = min(crew, key=lambda c: self._silent.get(c, 0.0))
        self._note(max(at, self._silent.get(speaker, 0.0)), speaker, words)

    def _note(self, at: float, who: str, words: str) -> None:
        self._agenda.put(at, who, {"kind": "noted", "text": words})


def _words(happened: Happened, step: Step) -> str:
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

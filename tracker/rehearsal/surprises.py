"""The surprises of a rehearsal, drawn from its seed, on request or by chance.

What sticks, leaks, holds people up, comes on top, falls silent, is not ok or is not seen.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tracker.foundation.times import format_exact
from tracker.plan.model import Plan, Step
from tracker.plan.timeline import as_planned
from tracker.rehearsal.nature import Chance

Kind = Literal["stuck", "leak", "hold", "unplanned", "silence", "not-ok", "unseen"]

CHANCES: Mapping[Kind, float] = {
    "stuck": 0.5,
    "leak": 0.15,
    "hold": 0.4,
    "unplanned": 0.3,
    "silence": 0.3,
    "not-ok": 0.4,
    "unseen": 0.3,
}
"""How often each comes when surprises are left to chance, where the plan has a place for it."""

_HOLDS = ("glove check", "waiting for a clear picture", "the way is to be cleared first")
_UNPLANNED = ("Clear a fouled line", "Secure a loose cover", "Look at something unexpected and describe it")
_NOT_OK = ("stiff, but in use", "a scuff, and it holds", "worn at one edge")
_FROM, _TO = 0.15, 0.65
"""Where in the plan's time surprises fall."""
_NEVER = float("inf")


@dataclass(frozen=True, slots=True)
class Surprise:
    """One thing that happens; `at` is PET seconds."""

    kind: Kind
    at: float
    crew: tuple[str, ...] = ()
    step: str = ""
    """Stuck: which step."""
    consumable: str = ""
    """Leak: what; the first of `crew` owns it, `*` where it is shared."""
    times: float = 1.0
    """Leak: it goes down so many times as fast."""
    lasts_s: float = 0.0
    """Hold, silence, unseen: how long; unplanned work: its planned time."""
    words: str = ""
    """Not ok: why; unseen: which piece of hardware, once it is."""

    def as_task(self) -> dict[str, Any]:
        """Return unplanned work as a task of the event `added`."""
        time = format_exact(int(self.lasts_s))
        return {"title": self.words, "steps": [{"do": self.words, "crew": list(self.crew), "time": time}]}


def surprises(plan: Plan, chance: Chance, wanted: Collection[str]) -> tuple[Surprise, ...]:
    """Return the surprises of a rehearsal, soonest first.

    `wanted` holds kinds that come for certain, and perhaps `random`: then the others come by chance. What
    a plan has no place for (a leak without consumables) does not come.
    """
    drawn = []
    for kind, probability in CHANCES.items():
        by_chance = "random" in wanted and chance.happens(probability, "surprise", kind)
        if (kind in wanted or by_chance) and (found := _draw(kind, plan, chance)) is not None:
            drawn.append(found)
    return tuple(sorted(drawn, key=lambda one: one.at))


def _draw(kind: Kind, plan: Plan, chance: Chance) -> Surprise | None:
    course = as_planned(plan)
    length = max(course.finish.values(), default=0.0)
    at = float(round(length * chance.between(_FROM, _TO, kind, "at")))
    if kind == "stuck":
        return _stuck(plan, chance)
    if kind == "leak":
        return _leak(plan, chance, at)
    if not plan.outside:
        return None
    one = (chance.pick(plan.outside, kind, "crew"),)
    if kind == "not-ok":
        words = chance.pick(_NOT_OK, kind, "words")
        return Surprise(kind, at, one, words=words) if plan.rounds else None
    if kind == "unseen":
        away = round(chance.between(240, 900, kind, "lasts"))
        return Surprise(kind, at, one, lasts_s=away) if plan.hardware else None
    if kind == "hold":
        crew = plan.outside if chance.happens(0.4, kind, "all") else one
        lasts = chance.between(240, 900, kind, "lasts")
        return Surprise(kind, at, crew, lasts_s=round(lasts), words=chance.pick(_HOLDS, kind, "words"))
    if kind == "silence":
        return Surprise(kind, at, one, lasts_s=round(chance.between(180, 720, kind, "lasts")))
    minutes = round(chance.between(5, 14, kind, "lasts"))
    return Surprise(kind, at, one, lasts_s=60.0 * minutes, words=chance.pick(_UNPLANNED, kind, "words"))


def _stuck(plan: Plan, chance: Chance) -> Surprise | None:
    """Return a step that sticks: one with fasteners or other counted items where there is any."""
    able = [s for t in plan.tasks if not t.closeout and not t.optional for s in t.steps if not s.fixed]
    fit = [s for s in able if "fasten" in s.work] or [s for s in able if s.count > 1] or able
    if not fit:
        return None
    step: Step = chance.pick(fit, "stuck", "step")
    return Surprise("stuck", _NEVER, step.crew, step=step.id)


def _leak(plan: Plan, chance: Chance, at: float) -> Surprise | None:
    owners = [(c, one.id) for one in plan.consumables for c in one.owners]
    if not owners:
        return None
    owner, consumable = chance.pick(owners, "leak", "store")
    times = round(chance.between(1.4, 2.2, "leak", "times"), 2)
    return Surprise("leak", at, (owner,), consumable=consumable, times=times)

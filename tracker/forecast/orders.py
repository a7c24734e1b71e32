"""Better orders: a step handed over, or a task in a new place, that brings everybody in earlier.

Every candidate is a supposed event on the same fold and the same random numbers, so its gain is exact
for the scenarios. Few scenarios choose which candidates are worth playing on all; a person accepts.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tracker.forecast.demand import going_on
from tracker.forecast.limits import broken
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world
from tracker.forecast.world import advance, begin, inside
from tracker.foundation.errors import EventError
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, StepState

WORTH_S = 120.0
"""Least gain in the p90 ingress that is suggested."""
_SCREEN = 500
"""Scenarios on which candidates are compared first."""
_PLAYED = 8
"""Candidates played on all scenarios."""


@dataclass(frozen=True, slots=True)
class BetterOrder:
    """One change of who does what, or when."""

    event: Mapping[str, Any]
    """The event that would make it so, as `tracker record` takes it."""
    text: str
    gain_s: float
    """By how much the p90 ingress is earlier."""
    p90: float
    """PET of the p90 ingress with it."""
    safe: float
    """Share of scenarios that break no limit with it."""


@dataclass(frozen=True, slots=True)
class _End:
    p90: float
    """PET."""
    safe: float


def _go_on(share: float) -> bool:
    return True


def better_orders(
    progress: Progress,
    *,
    now: float,
    kept: Collection[str],
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    most: int = 3,
    heed: Callable[[float], bool] = _go_on,
) -> tuple[BetterOrder, ...]:
    """Return changes that lower the p90 ingress by two minutes or more, the greatest gain first.

    `kept`: the optional tasks that are kept, before and after. What breaks a need, or makes any limit
    likelier to be broken, is left out. With hundreds of steps the search takes many seconds: before every
    change it tries, `heed` is told the share that is done, 0 to 1, and ends it with False; then there are
    none.
    """
    screen = _Players(now, kept, min(_SCREEN, scenarios), prior)
    base = screen.end(progress)
    promising: list[tuple[float, int, dict[str, Any], str]] = []
    candidates = list(_candidates(progress))
    for k, (event, text) in enumerate(candidates):
        if not heed(k / len(candidates)):
            return ()
        end = screen.with_event(progress, event)
        if end is not None and base.p90 - end.p90 >= WORTH_S / 2:
            promising.append((end.p90, k, event, text))
    whole = _Players(now, kept, scenarios, prior)
    before = whole.end(progress)
    found = []
    for event, text in _best_of_each(promising)[:_PLAYED]:
        end = whole.with_event(progress, event)
        if end is not None and before.p90 - end.p90 >= WORTH_S and end.safe >= before.safe:
            gain = before.p90 - end.p90
            said = f"{text}: nine of ten inside {format_pet(gain)} earlier"
            found.append(BetterOrder(event, said, gain, end.p90, end.safe))
    return tuple(sorted(found, key=lambda order: -order.gain_s)[:most])


def _best_of_each(
    promising: Sequence[tuple[float, int, dict[str, Any], str]],
) -> list[tuple[dict[str, Any], str]]:
    """Return the best change of each step and each task, the best first."""
    out: dict[object, tuple[dict[str, Any], str]] = {}
    for _, _, event, text in sorted(promising, key=lambda one: one[:2]):
        out.setdefault((event["kind"], event.get("step"), event.get("task")), (event, text))
    return list(out.values())


@dataclass(frozen=True, slots=True)
class _Players:
    now: float
    kept: Collection[str]
    scenarios: int
    prior: PacePrior | None

    def with_event(self, progress: Progress, event: Mapping[str, Any]) -> _End | None:
        """Return the end with a supposed event; None where it would break a need."""
        try:
            return self.end(progress.suppose(event))
        except EventError:
            return None

    def end(self, progress: Progress) -> _End:
        """Return how the excursion ends with what is kept."""
        world = build_world(progress, now=self.now, scenarios=self.scenarios, prior=self.prior)
        present = world.present(going_on(world, self.kept))
        course = advance(world, begin(world), present)
        p90 = one(inside(world, course), 0.9) + world.now
        return _End(p90, broken(world, present, course).share_safe)


def _candidates(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    yield from _hand_overs(progress)
    yield from _places(progress)


def _hand_overs(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every step of one crew member outside that another one there could take over."""
    ready = [c for c in progress.plan.outside if c not in progress.entered and c not in progress.recall]
    for step, state in progress.steps.items():
        if _untouched(state) and len(state.crew) == 1 and state.crew[0] in ready:
            for other in ready:
                if other != state.crew[0] and not progress.tasks[state.step.task].task.closeout:
                    text = f"hand {step} over from {state.crew[0]} to {other}"
                    yield {"kind": "handed", "step": step, "crew": [other]}, text


def _untouched(state: StepState) -> bool:
    return state.ended is None and state.worked_s == 0 and state.counted == 0 and state.begin_kind is None


def _places(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every open task in every other place among the open ones."""
    open_tasks = [
        name
        for name, state in progress.tasks.items()
        if state.status in ("open", "begun") and not state.task.closeout
    ]
    for task in open_tasks:
        for other in open_tasks:
            if other != task:
                yield {"kind": "moved", "task": task, "before": other}, f"do {task} before {other}"
        yield {"kind": "moved", "task": task, "last": True}, f"do {task} last, before closeout"

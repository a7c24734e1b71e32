"""Which alerts earlier instants raised: the figures of each instant with news, and what they raise.

Last calls, the chance and hardware clocks rest on figures that move. What they raised is worked out from the
journal for those instants, so that it stays, the same at every seat, until it is settled or was seen.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from tracker.forecast.last_call import last_calls
from tracker.forecast.limits import ChanceConstraint
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.values import Raised
from tracker.journal.progress import Progress, done_share

SOON_S = (15 * 60, 5 * 60)
"""How long before a last call it is announced."""
EARLY = 0.1
"""Before this share of the planned work is done nothing alarms on a low chance."""
BY_ITSELF = 0.5
"""From this chance on kept work is begun in time in the order as it is."""


@dataclass(frozen=True, slots=True)
class AlertInputs:
    """The figures of one instant that alerts rest on."""

    at: float
    """PET seconds."""
    calls: Mapping[str, float]
    """Last call, PET, of each optional task whose last call is worth announcing."""
    safe: float
    unmet: bool
    """What is kept does not hold."""
    late: Mapping[str, float]
    """Chance per step with a hardware clock that it runs out."""
    running: frozenset[str]
    """Those of them whose clock runs already."""
    most_late: float
    early: bool
    """Before a tenth of the planned work is done nothing alarms on a low chance."""


def alert_inputs(progress: Progress, sets: TaskSets, kept: Collection[int]) -> AlertInputs:
    """The figures of the instant for which the world of these sets was made."""
    world, chosen = sets.world, frozenset(kept)
    outcome = sets.outcome(chosen)
    clocks = [(world.nodes[clock.node].step, clock) for clock in world.clocks]
    return AlertInputs(
        at=world.now,
        calls=_calls(progress, sets, chosen),
        safe=outcome.share_safe,
        unmet=not ChanceConstraint.of(world).met(outcome.failing),
        late={
            step: times / world.scenarios
            for (step, _), times in zip(clocks, outcome.clocks_late, strict=True)
        },
        running=frozenset(step for step, clock in clocks if clock.of is None),
        most_late=1 - world.confidence_elapsed,
        early=done_share(progress) < EARLY,
    )


def _calls(progress: Progress, sets: TaskSets, kept: frozenset[int]) -> dict[str, float]:
    """The last calls worth announcing."""
    world = sets.world
    out = {}
    for m, start in last_calls(sets, kept).items():
        task = world.optional[m]
        if start.last_call is None or task.begun:
            continue
        if m not in kept or not by_itself(progress, task.task, start.in_time):
            out[task.task] = world.now + start.last_call
    return out


def by_itself(progress: Progress, task: str, in_time: float) -> bool:
    """Whether kept work is begun in time though nobody says anything: no hold, no go is in its way."""
    first = next((s for s in progress.steps.values() if s.step.task == task and s.ended is None), None)
    if first is None or in_time < BY_ITSELF:
        return False
    return first.gone and progress.holds.keys().isdisjoint(first.crew)


def raised(seen: AlertInputs, until: float) -> Iterator[Raised]:
    """The alerts that these figures raise at their instant, last calls also until PET `until`."""
    for task, call in seen.calls.items():
        for soon in SOON_S:
            since = max(call - soon, seen.at)
            if seen.at <= call and since <= until:
                yield Raised(f"last-call:{task}:{soon // 60}", call, since)
    if seen.unmet and not seen.early:
        yield Raised("confidence", seen.safe, seen.at)
    for step, chance in seen.late.items():
        if chance > seen.most_late + 1e-9 and (step in seen.running or not seen.early):
            yield Raised(f"clock:{step}", 1 - chance, seen.at)

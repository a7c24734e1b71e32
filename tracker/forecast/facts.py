"""What alerts rest on at one instant, and the alerts that follow.

Worked out for earlier instants too, so that an alert stays raised when the figures that raised it have
moved on, and every seat sees the same.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from tracker.forecast.demand import demand
from tracker.forecast.judge import Judge
from tracker.forecast.last_call import starts
from tracker.forecast.limits import standings
from tracker.forecast.reasons import percent
from tracker.forecast.values import Raised
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress

SOON_S = (15 * 60, 5 * 60)
"""How long before a last call it is announced."""


@dataclass(frozen=True, slots=True)
class Facts:
    """The figures of one instant that alerts look at."""

    at: float
    """PET seconds."""
    calls: Mapping[str, float]
    """Last call per optional task that has not begun, PET; tasks that no start would fit are absent."""
    safe: float
    unmet: bool
    """What is kept does not hold."""
    wanted: str
    short: Mapping[str, float]
    """Chance per `CREW.consumable` that its reserve is not there at ingress."""
    most_short: float
    late: Mapping[str, float]
    """Chance per step with a hardware clock that it runs out."""
    running: frozenset[str]
    """Those of them whose clock runs already."""
    most_late: float
    early: bool
    """Before a tenth of the planned work is done nothing alarms on a low chance."""


def facts(progress: Progress, judge: Judge, kept: Collection[int]) -> Facts:
    """Return the figures of the instant for which the judge's world was made."""
    world = judge.world
    chosen = frozenset(kept)
    found = standings(world, world.present(chosen), judge.course(chosen))
    short = {standing.id: standing.chance for standing in found}
    accounts = {f"{account.crew}.{account.consumable}" for account in world.accounts}
    late = judge.outcome(chosen).clocks_late
    clocks = [(world.nodes[clock.node].step, clock) for clock in world.clocks]
    return Facts(
        at=world.now,
        calls=_calls(judge, chosen),
        safe=judge.outcome(chosen).share_safe,
        unmet=not demand(world).met(judge.outcome(chosen).failing),
        wanted=f"{world.confidence_elapsed * 100:g} %",
        short={name: chance for name, chance in short.items() if name in accounts},
        most_short=1 - world.confidence_consumables,
        late={step: times / world.scenarios for (step, _), times in zip(clocks, late, strict=True)},
        running=frozenset(step for step, clock in clocks if clock.of is None),
        most_late=1 - world.confidence_elapsed,
        early=done_share(progress) < 0.1,
    )


def _calls(judge: Judge, kept: frozenset[int]) -> dict[str, float]:
    """Return the last calls worth announcing: of tasks that have not begun, and can still be reached."""
    world = judge.world
    out = {}
    for m, start in starts(judge, kept).items():
        task = world.optional[m]
        if start.last_call is not None and not task.begun and (m in kept or not start.hopeless(world)):
            out[task.task] = world.now + start.last_call
    return out


def done_share(progress: Progress) -> float:
    """Return the share of the planned work, in crew members' time, that is done."""
    done = planned = 0.0
    for state in progress.steps.values():
        seconds = state.step.time.likely * max(len(state.crew), 1)
        if state.ended in (None, "done"):
            planned += seconds
            done += seconds if state.ended == "done" else 0.0
    return done / planned if planned else 1.0


def raised(seen: Facts, until: float) -> list[Raised]:
    """Return the alerts that these figures raise at their instant, last calls also until PET `until`."""
    out = list(last_calls(seen.calls.items(), seen.at, until))
    if not seen.early:
        if seen.unmet:
            out.append(Raised("confidence", confidence_text(seen.safe, seen.wanted), seen.at))
        for name, chance in seen.short.items():
            if chance > seen.most_short + 1e-9:
                out.append(Raised(f"reserve:{name}", reserve_text(name, chance), seen.at))
    for step, chance in seen.late.items():
        if chance > seen.most_late + 1e-9 and (step in seen.running or not seen.early):
            out.append(Raised(f"clock:{step}", clock_text(step, chance), seen.at))
    return out


def last_calls(calls: Iterable[tuple[str, float]], at: float, until: float) -> Iterable[Raised]:
    """Announce each last call 15 and 5 minutes ahead, where that falls between two instants."""
    for task, call in calls:
        for soon in SOON_S:
            since = max(call - soon, at)
            if at <= call and since <= until:
                text = f"{task}: last call {format_pet(call)}"
                yield Raised(f"last-call:{task}:{soon // 60}", text, since)


def confidence_text(safe: float, wanted: str) -> str:
    """Say that the chance is below what the plan demands."""
    return f"chance to stay inside every limit {percent(safe)}, {wanted} wanted"


def reserve_text(name: str, chance: float) -> str:
    """Say that a consumable may reach its reserve before ingress; `name` is `CREW.consumable`."""
    crew, _, consumable = name.partition(".")
    who = "shared" if crew == "*" else crew
    return f"{who} {consumable}: reserve reached before ingress with a chance of {percent(chance)}"


def clock_text(step: str, chance: float, due: float | None = None) -> str:
    """Say that a hardware clock may run out."""
    by = "" if due is None else f" at {format_pet(due)}"
    return f"{step}: hardware clock runs out{by} with a chance of {percent(chance)}"

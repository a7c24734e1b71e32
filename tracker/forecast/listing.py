"""Tasks and steps of a played course as figures: when each starts and is done, and how it stands.

The estimate of an excursion that is over: what happened, in the shape of an estimate.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache

import numpy as np

from tracker.forecast.consumables import accounts, waiting_rate
from tracker.forecast.durations import draw_durations
from tracker.forecast.prior import PacePrior
from tracker.forecast.quantiles import NOTHING, Instants, fact
from tracker.forecast.remaining import begun
from tracker.forecast.usage import extra_rates
from tracker.forecast.values import (
    Advice,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    Range,
    StepFigure,
    StepStatus,
    TaskFigure,
    TaskStatus,
    TurnBack,
)
from tracker.forecast.world import Account, Course, World
from tracker.journal.progress import (
    Progress,
    StepState,
    TaskState,
    called,
    confidence_of,
    last_done,
    open_items,
)

SHOWN_AHEAD = 20
"""How many steps ahead a desk shows."""


def step_status(progress: Progress, state: StepState, now: float) -> StepStatus:
    """Return how a step stands: ended somehow, at work, held, next but waiting, or merely open."""
    if state.ended is not None:
        return state.ended
    if progress.closed is not None:
        return "left"
    step = state.step.id
    if progress.zero is None or step not in progress.current.values():
        return "open"
    if any(c in progress.holds for c in state.crew):
        return "held"
    running = state.running_since is not None and state.running_since <= now
    return "current" if running else "waiting"


def task_figures(
    progress: Progress,
    world: World | None,
    present: Collection[int],
    course: Course | None,
    instants: Instants | None = None,
) -> tuple[TaskFigure, ...]:
    """Return every task; without a world only what has happened."""
    instants = instants or Instants(0.0 if world is None else world.now)
    nodes = {} if world is None else _nodes_of_tasks(world, present)
    out = []
    states: dict[str, list[StepState]] = {task: [] for task in progress.tasks}
    for state in progress.steps.values():
        states[state.step.task].append(state)
    for task, stands in progress.tasks.items():
        mine = nodes.get(task, [])
        out.append(
            TaskFigure(
                task=task,
                priority=stands.priority,
                status=_task_status(stands, states[task], world),
                start=_task_start(states[task], world, mine, course, instants),
                finish=_task_finish(states[task], world, mine, course, instants),
            )
        )
    return tuple(out)


def _task_status(stands: TaskState, states: Sequence[StepState], world: World | None) -> TaskStatus:
    """Return how a task stands: one of its steps may have begun by itself since the last event."""
    if stands.status == "open" and world is not None and any(begun(s, world.now) for s in states):
        return "begun"
    return stands.status


def _nodes_of_tasks(world: World, present: Collection[int]) -> dict[str, list[int]]:
    """Return the nodes per task; of a task that is left out, whose closers may remain, none."""
    place = {task.task: k for k, task in enumerate(world.optional)}
    here = set(present)
    left_out = {
        world.nodes[i].task for i in range(len(world.nodes)) if i not in here and world.nodes[i].task in place
    }
    out: dict[str, list[int]] = {}
    for i in present:
        if world.nodes[i].task not in left_out:
            out.setdefault(world.nodes[i].task, []).append(i)
    return out


def _first_of_crew(world: World, nodes: Sequence[int]) -> list[int]:
    """Return the nodes that are the first for some crew member: the others lie behind one of these."""
    seen: set[int] = set()
    out = []
    for i in nodes:
        crew = world.nodes[i].crew
        if not crew or not seen.issuperset(crew):
            out.append(i)
            seen.update(crew)
    return out


def _task_start(
    states: Sequence[StepState],
    world: World | None,
    nodes: Sequence[int],
    course: Course | None,
    instants: Instants,
) -> Range:
    now = 0.0 if world is None else world.now
    starts = [s.began for s in states if s.began is not None and (world is None or begun(s, now))]
    if starts:
        return fact(min(starts))
    if world is None or course is None or not nodes:
        return NOTHING
    first, *others = (course.start[i] for i in _first_of_crew(world, nodes))
    for row in others:
        first = first if row is first else np.minimum(first, row)
    return instants.median(first)


def _task_finish(
    states: Sequence[StepState],
    world: World | None,
    nodes: Sequence[int],
    course: Course | None,
    instants: Instants,
) -> Range:
    done = [s.done for s in states if s.ended == "done" and s.done is not None]
    if world is not None and course is not None and nodes:
        last, *others = (course.finish[i] for i in _first_of_crew(world, nodes[::-1]))
        for row in others:
            last = np.maximum(last, row)
        return instants.ranged(last)
    if not done or any(s.ended in (None, "left") for s in states):
        return NOTHING
    return fact(max(done))


def shown(world: World, present: Sequence[int], current: Mapping[str, str | None]) -> set[int]:
    """Return the nodes that a desk shows: every crew member's current step, and the next ones."""
    now = set(current.values())
    out = {i for i in present if world.nodes[i].step in now}
    most = -(-SHOWN_AHEAD // max(1, len(world.crew)))
    left = dict.fromkeys({c for i in present for c in world.nodes[i].crew}, most)
    for i in present:
        crew = world.nodes[i].crew
        if i not in out and not left.keys().isdisjoint(crew):
            out.add(i)
            left = {c: more for c, n in left.items() if (more := n - (c in crew))}
        if not left:
            break
    return out


def step_figures(
    progress: Progress,
    world: World,
    present: Sequence[int],
    course: Course,
    wanted: Collection[int],
    instants: Instants,
) -> tuple[StepFigure, ...]:
    """Return every step; projected ranges only for the `wanted` nodes, facts for all."""
    finishes = {world.nodes[i].step: instants.ranged(course.finish[i]) for i in wanted}
    starts = {world.nodes[i].step: course.start[i] for i in wanted}
    next_ones = set(progress.current.values())
    out = []
    for step, state in progress.steps.items():
        start, finish = past(state, world.now)
        if step in finishes:
            finish = finishes[step]
            start = instants.median(starts[step]) if start is NOTHING else start
        if state.ended is not None or step in next_ones:
            out.append(_step_figure(progress, state, world.now, start, finish))
        elif start is NOTHING and finish is NOTHING:
            out.append(_merely_open(step, state.crew))
        else:
            out.append(StepFigure(step, "open", state.crew, start, finish, None))
    return tuple(out)


@lru_cache(maxsize=4096)
def _merely_open(step: str, crew: tuple[str, ...]) -> StepFigure:
    """Return the figure of a step of which nothing is known but that it is to be done."""
    return StepFigure(step, "open", crew, NOTHING, NOTHING, None)


def _step_figure(progress: Progress, state: StepState, now: float, start: Range, finish: Range) -> StepFigure:
    status = step_status(progress, state, now)
    waits = _waits_for(progress, state) if status in ("waiting", "held") else None
    return StepFigure(state.step.id, status, state.crew, start, finish, waits)


def past(state: StepState, now: float) -> tuple[Range, Range]:
    """Return start and finish of a step as far as they have happened."""
    if state.began is None and state.done is None:
        return NOTHING, NOTHING
    start = fact(state.began) if begun(state, now) else NOTHING
    return start, fact(state.done) if state.ended == "done" else NOTHING


def _waits_for(progress: Progress, state: StepState) -> str | None:
    """Return what a step waits for now: what is on record, else what is plainly missing."""
    if any(c in progress.holds for c in state.crew):
        return "hold"
    if state.waited_for is not None:
        return state.waited_for
    if needs := progress.needs.get(state.step.id):
        return f"need {needs[0]}"
    if missing := progress.missing(state.step.id):
        return f"crew {missing[0]}"
    if not state.gone:
        return "go"
    return f"window {state.step.windows[0]}" if state.step.windows else None


NO_TURN_BACK = TurnBack(None, NOTHING)


def as_fact(progress: Progress, *, scenarios: int, pace_file: str | None, prior: PacePrior) -> Estimate:
    """Return the estimate of a closed excursion: no range has a width, nothing is optional any more."""
    assert progress.closed is not None
    ingress = {c: ingress_fact(progress, c) for c in progress.plan.outside}
    inside = max(ingress.values(), default=progress.closed)
    stores = _stores(progress, ingress, inside, prior)
    limits = (*_elapsed(progress, ingress), *(_store_limit(progress, s) for s in stores))
    safe = float(not any(limit.chance for limit in limits))
    limit = progress.limits["elapsed"]
    return Estimate(
        excursion=progress.plan.excursion,
        at=progress.closed,
        scenarios=scenarios,
        confidence=confidence_of(progress),
        pace_file=pace_file,
        inside=fact(inside),
        limit=limit,
        margin=fact(limit - inside),
        safe=safe,
        without_optional_inside=fact(inside),
        without_optional_safe=safe,
        limits=limits,
        binding=min(limits, key=_tightness, default=None),
        turn_back=NO_TURN_BACK,
        pace=draw_durations(progress, (), prior=prior, scenarios=1).pace,
        consumables=tuple(_consumable(progress, store) for store in stores),
        tasks=task_figures(progress, None, (), None),
        steps=_steps(progress),
        optional=(),
        clocks=(),
        open_items=open_items(progress, progress.closed or 0.0),
        called=called(progress),
        alerts=(),
        advice=Advice(progress.closed, frozenset(), (), NO_TURN_BACK),
        ingress={c: fact(at) for c, at in ingress.items()},
    )


def ingress_fact(progress: Progress, member: str) -> float:
    """Return when a crew member came in: `entered`, else the end of their last step, else the closing.

    Someone who left closeout work undone is only known to be in when the excursion is closed.
    """
    assert progress.closed is not None
    if member in progress.entered:
        return progress.entered[member]
    unfinished = any(
        state.ended in (None, "left")
        for state in progress.steps.values()
        if member in state.crew and progress.tasks[state.step.task].task.closeout
    )
    last = None if unfinished else last_done(progress, member)
    return progress.closed if last is None else last


def _stores(
    progress: Progress, ingress: dict[str, float], inside: float, prior: PacePrior
) -> tuple[Account, ...]:
    """Return every account as believed when it came to rest."""
    rest = {c: progress.entered.get(c, inside) for c in ingress}
    rates = extra_rates(progress, (), {}, rest)
    return accounts(progress, rates, now=max(inside, progress.at), prior=prior, scenarios=1, inside=rest)


def _elapsed(progress: Progress, ingress: dict[str, float]) -> list[LimitFigure]:
    out = []
    for name, at in progress.limits.items():
        inside = max(ingress[c] for c in progress.limit_crew[name])
        out.append(LimitFigure(name, at, float(inside > at), fact(at - inside)))
    return out


def _short(account: Account) -> float:
    return float(account.expected < account.reserve - 1e-9)


def _store_limit(progress: Progress, account: Account) -> LimitFigure:
    """Return a reserve as a limit: its margin is how long what is left beyond it would last at rest."""
    consumable = progress.plan.consumable[account.consumable]
    people = len(consumable.crew) if consumable.shared else 1
    rate = waiting_rate(consumable, progress.plan.rest_w, people) * account.expected_use
    margin = fact((account.expected - account.reserve) / rate) if rate > 0 else NOTHING
    return LimitFigure(f"{account.crew}.{account.consumable}", None, _short(account), margin)


def _consumable(progress: Progress, account: Account) -> ConsumableFigure:
    return ConsumableFigure(
        crew=account.crew,
        consumable=account.consumable,
        unit=progress.plan.consumable[account.consumable].unit,
        now=account.expected,
        at_inside=fact(account.expected),
        reserve=account.reserve,
        reserve_reached=NOTHING,
        short=_short(account),
        flagged=account.flagged,
        read_at=account.read_at,
    )


def _tightness(limit: LimitFigure) -> tuple[float, float]:
    margin: Range = limit.margin
    return -limit.chance, float("inf") if margin.p50 is None else margin.p50


def _steps(progress: Progress) -> tuple[StepFigure, ...]:
    assert progress.closed is not None
    out = []
    for state in progress.steps.values():
        start, finish = past(state, progress.closed)
        status = step_status(progress, state, progress.closed)
        out.append(StepFigure(state.step.id, status, state.crew, start, finish))
    return tuple(out)

"""Tasks and steps as figures: facts of what has happened, ranges of what is ahead on a played course.

Hides which rows of a course begin and end a task, and which of hundreds of steps are worth a range. An
excursion that is over has facts alone, in the shape of an estimate. What is believed of how pace changes and
how ticks come late stands here too.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import takewhile

import numpy as np

from tracker.forecast.consumption import Mask, at_rest, extra_rates
from tracker.forecast.draws import Normals
from tracker.forecast.durations import Drawn, draw_durations
from tracker.forecast.figures import (
    Advice,
    Choice,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    ProcessFigure,
    Range,
    StepFigure,
    TaskFigure,
    TurnBack,
)
from tracker.forecast.limits import store_id
from tracker.forecast.memory import Memory
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_grid import HABITS
from tracker.forecast.quantiles import NOTHING, Instants, fact, ranged
from tracker.forecast.remaining import begun
from tracker.forecast.store_course import AccountBuilder, fallen
from tracker.forecast.world import Account, Course, Row, World
from tracker.foundation.shown import spare
from tracker.journal.progress import (
    Progress,
    StepState,
    called,
    inside_at,
    open_items,
    step_status,
    waits_for,
)

SHOWN_AHEAD = 20
"""How many steps ahead a desk shows."""

_GRAIN = 1e-9
"""What may be missing of a reserve: rounding."""
Span = tuple[Range, Range]
"""When something starts and is done."""


@dataclass(frozen=True, slots=True, eq=False)
class Projection:
    """A course played to the end, with starts, as ranges in PET."""

    world: World
    present: Sequence[int]
    """Nodes on the course, ascending."""
    course: Course
    instants: Instants

    def steps(self, wanted: Collection[int]) -> dict[str, Span]:
        """Start (the median only) and finish of these nodes, by step."""
        course, instants = self.course, self.instants
        # All finishes first: a start that is the very row of a finish then has its median from there.
        finishes = {i: instants.ranged(course.finish[i]) for i in wanted}
        return {
            self.world.nodes[i].step: (instants.median(course.start[i]), finish)
            for i, finish in finishes.items()
        }

    def tasks(self) -> dict[str, Span]:
        """Start (the median only) and finish of each task on the course."""
        return {task: (self._start(nodes), self._finish(nodes)) for task, nodes in self._of_tasks().items()}

    def shown(self, progress: Progress) -> set[int]:
        """The nodes that a desk shows: every crew member's current step, what it awaits, the next ones."""
        nodes, current = self.world.nodes, {step for step in progress.current.values() if step is not None}
        now = current.union(*(self._awaited(progress, step) for step in current))
        out = {i for i in self.present if nodes[i].step in now}
        most = -(-SHOWN_AHEAD // max(1, len(self.world.crew)))
        left = dict.fromkeys({c for i in self.present for c in nodes[i].crew}, most)
        for i in self.present:
            crew = nodes[i].crew
            if i not in out and not left.keys().isdisjoint(crew):
                out.add(i)
                left = {c: more for c, n in left.items() if (more := n - (c in crew))}
            if not left:
                break
        return out

    def _awaited(self, progress: Progress, step: str) -> list[str]:
        """The steps that this one waits for: its needs, and the last before it of each that is missing."""
        found = list(progress.needs.get(step, ()))
        present = {self.world.nodes[i].step for i in self.present}
        for member in progress.missing(step):
            work = takewhile(lambda one: one != step, progress.order.get(member, ()))
            found += [one for one in work if one in present][-1:]
        return found

    def _of_tasks(self) -> dict[str, list[int]]:
        """The nodes per task; of a task that is left out, whose closers may remain, none."""
        nodes, here = self.world.nodes, set(self.present)
        optional = {task.task for task in self.world.optional}
        left_out = {node.task for i, node in enumerate(nodes) if i not in here and node.task in optional}
        out: dict[str, list[int]] = {}
        for i in self.present:
            if nodes[i].task not in left_out:
                out.setdefault(nodes[i].task, []).append(i)
        return out

    def _start(self, nodes: Sequence[int]) -> Range:
        first, *others = (self.course.start[i] for i in self._first_of_crew(nodes))
        for row in others:
            first = first if row is first else np.minimum(first, row)
        return self.instants.median(first)

    def _finish(self, nodes: Sequence[int]) -> Range:
        last, *others = (self.course.finish[i] for i in self._first_of_crew(nodes[::-1]))
        for row in others:
            last = np.maximum(last, row)
        return self.instants.ranged(last)

    def _first_of_crew(self, nodes: Sequence[int]) -> list[int]:
        """The nodes that are the first for some crew member: the others lie behind one of these."""
        seen: set[int] = set()
        out = []
        for i in nodes:
            crew = self.world.nodes[i].crew
            if not crew or not seen.issuperset(crew):
                out.append(i)
                seen.update(crew)
        return out


def task_figures(progress: Progress, now: float, ahead: Mapping[str, Span]) -> tuple[TaskFigure, ...]:
    """Every task; `ahead` has the projected span of those with work left on the course."""
    states: dict[str, list[StepState]] = {task: [] for task in progress.tasks}
    for state in progress.steps.values():
        states[state.step.task].append(state)
    out = []
    for task, stands in progress.tasks.items():
        facts = (NOTHING, _finish_of(states[task]))
        # Of what is not gone on with a closer may remain, which ends no task.
        left = any(s.ended == "left" for s in states[task]) and stands.status in ("open", "begun")
        gone = left or stands.status in ("dropped", "left")
        start, finish = facts if gone else ahead.get(task, facts)
        starts = [s.began for s in states[task] if s.began is not None and begun(s, now)]
        # A step may have begun by itself since the last event.
        begins = "begun" if starts and stands.status == "open" else stands.status
        status = "left" if left else begins
        start = fact(min(starts)) if starts else start
        out.append(TaskFigure(task, stands.priority, status, start, finish))
    return tuple(out)


def _finish_of(states: Sequence[StepState]) -> Range:
    """The done of a task's last step; nothing while one is open, or was left."""
    done = [s.done for s in states if s.ended == "done" and s.done is not None]
    return fact(max(done)) if done and not any(s.ended in (None, "left") for s in states) else NOTHING


def step_figures(progress: Progress, now: float, ahead: Mapping[str, Span]) -> tuple[StepFigure, ...]:
    """Every step; `ahead` has the projected spans that are wanted, facts are told of all."""
    next_ones = set(progress.current.values())
    ends = {step: finish.p50 for step, (_, finish) in ahead.items() if finish.p50 is not None}
    out = []
    for step, state in progress.steps.items():
        start, finish = past(state, now)
        if step in ahead:
            start, finish = start if start is not NOTHING else ahead[step][0], ahead[step][1]
        if state.ended is not None or step in next_ones:
            status = step_status(progress, step, now)
            waits = waits_for(progress, step, ends) if status in ("waiting", "held") else None
            out.append(StepFigure(step, status, state.crew, start, finish, waits))
        elif start is NOTHING and finish is NOTHING:
            out.append(_merely_open(step, state.crew))
        else:
            out.append(StepFigure(step, "open", state.crew, start, finish))
    return tuple(out)


@lru_cache(maxsize=4096)
def _merely_open(step: str, crew: tuple[str, ...]) -> StepFigure:
    """The figure of a step of which nothing is known but that it is to be done."""
    return StepFigure(step, "open", crew, NOTHING, NOTHING)


def past(state: StepState, now: float) -> Span:
    """Start and finish of a step as far as they have happened."""
    if state.began is None and state.done is None:
        return NOTHING, NOTHING
    start = fact(state.began) if begun(state, now) else NOTHING
    return start, fact(state.done) if state.ended == "done" else NOTHING


NO_TURN_BACK = TurnBack(None, NOTHING)


def closed_estimate(
    progress: Progress,
    *,
    scenarios: int,
    pace_file: str | None,
    prior: PacePrior,
    choices: tuple[Choice, ...] | None = None,
) -> Estimate:
    """The estimate of a closed excursion: no range has a width, nothing is optional any more."""
    closed = progress.closed
    assert closed is not None
    ingress = {c: at for c in progress.plan.outside if (at := inside_at(progress, c)) is not None}
    inside = max(ingress.values(), default=closed)
    stores = _stores(progress, ingress, inside, prior)
    kept = tuple(store_limit(store) for store in stores)
    limits = (*_elapsed(progress, ingress), *kept)
    safe = float(not any(limit.chance for limit in limits))
    limit, drawn = progress.limits["elapsed"], draw_durations(progress, (), prior=prior, scenarios=1)
    return Estimate(
        excursion=progress.plan.excursion,
        at=closed,
        scenarios=scenarios,
        confidence=progress.plan.confidence.asked,
        pace_file=pace_file,
        inside=fact(inside),
        limit=limit,
        margin=fact(limit - inside),
        safe=safe,
        without_optional_inside=fact(inside),
        without_optional_safe=safe,
        limits=limits,
        binding=min(limits, key=LimitFigure.tightness, default=None),
        turn_back=NO_TURN_BACK,
        pace=drawn.pace,
        consumables=tuple(
            store_figure(progress, *each, fact(each[0].expected)) for each in zip(stores, kept, strict=True)
        ),
        # What was known to begin by itself counts as begun, also where the close came before it.
        tasks=task_figures(progress, math.inf, {}),
        steps=step_figures(progress, closed, {}),
        optional=(),
        clocks=(),
        open_items=open_items(progress, closed),
        called=called(progress),
        alerts=(),
        advice=Advice(closed, frozenset(), (), NO_TURN_BACK),
        ingress={c: fact(at) for c, at in ingress.items()},
        meets=safe > 0,
        entry=progress.number,
        choices=choices,
        habit=habit_of(drawn),
        lateness=lateness_of(progress, drawn),
    )


def _stores(
    progress: Progress, ingress: dict[str, float], inside: float, prior: PacePrior
) -> tuple[Account, ...]:
    """Every account as believed when it came to rest."""
    rest = at_rest(progress, ingress)
    rates = extra_rates(progress, (), {}, rest)
    one, at = Normals(progress.uuid, 1), max(inside, progress.at)
    return AccountBuilder(progress, rates, at, prior, one, rest, Memory()).accounts()


def _elapsed(progress: Progress, ingress: dict[str, float]) -> list[LimitFigure]:
    out = []
    for name, at in progress.limits.items():
        inside = max(ingress[c] for c in progress.limit_crew[name])
        left = spare(at, inside, inside)
        out.append(LimitFigure(name, at, float(inside > at), fact(at - inside), fact(at), left))
    return out


def store_limit(account: Account) -> LimitFigure:
    """The reserve of a store whose crew is inside: a fact, counted from their own ingress."""
    assert account.rest is not None
    id, (at, left) = store_id(account), account.rest
    missed = float(account.expected < account.reserve - _GRAIN)
    if not math.isfinite(left):
        return LimitFigure(id, None, missed, NOTHING)
    return LimitFigure(id, None, missed, fact(left), fact(at + left), spare(at + left, at, at))


def store_figure(
    progress: Progress, account: Account, limit: LimitFigure, at_inside: Range
) -> ConsumableFigure:
    """One account: what is left now and at ingress, and when its reserve is reached."""
    return ConsumableFigure(
        crew=account.crew,
        consumable=account.consumable,
        unit=progress.plan.consumable[account.consumable].unit,
        now=account.expected,
        at_inside=at_inside,
        reserve=account.reserve,
        reserve_reached=limit.reached or NOTHING,
        short=limit.chance,
        flagged=account.flagged,
        read_at=account.read_at,
        read=account.read,
        nothing_by=account.nothing_by,
        expected=None if account.next_reading is None else Range(*account.next_reading),
        leak=account.leak,
        rate=fallen(progress, account.crew, account.consumable),
    )


FAMILIES: Mapping[str, tuple[str, ...]] = {
    "steady": ("level", "walk"),
    "wanders": ("wander", "roam"),
    "tires": ("tires", "tires2"),
    "warms": ("warms",),
    "streaks": ("streaks", "long"),
}
"""The processes by what they look like from outside."""
LEAST_SHARE = 0.05
"""Of fewer scenarios nothing is said but how few they are."""


def process_figures(drawn: Drawn, inside: Row, broken: Mask, *, now: float) -> tuple[ProcessFigure, ...]:
    """What every family comes to; `inside` is relative to now, `broken` where some limit is not kept."""
    processes = drawn.belief.grid.processes
    within = drawn.component // (drawn.belief.grid.size // len(processes))
    out = []
    for family, names in FAMILIES.items():
        mask = np.isin(within, [i for i, process in enumerate(processes) if process.id in names])
        mine = int(np.count_nonzero(mask))
        share = mine / len(mask)
        if share < LEAST_SHARE:
            out.append(ProcessFigure(family, share, None, None))
            continue
        kept = 1.0 - int(np.count_nonzero(broken & mask)) / mine
        out.append(ProcessFigure(family, share, ranged(inside[mask], base=now), kept))
    return tuple(out)


def habit_of(drawn: Drawn) -> Mapping[str, float] | None:
    """The probability of each habit of ticking; None where ticks are taken to be exact."""
    belief = drawn.belief
    if not belief.grid.habits:
        return None
    found = dict(zip((h.id for h in belief.grid.habits), belief.by_habit().tolist(), strict=True))
    return {h.id: found.get(h.id, 0.0) for h in HABITS}


def lateness_of(progress: Progress, drawn: Drawn) -> Mapping[str, float | None]:
    """Per crew member how late their last tick is expected to have come, seconds; None without one."""
    belief, ticked = drawn.belief, {c for seen in progress.observations for c in seen.crew}
    late = belief.shares() @ belief.mean
    return {
        c: max(float(late[belief.layout.late(c)]), 0.0) if c in ticked else None for c in belief.layout.crew
    }

"""From progress to the world that an estimate plays: remaining steps, limits, stores, hardware clocks.

Hides what an event leaves as it was: steps that merely wait for their turn are taken over from before it, and
between events only those are looked at for which the present matters. An outstanding go is assumed to be
given at once when the step could otherwise begin. A step whose last owner has come in belongs to nobody and
is played without a crew member.
"""

from __future__ import annotations

import weakref
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import dropwhile, islice
from math import inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.consumption import Rates, at_rest, extra_rates
from tracker.forecast.draws import Normals
from tracker.forecast.durations import Drawn, draw_durations
from tracker.forecast.limits import going_on
from tracker.forecast.memory import Memory, memory_of
from tracker.forecast.network import Network, network
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior, read_pace
from tracker.forecast.step_pace import Ask
from tracker.forecast.store_course import AccountBuilder
from tracker.forecast.world import Clock, ElapsedLimit, Node, OptionalTask, Row, World
from tracker.journal.progress import Progress, StepState, last_done
from tracker.journal.whereabouts import place_of
from tracker.plan.model import Step
from tracker.plan.windows import Interval, usable

Crews = Mapping[str, tuple[str, ...]]
"""Who does each open step now."""
Gaps = dict[tuple[tuple[str, ...], float | None], tuple[Interval, ...]]
"""Per windows and time that must fit the gaps in which a step cannot start, as far as known already."""
FOLLOWING = 12
"""So many steps after one at work are looked at; those after them are taken to be as long."""
NO_TIME_S = 60.0
"""What a way home without a time on paper is drawn for; the draw only serves as a factor."""


def prior_of(progress: Progress) -> PacePrior:
    """The belief about pace that the journal was created with."""
    if progress.pace_text is None:
        return DEFAULT_PRIOR
    return _read(progress.pace_text, progress.pace_name or "pace file")


@lru_cache(maxsize=8)
def _read(text: str, name: str) -> PacePrior:
    return read_pace(text, name)


def present_instant(progress: Progress, now: float | None) -> float:
    """The PET for which to estimate: at least 0, and 0 while the clock has not been started.

    Figures stop at the horizon of the excursion, or at the last event where that is later.

    None is the last event's instant. Raises ValueError for one before the last event.
    """
    if progress.zero is None:
        return 0.0
    if now is not None and now < progress.at:
        raise ValueError(f"now is {now:g} s, before the last event at {progress.at:g} s")
    last = max(progress.at, progress.fold.horizon_s)
    return max(float(progress.at if now is None else min(now, last)), 0.0)


def build_world(
    progress: Progress,
    *,
    now: float,
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    kept: Collection[str] | None = None,
    memory: Memory | None = None,
) -> World:
    """Everything that one estimate knows about the rest of the excursion at `now` (PET seconds).

    `prior` None is the journal's own pace file. With `kept` only the course with these and with begun
    optional tasks can be played, or one with fewer: steps that remain only with others get no durations.
    `memory`: what is remembered of the excursion, by default what this thread does. Raises ValueError for
    an instant before the last event.
    """
    now, memory = present_instant(progress, now), memory or memory_of(progress)
    prior = prior_of(progress) if prior is None else prior
    plan, confidence = progress.plan, progress.plan.confidence
    rest = remaining_work(progress, memory)
    index, inside, (nodes, asks) = rest.index, rest.inside, rest.at(progress, now)
    optional = rest.optional_at(nodes)
    played = range(len(nodes)) if kept is None else rest.played(kept, optional)
    drawn = draw_durations(progress, asks, prior=prior, scenarios=scenarios, wanted=played, memory=memory)
    normals = Normals.of(memory, progress.uuid, scenarios)
    return World(
        now=now,
        nodes=nodes,
        crew=tuple(index),
        counted=tuple(index[c] for c in plan.outside if c not in inside),
        inside_already={index[c]: at - now for c, at in inside.items()},
        ready=tuple(_ready(progress, c, now, asks, drawn) for c in index),
        durations=_factors(drawn.rows, nodes, asks),
        optional=optional,
        limits=tuple(
            ElapsedLimit(name, at - now, tuple(index[c] for c in progress.limit_crew[name]))
            for name, at in progress.limits.items()
        ),
        accounts=AccountBuilder(
            progress, rest.rates, now, prior, normals, at_rest(progress, inside), memory
        ).accounts(),
        clocks=_clocks(progress, rest.net, now),
        confidence_elapsed=confidence.elapsed,
        confidence_consumables=confidence.consumables,
        confidence_joint=confidence.joint,
        open_now=_open_before(progress, now),
        drawn=drawn,
        memory=memory,
    )


def _ready(progress: Progress, crew: str, now: float, asks: Sequence[Ask], drawn: Drawn) -> Row:
    """The instant in every scenario, relative to now, from which somebody can go on.

    A hold ends at its `until`, or now. Whoever is at work has at least that step before them until now,
    unless it is done and was not ticked; whoever waits has waited since their last step was done in truth.
    """
    hold, n = progress.holds.get(crew), drawn.rows.shape[1]
    if hold is not None or progress.zero is None:
        until = None if hold is None else hold.until
        return np.full(n, 0.0 if until is None else max(0.0, until - now), dtype=np.float32)
    step, since, ticked = progress.current.get(crew), progress.free_since[crew], last_ticks(progress)
    at_work = next((i for i, ask in enumerate(asks) if ask.step == step and ask.running), None)
    if at_work is not None:
        return drawn.ended.get(at_work, np.zeros(n, dtype=np.float32))
    if since > ticked.get(crew, 0.0):
        return np.full(n, min(since - now, 0.0), dtype=np.float32)
    late = drawn.late(crew) if crew in ticked else np.zeros(n, dtype=np.float32)
    return np.asarray(np.minimum(np.float32(since - now) - late, np.float32(0)), dtype=np.float32)


def last_ticks(progress: Progress) -> dict[str, float]:
    """Per crew member the PET of their last tick, of those who have one."""
    return {c: seen.at for seen in progress.observations for c in seen.crew}


def _factors(rows: NDArray[np.float32], nodes: tuple[Node, ...], asks: list[Ask]) -> NDArray[np.float32]:
    """Turn the rows of ways home, drawn for their time on paper, into factors on the time they will take."""
    for i, node in enumerate(nodes):
        if node.home is not None:
            rows[i] *= np.float32(1.0 / asks[i].likely)
    return rows


def _clocks(progress: Progress, net: Network, now: float) -> tuple[Clock, ...]:
    """The hardware clocks of remaining steps; one that will never start is none."""
    out = []
    for i, step in enumerate(net.steps):
        within = progress.steps[step].step.within
        if within is None or within.of not in progress.steps:
            continue
        of = progress.steps[within.of]
        if of.ended is None and within.of in net.place:
            out.append(Clock(i, net.place[within.of], None, within.time, within.of))
        elif of.ended == "done" and of.done is not None:
            out.append(Clock(i, None, of.done + within.time - now, within.time, within.of))
    return tuple(out)


def _open_before(progress: Progress, now: float) -> dict[str, str]:
    """Item to opener of what is open, left out what a step opens that began at this very instant."""
    return {
        item.item: item.opened_by
        for item in progress.open_at(now)
        if (opener := progress.steps[item.opened_by]).ended is not None or opener.began != now
    }


class Still(NamedTuple):
    """A step that merely waits for its turn, and what its node and its ask were made of."""

    state: StepState
    rest: tuple[object, ...]
    node: Node
    """As at PET 0; the gaps of its windows are to be moved to the present."""
    ask: Ask | None
    """None where the present matters."""


@dataclass(frozen=True, slots=True, eq=False)
class RemainingWork:
    """The remaining steps, with nodes and asks of those that merely wait for their turn."""

    crews: Crews
    index: Mapping[str, int]
    """Place of each crew member in the plan."""
    net: Network
    states: tuple[StepState, ...]
    still: dict[str, Still]
    nodes: tuple[Node | None, ...]
    """None where the present matters for more than windows."""
    asks: tuple[Ask | None, ...]
    """None where the present matters."""
    windowed: tuple[int, ...]
    """Places of the nodes, not None, that have windows."""
    optional: tuple[OptionalTask, ...]
    inside: Mapping[str, float]
    """Since when crew members outside are inside."""
    rates: Rates
    """What the steps take from each account beyond waiting."""

    def played(self, kept: Collection[str], optional: tuple[OptionalTask, ...]) -> list[int]:
        """The places of the steps on the projected course when these optional tasks are kept."""
        chosen = going_on(optional, kept)
        groups = enumerate(self.net.groups)
        return [i for i, tasks in groups if not tasks or not chosen.isdisjoint(tasks)]

    def optional_at(self, nodes: Sequence[Node]) -> tuple[OptionalTask, ...]:
        """The optional tasks as they stand with these nodes: a step may have begun by itself."""
        at_work = {node.task for node in nodes if node.running}
        if all(task.begun or task.task not in at_work for task in self.optional):
            return self.optional
        return tuple(replace(task, begun=task.begun or task.task in at_work) for task in self.optional)

    def at(self, progress: Progress, now: float) -> tuple[tuple[Node, ...], list[Ask]]:
        """Every node, and what is asked about its duration, at `now` (PET seconds)."""
        present = _Present(progress, self.net, self.crews, self.index, now)
        nodes = [present.node(i) if node is None else node for i, node in enumerate(self.nodes)]
        for i in self.windowed:
            nodes[i] = nodes[i]._replace(gaps=present.gaps(self.states[i].step))
        asks = [present.ask(nodes[i]) if ask is None else ask for i, ask in enumerate(self.asks)]
        return tuple(nodes), asks


class _Made:
    """What was made for each progress that is still there, and the steps of the last one."""

    def __init__(self) -> None:
        self.known: dict[int, tuple[weakref.ref[Progress], RemainingWork]] = {}
        self.latest: dict[str, Still] = {}
        """An event leaves most steps as they were."""

    def like(self, progress: Progress) -> dict[str, Still]:
        """Return what was made for a progress before this one or after it."""
        for still in (self.latest, *(work.still for _, work in self.known.values())):
            step = next(reversed(still), None)
            if step is not None and progress.steps.get(step) is still[step].state:
                return still
        return {}


def remaining_work(progress: Progress, memory: Memory | None = None) -> RemainingWork:
    """The work that remains at this progress."""
    made = (memory or memory_of(progress)).of(_Made)
    found = made.known.get(id(progress))
    if found is not None and found[0]() is progress:
        return found[1]
    work = _made(progress, made.like(progress))
    made.latest = work.still
    made.known = {key: one for key, one in made.known.items() if one[0]() is not None}
    made.known[id(progress)] = weakref.ref(progress), work
    return work


def _made(progress: Progress, before: Mapping[str, Still]) -> RemainingWork:
    crews = _crews(progress)
    index = {member.id: k for k, member in enumerate(progress.plan.crew)}
    net = network(progress, crews)
    states = tuple(progress.steps[step] for step in net.steps)
    still = _still(progress, net, crews, index, before)
    inside = _inside(progress, crews)
    return RemainingWork(
        crews=crews,
        index=index,
        net=net,
        states=states,
        still=still,
        nodes=tuple(still[step].node if step in still else None for step in net.steps),
        asks=tuple(still[step].ask if step in still else None for step in net.steps),
        windowed=tuple(i for i, state in enumerate(states) if state.step.windows and state.step.id in still),
        optional=_optional(progress, net),
        inside=inside,
        rates=extra_rates(progress, states, crews, inside),
    )


def _still(
    progress: Progress, net: Network, crews: Crews, index: Mapping[str, int], before: Mapping[str, Still]
) -> dict[str, Still]:
    """The steps that merely wait for their turn; those that are as `before` are taken from there."""
    present = _Present(progress, net, crews, index, 0.0)
    out = {}
    for i, step in enumerate(net.steps):
        state = progress.steps[step]
        if state.began is not None or state.step.time.home:
            continue
        crew, planned = crews[step], progress.planned.get(step)
        closeout = progress.tasks[state.step.task].task.closeout
        rest = (crew, net.needs[i], net.groups[i], planned, present.silent(crew), closeout)
        known = before.get(step)
        if known is None or known.state is not state or known.rest != rest:
            node = present.node(i)
            known = Still(state, rest, node, None if planned is None else present.ask(node))
        out[step] = known
    return out


def _crews(progress: Progress) -> Crews:
    """The crew of each open step: its owners, without those who have come in."""
    crews = {step: state.crew for step, state in progress.steps.items() if state.ended is None}
    if not progress.entered:
        return crews
    return {step: tuple(c for c in crew if c not in progress.entered) for step, crew in crews.items()}


def _inside(progress: Progress, crews: Crews) -> dict[str, float]:
    """Per crew member outside who is inside by now, the PET since when.

    Those who have entered; and once nobody outside has a step left, everybody, with their last done.
    """
    outside = progress.plan.outside
    if any(not crew or not set(outside).isdisjoint(crew) for crew in crews.values()):
        return {c: at for c, at in progress.entered.items() if c in outside}
    found = {c: progress.entered.get(c, last_done(progress, c)) for c in outside}
    last = max((at for at in found.values() if at is not None), default=None)
    return {} if last is None else {c: last if at is None else at for c, at in found.items()}


def _optional(progress: Progress, net: Network) -> tuple[OptionalTask, ...]:
    left = dict.fromkeys(net.optional, 0.0)
    place = {name: k for k, name in enumerate(progress.tasks)}
    for step in net.steps:
        planned = progress.steps[step].step
        if planned.task in left:
            left[planned.task] += planned.time.likely / 60.0
    return tuple(
        OptionalTask(
            task=name,
            priority=progress.tasks[name].priority,
            value=progress.tasks[name].task.value,
            needs=net.optional_needs[k],
            begun=progress.tasks[name].status == "begun",
            minutes=left[name],
            place=place[name],
        )
        for k, name in enumerate(net.optional)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Present:
    """Makes nodes of the remaining steps, and what is asked about their durations, at one instant."""

    progress: Progress
    net: Network
    crews: Crews
    index: Mapping[str, int]
    now: float
    shut: Gaps = field(default_factory=dict)

    def node(self, i: int) -> Node:
        """One node of the network."""
        progress, now = self.progress, self.now
        state = progress.steps[self.net.steps[i]]
        step, crew = state.step, self.crews[state.step.id]
        going = begun(state, now)
        gaps = () if going or not step.windows else self.gaps(step)
        home = step.time.home and not going
        return Node(
            step=step.id,
            task=step.task,
            crew=tuple([self.index[c] for c in crew]),
            needs=self.net.needs[i],
            groups=self.net.groups[i],
            running=going,
            just_begun=going and state.began == now,
            # Nobody goes ahead without a go, or unseen into a window; what nobody owns waits for somebody.
            earliest=-inf if going or (crew and state.gone and not step.windows) else 0.0,
            gaps=gaps,
            windows=step.windows if gaps else (),
            opens=step.opens,
            closes=step.closes,
            closeout=progress.tasks[step.task].task.closeout,
            home=self._sites_before(i, crew) if home else None,
            home_from={self.index[c]: s for c, s in self._from_here(crew).items()} if home else {},
        )

    def ask(self, node: Node) -> Ask:
        """The question about the duration of a node's step."""
        progress, now = self.progress, self.now
        state, crew = progress.steps[node.step], self.crews[node.step]
        step, planned = state.step, progress.planned.get(node.step)
        likely = float(step.time.likely)
        if step.time.home and node.home is None:
            likely = max(self._from_here(crew).values(), default=0.0)
        elif node.home is not None:
            likely = likely or NO_TIME_S
        return Ask(
            step=step.id,
            crew=crew,
            work=step.work,
            likely=likely,
            low=step.time.low,
            high=step.time.high,
            fixed=step.fixed,
            count=step.count,
            counted=state.counted,
            counted_worked_s=state.counted_worked_s,
            worked_s=state.elapsed_s(now),
            running=state.running_since is not None and state.running_since <= now,
            begun=node.running,
            evidence=state.evidence,
            silent=self.silent(crew),
            clock_s=now if planned is None else (planned[0] + planned[1]) / 2.0,
            left_s=state.left_s,
            left_worked_s=state.left_worked_s,
            gaps_s=self._gaps_before(state, crew),
            following_s=self._following(state, crew) if node.running else (),
        )

    def _following(self, state: StepState, crew: Sequence[str]) -> tuple[float, ...]:
        """Planned times of what the first of a crew has to do after a step, in the order of the plan.

        Dropped or moved: what is decided now has nothing to do with what may have been done before.
        """
        after = islice(dropwhile(lambda each: each is not state, self.progress.steps.values()), 1, None)
        own = (
            each.step.time.likely
            for each in after
            if crew[:1] and crew[0] in each.crew and each.ended != "done"
        )
        return tuple(float(seconds) for seconds in islice(own, FOLLOWING))

    def _gaps_before(self, state: StepState, crew: Sequence[str]) -> tuple[tuple[str, float], ...]:
        """How much before its begin each of a crew ticked last, where one of those ticks began it."""
        began = state.began
        ticked = {c: at for c, at in last_ticks(self.progress).items() if c in crew}
        if began is None or state.running_since is None or not ticked or max(ticked.values()) != began:
            return ()
        return tuple((c, began - at) for c, at in ticked.items())

    def silent(self, crew: Sequence[str]) -> bool:
        """Whether somebody of a crew is out of voice contact."""
        return bool(self.progress.silent) and not self.progress.silent.keys().isdisjoint(crew)

    def gaps(self, step: Step) -> tuple[Interval, ...]:
        """Ascending [close, next opening), relative to now, in which a step with windows cannot start.

        The last opening is followed by a gap without end.
        """
        key = step.windows, float(step.time.likely) if step.whole else None
        if key not in self.shut:
            out, closed = [], 0.0
            for opening, close in usable([self.progress.openings[w] for w in step.windows], key[1]):
                if close > self.now:
                    if opening - self.now > closed:
                        out.append((closed, opening - self.now))
                    closed = close - self.now
            self.shut[key] = (*out, (closed, inf))
        return self.shut[key]

    def _sites_before(self, i: int, crew: Sequence[str]) -> dict[int, float]:
        """The way home, seconds, from each earlier step at a site that one of these does."""
        mine, out = set(crew), {}
        for k, step in enumerate(self.net.steps[:i]):
            way = way_from(self.progress, step)
            if way is not None and not mine.isdisjoint(self.crews[step]):
                out[k] = way
        return out

    def _from_here(self, crew: Iterable[str]) -> dict[str, float]:
        """The way home, seconds, of those of whom it is known at which site they were last."""
        places = (place_of(self.progress, c, self.now) for c in crew)
        return {place.crew: place.home_s for place in places if place is not None}


def way_from(progress: Progress, step: str) -> float | None:
    """The way home, seconds, from the site of a step; None without one."""
    site, sites = progress.steps[step].step.site, progress.plan.sites
    return float(sites[site]) if site is not None and site in sites else None


def begun(state: StepState, now: float) -> bool:
    """Whether work on the step has begun by now."""
    return state.began is not None and state.began <= now

"""What remains at one progress, as far as no instant changes it.

Made once for all estimates until the next event.
"""

from __future__ import annotations

import weakref
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from tracker.forecast.ask import Ask
from tracker.forecast.demand import going_on_of
from tracker.forecast.network import Network, network
from tracker.forecast.nodes import Crews, Gaps, ask_for, gaps_of, make_node
from tracker.forecast.rates import Rates, extra_rates
from tracker.forecast.world import Node, OptionalTask
from tracker.journal.progress import Progress, StepState


class Still(NamedTuple):
    """A step that merely waits for its turn, and what its node and its ask were made of."""

    state: StepState
    rest: tuple[object, ...]
    node: Node
    """As at PET 0; the gaps of its windows are to be moved to the present."""
    ask: Ask | None
    """None where the present matters."""


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
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
        """Return the places of the steps on the projected course when these optional tasks are kept."""
        chosen = going_on_of(optional, kept)
        groups = enumerate(self.net.groups)
        return [i for i, tasks in groups if not tasks or not chosen.isdisjoint(tasks)]

    def optional_at(self, nodes: Sequence[Node]) -> tuple[OptionalTask, ...]:
        """Return the optional tasks as they stand with these nodes: a step may have begun by itself."""
        at_work = {node.task for node in nodes if node.running}
        if all(task.begun or task.task not in at_work for task in self.optional):
            return self.optional
        return tuple(replace(task, begun=task.begun or task.task in at_work) for task in self.optional)

    def at(self, progress: Progress, now: float) -> tuple[tuple[Node, ...], list[Ask]]:
        """Return every node, and what is asked about its duration, at `now` (PET seconds)."""
        shut: Gaps = {}
        nodes = [
            make_node(progress, self.net, self.crews, self.index, i, now, shut) if node is None else node
            for i, node in enumerate(self.nodes)
        ]
        for i in self.windowed:
            nodes[i] = nodes[i]._replace(gaps=gaps_of(progress, self.states[i].step, now, shut))
        asks = [
            ask_for(progress, self.states[i], nodes[i], self.crews, now) if ask is None else ask
            for i, ask in enumerate(self.asks)
        ]
        return tuple(nodes), asks


_known: dict[int, tuple[weakref.ref[Progress], Ahead]] = {}
_latest: dict[str, Still] = {}
"""What was made last: an event leaves most steps as they were."""


def ahead(progress: Progress) -> Ahead:
    """Return what remains at this progress."""
    key = id(progress)
    found = _known.get(key)
    if found is not None and found[0]() is progress:
        return found[1]
    global _latest
    made = _made(progress, _like(progress))
    _latest = made.still
    _known[key] = weakref.ref(progress, lambda gone: _forget(key, gone)), made
    return made


def _like(progress: Progress) -> dict[str, Still]:
    """Return what was made for a progress of the same journal, before this one or after it."""
    known = [_latest, *(ahead.still for _, ahead in list(_known.values()))]
    for still in known:
        step = next(reversed(still), None)
        if step is not None and progress.steps.get(step) is still[step].state:
            return still
    return {}


def _forget(key: int, gone: weakref.ref[Progress]) -> None:
    """Drop what was made for a progress that is no more, unless its place is taken already."""
    found = _known.get(key)
    if found is not None and found[0] is gone:
        del _known[key]


def _made(progress: Progress, before: Mapping[str, Still]) -> Ahead:
    crews = _crews(progress)
    index = {member.id: k for k, member in enumerate(progress.plan.crew)}
    net = network(progress, crews)
    states = tuple(progress.steps[step] for step in net.steps)
    still = _still(progress, net, crews, index, before)
    inside = _inside(progress, crews)
    return Ahead(
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
    """Return the steps that merely wait for their turn; those that are as `before` are taken from there."""
    shut: Gaps = {}
    out = {}
    for i, step in enumerate(net.steps):
        state = progress.steps[step]
        if state.began is not None or state.step.time.home:
            continue
        crew, planned = crews[step], progress.planned.get(step)
        silent = bool(progress.silent) and not progress.silent.keys().isdisjoint(crew)
        closeout = progress.tasks[state.step.task].task.closeout
        rest = (crew, net.needs[i], net.groups[i], planned, silent, closeout)
        known = before.get(step)
        if known is None or known.state is not state or known.rest != rest:
            node = make_node(progress, net, crews, index, i, 0.0, shut)
            ask = None if planned is None else ask_for(progress, state, node, crews, 0.0)
            known = Still(state, rest, node, ask)
        out[step] = known
    return out


def _crews(progress: Progress) -> Crews:
    """Return who does each open step: its owners, without those who have come in."""
    crews = {step: state.crew for step, state in progress.steps.items() if state.ended is None}
    if not progress.entered:
        return crews
    return {step: tuple(c for c in crew if c not in progress.entered) for step, crew in crews.items()}


def _inside(progress: Progress, crews: Crews) -> dict[str, float]:
    """Return since when crew members outside are inside.

    Those who have entered; and once nobody outside has a step left, everybody, with their last done.
    """
    inside = {c: at for c, at in progress.entered.items() if c in progress.plan.outside}
    outside = set(progress.plan.outside)
    if any(not crew or not outside.isdisjoint(crew) for crew in crews.values()):
        return inside
    for state in progress.steps.values():
        if state.ended == "done" and state.done is not None:
            for c in state.crew:
                if c in outside and c not in progress.entered:
                    inside[c] = max(inside.get(c, 0.0), state.done)
    last = max(inside.values(), default=None)
    return inside if last is None else {c: inside.get(c, last) for c in progress.plan.outside}


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

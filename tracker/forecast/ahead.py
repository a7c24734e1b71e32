"""What remains at one progress, as far as no instant changes it.

Made once for all estimates until the next event.
"""

from __future__ import annotations

import weakref
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from tracker.forecast.demand import going_on_of
from tracker.forecast.durations import Ask
from tracker.forecast.network import Network, network
from tracker.forecast.nodes import Crews, Gaps, ask_for, make_node
from tracker.forecast.rates import Rates, extra_rates
from tracker.forecast.world import Node, OptionalTask
from tracker.journal.progress import Progress, StepState


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
    """The remaining steps, with nodes and asks of those that merely wait for their turn."""

    crews: Crews
    index: Mapping[str, int]
    """Place of each crew member in the plan."""
    net: Network
    states: tuple[StepState, ...]
    nodes: tuple[Node | None, ...]
    """None where the present matters."""
    asks: tuple[Ask | None, ...]
    """None where the present matters."""
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
        nodes = tuple(
            make_node(progress, self.net, self.crews, self.index, i, now, shut) if node is None else node
            for i, node in enumerate(self.nodes)
        )
        asks = [
            ask_for(progress, state, node, self.crews, now) if ask is None else ask
            for state, node, ask in zip(self.states, nodes, self.asks, strict=True)
        ]
        return nodes, asks


_known: dict[int, tuple[weakref.ref[Progress], Ahead]] = {}


def ahead(progress: Progress) -> Ahead:
    """Return what remains at this progress."""
    key = id(progress)
    found = _known.get(key)
    if found is not None and found[0]() is progress:
        return found[1]
    made = _made(progress)
    _known[key] = weakref.ref(progress, lambda gone: _forget(key, gone)), made
    return made


def _forget(key: int, gone: weakref.ref[Progress]) -> None:
    """Drop what was made for a progress that is no more, unless its place is taken already."""
    found = _known.get(key)
    if found is not None and found[0] is gone:
        del _known[key]


def _made(progress: Progress) -> Ahead:
    crews = _crews(progress)
    index = {member.id: k for k, member in enumerate(progress.plan.crew)}
    net = network(progress, crews)
    states = tuple(progress.steps[step] for step in net.steps)
    shut: Gaps = {}
    nodes, asks = [], []
    for i, state in enumerate(states):
        still = state.began is None and not state.step.time.home
        node = make_node(progress, net, crews, index, i, 0.0, shut) if still else None
        planned = state.step.id in progress.planned
        asks.append(ask_for(progress, state, node, crews, 0.0) if node is not None and planned else None)
        nodes.append(None if state.step.windows else node)
    inside = _inside(progress, crews)
    rates = extra_rates(progress, states, crews, inside)
    optional = _optional(progress, net)
    return Ahead(crews, index, net, states, tuple(nodes), tuple(asks), optional, inside, rates)


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

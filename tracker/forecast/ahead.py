"""What remains at one progress, as far as no instant changes it.

Made once for all estimates until the next event.
"""

from __future__ import annotations

import weakref
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from tracker.forecast.durations import Ask
from tracker.forecast.network import Network, network
from tracker.forecast.nodes import Crews, Gaps, ask_for, make_node
from tracker.forecast.world import Node
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

    def played(self, kept: Collection[str]) -> list[int]:
        """Return the places of the steps that remain when these optional tasks are kept."""
        chosen = frozenset(k for k, task in enumerate(self.net.optional) if task in kept)
        groups = enumerate(self.net.groups)
        return [i for i, tasks in groups if not tasks or not chosen.isdisjoint(tasks)]

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
    return Ahead(crews, index, net, states, tuple(nodes), tuple(asks))


def _crews(progress: Progress) -> Crews:
    """Return who does each open step: its owners, without those who have come in."""
    crews = {step: state.crew for step, state in progress.steps.items() if state.ended is None}
    if not progress.entered:
        return crews
    return {step: tuple(c for c in crew if c not in progress.entered) for step, crew in crews.items()}

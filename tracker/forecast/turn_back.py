"""The latest instant at which the crew must start for home, along the projected course.

Called at an instant, each scenario works as planned up to it; then every step in progress is broken
off, except one that closes an open item; then the closers of open items follow, and closeout, which is
held back until the call. An item is open once a step that opens it has begun. Calling later is never
safer unless the way home shrinks meanwhile, so bisection finds the latest instant exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from math import ceil, floor

import numpy as np

from tracker.forecast.demand import count, demand
from tracker.forecast.homeward import Homeward, homeward
from tracker.forecast.ingress import inside as ingress
from tracker.forecast.judge import Judge
from tracker.forecast.last_call import ends_of, latest_start
from tracker.forecast.limits import GRAIN_S, deadlines
from tracker.forecast.quantiles import one, ranged
from tracker.forecast.values import TurnBack
from tracker.forecast.waits import Row
from tracker.forecast.world import World

_STEPS = 24
"""Into how many parts the stretch is cut in which calling later can be safer, as a way home shrinks."""
_NOTICED_S = 15.0
"""A step that opens something is named when it moves turn-back by more than this."""


def turn_back(judge: Judge, kept: Collection[int], *, homebound: bool = False) -> TurnBack:
    """Return the turn-back along the course of the kept set; PET seconds, to the second.

    None as latest: not even a call now keeps every limit, or `homebound`: closeout has begun or the
    recall was given, and there is nothing left to turn back from.
    """
    world = judge.world
    course = judge.course(kept)
    full = homeward(world, world.present(kept), course)
    # Who is inside already is not called: the fact stands.
    arrival = full.inside(0.0) if world.counted else ingress(world, course)
    inside_if_now = ranged(arrival, base=world.now, mean=True)
    if homebound or any(node.closeout and node.running for node in world.nodes):
        return TurnBack(None, inside_if_now, homebound=True)
    finder = _Finder(judge, kept, full)
    latest = finder.latest()
    if latest is None:
        return TurnBack(None, inside_if_now)
    return _with_mover(finder, TurnBack(latest, inside_if_now))


class _Finder:
    """Counts what a call at an instant breaks: easy scenarios by one comparison, the others played.

    Easy is a scenario that keeps every limit even with the longest way home there is: an earlier call
    leaves a part of its work, and a later one only holds closeout back.
    """

    def __init__(self, judge: Judge, kept: Collection[int], full: Homeward) -> None:
        self.world, self.full = judge.world, full
        self.wanted = demand(self.world)
        by_limits, by_reserves = _held_back_until(self.world, self.world.present(kept))
        easy = np.minimum(by_limits, by_reserves) >= full.work_ends()
        homes = any(node.home is not None for node in self.world.nodes)
        if homes:
            least, most = judge.bounds
            elapsed, consumables = most.masks(*most.whole(frozenset(kept)))
            easy &= ~(elapsed | consumables)
        self.by_limits, self.by_reserves = by_limits[easy], by_reserves[easy]
        self.chosen = np.flatnonzero(~easy)
        self.exact = full.part(self.chosen)
        self.bounds: tuple[Homeward, Homeward] | None = None
        if homes:
            shortest, longest = (replace(full, world=bound.world) for bound in (least, most))
            self.bounds = shortest.part(self.chosen), longest.part(self.chosen)

    def holds(
        self,
        at: float,
        hard: Homeward | None = None,
        *,
        ignoring: str | None = None,
        opened: Collection[str] = (),
    ) -> bool:
        """Whether enough scenarios keep every limit when called at this instant, relative to now."""
        easy = count(self.by_limits < at - GRAIN_S, self.by_reserves < at - GRAIN_S)
        if not len(self.chosen):
            return self.wanted.met(easy)
        found = (hard or self.exact).called(at, ignoring=ignoring, opened=opened)
        return self.wanted.met(easy.plus(count(found.elapsed, found.consumables)))

    def latest(self, *, ignoring: str | None = None, opened: Collection[str] = ()) -> float | None:
        """Return the greatest PET, in whole seconds, of a call that holds; None if not even now does."""

        def does(pet: float, hard: Homeward | None = None) -> bool:
            return self.holds(pet - now, hard, ignoring=ignoring, opened=opened)

        now = self.world.now
        if not does(now):
            return None
        low, high = floor(now), floor(now + min(limit.at for limit in self.world.limits)) + 1
        if self.bounds is not None:
            low, high = _crossing(does, low, high, *self.bounds)
        return max(float(_last(does, low, high)), now)


def _last(does: Callable[[float], bool], low: int, high: int) -> int:
    """Return the last whole second that does, given that `low` does and that none follows a miss."""
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if does(middle) else (low, middle)
    return low


def _crossing(
    does: Callable[..., bool], low: int, high: int, shortest: Homeward, longest: Homeward
) -> tuple[int, int]:
    """Return a short stretch that begins with an instant that does and ends with one that does not.

    Where ways home differ, a later call can be safer again. With all of them the shortest, and with
    all the longest, it never is: the last instant lies between what those two say, and is looked for
    there from the end on.
    """
    end = _last(lambda pet: does(pet, shortest), low, high) + 1
    start = _last(lambda pet: does(pet, longest), low, high) if does(low, longest) else low
    step = max(1, ceil((end - start) / _STEPS))
    for pet in range(end - step, start, -step):
        if does(pet):
            return pet, min(pet + step, end)
    return start, min(start + step, end)


def _held_back_until(world: World, present: list[int]) -> tuple[Row, Row]:
    """Return until when closeout could be held back, all the work done: for limits, for reserves."""
    closeout = [i for i in present if world.nodes[i].closeout]
    by_limits, by_reserves = ends_of(world, deadlines(world, present))
    if not closeout:
        never = np.full(world.scenarios, -np.inf, dtype=np.float32)
        return never, never
    return (
        latest_start(world, present, closeout, by_limits),
        latest_start(world, present, closeout, by_reserves),
    )


def _with_mover(finder: _Finder, found: TurnBack) -> TurnBack:
    """Name the next step that opens something and thereby moves turn-back."""
    assert found.latest is not None
    now = finder.world.now
    for step, items in _openers(finder.full, found.latest - now + _NOTICED_S):
        if not finder.holds(found.latest - now + _NOTICED_S, ignoring=step):
            continue
        without = finder.latest(ignoring=step)
        begun = finder.latest(opened=items)
        return replace(found, mover=step, moved_from=without, moved_to=begun)
    return found


def _openers(full: Homeward, before: float) -> list[tuple[str, tuple[str, ...]]]:
    """Return steps that will open something that must be closed again, by projected start."""
    nodes = full.world.nodes
    closed = {item for i in full.tail for item in nodes[i].closes}
    out = []
    for k, i in enumerate(full.work):
        items = tuple(item for item in nodes[i].opens if item in closed)
        if items and not nodes[i].running and float(full.start[k].min()) < before:
            out.append((one(full.start[k], 0.5), nodes[i].step, items))
    return [(step, items) for _, step, items in sorted(out)]

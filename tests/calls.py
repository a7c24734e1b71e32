"""A call home played scenario by scenario in plain Python: a second way, for tests of turn-back."""

from __future__ import annotations

import math
from collections.abc import Collection

from tests.chance import GRAIN_S, play
from tests.worlds import loses
from tracker.forecast.world import World


def inside_when_called(world: World, kept: Collection[int], n: int, at: float) -> tuple[float, bool, bool]:
    """Return when everybody is inside, and whether the elapsed limits and the reserves are kept."""
    course = play(world, kept, n)
    free = [max(at, float(row[n])) for row in world.ready]
    used: dict[int, float] = {}
    here: dict[int, int] = {}
    begun, ended = set(), set()
    for i, start in course.start.items():
        node = world.nodes[i]
        if node.closeout:
            continue
        if (start < at and at > 0) or node.running:
            begun.add(i)
            for c in node.crew:
                if _site(world, i, c):
                    here[c] = i
        if course.finish[i] <= at:
            ended.add(i)
        used[i] = max(0.0, min(course.finish[i], at) - start) if start < math.inf and at > 0 else 0.0
    open_items = set(world.open_now) | {item for i in begun for item in world.nodes[i].opens}
    open_items -= {item for i in ended for item in world.nodes[i].closes}
    finish: dict[int, float] = {}
    for i in course.start:
        node = world.nodes[i]
        going_on = i in begun and i not in ended and bool(set(node.closes) & open_items)
        follows = i not in begun and bool(set(node.closes) & open_items)
        if not (node.closeout or going_on or follows):
            continue
        if going_on:
            end = course.finish[i]
            used[i] = end - course.start[i]
        else:
            t = max([at, *(free[c] for c in node.crew), *(finish[x] for x in node.needs if x in finish)])
            for close, opening in node.gaps:
                if close <= t < opening:
                    t = opening
            seconds = float(world.durations[i, n])
            if node.home is not None:
                seconds *= max(node.home[here[c]] if c in here else node.home_now for c in node.crew)
            end = t + seconds
            used[i] = seconds
            for c in node.crew:
                if _site(world, i, c):
                    here[c] = i
        finish[i] = end
        for c in node.crew:
            free[c] = end
    inside = max(0.0, *(free[c] for c in world.counted))
    lost = any(t == math.inf for t in free)
    elapsed = not lost and all(max(free[c] for c in x.crew) <= x.at + GRAIN_S for x in world.limits)
    return inside, elapsed, not lost and _reserves(world, used, inside, n)


def _site(world: World, i: int, c: int) -> bool:
    return any(x.home is not None and i in x.home and c in x.crew for x in world.nodes[i + 1 :])


def _reserves(world: World, used: dict[int, float], inside: float, n: int) -> bool:
    for account in world.accounts:
        beyond = sum(float(account.extra_per_s[i]) * seconds for i, seconds in used.items())
        if float(account.level[n]) - loses(account, n, inside - GRAIN_S, beyond) < account.reserve:
            return False
    return True


def call_holds(world: World, kept: Collection[int], at: float) -> bool:
    """Return whether enough scenarios keep every limit when called at this instant."""
    found = [inside_when_called(world, kept, n, at) for n in range(world.scenarios)]
    elapsed, reserves = sum(e for _, e, _ in found), sum(r for _, _, r in found)
    both = sum(e and r for _, e, r in found)
    n = world.scenarios
    if world.confidence_joint:
        return both >= world.confidence_elapsed * n - 1e-9
    return (
        elapsed >= world.confidence_elapsed * n - 1e-9 and reserves >= world.confidence_consumables * n - 1e-9
    )

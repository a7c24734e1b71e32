"""Worlds by chance, and a second way to play them: scenario by scenario in plain Python, for tests."""

from __future__ import annotations

import math
import random
from collections.abc import Collection
from dataclasses import dataclass
from itertools import combinations

from tests.worlds import Ask, Optional, Store, Work, loses, world
from tracker.forecast.world import World

GRAIN_S = 0.05
"""What an instant may be missed by and still counts as met."""


@dataclass(frozen=True)
class Kind:
    """What a world by chance may have."""

    scenarios: int = 40
    steps: int = 14
    optional: int = 5
    windows: bool = True
    stores: bool = True
    items: bool = True
    homes: bool = False
    clocks: bool = False
    light: bool = False
    """Steps that take less than waiting does."""
    leaks: bool = False
    """Stores that lose something in some scenarios, whatever their crew does."""
    two: bool = False
    """Two confidences."""
    early: bool = True
    """Half of the crews may have gone on before now: their last ticks came late."""


def chance(seed: int, kind: Kind | None = None) -> World:
    """Return a world by chance: joint steps, needs, windows, stores, items that one task opens and
    another closes, and a limit somewhere between no optional work and all of it."""
    kind = kind or Kind()
    rng = random.Random(seed)
    crew = ["EV1", "EV2", "EV3"][: rng.choice([1, 2, 2, 3])]
    tasks = {
        f"t{m}": Optional(rng.choice(["should", "get-ahead", "get-ahead"]), rng.choice([1.0, 2.0, 5.0, 0.1]))
        for m in range(kind.optional)
    }
    for m in range(1, kind.optional):
        if rng.random() < 0.25:
            tasks[f"t{m}"] = Optional(tasks[f"t{m}"].priority, tasks[f"t{m}"].value, f"t{rng.randrange(m)}")
    works = _works(rng, kind, crew, tasks)
    stores = [_store(rng, name, kind) for name in crew if kind.stores and rng.random() < 0.7]
    clocks = []
    if kind.clocks:
        first, second = sorted(rng.sample(range(len(works) - 1), 2))
        clocks.append((works[second].step, works[first].step, float(rng.randrange(600, 4000))))
    ask = Ask(
        optional=tasks,
        stores=stores,
        sites={"near": 300.0, "far": 1800.0},
        home_now=600.0,
        clocks=clocks,
        confidence=rng.choice([0.8, 0.9]),
        consumables=rng.choice([0.7, 0.95]) if kind.two else None,
        ready=_ready(random.Random(seed + 1), crew, kind),
        limits={"boat": (float(rng.randrange(4000, 9000)), crew[0])} if rng.random() < 0.2 else {},
    )
    free = world(works, 1e9, ask)
    low, high = (_high(free, kept) for kept in ((), range(len(tasks))))
    return world(works, float(round(low + (high - low) * rng.uniform(-0.1, 1.0))), ask)


def _ready(rng: random.Random, crew: list[str], kind: Kind) -> dict[str, list[float]]:
    if not kind.early or rng.random() < 0.5:
        return {}
    return {c: [min(0.0, float(round(rng.gauss(-20.0, 60.0)))) for _ in range(kind.scenarios)] for c in crew}


def _high(free: World, kept: Collection[int]) -> float:
    """Return what nine of ten finite ends stay below."""
    ends = [t for n in range(free.scenarios) if (t := play(free, kept, n).inside) < float("inf")]
    return sorted(ends)[int(0.9 * (len(ends) - 1))] if ends else 9000.0


def _store(rng: random.Random, name: str, kind: Kind) -> Store:
    n = kind.scenarios
    return Store(
        name,
        [rng.gauss(1.0, 0.1) for _ in range(n)],
        0.1,
        rng.uniform(4e-5, 1.2e-4),
        [max(0.3, rng.gauss(1, 0.15)) for _ in range(n)],
        [rng.uniform(0, 1e-4) if rng.random() < 0.3 else 0.0 for _ in range(n)] if kind.leaks else None,
    )


def _works(rng: random.Random, kind: Kind, crew: list[str], tasks: dict[str, Optional]) -> list[Work]:
    works: list[Work] = []
    names = list(tasks)
    for i in range(kind.steps):
        # Tasks come in blocks, so that a task's steps follow one another as in a plan.
        task = rng.choice(["must", names[min(i * len(names) // kind.steps, len(names) - 1)]])
        earlier = [w for w in works if w.task in ("must", task)]
        needs = rng.choice(earlier).step if earlier and rng.random() < 0.2 else ""
        works.append(_work(rng, kind, f"s{i}", task, crew, needs))
    if kind.items:
        for i in rng.sample(range(kind.steps - 1), 2):
            j = rng.randrange(i + 1, kind.steps)
            if not works[j].closes and not works[i].opens:
                works[i] = _with(works[i], opens=f"item{i}")
                works[j] = _with(works[j], closes=f"item{i}")
    home = _work(rng, kind, "home", "closeout", crew, "")
    if kind.homes:
        factor = [rng.lognormvariate(0, 0.2) for _ in range(kind.scenarios)]
        home = _with(home, home=True, time=factor)
    return [*works, _with(home, crew=" ".join(crew), closeout=True, gaps=())]


def _work(rng: random.Random, kind: Kind, step: str, task: str, crew: list[str], needs: str) -> Work:
    who = rng.sample(crew, 2) if len(crew) > 1 and rng.random() < 0.2 else [rng.choice(crew)]
    gaps: tuple[tuple[float, float], ...] = ()
    if kind.windows and rng.random() < 0.25:
        gaps = ((2000.0, 3200.0), (7000.0, rng.choice([9000.0, float("inf")])))
    median = rng.randrange(120, 1200)
    return Work(
        step,
        " ".join(who),
        [float(round(median * rng.lognormvariate(0, 0.3))) for _ in range(kind.scenarios)],
        task,
        needs,
        gaps=gaps,
        windows=("light",) if gaps else (),
        earliest=0.0 if gaps else -math.inf,
        site=rng.choice(["near", "far", ""]) if kind.homes else "",
        extra=rng.uniform(-8e-5 if kind.light else 0.0, 1e-4),
    )


def _with(work: Work, **changes: object) -> Work:
    return Work(**{**{name: getattr(work, name) for name in Work.__dataclass_fields__}, **changes})


@dataclass(frozen=True)
class Played:
    """One scenario of one set, played in plain Python."""

    start: dict[int, float]
    finish: dict[int, float]
    inside: float
    elapsed_kept: bool
    reserves_kept: bool


def play(world: World, kept: Collection[int], n: int, started: tuple[int, float] | None = None) -> Played:
    """Play scenario n with these optional tasks, step by step in float64.

    `started`: this node is ready at this instant whatever came before, the rest of its task not before.
    """
    free = [float(row[n]) for row in world.ready]
    start: dict[int, float] = {}
    finish: dict[int, float] = {}
    took: dict[int, float] = {}
    site: dict[int, float] = {}
    for i, node in enumerate(world.nodes):
        if node.groups and not set(node.groups) & set(kept):
            continue
        t = max([node.earliest, *(free[c] for c in node.crew)])
        if not node.running:
            t = max([t, *(finish[need] for need in node.needs if need in finish)])
            t = 0.0 if t == -math.inf else t
            if started and node.groups and node.task == world.nodes[started[0]].task:
                t = started[1] if i == started[0] else max(t, started[1])
            for close, opening in node.gaps:
                if close <= t < opening:
                    t = opening
        seconds = float(world.durations[i, n])
        if node.home is not None:
            seconds *= max(site.get(c, node.home_now) for c in node.crew)
        start[i], finish[i], took[i] = t, t + seconds, seconds
        for c in node.crew:
            free[c] = finish[i]
            for later in world.nodes[i + 1 :]:
                if later.home is not None and i in later.home:
                    site[c] = later.home[i]
    inside = max(0.0, *(free[c] for c in world.counted))
    lost = any(t == float("inf") for t in finish.values())
    elapsed = not lost and all(
        max(free[c] for c in limit.crew) <= limit.at + GRAIN_S for limit in world.limits
    )
    reserves = not lost and all(_level_kept(world, k, took, inside, n) for k in range(len(world.accounts)))
    return Played(start, finish, inside, elapsed, reserves)


def _level_kept(world: World, k: int, took: dict[int, float], inside: float, n: int) -> bool:
    """Whether the level at ingress is at least the reserve: the level itself, not an instant."""
    account = world.accounts[k]
    beyond = sum(float(account.extra_per_s[i]) * seconds for i, seconds in took.items())
    return float(account.level[n]) - loses(account, n, inside - GRAIN_S, beyond) >= account.reserve


def brute(world: World) -> tuple[tuple[float, float], int, frozenset[int]] | None:
    """Return the best set that holds, by trying all: its value, unsafe scenarios, the set; or None."""
    tasks = range(len(world.optional))
    best = None
    late0 = _late(world, [play(world, (), n) for n in range(world.scenarios)])
    for size in range(len(world.optional) + 1):
        for kept in map(frozenset, combinations(tasks, size)):
            if any(not set(world.optional[m].needs) <= kept for m in kept):
                continue
            played = [play(world, kept, n) for n in range(world.scenarios)]
            if not _holds(world, played, late0):
                continue
            unsafe = sum(not (p.elapsed_kept and p.reserves_kept) for p in played)
            key = (_value(world, kept), -unsafe, tuple(m in kept for m in tasks))
            if best is None or key > best[0]:
                best = key, unsafe, kept
    return None if best is None else (best[0][0], best[1], best[2])


def _value(world: World, kept: frozenset[int]) -> tuple[float, float]:
    def of(priority: str) -> float:
        return round(sum(world.optional[m].value for m in kept if world.optional[m].priority == priority), 6)

    return of("should"), of("get-ahead")


def _holds(world: World, played: list[Played], late0: list[int]) -> bool:
    n = len(played)
    elapsed = sum(p.elapsed_kept for p in played)
    reserves = sum(p.reserves_kept for p in played)
    both = sum(p.elapsed_kept and p.reserves_kept for p in played)
    wanted = world.confidence_elapsed * n - 1e-9
    if world.confidence_joint and both < wanted:
        return False
    if not world.confidence_joint and (
        elapsed < wanted or reserves < world.confidence_consumables * n - 1e-9
    ):
        return False
    may = int((1 - world.confidence_elapsed) * n + 1e-9)
    return all(late <= max(may, least) for late, least in zip(_late(world, played), late0, strict=True))


def _late(world: World, played: list[Played]) -> list[int]:
    out = []
    for clock in world.clocks:
        times = 0
        for p in played:
            if clock.node in p.finish and clock.of is not None and clock.of in p.finish:
                times += p.finish[clock.node] > p.finish[clock.of] + clock.time + GRAIN_S
        out.append(times)
    return out

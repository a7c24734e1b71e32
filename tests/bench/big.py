"""Large worlds for measuring: 300 steps, two crew members, windows, eight consumable accounts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tracker.forecast.world import (
    Account,
    ElapsedLimit,
    Node,
    OptionalTask,
    World,
    advance,
    begin,
    inside,
)

_PERIOD_S, _OPEN_S = 92 * 60.0, 70 * 60.0


def big(
    seed: int, *, optional: int = 8, steps: int = 300, scenarios: int = 10_000, flat: bool = False
) -> World:
    """Return a world of that size whose limit leaves room for a part of the optional work.

    A fifth of the steps are joint, a tenth have needs, a fifth wait for a window that is open 70 of 92
    minutes; `flat`: optional tasks of one length and value, the worst case of a search.
    """
    rng = np.random.default_rng(seed)
    blocks = _blocks(rng, optional, steps, flat=flat)
    nodes: list[Node] = []
    for i, owner in enumerate(blocks):
        nodes.append(_node(rng, i, owner, nodes, last=i == steps - 1))
    median = np.where(np.array(blocks) >= 0, 100.0, 120.0) if flat else rng.uniform(40, 220, steps)
    pace = rng.normal(0.05, 0.12, scenarios).astype(np.float32)
    noise = rng.standard_normal((steps, scenarios), dtype=np.float32)
    durations = (median[:, None] * np.exp(pace + 0.3 * noise)).astype(np.float32)
    free = World(
        now=0.0,
        nodes=tuple(nodes),
        crew=("EV1", "EV2"),
        counted=(0, 1),
        inside_already={},
        ready=(0.0, 0.0),
        durations=durations,
        optional=tuple(_task(rng, m, blocks, median, flat=flat) for m in range(optional)),
        limits=(ElapsedLimit("elapsed", 1e9, (0, 1)),),
        accounts=(),
        clocks=(),
        confidence_elapsed=0.9,
        confidence_consumables=0.9,
        confidence_joint=True,
    )
    return _bounded(rng, free)


def _blocks(rng: np.random.Generator, optional: int, steps: int, *, flat: bool) -> list[int]:
    """Return per step its optional task, or -1: blocks of 6 steps spread over the excursion."""
    out = [-1] * steps
    length = 6 if flat else 0
    places = np.linspace(10, steps - 20, optional).astype(int)
    for m, place in enumerate(places):
        for i in range(place, place + (length or int(rng.integers(3, 10)))):
            out[i] = m
    return out


def _node(rng: np.random.Generator, i: int, owner: int, nodes: list[Node], *, last: bool) -> Node:
    crew = (0, 1) if last or rng.random() < 0.2 else (int(rng.integers(2)),)
    near = [j for j in range(max(0, i - 30), i) if nodes[j].groups in ((), (owner,))]
    needs = (int(rng.choice(near)),) if near and rng.random() < 0.1 else ()
    gaps = tuple((k * _PERIOD_S + _OPEN_S, (k + 1) * _PERIOD_S) for k in range(12))
    windowed = rng.random() < 0.2 and not last
    return Node(
        step=f"s{i}",
        task="closeout" if last else f"t{owner}" if owner >= 0 else f"must{i // 12}",
        crew=crew,
        needs=needs,
        groups=(owner,) if owner >= 0 else (),
        gaps=gaps if windowed else (),
        windows=("light",) if windowed else (),
        closeout=last,
        opens=(f"cover{i}",) if i % 50 == 7 and owner < 0 else (),
        closes=(f"cover{i - 12}",) if i % 50 == 19 and owner < 0 else (),
    )


def _task(
    rng: np.random.Generator,
    m: int,
    blocks: list[int],
    median: np.ndarray[tuple[int], np.dtype[np.float64]],
    *,
    flat: bool,
) -> OptionalTask:
    minutes = float(sum(median[i] for i, owner in enumerate(blocks) if owner == m)) / 60
    if flat:
        return OptionalTask(f"t{m}", "get-ahead", 1.0, (), False, minutes)
    needs = (int(rng.integers(m)),) if m and rng.random() < 0.2 else ()
    priority = "should" if rng.random() < 0.4 else "get-ahead"
    return OptionalTask(f"t{m}", priority, float(rng.integers(1, 20)), needs, False, minutes)


def _bounded(rng: np.random.Generator, free: World) -> World:
    """Return the world with stores and a limit that nine of ten scenarios keep with part of the work."""
    n, steps = free.scenarios, len(free.nodes)
    low, high = (_end(free, kept) for kept in ((), range(len(free.optional))))
    limit = low + (high - low) * rng.uniform(0.1, 0.7)
    accounts = []
    for crew in (0, 1):
        mine = np.array([crew in node.crew for node in free.nodes])
        for k in range(4):
            extra = (mine * rng.uniform(0, 5e-5, steps)).astype(np.float32)
            waiting = float(rng.uniform(2e-5, 6e-5))
            mean = waiting * limit + float(extra @ free.durations.mean(axis=1))
            level = (mean * rng.uniform(1.12, 1.3) * (1 + 0.02 * rng.standard_normal(n))).astype(np.float32)
            use = np.maximum(0.3, 1 + 0.04 * rng.standard_normal(n)).astype(np.float32)
            accounts.append(Account(free.crew[crew], f"store{k}", level, use, 0.05, waiting, extra))
    return replace(free, limits=(ElapsedLimit("elapsed", limit, (0, 1)),), accounts=tuple(accounts))


def _end(world: World, kept: range | tuple[()]) -> float:
    course = advance(world, begin(world), world.present(kept))
    return float(np.quantile(inside(world, course), 0.9))

"""Worlds made by hand, for tests and the bench: what the forecast works on, without a journal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.world import Account, Clock, ElapsedLimit, Node, OptionalTask, World


@dataclass(frozen=True)
class Work:
    """One step of a world made by hand; times in seconds, or one a scenario."""

    step: str
    crew: str
    """Names with blanks between; empty: nobody."""
    time: float | Sequence[float]
    task: str = "must"
    needs: str = ""
    opens: str = ""
    closes: str = ""
    closeout: bool = False
    running: bool = False
    earliest: float = -math.inf
    gaps: tuple[tuple[float, float], ...] = ()
    windows: tuple[str, ...] = ()
    site: str = ""
    home: bool = False
    extra: float = 0.0
    """Use a second beyond waiting, of every account of each of its crew."""


@dataclass(frozen=True)
class Optional:
    """One optional task of a world made by hand."""

    priority: str = "get-ahead"
    value: float = 1.0
    needs: str = ""
    begun: bool = False


@dataclass(frozen=True)
class Store:
    """One consumable of one crew member, or shared (`*`)."""

    crew: str
    level: float | Sequence[float]
    reserve: float = 0.0
    waiting: float = 0.0
    """Use a second while waiting."""
    use: float | Sequence[float] = 1.0
    leak: float | Sequence[float] | None = None
    """What is lost a second whatever the crew does."""
    name: str = "oxygen"


@dataclass(frozen=True)
class Ask:
    """Everything else a world made by hand may have."""

    optional: Mapping[str, Optional] = field(default_factory=dict)
    stores: Sequence[Store] = ()
    limits: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    """More elapsed limits: name to instant and crew."""
    sites: Mapping[str, float] = field(default_factory=dict)
    home_now: float = 0.0
    clocks: Sequence[tuple[str, str, float]] = ()
    """Step, the step it runs from, seconds."""
    confidence: float = 0.9
    consumables: float | None = None
    """A confidence of their own."""
    now: float = 0.0
    ready: Mapping[str, Sequence[float]] = field(default_factory=dict)
    """When crew members are free, one a scenario; others now."""
    inside: Sequence[str] = ()
    """Crew members who are not outside (they do steps and are not counted)."""
    open_now: Mapping[str, str] = field(default_factory=dict)


def world(works: Sequence[Work], limit: float, ask: Ask | None = None) -> World:
    """Return a world of these steps, in this order, with one elapsed limit in seconds from now."""
    ask = ask or Ask()
    crew = tuple(dict.fromkeys(name for work in works for name in work.crew.split()))
    place = {work.step: i for i, work in enumerate(works)}
    names = list(ask.optional)
    counted = tuple(i for i, name in enumerate(crew) if name not in ask.inside)
    n = max((len(work.time) for work in works if isinstance(work.time, Sequence)), default=1)
    more = [
        ElapsedLimit(name, at, tuple(crew.index(c) for c in who.split()))
        for name, (at, who) in ask.limits.items()
    ]
    return World(
        now=ask.now,
        nodes=tuple(_node(i, works, crew, place, names, ask) for i in range(len(works))),
        crew=crew,
        counted=counted,
        inside_already={},
        ready=tuple(_row(ask.ready.get(name, 0.0), n) for name in crew),
        durations=np.stack([_row(work.time, n) for work in works]),
        optional=tuple(_optional(name, works, ask, names) for name in names),
        limits=(ElapsedLimit("elapsed", limit, counted), *more),
        accounts=tuple(_account(store, works, n) for store in ask.stores),
        clocks=tuple(Clock(place[s], place[of], None, time, of) for s, of, time in ask.clocks),
        confidence_elapsed=ask.confidence,
        confidence_consumables=ask.confidence if ask.consumables is None else ask.consumables,
        confidence_joint=ask.consumables is None,
        open_now=ask.open_now,
    )


def _row(value: float | Sequence[float], n: int) -> NDArray[np.float32]:
    return np.broadcast_to(np.asarray(value, dtype=np.float32), (n,)).copy()


def _node(
    i: int, works: Sequence[Work], crew: tuple[str, ...], place: Mapping[str, int], names: list[str], ask: Ask
) -> Node:
    work = works[i]
    before = works[:i]
    sites = {j: ask.sites[w.site] for j, w in enumerate(before) if w.site}
    return Node(
        step=work.step,
        task=work.task,
        crew=tuple(crew.index(name) for name in work.crew.split()),
        needs=tuple(place[need] for need in work.needs.split()),
        groups=_groups(work, works, names, ask),
        running=work.running,
        earliest=work.earliest,
        gaps=work.gaps,
        windows=work.windows,
        opens=tuple(work.opens.split()),
        closes=tuple(work.closes.split()),
        closeout=work.closeout,
        home=sites if work.home else None,
        home_now=ask.home_now,
    )


def _groups(work: Work, works: Sequence[Work], names: list[str], ask: Ask) -> tuple[int, ...]:
    """A step remains with its task; a closer also with the task of each opener, or always."""
    own = [work.task]
    for item in work.closes.split():
        if item in ask.open_now:
            return ()
        own += [other.task for other in works if item in other.opens.split()]
    if any(task not in names for task in own):
        return ()
    return tuple(sorted({names.index(task) for task in own}))


def _optional(name: str, works: Sequence[Work], ask: Ask, names: list[str]) -> OptionalTask:
    given = ask.optional[name]
    seconds = sum(float(np.mean(work.time)) for work in works if work.task == name)
    needs = tuple(names.index(need) for need in given.needs.split())
    return OptionalTask(name, given.priority, given.value, needs, given.begun, seconds / 60)


def _account(store: Store, works: Sequence[Work], n: int) -> Account:
    taking = [
        work.extra * (len(work.crew.split()) if store.crew == "*" else store.crew in work.crew.split())
        for work in works
    ]
    return Account(
        crew=store.crew,
        consumable=store.name,
        level=_row(store.level, n),
        use=_row(store.use, n),
        reserve=store.reserve,
        waiting_per_s=store.waiting,
        extra_per_s=np.asarray(taking, dtype=np.float32),
        leak_per_s=None if store.leak is None else _row(store.leak, n),
    )


def loses(account: Account, n: int, seconds: float, beyond: float = 0.0) -> float:
    """Return what an account loses in scenario n, in so many seconds in which steps take so much `beyond`
    waiting at use factor 1."""
    leak = 0.0 if account.leak_per_s is None else float(account.leak_per_s[n])
    return float(account.use[n]) * (account.waiting_per_s * seconds + beyond) + leak * seconds


def waiting(account: Account, n: int) -> float:
    """Return what waiting takes a second in scenario n, at use factor 1, a leak with it."""
    return loses(account, n, 1.0) / float(account.use[n])

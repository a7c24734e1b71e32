"""What ticks say together: steps pooled into blocks, and blocks that follow too fast merged by power.

A tick is pressed after the fact, and often one press, or one look at the clock, stands for several steps.
So a step that seems to have taken next to no time says that the tick before it came late, and the more so
the faster it was: with a power between 0 and 1 the two are one observation, with the rest two. Nothing here
is a matter of yes or no: every figure moves smoothly with every tick.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right, insort
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_grid import offset, own_shape
from tracker.journal.progress import Progress

TOGETHER_S, APART_S = 30.0, 90.0
"""A step ticked so little before one that comes earlier in the plan of its crew was ticked with it; the more
than `TOGETHER_S`, the less its instant is moved to the other, from `APART_S` on not at all."""
POOLED_S = 150.0
"""Short steps of one crew in a row are one block until they come to so much planned time: a single tick is
not exact enough for them. Longer blocks would hide how heavy the tails of single steps are."""
BEFORE_S = 240.0
"""A joint block follows whatever of its crew's blocks ended in so much time before it began."""
FADE_S = 60.0
"""Time in which a predecessor counts 1/e of one that ended as the block began."""
USUAL_S = 3600.0
"""Planned time behind the usual pace before anything is done."""
USUAL_RANGE = (0.5, 2.0)
"""The usual pace is held within these."""
FAST = 0.55
"""A block that took less of its usual time than this begins to be suspicious; 0.05 and less is a tick for
two."""
SURE = 0.05
HABIT = 0.03
"""How many ticks of three are believed to be pressed for several steps before any is seen."""
LEAST_POWER = 1e-3
"""Merged groups of less power are left out."""

Origin = Literal["zero", "tick", "begun", "free"]


@dataclass(frozen=True, slots=True)
class Tick:
    """One finished step as evidence of pace; seconds of PET and of planned time."""

    step: str
    place: int
    """Where it stands in the plan: what comes earlier for a crew member has a smaller place."""
    crew: tuple[str, ...]
    work: str
    planned_s: float
    """Its time by the pace file's crew and work, were the crew at its planned pace; 0 for a fixed step."""
    at: float
    """PET of the tick."""
    clock_h: float
    """Middle of the step on the planned clock, hours."""
    scatter: float = 1.0
    """Its own noise as a multiple of a ten-minute step's."""
    parts: float = 1.0
    """Items planned over items done (n / m)."""
    stated: bool = False
    """Whether a person stated `at`; else a clock stamped it."""
    start: float | None = None
    """When it could begin, where that is later than its crew's ticks before: end of a hold, opening of a
    window, go, need. None: it began with the latest of those ticks."""
    begun: bool = False
    """Whether `start` is a reported begin, as late as any tick."""
    away_s: float = 0.0
    """Time between its begin and its tick that was no work on it; negative for work before the begin."""
    fixed_s: float = 0.0
    """Time of it that no crew can hurry."""
    blind: bool = False
    """Its time says nothing about pace; its tick still ends a stretch of its crew's time."""


@dataclass(frozen=True, slots=True)
class Block:
    """Steps of one crew in a row, long enough together for ticks to time them."""

    ticks: tuple[Tick, ...]
    start: float
    end: float
    """The instant that counts for its last tick."""
    origin: Origin
    """What `start` is: PET 0, a tick of its crew, a reported begin, or an instant that no tick stands for."""
    before: Mapping[int, float]
    """The blocks that it follows, by place in the order of blocks; the shares add up to 1. Empty unless
    `origin` is a tick."""
    near: Mapping[int, float]
    """How closely it follows each of them: 1 for one whose tick began it."""
    leaving: Mapping[str, float]
    """Crew members whose tick before is its start, with shares that add up to 1; empty unless `origin` is a
    tick."""
    usual: float = 1.0
    """Actual over planned time of all blocks up to this one."""
    fast: float = 0.0
    """How surely the tick before it came late, 0 to 1."""
    habit: float = HABIT / 3.0
    """Share of ticks so far that were pressed for several steps."""

    @property
    def crew(self) -> tuple[str, ...]:
        """Who did it."""
        return self.ticks[0].crew

    @property
    def took_s(self) -> float:
        """Work time in which pace shows, at least 0."""
        return max(self.end - self.start - sum(t.away_s + t.fixed_s for t in self.ticks), 0.0)

    @property
    def planned_s(self) -> float:
        """Planned time of it."""
        return sum(t.planned_s for t in self.ticks)

    @property
    def blind(self) -> bool:
        """Whether its time says nothing about pace."""
        return any(t.blind for t in self.ticks)


@dataclass(frozen=True, slots=True)
class Group:
    """One observation: blocks taken as one, with the power of it."""

    place: int
    """Place of its last block in the order of blocks."""
    ticks: tuple[Tick, ...]
    crew: tuple[str, ...]
    """Whose last tick ends it."""
    took_s: float
    planned_s: float
    usual_s: float
    """What it would usually take."""
    end: float
    origin: Origin
    leaving: Mapping[str, float]
    """For a single block: whose tick is its start, with shares."""
    power: float
    merged: bool
    habit: float
    blind: bool


def ticks_of(progress: Progress, prior: PacePrior, *, certain: bool = False) -> list[Tick]:
    """The finished steps of a journal as evidence of pace, in the order of their ticks.

    `certain`: planned times stand as on paper, also where they have a low and a high.
    """
    place = {step: i for i, step in enumerate(progress.fold.sequence)}
    out = []
    for seen in progress.observations:
        step, (m, n) = progress.steps[seen.step].step, seen.counted
        parts, time = n / max(m, 1), step.time
        median, noise = own_shape(seen.planned_s * parts, time.low, time.high, certain=certain)
        pace = math.exp(offset(prior, seen.crew, seen.work))
        out.append(
            Tick(
                step=seen.step,
                place=place[seen.step],
                crew=seen.crew,
                work=seen.work,
                planned_s=0.0 if step.fixed else median / parts * pace,
                at=seen.at,
                clock_h=seen.clock_s / 3600.0,
                scatter=noise,
                parts=parts,
                stated=seen.stated,
                start=None if seen.start_kind == "tick" else seen.start,
                begun=seen.start_kind == "begun",
                away_s=seen.at - seen.start - seen.worked_s,
                fixed_s=seen.planned_s if step.fixed else 0.0,
                blind=seen.blind,
            )
        )
    return out


def groups(ticks: Iterable[Tick], median: float) -> list[Group]:
    """The observations that these ticks are, in order; `median` is the pace believed beforehand.

    A function of the set of ticks alone. What stands before the first group that a further tick changes
    stays as it is, so a filter may go on from there.
    """
    chain = blocks(ticks, median)
    out = [_group(chain, (b,), power) for b, power in enumerate(_alone(chain))]
    for run in _runs(chain):
        out += [_group(chain, path, power) for path, power in _paths(chain, run).items()]
    return sorted(out, key=lambda g: (g.place, g.merged, len(g.ticks), g.ticks[0].place))


def blocks(ticks: Iterable[Tick], median: float) -> list[Block]:
    """The blocks that these ticks are, in the order in which they ended."""
    raw = _raw_blocks(_in_order(ticks))
    raw = sorted(raw, key=lambda b: (b.end, b.ticks[-1].place))
    return _believed(raw, median)


def _in_order(ticks: Iterable[Tick]) -> list[tuple[float, Tick]]:
    """Return ticks with the instants that count for them, in the order of these and of the plan."""
    counted: dict[str, list[float]] = {}
    out = []
    for tick in sorted(ticks, key=lambda t: t.place):
        counts = tick.at
        for c in tick.crew:
            earlier = counted.setdefault(c, [])
            for other in earlier[bisect_right(earlier, tick.at) : bisect_left(earlier, tick.at + APART_S)]:
                apart = other - tick.at
                near = smooth((APART_S - apart) / (APART_S - TOGETHER_S))
                counts = max(counts, tick.at + near * apart)
        for c in tick.crew:
            insort(counted[c], counts)
        out.append((counts, tick))
    return sorted(out, key=lambda one: (one[0], one[1].place))


@dataclass(slots=True)
class _Raw:
    """A block as it grows."""

    ticks: list[Tick]
    start: float
    end: float
    origin: Origin
    before: dict[str, _Raw]
    """Per crew member their block before, where one ended in time to be followed."""

    @property
    def planned_s(self) -> float:
        return sum(t.planned_s for t in self.ticks)


def _raw_blocks(ordered: Sequence[tuple[float, Tick]]) -> list[_Raw]:
    """Return the blocks without what is believed of them."""
    last: dict[str, _Raw] = {}
    out: list[_Raw] = []
    for at, tick in ordered:
        members = [last[c] for c in tick.crew if c in last]
        start = max((b.end for b in members), default=0.0)
        origin: Origin = "tick" if members else "zero"
        if tick.start is not None and tick.start >= start:
            start, origin = min(tick.start, at), "begun" if tick.begun else "free"
        block = members[0] if members else None
        if block is not None and origin == "tick" and _goes_on(block, tick, members):
            block.ticks.append(tick)
            block.end = at
        else:
            block = _Raw([tick], start, at, origin, _followed(tick, last, start) if origin == "tick" else {})
            out.append(block)
        last.update(dict.fromkeys(tick.crew, block))
    return out


def _goes_on(block: _Raw, tick: Tick, members: Sequence[_Raw]) -> bool:
    """Return whether a tick is pooled with the block before it."""
    alone = len(members) == len(tick.crew) and all(b is block for b in members)
    alike = block.ticks[-1].crew == tick.crew and block.ticks[-1].stated == tick.stated
    telling = not tick.blind and not block.ticks[-1].blind and tick.planned_s > 0
    return alone and alike and telling and 0 < block.planned_s < POOLED_S


def _followed(tick: Tick, last: Mapping[str, _Raw], start: float) -> dict[str, _Raw]:
    return {c: last[c] for c in tick.crew if c in last and last[c].end > start - BEFORE_S}


def _believed(raw: Sequence[_Raw], median: float) -> list[Block]:
    """Return the blocks with usual pace, suspicion and habit, each from what came before it."""
    place = {id(b): i for i, b in enumerate(raw)}
    out: list[Block] = []
    took, planned, fast, judged = USUAL_S * median, USUAL_S, HABIT, 3.0
    for each in raw:
        first = Block(tuple(each.ticks), each.start, each.end, each.origin, *_shares(each, place))
        if not first.blind and first.planned_s > 0:
            took += first.took_s
            planned += first.planned_s
        usual = min(max(took / planned, USUAL_RANGE[0]), USUAL_RANGE[1])
        own = _suspicion(first, usual)
        if first.before:
            fast, judged = fast + own, judged + 1.0
        out.append(
            Block(
                first.ticks,
                first.start,
                first.end,
                first.origin,
                first.before,
                first.near,
                first.leaving,
                usual,
                own,
                fast / judged,
            )
        )
    return out


def _shares(
    raw: _Raw, place: Mapping[int, int]
) -> tuple[dict[int, float], dict[int, float], dict[str, float]]:
    """Return the blocks before by share and by nearness, and whose ticks they are by share."""
    places = {c: place[id(b)] for c, b in raw.before.items()}
    gap = {places[c]: raw.start - b.end for c, b in raw.before.items()}
    near = {p: smooth(1.0 - s / BEFORE_S) for p, s in gap.items()}
    weight = {p: near[p] * math.exp(-s / FADE_S) for p, s in gap.items()}
    total = sum(weight.values())
    before = {p: w / total for p, w in weight.items()}
    members = Counter(places.values())
    return before, near, {c: before[p] / members[p] for c, p in places.items()}


def _suspicion(block: Block, usual: float) -> float:
    """Return how surely the tick before a block came late."""
    if not block.before or block.planned_s <= 0:
        return 0.0
    share = block.took_s / (block.planned_s * usual)
    return smooth((FAST - share) / (FAST - SURE))


def smooth(t: float) -> float:
    """0 up to 0, 1 from 1 on, and between them a curve without a corner."""
    t = min(max(t, 0.0), 1.0)
    return t * t * (3.0 - 2.0 * t)


def _alone(chain: Sequence[Block]) -> list[float]:
    """Return the power of each block for itself.

    Both blocks before a joint one lose it where that follows too fast: either tick may have come late.
    """
    taken = [b.fast for b in chain]
    for block in chain:
        for p, near in block.near.items():
            taken[p] = max(taken[p], block.fast * near)
    return [1.0 - t for t in taken]


def _runs(chain: Sequence[Block]) -> Iterator[list[int]]:
    """Yield the blocks that hang together by links, run by run."""
    run = list(range(len(chain)))

    def top(b: int) -> int:
        while run[b] != b:
            run[b] = run[run[b]]
            b = run[b]
        return b

    for b, block in enumerate(chain):
        if block.fast > 0:
            for p in block.before:
                run[top(b)] = top(p)
    found: dict[int, list[int]] = {}
    for b in range(len(chain)):
        found.setdefault(top(b), []).append(b)
    yield from (members for members in found.values() if len(members) > 1)


def _paths(chain: Sequence[Block], run: Sequence[int]) -> dict[tuple[int, ...], float]:
    """Return the paths of a run that are one observation, each with its power.

    For every threshold between 0 and 1 the links above it hold; a block that is followed by several is
    shared among them by their suspicion, one that follows several by their shares.
    """
    out: dict[tuple[int, ...], float] = {}
    lower = 0.0
    for upper in sorted({chain[b].fast for b in run} - {0.0}):
        after: dict[int, list[tuple[int, float]]] = {}
        held = [b for b in run if chain[b].fast >= upper]
        for b in held:
            for p, share in chain[b].before.items():
                after.setdefault(p, []).append((b, share))
        for source in [p for p in after if chain[p].fast < upper]:
            for path, share in _walks(chain, after, (source,), 1.0):
                out[path] = out.get(path, 0.0) + (upper - lower) * share
        lower = upper
    return {path: power for path, power in out.items() if power >= LEAST_POWER}


def _walks(
    chain: Sequence[Block],
    after: Mapping[int, Sequence[tuple[int, float]]],
    path: tuple[int, ...],
    share: float,
) -> Iterator[tuple[tuple[int, ...], float]]:
    """Yield the ways on to the end of a run, with their shares."""
    followers = after.get(path[-1])
    if not followers or share < LEAST_POWER:
        yield path, share
        return
    total = sum(chain[b].fast * own for b, own in followers)
    for b, own in followers:
        yield from _walks(chain, after, (*path, b), share * own * chain[b].fast * own / total)


def _group(chain: Sequence[Block], path: Sequence[int], power: float) -> Group:
    """Return blocks taken as one."""
    parts = [chain[b] for b in path]
    first, last = parts[0], parts[-1]
    ticks = tuple(t for b in parts for t in b.ticks)
    planned = sum(b.planned_s for b in parts)
    took = last.end - first.start - sum(t.away_s + t.fixed_s for t in ticks)
    return Group(
        place=path[-1],
        ticks=ticks,
        crew=last.crew,
        took_s=max(took, 0.0),
        planned_s=planned,
        usual_s=planned * last.usual,
        end=last.end,
        origin=first.origin,
        leaving=first.leaving if len(parts) == 1 else {},
        power=power,
        merged=len(parts) > 1,
        habit=last.habit,
        blind=any(b.blind for b in parts) or planned <= 0,
    )

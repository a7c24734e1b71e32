"""Was there room for it? Decisions in hindsight: the rest of the excursion is played again from just before.

What was done takes the time it took, holds with it, and begins no earlier than its go; what was not done
takes its planned time at the pace of that excursion, with its noise. Stores come to what was left of them
and go on as they were believed to go at the end. Needs, windows, joint steps, limits and hardware clocks are
the forecast's.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.debrief.rows import StepRow, by_task, pace
from tracker.debrief.verdict import Verdict
from tracker.forecast.draws import Normals, from_upper_tail
from tracker.forecast.limits import beyond_waiting, late, limit_results, store_id, with_dependents, with_needs
from tracker.forecast.memory import memory_of
from tracker.forecast.remaining import build_world, prior_of
from tracker.forecast.store_course import StoreCourse
from tracker.forecast.wording import limit_words
from tracker.forecast.world import (
    Account,
    Course,
    Row,
    World,
    advance,
    begin,
    inside,
    way_home,
)
from tracker.foundation.errors import EventError
from tracker.journal.progress import Decision, Progress, StepState, inside_at, last_done

SCENARIOS = 400
ENOUGH = 0.9
"""Share of the courses from which on something is said to be so; from the rest on, not to be so."""
_MOMENT_S = 0.5
"""Just before: what is recorded together stands at one instant."""
_ORDER = frozenset(("added", "handed", "moved"))
"""Kinds of later events that say what the work is and who does it, known in hindsight."""
RECALL = "recall"
"""What breaks where work would not have been done by the recall."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Hindsight:
    """One recorded decision, judged by what came of the excursion."""

    number: int
    """Of the event."""
    at: float
    task: str
    advice: str
    choice: str
    done: bool
    """Whether the task was done."""
    room: bool | None
    """Whether it was done with every limit kept, or would have fitted; None where that cannot be told."""
    confirmed: bool | None
    """Whether a drop came where there was no room, or a keep broke nothing; False: it was costly; None: it
    cannot be told, or made no difference."""
    why: str
    """The same as `words`."""
    share: float | None
    """Share of the courses played again in which every limit was kept; None where none was needed."""
    breaks: str | None
    """The limit that was broken, or would have been most often."""
    words: str


def hindsight(
    progress: Progress,
    rows: Sequence[StepRow],
    limits: Sequence[Verdict],
    stores: Sequence[StoreCourse],
) -> tuple[Hindsight, ...]:
    """Return every decision, judged, of an excursion that is over."""
    found = _Excursion.of(progress, rows, limits, stores) if progress.decisions else None
    return tuple(found.judge(decision) for decision in progress.decisions) if found else ()


@dataclass(frozen=True, slots=True)
class _Excursion:
    """What hindsight knows of an excursion."""

    progress: Progress
    kept: frozenset[str]
    """Ids of the limits that were kept by everybody whom they bind."""
    broken: Mapping[str, float]
    """Ids of those that were not, with the PET since when."""
    stores: Mapping[str, StoreCourse]
    """By id of their limit."""
    lags: Mapping[str, float]
    """Per crew member outside from the end of their last step to their ingress, seconds."""
    pace: float
    noise: float
    """Standard deviation of the logarithm of a step's time about that pace."""

    @staticmethod
    def of(
        progress: Progress, rows: Sequence[StepRow], limits: Sequence[Verdict], stores: Sequence[StoreCourse]
    ) -> _Excursion:
        judged = [one for one in limits if one.kind in ("elapsed", "store", "clock")]
        by_id = {f"{one.owner}.{one.consumable.id}": one for one in stores}
        broken = {one.id: _since(one, by_id) for one in judged if one.kept is False}
        paced = pace(by_task(rows)) or 1.0
        return _Excursion(
            progress=progress,
            kept=frozenset(one.id for one in judged if one.kept) - broken.keys(),
            broken=broken,
            stores=by_id,
            lags={crew: _lag(progress, crew) for crew in progress.plan.outside},
            pace=paced,
            noise=_noise(progress, rows, paced),
        )

    def judge(self, decision: Decision) -> Hindsight:
        """Return what hindsight says of one decision."""
        task = self.progress.tasks.get(decision.task)
        done = task is not None and task.status == "done"
        said = self._done(decision) if done else self._not_done(decision)
        return Hindsight(
            number=decision.number,
            at=decision.at,
            task=decision.task,
            advice=decision.advice or "",
            choice=decision.choice,
            done=done,
            room=said.room,
            confirmed=_confirmed(decision.choice, done, said),
            why=said.words,
            share=said.share,
            breaks=said.breaks,
            words=said.words,
        )

    def _done(self, decision: Decision) -> _Said:
        """Judge work that was done: by what was kept, and where something was broken by a course without."""
        if not self.broken:
            return _Said(True, "done, and every limit was kept")
        after = frozenset(name for name, since in self.broken.items() if since >= decision.at)
        if not after:
            return _Said(True, "done, and every limit was kept from then on")
        played = _Replay.of(self, decision)
        if played is None or not played.faithful or after - played.broken:
            return _NOT_PLAYED
        share, breaks = played.share(played.without(decision.task), after)
        most = min(after) if breaks is None else breaks
        if share >= ENOUGH:
            kept = " and ".join(map(limit_words, sorted(after)))
            return _Said(False, f"without it {kept} would have been kept", share, most)
        if share <= 1 - ENOUGH:
            same = f"made no difference: {limit_words(most)} was broken with it or without"
            return _Said(None, same, share, most)
        return _Said(None, _undecided(share), share, most)

    def _not_done(self, decision: Decision) -> _Said:
        """Judge work that was not done: by courses in which it is."""
        played = _Replay.of(self, decision)
        if played is None or not played.faithful:
            return _NOT_PLAYED
        share, breaks = played.share(played.with_(decision.task))
        if share >= ENOUGH:
            return _Said(True, "there was room for it", share)
        if share <= 1 - ENOUGH:
            return _Said(False, f"there was no room: {limit_words(breaks or 'not told')}", share, breaks)
        return _Said(None, _undecided(share), share, breaks)


@dataclass(frozen=True, slots=True)
class _Said:
    room: bool | None
    words: str
    share: float | None = None
    breaks: str | None = None


_NOT_PLAYED = _Said(None, "not decidable: what was done, played again, does not come to what happened")


def _undecided(share: float) -> str:
    return f"not decidable: {round(100 * share)} of 100 courses"


def _confirmed(choice: str, done: bool, said: _Said) -> bool | None:
    if done:
        return said.room if choice == "keep" else None
    return None if said.room is None or choice not in ("drop", "later") else not said.room


def _noise(progress: Progress, rows: Sequence[StepRow], paced: float) -> float:
    """Return how far steps were off the pace of the excursion; few of them stay near what is believed."""
    prior = prior_of(progress)
    logs = [math.log(row.ratio / paced) for row in rows if row.ratio]
    about = sum(logs) / len(logs) if logs else 0.0
    squares = sum((one - about) ** 2 for one in logs) + prior.sigma_weight * prior.sigma**2
    weight = prior.sigma_weight + max(0, len(logs) - 1)
    return math.sqrt(squares / weight) if weight > 0 else 0.0


@dataclass(frozen=True, slots=True)
class _Replay:
    """The rest of an excursion from just before a decision, ready to be played."""

    excursion: _Excursion
    world: World
    done: tuple[int, ...]
    """The nodes of what was done, ascending."""
    before: frozenset[str]
    """Limits that were broken already; they count no more."""
    recall: float
    """By when work besides closeout has to be done, relative to now; infinite without a recall."""
    broken: frozenset[str] = frozenset()
    """Limits that are broken when what was done is played again."""

    @staticmethod
    def of(excursion: _Excursion, decision: Decision) -> _Replay | None:
        """Return it made ready; None where the work cannot be brought back."""
        progress = excursion.progress
        then = _just_before(progress, decision)
        if then is None:
            return None
        now = max(decision.at, then.at, 0.0)
        found = _lived(excursion, build_world(then, now=now, scenarios=SCENARIOS, kept=()), then)
        done = tuple(i for i, node in enumerate(found.nodes) if _was_done(progress, node.step))
        calls = [recall.at - now for recall in progress.recall.values() if recall.at >= now]
        course = _played(found, done, excursion.lags)
        if not np.isfinite(inside(found, course)).all():
            return None
        world = _stocked(excursion.stores, found, done, course)
        passed = {name for name, since in excursion.broken.items() if since < decision.at}
        before = passed | _passed(world)
        played = _Replay(excursion, world, done, frozenset(before), min(calls, default=math.inf))
        broken = frozenset(name for name, mask in played.breaches(done) if mask.any())
        return replace(played, broken=broken)

    @property
    def faithful(self) -> bool:
        """Whether what was done, played again, keeps what was kept."""
        return not self.broken & self.excursion.kept

    def with_(self, task: str) -> list[int]:
        """Return the nodes of what was done, and of a task with all that it needs."""
        known = {one.task: m for m, one in enumerate(self.world.optional)}
        wanted = with_needs(self.world.optional, [known[task]]) if task in known else frozenset()
        names = {task, *(self.world.optional[m].task for m in wanted)}
        more = [i for i, node in enumerate(self.world.nodes) if node.task in names]
        return sorted({*self.done, *more})

    def without(self, task: str) -> list[int]:
        """Return the nodes of what was done, without a task and what needs it."""
        known = {one.task: m for m, one in enumerate(self.world.optional)}
        gone = with_dependents(self.world.optional, [known[task]]) if task in known else frozenset()
        names = {task, *(self.world.optional[m].task for m in gone)}
        return [i for i in self.done if self.world.nodes[i].task not in names]

    def share(self, nodes: Sequence[int], of: Collection[str] | None = None) -> tuple[float, str | None]:
        """Return the share of courses that keep these limits (None: all), and the one that most break."""
        safe = np.ones(self.world.scenarios, dtype=np.bool_)
        most, worst = 0, None
        for name, mask in self.breaches(nodes):
            if name not in self.before and (of is None or name in of):
                safe &= ~mask
                if (count := int(np.count_nonzero(mask))) > most:
                    most, worst = count, name
        return float(np.count_nonzero(safe)) / len(safe), worst

    def breaches(self, nodes: Sequence[int]) -> Iterator[tuple[str, Mask]]:
        """Yield every limit with the courses of these nodes in which it is broken."""
        world = self.world
        course = _played(world, nodes, self.excursion.lags)
        for result in limit_results(world, nodes, course):
            yield result.id, result.broken
        for clock in world.clocks:
            if (mask := late(course, clock)) is not None:
                yield world.nodes[clock.node].step, mask
        if math.isfinite(self.recall):
            work = [course.finish[i] for i in nodes if not world.nodes[i].closeout]
            yield (
                RECALL,
                np.any([row > self.recall + _MOMENT_S for row in work], axis=0)
                | np.zeros(world.scenarios, dtype=np.bool_),
            )


def _lag(progress: Progress, crew: str) -> float:
    came, done = inside_at(progress, crew), last_done(progress, crew)
    return 0.0 if came is None or done is None else max(0.0, came - done)


def _played(world: World, nodes: Sequence[int], lags: Mapping[str, float]) -> Course:
    """Return the course of these nodes, everybody inside as long after their last step as they were."""
    course = advance(world, begin(world), nodes)
    course.ready = [
        ready + np.float32(lags.get(crew, 0.0)) for ready, crew in zip(course.ready, world.crew, strict=True)
    ]
    return course


def _just_before(progress: Progress, decision: Decision) -> Progress | None:
    """Return the excursion just before a decision, with the order and the owners that work came to have."""
    at = decision.at - _MOMENT_S if decision.at > _MOMENT_S else max(decision.at, 0.0)
    then = progress.fold.until(at=at).progress()
    now = max(decision.at, then.at, 0.0)
    for event in progress.events:
        if event.at > at and event.kind in _ORDER and event.body.get("task") != decision.task:
            then = _supposed(then, {**event.body, "kind": event.kind, "at": now}) or then
    state = then.tasks.get(decision.task)
    if state is not None and state.status == "dropped":
        found = _supposed(then, {"kind": "restored", "task": decision.task, "at": now})
        if found is None:
            return None
        then = found
    if state is None:
        return None
    return replace(then, openings=progress.openings, limits=progress.limits, reserves=progress.reserves)


def _supposed(then: Progress, event: Mapping[str, object]) -> Progress | None:
    """Return a progress with an event supposed; None where the event cannot be."""
    try:
        return then.suppose(event)
    except EventError:
        return None


def _was_done(progress: Progress, step: str) -> bool:
    return step in progress.steps and progress.steps[step].ended == "done"


def _lived(excursion: _Excursion, world: World, then: Progress) -> World:
    """Return a world whose steps take the time they took, or would have taken."""
    progress, now = excursion.progress, world.now
    goes = {event.body["step"]: event.at - now for event in progress.events if event.kind == "went"}
    nodes = tuple(
        node._replace(earliest=max(node.earliest, goes.get(node.step, 0.0))) for node in world.nodes
    )
    done = [i for i, node in enumerate(nodes) if _was_done(progress, node.step)]
    ways = way_home(world, done)
    normals = Normals.of(memory_of(progress), progress.uuid, SCENARIOS)
    rows = np.empty_like(world.durations)
    for i, node in enumerate(nodes):
        final = progress.steps.get(node.step, then.steps[node.step])
        if _was_done(progress, node.step):
            rows[i] = _took(final, then, now) / (ways[i] or 1.0 if node.home is not None else 1.0)
        else:
            drawn = normals(f"replay:{node.step}")
            rows[i] = _would_take(excursion, final, drawn, way_home=node.home is not None)
    held = [_goes_on_held(progress, then, crew) for crew in world.crew]
    now_or_later = [np.maximum(row, np.float32(0)) for row in world.ready]
    ready = tuple(row * np.float32(not own) for row, own in zip(now_or_later, held, strict=True))
    return replace(world, nodes=nodes, durations=rows, ready=ready)


def _took(final: StepState, then: Progress, now: float) -> float:
    """Return the seconds that a step took from now on, holds in it included."""
    state = then.steps[final.step.id]
    since = [then.holds[crew].since for crew in state.crew if crew in then.holds]
    waits = state.running_since is None and state.began is not None and bool(since)
    held = state.held_s + (max(0.0, now - min(since)) if waits else 0.0)
    return max(0.0, final.worked_s + final.held_s - state.elapsed_s(now) - held)


def _goes_on_held(progress: Progress, then: Progress, crew: str) -> bool:
    """Whether somebody is held at a step that was done: then the rest of the hold is part of its time."""
    current = then.current.get(crew)
    return crew in then.holds and current is not None and _was_done(progress, current)


def _would_take(excursion: _Excursion, state: StepState, normals: Row, *, way_home: bool) -> Row:
    """Return the seconds that what is left of a step would have taken; of a way home a factor."""
    likely = 1.0 if way_home else state.step.time.likely * (1.0 - state.counted / state.step.count)
    if state.step.fixed:
        return np.full(len(normals), max(0.0, likely - state.worked_s), dtype=np.float32)
    rank = np.argsort(np.argsort(-normals))
    spread = from_upper_tail((rank + 0.5) / len(normals))
    drawn = likely * excursion.pace * np.exp(excursion.noise * spread)
    worked = 0.0 if way_home or state.counted else state.worked_s
    return np.asarray(np.maximum(drawn - worked, 0.0), dtype=np.float32)


def _stocked(stores: Mapping[str, StoreCourse], world: World, done: Sequence[int], course: Course) -> World:
    """Return a world whose stores come to what was left of them when what was done is played again."""
    taken = beyond_waiting(world, done)[0]
    reached = inside(world, course)
    accounts = []
    for k, account in enumerate(world.accounts):
        store = stores[store_id(account)]
        known = _going_on(account, store, world.scenarios)
        used = known.use * (taken[k] + known.waiting * reached)
        accounts.append(replace(known, level=np.asarray(np.float32(store.left) + used, dtype=np.float32)))
    return replace(world, accounts=tuple(accounts))


def _going_on(account: Account, store: StoreCourse, scenarios: int) -> Account:
    """Return an account that goes in every course as its store was believed to go at the end."""
    use, leak = store.goes
    leaks = leak > 0 and account.waiting_per_s > 0
    lost = np.full(scenarios, leak / 3600.0, dtype=np.float32) if leaks else None
    use_row = np.full(scenarios, use, dtype=np.float32)
    return replace(account, use=use_row, leak_per_s=lost, below_s=None)


def _passed(world: World) -> set[str]:
    """Return the limits that lie behind at the beginning of a world."""
    late_clocks = {world.nodes[c.node].step for c in world.clocks if c.due is not None and c.due < 0}
    return late_clocks | {limit.name for limit in world.limits if limit.at < 0}


def _since(one: Verdict, stores: Mapping[str, StoreCourse]) -> float:
    """Return the PET since when a limit was broken."""
    if one.kind == "store":
        return stores[one.id].last + (one.by or 0.0)
    return one.at or 0.0

"""A second way to say which limits were kept: from the plan and the raw events, without any progress.

Who was inside when, when a step was done and when it can have begun are read off the events one by one.
Stores are carried on from their last two readings along a straight line; where that is too close to the
reserve to tell, nothing is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tests.journal.memory_store import in_memory
from tracker.debrief.excursion import Excursion, debriefed
from tracker.foundation.times import parse_instant, pet_of
from tracker.journal.progress import Progress, Recorded
from tracker.plan.model import Plan, Step
from tracker.plan.read import read_plan
from tracker.plan.windows import openings, usable
from tracker.rehearsal.setting import Rehearsal

PLANS = Path(__file__).resolve().parents[1] / "plans"
SURPRISES = ("stuck", "leak", "hold", "unplanned", "silence")


@dataclass(frozen=True)
class Simple:
    """What the second way says of one limit and crew member."""

    kept: bool | None
    by: float | None
    """Seconds to spare; None where it says nothing of that."""


@dataclass
class Raw:
    """An excursion as its events alone tell it."""

    plan: Plan
    events: Sequence[Recorded]

    def __post_init__(self) -> None:
        """Look through the events once."""
        self.zero: datetime = next(parse_instant(e.body["utc"]) for e in self.events if e.kind == "zero")
        self.closed = max((e.at for e in self.events if e.kind == "closed"), default=None)
        self.end = self.closed if self.closed is not None else max(e.at for e in self.events)
        self.done = {e.body["step"]: e.at for e in self.events if e.kind == "done"}
        self.entered = {e.body["crew"]: e.at for e in self.events if e.kind == "entered"}
        self.recalled = min((e.at for e in self.events if e.kind == "called"), default=math.inf)
        self.closeout = {s.id for task in self.plan.tasks if task.closeout for s in task.steps}

    def inside(self, crew: str) -> float:
        """When somebody was inside, of an excursion that is closed."""
        if crew in self.entered:
            return self.entered[crew]
        assert self.closed is not None
        mine = [s.id for s in self.plan.step.values() if crew in s.crew]
        if any(s in self.closeout and s not in self.done for s in mine):
            return self.closed
        return max((self.done[s] for s in mine if s in self.done), default=self.closed)


def expected(plan: Plan, events: Sequence[Recorded]) -> dict[tuple[str, str], Simple]:
    """Return what the raw events say of every limit, by id and crew member."""
    raw = Raw(plan, events)
    parts = (_elapsed, _clocks, _windows, _items, _hardware, _must, _stores)
    return dict(one for part in parts for one in part(raw))


Found = Iterator[tuple[tuple[str, str], Simple]]


def _elapsed(raw: Raw) -> Found:
    for limit in raw.plan.limits:
        at = pet_of(limit.at, raw.zero) if isinstance(limit.at, datetime) else limit.at
        for crew in limit.crew:
            by = at - raw.inside(crew)
            yield (limit.name, crew), Simple(by >= 0, by)


def _clocks(raw: Raw) -> Found:
    for step in raw.plan.step.values():
        if step.within is None:
            continue
        started = raw.done.get(step.within.of)
        for crew in step.crew:
            if started is None:
                yield (step.id, crew), Simple(None, None)
            elif step.id in raw.done:
                by = started + step.within.time - raw.done[step.id]
                yield (step.id, crew), Simple(by >= 0, by)
            else:
                by = started + step.within.time - raw.end
                yield (step.id, crew), Simple(None if by >= 0 else False, None if by >= 0 else by)


def _windows(raw: Raw) -> Found:
    for window in raw.plan.windows:
        steps = [s for s in raw.plan.step.values() if window.id in s.windows]
        for crew in dict.fromkeys(c for s in steps for c in s.crew):
            said = [_began_inside(raw, window.id, s) for s in steps if crew in s.crew]
            known = [one for one in said if one is not None]
            yield (f"window.{window.id}", crew), Simple(all(known) if known else None, None)


def _began_inside(raw: Raw, window: str, step: Step) -> bool | None:
    """Whether a step can have begun in an opening before it was done or left; None where it did not begin."""
    done = raw.done.get(step.id, min(raw.recalled, raw.end))
    if step.id not in raw.done and not _was_next(raw, step):
        return None
    own = [
        at
        for other, at in raw.done.items()
        if other in raw.plan.step and at <= done and other != step.id
        if not set(raw.plan.step[other].crew).isdisjoint(step.crew) or _needed(raw.plan, step, other)
    ]
    gone = [e.at for e in raw.events if e.kind == "went" and e.body["step"] == step.id]
    free = max([0.0, *own, *gone])
    spans = openings(
        raw.plan.window[window],
        zero=raw.zero,
        zero_planned=raw.plan.zero_planned,
        seen=None,
        horizon_s=4.0 * max(raw.end, 86_400.0),
    )
    spans = usable([spans], step.time.likely if step.whole else None)
    begun = any(start <= done and end > free for start, end in spans)
    return begun if step.id in raw.done or begun else None


def _was_next(raw: Raw, step: Step) -> bool:
    """Whether a step that was left came next for all of its crew, with all that it needs."""
    before = [s for s in raw.plan.step.values() if s.id not in raw.done and s.id not in raw.closeout]
    first = all(next(s for s in before if crew in s.crew) is step for crew in step.crew)
    return first and not any(_needed(raw.plan, step, s.id) for s in before)


def _needed(plan: Plan, step: Step, other: str) -> bool:
    needs = {*step.needs, *plan.task[step.task].needs}
    return other in needs or plan.step[other].task in needs


def _items(raw: Raw) -> Found:
    """Items that are open at the end; who was at work on its opener when the recall came has opened it."""
    for opener in raw.plan.step.values():
        for item in opener.opens:
            closer = next(s for s in raw.plan.step.values() if item in s.closes)
            opened = opener.id in raw.done or (raw.recalled < math.inf and _was_next(raw, opener))
            if opened and closer.id not in raw.done:
                for crew in closer.crew:
                    yield (f"item:{item}", crew), Simple(False, None)


def _hardware(raw: Raw) -> Found:
    """Hardware that lies outside at the end and is to be brought by a step of the plan.

    Whoever has it brings it in; a step brings only what somebody has by then. A step was begun that is done,
    or was next when the recall came.
    """
    for one in raw.plan.hardware:
        mentions = [s for s in raw.plan.step.values() if one.id in (*s.takes, *s.leaves, *s.brings)]
        told = [(raw.done[s.id], s) for s in mentions if s.id in raw.done]
        told += [(raw.recalled, s) for s in mentions if s.id not in raw.done and _was_next(raw, s)]
        lies, by = one.origin, tuple(raw.plan.outside)
        for _, step in sorted(told, key=lambda pair: pair[0]):
            if one.id in step.takes:
                lies = "lock"
            if one.id in step.leaves and step.id in raw.done:
                lies, by = step.leaves[one.id], step.crew
        stays = bool(mentions) and one.id in mentions[-1].leaves
        if lies != "lock" and not stays:
            for crew in by:
                yield (f"hardware:{one.id}", crew), Simple(False, None)


def _must(raw: Raw) -> Found:
    """Must work of which a step was neither done nor skipped, or nothing at all was done."""
    skipped = {e.body["step"] for e in raw.events if e.kind == "skipped"}
    for task in raw.plan.tasks:
        undone = [s for s in task.steps if s.id not in raw.done and s.id not in skipped]
        if (task.closeout or task.priority == "must") and undone:
            for crew in dict.fromkeys(crew for step in undone for crew in step.crew):
                yield (f"task:{task.id}", crew), Simple(False, None)
    for task in (e.body["task"] for e in raw.events if e.kind == "added"):
        steps = {f"{task['id']}.{n}": step["crew"] for n, step in enumerate(task["steps"], 1)}
        undone_by = [crew for step, crew in steps.items() if step not in raw.done and step not in skipped]
        if task.get("priority", "must") == "must":
            for crew in dict.fromkeys(crew for members in undone_by for crew in members):
                yield (f"task:{task['id']}", crew), Simple(False, None)


def _stores(raw: Raw) -> Found:
    for consumable in raw.plan.consumables:
        for owner in ("*",) if consumable.shared else consumable.crew:
            seen = sorted(_read(raw, owner, consumable.id), key=lambda pair: pair[0])
            members = consumable.crew if consumable.shared else (owner,)
            last = max(raw.inside(crew) for crew in members)
            before, (at, value) = ([(0.0, consumable.start), *seen][-2:] * 2)[-2:]
            per_s = max(0.0, before[1] - value) / max(at - before[0], 1.0)
            goes_on = per_s * max(0.0, last - at)
            margin = value - goes_on - consumable.reserve
            sure = abs(margin) > 6 * consumable.reading_sd + goes_on
            if sure and seen:
                yield (f"{owner}.{consumable.id}", owner), Simple(margin >= 0, None)


def _read(raw: Raw, owner: str, store: str) -> Iterator[tuple[float, float]]:
    """Yield when somebody read a store, by itself or in a round, and what they read."""
    for e in raw.events:
        if e.kind == "reading" and (e.body["crew"], e.body["consumable"]) == (owner, store):
            yield e.at, float(e.body["value"])
        elif e.kind == "checked" and e.body["crew"] == owner and store in e.body["answers"]:
            yield e.at, float(e.body["answers"][store])


def rehearsed(plan: Plan, seed: int) -> Progress:
    """Return a rehearsal with every surprise, in which nobody takes advice."""
    with in_memory(plan, rehearsal=True, seed=f"{plan.name}-{seed}") as journal:
        return Rehearsal(journal, plan, seed, wanted=SURPRISES).through()


def called_home(progress: Progress, share: float) -> Progress:
    """Return the same excursion, called home at once after a share of its time; ten minutes a step then."""
    at = round(progress.at * share)
    zero = progress.zero
    assert zero is not None
    so_far = [e for e in progress.fold.recorded if e.at <= at]
    with in_memory(progress.plan, rehearsal=True, seed=progress.uuid) as journal:
        journal.record_all([{"kind": e.kind, "at": e.at, "seat": e.seat, **e.body} for e in so_far])
        journal.record({"kind": "called", "call": "at once", "at": at})
        for task in progress.plan.tasks:
            for step in task.steps if task.closeout else ():
                at += 600
                journal.record({"kind": "done", "step": step.id, "at": at})
        journal.record({"kind": "closed", "at": at + 60})
        return journal.progress()


def under_another_sky(progress: Progress, seconds: float) -> Progress:
    """Return the same events under a plan whose windows come so much later; orbits stay as they are."""
    windows = tuple(
        one if one.orbit is not None else replace(one, open=tuple(_later(span, seconds) for span in one.open))
        for one in progress.plan.windows
    )
    with in_memory(replace(progress.plan, windows=windows), rehearsal=True, seed=progress.uuid) as journal:
        events = progress.fold.recorded
        journal.record_all([{"kind": e.kind, "at": e.at, "seat": e.seat, **e.body} for e in events])
        return journal.progress()


def _later(span: Any, seconds: float) -> Any:
    return tuple(
        at + timedelta(seconds=seconds) if isinstance(at, datetime) else at + round(seconds) for at in span
    )


def judged_excursions(seeds: Iterable[int]) -> Iterator[Progress]:
    """Yield rehearsals of every shipped plan: as it went, called home on the way, under another sky."""
    for name in ("larkspur", "outfall", "plateau"):
        plan = read_plan(PLANS / f"{name}.yaml")
        for seed in seeds:
            progress = rehearsed(plan, seed)
            yield progress
            yield called_home(progress, (0.2, 0.35, 0.5, 0.65)[seed % 4])
            yield under_another_sky(progress, 1800.0 * (1 + seed % 3))


@dataclass
class Compared:
    """What came of comparing verdicts with the second way; counts by kind of limit."""

    judged: dict[str, int]
    broken: dict[str, int]
    untold: int
    """Stores too close to their reserve for the second way."""
    unlike: list[str]


def compare(every: Sequence[Progress]) -> Compared:
    """Return how the verdicts on these excursions compare with what their raw events say."""
    out = Compared({}, {}, 0, [])
    for progress in every:
        _compare(
            debriefed(progress, progress.uuid, None), expected(progress.plan, progress.fold.recorded), out
        )
    return out


def _compare(one: Excursion, simple: Mapping[tuple[str, str], Simple], out: Compared) -> None:
    found = {(limit.id, limit.crew): limit for limit in one.limits}
    stores = {key for key, limit in found.items() if limit.kind == "store"}
    out.untold += len(stores - simple.keys())
    for key in sorted(found.keys() | simple.keys() - stores):
        if key not in simple and key in stores:
            continue
        ours, theirs = found.get(key), simple.get(key)
        if ours is None or theirs is None or not _alike(ours.kept, ours.by, theirs):
            out.unlike.append(f"{one.journal} {key}: {ours and (ours.kept, ours.by)}, {theirs}")
            continue
        out.judged[ours.kind] = out.judged.get(ours.kind, 0) + 1
        out.broken[ours.kind] = out.broken.get(ours.kind, 0) + (ours.kept is False)


def _alike(kept: bool | None, by: float | None, simple: Simple) -> bool:
    if simple.by is not None and (by is None or not math.isclose(by, simple.by, abs_tol=1e-6)):
        return False
    return kept is simple.kept


def told(found: Compared) -> Mapping[str, Any]:
    """Return per kind of limit how many were judged, and how many of them were broken."""
    return {kind: (count, found.broken[kind]) for kind, count in sorted(found.judged.items())}

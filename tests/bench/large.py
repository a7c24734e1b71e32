"""Large plans for measuring: 300 steps, two crew members, windows, four consumables each."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world
from tracker.forecast.world import World, advance, begin, inside
from tracker.foundation.times import format_exact
from tracker.journal.admission import admit
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress
from tracker.plan.read import parse_plan

_STORES = [("oxygen", 0.005, 0.07), ("scrubber", 0.0, 0.1), ("power", 60.0, 4.0), ("water", 0.1, 0.6)]
"""Name, use an hour, use a megajoule."""


@dataclass(frozen=True)
class Size:
    """What a large plan has."""

    optional: int = 8
    steps: int = 300
    flat: bool = False
    """Optional tasks of one length and value: the worst case of a search."""


def large(seed: int, size: Size | None = None, *, scenarios: int = 10_000) -> tuple[Progress, World]:
    """Return an excursion at its zero, whose limit leaves room for a part of the optional work.

    A fifth of the steps are joint, a tenth have needs, a fifth wait for a window that is open 70 of 92
    minutes.
    """
    size = size or Size()
    rng = random.Random(seed)
    tasks = _tasks(rng, size)
    free = progress_of(_text(tasks, 40 * 3600, (9.0,) * 4))
    world = build_world(free, now=0, scenarios=scenarios)
    low, high = (_end(world, kept) for kept in ((), range(len(world.optional))))
    limit = int(low + (high - low) * rng.uniform(0.3, 0.8))
    room = tuple(rng.uniform(1.3, 1.6) * limit / 3600 for _ in _STORES)
    made = progress_of(_text(tasks, limit, room))
    return made, build_world(made, now=0, scenarios=scenarios)


def progress_of(text: str) -> Progress:
    """Return the progress of a plan whose clock has just started."""
    fold = Fold.start(parse_plan(text, file="large.yaml", name="large"), uuid="0c6f2a34-large")
    zero = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}
    return admit(fold, zero, utc_now=datetime(2041, 1, 1, tzinfo=UTC), seat="desk")[1].progress()


def _end(world: World, kept: Sequence[int]) -> float:
    return one(inside(world, advance(world, begin(world), world.present(kept))), 0.9)


@dataclass
class _Task:
    name: str
    keys: str
    steps: list[str]


def _tasks(rng: random.Random, size: Size) -> list[_Task]:
    """Return must tasks with optional ones between them, spread over the excursion."""
    length = 6 if size.flat else 0
    optional = [length or rng.randrange(3, 10) for _ in range(size.optional)]
    musts = size.steps - 1 - sum(optional)
    out: list[_Task] = []
    for m, count in enumerate(optional):
        share = musts // size.optional + (m < musts % size.optional)
        out.append(
            _Task(f"must{m}", "priority: must", [_step(rng, f"must{m}", k, size) for k in range(share)])
        )
        needs = f", needs: [opt{rng.randrange(m)}]" if m and not size.flat and rng.random() < 0.2 else ""
        out.append(
            _Task(
                f"opt{m}", _worth(rng, size) + needs, [_step(rng, f"opt{m}", k, size) for k in range(count)]
            )
        )
    home = "{id: home, do: Come in, crew: [EV1, EV2], time: 0:10}"
    return [*out, _Task("closeout", "closeout: true", [home])]


def _worth(rng: random.Random, size: Size) -> str:
    if size.flat:
        return "priority: get-ahead"
    priority = "should" if rng.random() < 0.4 else "get-ahead"
    return f"priority: {priority}, value: {rng.randrange(1, 20)}"


def _step(rng: random.Random, task: str, k: int, size: Size) -> str:
    crew = "EV1, EV2" if rng.random() < 0.2 else rng.choice(["EV1", "EV2"])
    needs = f", needs: [{task}.s{rng.randrange(k)}]" if k and rng.random() < 0.1 else ""
    light = ", window: light" if rng.random() < 0.2 else ""
    seconds = 100 if size.flat and task.startswith("opt") else rng.randrange(40, 220)
    effort = rng.choice(["light", "moderate", "heavy"])
    time = format_exact(seconds)
    return f"{{id: s{k}, do: Work on {k}, crew: [{crew}], time: {time}, effort: {effort}{needs}{light}}}"


def _text(tasks: Sequence[_Task], limit: int, hours: Sequence[float]) -> str:
    """Return the plan; each store is good for so many hours at a moderate effort."""
    stores = "\n".join(
        f"  - {{id: {name}, unit: kg, start: {(clock + heat * 0.8) * good + 0.01:.4f}, reserve: 0.01, "
        f"per_hour: {clock}, per_megajoule: {heat}}}"
        for (name, clock, heat), good in zip(_STORES, hours, strict=True)
    )
    opened = ", ".join(f"[{format_exact(k * 5520)}, {format_exact(k * 5520 + 4200)}]" for k in range(30))
    body = "\n".join(
        f"  - id: {task.name}\n    title: {task.name}\n    "
        + task.keys.replace(", ", "\n    ", 1).replace(", needs", "\n    needs")
        + "\n    steps:\n"
        + "\n".join(f"      - {step}" for step in task.steps)
        for task in tasks
    )
    return f"""format: 1
excursion: Large
zero: Start
zero_planned: 2031-05-04T14:00:00Z
limits: {{elapsed: {format_exact(limit)}}}
crew:
  - {{id: EV1, name: One}}
  - {{id: EV2, name: Two}}
consumables:
{stores}
windows:
  - {{id: light, open: [{opened}]}}
tasks:
{body}
"""


def whole_seconds(world: World) -> World:
    """Return the world with durations in whole seconds, for a solver of whole numbers."""
    return replace(world, durations=world.durations.round())

"""The text of large plans for measuring: 300 steps, two crew members, windows, four consumables each.

Nothing here knows the program, so that two checkouts can be given the same plan.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

STORES = [("oxygen", 0.005, 0.07), ("scrubber", 0.0, 0.1), ("power", 60.0, 4.0), ("water", 0.1, 0.6)]
"""Name, use an hour, use a megajoule."""


@dataclass(frozen=True)
class Size:
    """What a large plan has."""

    optional: int = 8
    steps: int = 300
    flat: bool = False
    """Optional tasks of one length and value: the worst case of a search."""


def exact(seconds: int) -> str:
    """Return seconds as H:MM:SS."""
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


@dataclass
class Task:
    name: str
    keys: str
    steps: list[str]


def random_tasks(rng: random.Random, size: Size) -> list[Task]:
    """Return must tasks with optional ones between them, spread over the excursion."""
    length = 6 if size.flat else 0
    optional = [length or rng.randrange(3, 10) for _ in range(size.optional)]
    musts = size.steps - 1 - sum(optional)
    out: list[Task] = []
    for m, count in enumerate(optional):
        share = musts // size.optional + (m < musts % size.optional)
        out.append(
            Task(f"must{m}", "priority: must", [_step(rng, f"must{m}", k, size) for k in range(share)])
        )
        needs = f", needs: [opt{rng.randrange(m)}]" if m and not size.flat and rng.random() < 0.2 else ""
        out.append(
            Task(f"opt{m}", _worth(rng, size) + needs, [_step(rng, f"opt{m}", k, size) for k in range(count)])
        )
    home = "{id: home, do: Come in, crew: [EV1, EV2], time: 0:10}"
    return [*out, Task("closeout", "closeout: true", [home])]


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
    time = exact(seconds)
    return f"{{id: s{k}, do: Work on {k}, crew: [{crew}], time: {time}, effort: {effort}{needs}{light}}}"


def plan_text(tasks: Sequence[Task], limit: int, hours: Sequence[float]) -> str:
    """Return the plan; each store is good for so many hours at a moderate effort."""
    stores = "\n".join(
        f"  - {{id: {name}, unit: kg, start: {(clock + heat * 0.8) * good + 0.01:.4f}, reserve: 0.01, "
        f"per_hour: {clock}, per_megajoule: {heat}}}"
        for (name, clock, heat), good in zip(STORES, hours, strict=True)
    )
    opened = ", ".join(f"[{exact(k * 5520)}, {exact(k * 5520 + 4200)}]" for k in range(30))
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
limits: {{elapsed: {exact(limit)}}}
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

"""Where hardware is along the plan: who takes it, where it is left, and whether it comes back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from tracker.plan.model import LOCK, Plan, Step
from tracker.plan.timeline import as_planned

Key = Literal["takes", "leaves", "brings"]


@dataclass(frozen=True, slots=True)
class Move:
    """One thing that a step does with one piece of hardware."""

    hardware: str
    step: str
    key: Key
    place: int | str
    """Its place below the key of the step."""
    to: str
    """A site or `LOCK`; empty: with the crew of the step."""
    wrong: tuple[str, str] | tuple[()] = ()
    """Why it cannot be, and what would be right."""


def moves(plan: Plan) -> Iterator[Move]:
    """Yield what is done with hardware in the order of the plan on paper, all optional work in it."""
    at: dict[str, str] = {one.id: one.origin for one in plan.hardware}
    holder: dict[str, Step] = {}
    for step, key, place, name in _as_planned(plan):
        to = {"takes": "", "brings": LOCK}[key] if key != "leaves" else step.leaves[name]
        wrong = _wrong(name, step, key, at[name], holder.get(name))
        yield Move(name, step.id, key, place, to, wrong)
        at[name] = to
        holder.pop(name, None)
        if not to:
            holder[name] = step


def _as_planned(plan: Plan) -> list[tuple[Step, Key, int | str, str]]:
    """Every mention of hardware in a step: it is taken at the begin, and put down by the end."""
    if not plan.hardware:
        return []
    course = as_planned(plan)
    found: list[tuple[float, bool, Step, Key, int | str, str]] = []
    for step in course.steps:
        begin, end = course.start[step.id], course.finish[step.id]
        found += [(begin, True, step, "takes", i, name) for i, name in enumerate(step.takes)]
        found += [(end, False, step, "leaves", name, name) for name in step.leaves]
        found += [(end, False, step, "brings", i, name) for i, name in enumerate(step.brings)]
    return [tuple(rest) for _, _, *rest in sorted(found, key=lambda one: one[:2])]  # type: ignore[misc]


def _wrong(name: str, step: Step, key: Key, at: str, holder: Step | None) -> tuple[str, str] | tuple[()]:
    if key == "takes" and holder is not None:
        right = "let an earlier step leave it at a site or bring it back"
        return f"{' and '.join(holder.crew)} has {name!r} since {holder.id}, on paper", right
    if key == "leaves" and holder is None:
        return f"nobody has {name!r} by then, on paper", f"write takes: [{name}] here or in an earlier step"
    if key == "brings" and holder is None and at not in (LOCK, step.site):
        right = f"let a step at {at} bring it, or take it before"
        return f"{name!r} lies at {at} by then, on paper, and this step is not done there", right
    if key == "brings" and holder is None and at == LOCK:
        return f"{name!r} is in the lock by then, on paper", "let an earlier step take it, or leave this out"
    if holder is not None and key != "takes" and not set(holder.crew) & set(step.crew):
        right = f"let a step of {' or '.join(holder.crew)} leave it at a site first"
        return f"{' and '.join(holder.crew)} has {name!r} since {holder.id}, on paper", right
    return ()


def meant_places(plan: Plan) -> dict[str, str]:
    """Where each piece is when all went as planned: the site at which it is left for good, or `LOCK`.

    What somebody still has then comes in with them.
    """
    last = {one.id: one.origin for one in plan.hardware}
    last |= {move.hardware: move.to or LOCK for move in moves(plan)}
    return last


def due_back(plan: Plan) -> tuple[str, ...]:
    """Hardware that is to be in the lock at the end, in the order of the plan."""
    return tuple(name for name, place in meant_places(plan).items() if place == LOCK)

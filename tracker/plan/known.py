"""What a plan's parts may refer to, and the words and small checks that all the rules share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from tracker.plan.complaints import nearest
from tracker.plan.node import Loc, Tree
from tracker.plan.schema import StepFile, TaskFile

DEFAULT_EFFORTS = {"rest": 120.0, "light": 200.0, "moderate": 300.0, "heavy": 450.0}
USUAL_EFFORT = "light"
MOST_WATTS = 2000.0
ANOTHER = "give this one another id"


@dataclass(slots=True)
class Known:
    """Ids that something may refer to, and what has been said of open items."""

    crew: dict[str, bool] = field(default_factory=dict)
    """Id to whether they go outside."""
    consumables: set[str] = field(default_factory=set)
    windows: set[str] = field(default_factory=set)
    sites: set[str] = field(default_factory=set)
    efforts: dict[str, float] = field(default_factory=dict)
    tasks: dict[str, str] = field(default_factory=dict)
    """Id to `must`, `should`, `get-ahead` or `closeout`."""
    steps: dict[str, str] = field(default_factory=dict)
    """Id to the task's id."""
    openers: dict[str, list[Loc]] = field(default_factory=dict)
    closers: dict[str, list[Loc]] = field(default_factory=dict)


def step_id(task: str, step: StepFile, index: int) -> str:
    """Return the whole id of a step."""
    return f"{task}.{step.id if step.id is not None else index + 1}"


def kind_of(task: TaskFile) -> str:
    """Return `closeout`, or the task's priority."""
    return "closeout" if task.closeout else task.priority or "must"


def each_step(
    tasks: Iterable[TaskFile], at: Loc = ("tasks",)
) -> Iterator[tuple[TaskFile, str, StepFile, Loc]]:
    """Yield every step with its task, whole id and location."""
    for i, task in enumerate(tasks):
        for j, step in enumerate(task.steps):
            yield task, step_id(task.id, step, j), step, (*at, i, "steps", j)


ABOVE_REST = "nobody works below rest; raise it or lower efforts.rest"


def people(tree: Tree, at: Loc, crew: list[str], known: Known, outside: str = "") -> None:
    """Note faults of a list of crew members; `outside` says why one inside does not belong there."""
    node = tree.find(at)
    if not crew and not node.stand_in:
        tree.report(at, "names nobody", "write [EV1]")
    for i, member in enumerate(crew):
        if member not in known.crew:
            if "crew" not in tree.unsure:
                tree.report((*at, i), f"there is no crew member {member!r}", nearest(member, known.crew))
        elif outside and not known.crew[member]:
            tree.report((*at, i), f"{member!r} is inside and {outside}", "name crew members outside")
        if member in crew[:i]:
            tree.report((*at, i), f"{member!r} is named twice", "name each once")

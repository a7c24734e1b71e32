"""Reads plan files: every fault of a file in one run, or the plan as values."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from tracker.foundation.errors import Fault, PlanError
from tracker.foundation.text import spelled
from tracker.plan.build import build_plan, build_task
from tracker.plan.complaints import read_model
from tracker.plan.model import Plan, Task
from tracker.plan.rules import Known, check_items, check_plan, check_tasks
from tracker.plan.schema import PlanFile, TaskFile
from tracker.plan.structure import (
    check_bounds,
    check_network,
    check_openings,
    check_whereabouts,
    check_windows,
)
from tracker.plan.yaml_tree import MOST_BYTES, Node, Tree, of_data, position, read_tree

_BOMS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Read a plan file, YAML 1.2 or JSON.

    Raises PlanError with every fault of it, each with its line and column.
    """
    file = os.fspath(path)
    return parse_plan(read_text(file), file=file, name=spelled(Path(file).stem))


def parse_plan(text: str, *, file: str, name: str, kept: bool = False) -> Plan:
    """The plan in a text. `file` is named in faults; `name` is the plan's own.

    `kept`: a journal holds it, so it is read even where it names instants that no excursion can reach.
    Raises PlanError with every fault of it.
    """
    tree = read_tree(text.removeprefix("\ufeff"), file)
    model = read_model(PlanFile, tree)
    if model is not None:
        known = check_plan(model, tree)
        check_network(model, tree, known.efforts)
        check_openings(model, tree, known.efforts)
        if not kept:
            check_bounds(model, tree)
    tree.finish()
    assert model is not None
    plan = build_plan(model, text, name, file)
    check_windows(plan, model, tree)
    check_whereabouts(plan, model, tree)
    tree.finish()
    return plan


def parse_task(
    data: Mapping[str, Any], plan: Plan, *, known: Iterable[Task] = (), default_id: str = "added"
) -> Task:
    """The task of an `added` event, written as in a plan; `id` may be left out.

    `known` are all tasks so far, planned and added (default: the plan's own): it may refer to them, and
    its ids and open items may not be theirs. Raises PlanError with every fault.
    """
    if not isinstance(data, Mapping):
        raise PlanError([Fault("task", 0, 0, "", "is no mapping", "write a task as in a plan")])
    try:
        task = of_data({"id": default_id, **data}, "task")
    except (ValueError, RecursionError) as error:
        raise PlanError([Fault("task", 0, 0, "", str(error), "write a task as in a plan")]) from None
    tree = Tree("task", task)
    model = read_model(TaskFile, tree, ("tasks", "#"))
    if model is None:
        tree.finish()
        raise PlanError([Fault("task", 0, 0, "", "cannot be read", "write a task as in a plan")])
    so_far = tuple(known) or plan.tasks
    ids = _known(plan, so_far)
    # The rules speak of `tasks[0]`; a tree with that one task above it lets them.
    above = Tree("task", Node("map", 0, 0, entries={"tasks": Node("list", 0, 0, items=[task])}), tree.faults)
    check_tasks([model], above, ids)
    check_items(above, ids)
    above.finish()
    return build_task(model, plan.efforts)


def _known(plan: Plan, tasks: Iterable[Task]) -> Known:
    steps = [step for task in tasks for step in task.steps]
    return Known(
        crew={member.id: member.outside for member in plan.crew},
        consumables=set(plan.consumable),
        windows=set(plan.window),
        sites=set(plan.sites),
        hardware={one.id for one in plan.hardware},
        efforts=dict(plan.efforts),
        tasks={task.id: "closeout" if task.closeout else task.priority for task in tasks},
        steps={step.id: step.task for step in steps},
        openers={item: [()] for step in steps for item in step.opens},
        closers={item: [()] for step in steps for item in step.closes},
    )


def read_text(file: str, kind: str = "plan") -> str:
    """The text of a plan or pace file.

    Raises PlanError when it cannot be read, is too large, or is no text in UTF-8.
    """
    return decoded(read_bytes(file, kind), file)


def read_bytes(file: str, kind: str = "plan") -> bytes:
    """The bytes of a plan, sheet or pace file. Raises PlanError when it cannot be read or is too large."""
    try:
        with open(file, "rb", opener=_without_waiting) as opened:
            if not stat.S_ISREG(os.fstat(opened.fileno()).st_mode):
                raise _whole(file, "is not a file", f"give the path of a {kind} file")
            raw = opened.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _whole(file, f"cannot be read: {reason}", f"give the path of a {kind} file") from None
    if len(raw) > MOST_BYTES:
        raise _whole(file, "is larger than 10 MB", "a plan of 20,000 entries needs far less")
    return raw


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def decoded(raw: bytes, file: str) -> str:
    """Bytes as text, without a byte-order mark. Raises PlanError when they are not UTF-8."""
    if raw[:2] in _BOMS:
        raise _whole(file, "is UTF-16", "save it as UTF-8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        good = raw[: error.start].decode("utf-8", "replace")
        line, column = position(good, len(good))
        what = f"the byte 0x{raw[error.start]:02X} is not UTF-8"
        raise PlanError([Fault(file, line, column, "", what, "save the plan as text in UTF-8")]) from None


def _whole(file: str, what: str, right: str) -> PlanError:
    return PlanError([Fault(file, 0, 0, "", what, right)])

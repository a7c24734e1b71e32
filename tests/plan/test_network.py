"""Circles, clocks and items that run backwards, windows that never open for a step."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tracker.foundation.errors import Fault
from tracker.plan.graph import circles, present_needs, sort_steps

HEAD = "format: 1\nexcursion: x\nlimits: {elapsed: 6:00}\ncrew: [{id: EV1}, {id: EV2}]\n"


def steps(*lines: str) -> str:
    """Return a plan whose tasks are given one a line: `id crew key: value ...`."""
    out = [HEAD + "tasks:"]
    for line in lines:
        task, crew, rest = line.split(" ", 2)
        out.append(f"  - {{id: {task}, steps: [{{crew: [{crew}], time: 0:10, {rest}}}]}}")
    return "\n".join(out) + "\n"


def test_circle_of_needs_together_with_the_crews_order(faults: Callable[[str], list[Fault]]) -> None:
    # EV1: a, b; EV2: c, d; a needs d, c needs b.
    text = steps("a EV1 needs: [d]", "b EV1 id: x", "c EV2 needs: [b]", "d EV2 id: y")
    (found,) = faults(text)
    assert (found.line, found.column, found.path) == (6, 55, "tasks[0].steps[0].needs")
    assert found.what == (
        "a circle: a.1 needs d.y, d.y is after c.1 in the order of EV2, c.1 needs b.x, "
        "b.x is after a.1 in the order of EV1"
    )
    assert "leave one need out" in found.right


def test_circle_of_needs_alone(faults: Callable[[str], list[Fault]]) -> None:
    (found,) = faults(steps("a EV1 needs: [b]", "b EV2 needs: [a.1]"))
    assert found.what == "a circle: a.1 needs b.1, b.1 needs a.1"


def test_need_against_the_order_of_one(faults: Callable[[str], list[Fault]]) -> None:
    (found,) = faults(steps("a EV1 needs: [b]", "b EV1 id: x"))
    assert found.what == "a circle: a.1 needs b.x, b.x is after a.1 in the order of EV1"


def test_two_circles_are_two_faults(faults: Callable[[str], list[Fault]]) -> None:
    text = steps(
        "a EV1 needs: [b]", "b EV2 needs: [a]", "c EV1 needs: [d]", "d EV2 needs: [c]", "e EV1 needs: [a]"
    )
    assert len(faults(text)) == 2


def test_a_need_of_a_whole_task_is_placed_at_the_task(faults: Callable[[str], list[Fault]]) -> None:
    text = HEAD + (
        "tasks:\n"
        "  - {id: a, needs: [b], steps: [{crew: [EV1], time: 0:10}]}\n"
        "  - {id: b, steps: [{crew: [EV1], time: 0:10}]}\n"
    )
    (found,) = faults(text)
    assert (found.line, found.column, found.path) == (6, 21, "tasks[0].needs")


def test_a_task_that_needs_itself(faults: Callable[[str], list[Fault]]) -> None:
    text = HEAD + "tasks:\n  - {id: a, needs: [a], steps: [{crew: [EV1], time: 0:10}]}\n"
    (found,) = faults(text)
    assert found.what == "'a' is this very task"


def test_closeout_may_need_closeout(faults: Callable[[str], list[Fault]]) -> None:
    text = HEAD + (
        "tasks:\n  - id: home\n    closeout: true\n    steps:\n"
        "      - {id: in-2, crew: [EV2], time: 0:05}\n"
        "      - {id: in-1, crew: [EV1], time: 0:05, needs: [home.in-2]}\n"
    )
    assert faults(text) == []


def test_item_closed_before_it_is_opened(faults: Callable[[str], list[Fault]]) -> None:
    (found,) = faults(steps("a EV1 closes: [lid]", "b EV1 opens: [lid]"))
    assert found.path == "tasks[1].steps[0].opens"
    assert found.what == "'lid' is closed by a.1, which comes before it is opened"


def test_a_step_may_open_and_close_an_item_of_its_own(faults: Callable[[str], list[Fault]]) -> None:
    assert faults(steps("a EV1 opens: [flow], closes: [flow]")) == []


def test_home_without_a_site(faults: Callable[[str], list[Fault]]) -> None:
    text = HEAD + "tasks:\n  - {id: h, closeout: true, steps: [{crew: [EV1], time: home}]}\n"
    (found,) = faults(text)
    assert "`home` has no site to start from" in found.what


def windowed(windows: str, step: str, before: str = "") -> str:
    return HEAD + f"windows:\n{windows}\ntasks:\n{before}  - {{id: a, steps: [{{crew: [EV1], {step}}}]}}\n"


@pytest.mark.parametrize(
    ("windows", "step", "what"),
    [
        (
            "  - {id: w, open: [[0:00, 0:20]]}\n  - {id: v, open: [[0:20, 0:40]]}",
            "time: 0:05, window: [w, v]",
            "'w' and 'v' are never open together",
        ),
        (
            "  - {id: w, open: [[0:10, 0:20], [1:00, 1:09]]}",
            "time: 0:11, window: [w], whole: true",
            "'w' never opens long enough for the whole step",
        ),
        (
            "  - {id: w, orbit: {altitude: 400, beta: 0, first_sunrise: 0:10}}",
            "time: 1:00, window: [w], whole: true",
            "'w' never opens long enough for the whole step",
        ),
        ("  - {id: w, open: [[-0:30, 0:00]]}", "time: 0:05, window: [w]", "'w' never opens after zero"),
    ],
)
def test_window_that_never_opens(
    windows: str, step: str, what: str, faults: Callable[[str], list[Fault]]
) -> None:
    (found,) = faults(windowed(windows, step))
    assert (found.path, found.what) == ("tasks[0].steps[0].window", what)


def test_window_that_closes_before_the_step_can_begin(faults: Callable[[str], list[Fault]]) -> None:
    text = windowed(
        "  - {id: w, open: [[0:00, 0:20]]}",
        "time: 0:05, window: [w]",
        "  - {id: first, steps: [{crew: [EV1], time: 0:20}]}\n",
    )
    (found,) = faults(text)
    assert found.what == (
        "'w' never opens for this step: it closes before the crew is there at 0:20 or later, on paper"
    )
    assert faults(text.replace("time: 0:20}", "time: 0:19:59}")) == []


def test_a_window_that_only_optional_work_makes_it_miss_is_no_fault(
    faults: Callable[[str], list[Fault]],
) -> None:
    text = windowed(
        "  - {id: w, open: [[0:00, 0:20]]}",
        "time: 0:05, window: [w]",
        "  - {id: first, priority: get-ahead, steps: [{crew: [EV1], time: 0:30}]}\n",
    )
    assert faults(text) == []


def test_sorting_keeps_the_given_order_where_it_can() -> None:
    before = {"a": ["c"], "b": [], "c": [], "d": ["b"]}
    assert sort_steps(["a", "b", "c", "d"], before) == (["b", "c", "a", "d"], [])
    assert sort_steps(["a", "b"], {"a": ["b"], "b": ["a"]}) == ([], ["a", "b"])
    assert circles(["a", "b", "c"], {"a": ["b"], "b": ["a"], "c": ["b"]}) == [["a", "b"]]


def test_needs_on_absent_steps_are_inherited() -> None:
    needs = {"d": ("c", "x"), "c": ("b",), "b": ("a",), "a": (), "x": ("c",)}
    assert present_needs(needs, ["a", "d"]) == {"a": (), "d": ("a",)}
    assert present_needs(needs, ["b", "x", "d"])["d"] == ("b", "x")

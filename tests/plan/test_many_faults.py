# ruff: noqa: E501
"""All faults of a file in one run, each once, in file order; and no plan crashes the reader."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.foundation.errors import Fault, PlanError
from tracker.plan.read import parse_plan


def test_faults_of_every_kind_come_in_one_run(faults: Callable[[str], list[Fault]], plan_text: str) -> None:
    spoilt = {
        "excursion: Test walk": "excursoin: Test walk",
        "elapsed: 6:30": "elapsed: 390",
        "light: 200": "light: 100",
        "reserve: 0.10": "reserve: 7",
        "beta: 20": "beta: 200",
        "time: 0:10, opens": "time: 10, opens",
        "site: truss": "site: trus",
        "effort: moderate": "effort: moderat",
        "priority: get-ahead": "priority: never",
        "crew: [EV2], time: 0:20": "crew: [EV7], time: 0:20",
        "title: Go home": "priority: must",
        ", closes: [hatch]": "",
    }
    text = plan_text
    for old, new in spoilt.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    found = faults(text)
    assert [fault.path for fault in found] == [
        "excursoin",
        "limits.elapsed",
        "efforts.light",
        "consumables[0].reserve",
        "windows[1].orbit.beta",
        "tasks[0].steps[0].time",
        "tasks[0].steps[0].opens",
        "tasks[1].steps[0].site",
        "tasks[1].steps[1].effort",
        "tasks[2].priority",
        "tasks[2].steps[0].crew",
        "tasks[3].priority",
    ]
    assert [(f.line, f.column) for f in found] == sorted((f.line, f.column) for f in found)


def test_missing_sections_do_not_hide_one_another(faults: Callable[[str], list[Fault]]) -> None:
    found = faults("zero: x\n")
    assert {fault.path for fault in found} == {"format", "excursion", "limits", "crew", "tasks"}
    assert all(fault.what == "is missing" and fault.right.startswith("write ") for fault in found)


def test_sections_of_the_wrong_shape(faults: Callable[[str], list[Fault]]) -> None:
    text = "format: 1\nexcursion: x\nlimits: 6:30\ncrew: EV1\nefforts: []\nwindows: {}\nsites: 3\ntasks:\n"
    assert [str(fault) for fault in faults(text)] == [
        "p.yaml:3:9: limits: '6:30' stands where a mapping should; write KEY: VALUE lines, or {key: value}",
        "p.yaml:4:7: crew: 'EV1' stands where a list should; write [a, b], or lines that start with `- `",
        "p.yaml:5:10: efforts: a list stands where a mapping should; write KEY: VALUE lines, or {key: value}",
        "p.yaml:6:10: windows: a mapping stands where a list should; write [a, b], or lines that start with `- `",
        "p.yaml:7:8: sites: '3' stands where a mapping should; write KEY: VALUE lines, or {key: value}",
        "p.yaml:8:1: tasks: is empty; write [a, b], or lines that start with `- `",
    ]


def test_a_comma_in_braces_is_explained(faults: Callable[[str], list[Fault]], plan_text: str) -> None:
    (found,) = faults(plan_text.replace("do: Take photos", "do: Take photos, near and far"))
    assert found.right == "a comma in braces starts a new key: put text with a comma in quotes"


def test_a_fault_in_the_crew_brings_no_flood_of_unknown_names(
    faults: Callable[[str], list[Fault]], plan_text: str
) -> None:
    assert len(faults(plan_text.replace("id: EV2, name", "id: E V 2, name"))) == 1
    assert len(faults(re.sub(r"(?s)crew:\n.*?efforts", "crew: 7\nefforts", plan_text))) == 1


TOKENS = [
    "null", "~", "-1", "0", "1e999", ".inf", "[]", "{}", "[[]]", "{a: b}", "home", "0:99", "-0:05", "999999:00", "''", "true",
    "EV1", "EV9", "out", "swap.1", "home.way", "&a x", "*a", "!t x", "2031-05-04T14:00:00Z", "2031-13-40T99:00:00Z", "é\u2028", "*",
]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 6))
def test_no_spoilt_plan_crashes_the_reader(plan_text_seed: int, changes: int) -> None:
    text = _spoil(_plan(), random.Random(plan_text_seed), changes)
    try:
        plan = parse_plan(text, file="p.yaml", name="p")
    except PlanError as error:
        assert error.lines
        for line in error.lines:
            assert re.match(r"p\.yaml:(\d+:\d+:)? ", line) and line.isprintable(), line
    else:
        assert plan.tasks


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=200))
def test_no_text_crashes_the_reader(text: str) -> None:
    try:
        parse_plan(text, file="p.yaml", name="p")
    except PlanError as error:
        assert error.lines


def _plan() -> str:
    from pathlib import Path

    found = Path(__file__).with_name("conftest.py").read_text(encoding="utf-8")
    return found.split('PLAN = """\\\n')[1].split('"""')[0]


def _spoil(text: str, rng: random.Random, changes: int) -> str:
    for _ in range(changes):
        lines = text.split("\n")
        at = rng.randrange(len(lines))
        kind = rng.randrange(5)
        if kind == 0:
            del lines[at]
        elif kind == 1:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif kind == 2:
            words = re.findall(r"[^\s,{}\[\]:]+", lines[at]) or ["x"]
            lines[at] = lines[at].replace(rng.choice(words), rng.choice(TOKENS), 1)
        elif kind == 3:
            cut = rng.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:cut] + rng.choice("{}[]:,#'\"&*!|>-? \t\x00") + lines[at][cut:]
        else:
            lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
        text = "\n".join(lines) or "x"
    return text


def test_no_fault_of_one_part_hides_a_circle_or_a_window_that_never_opens(
    faults: Callable[[str], list[Fault]],
) -> None:
    text = """\
format: 1
excursion: x
bar: 1
limits: {elapsed: 6:00}
crew: [{id: EV1}]
windows:
  - {id: w, open: [[1:00, 1:10]]}
  - {id: u, open: [[2:00, 2:10]]}
tasks:
  - {id: m, foo: 1, steps: [{crew: [EV1], time: 0:10, window: [w, u]}, {crew: [EV1], time: 12}]}
  - {id: n, needs: [o], steps: [{crew: [EV1], time: 0:10}]}
  - {id: o, needs: [n], steps: [{crew: [EV1], time: 0:10, within: {of: m.1}}]}
  - {id: q, steps: [{crew: [EV1], time: 0:10}]}
  - {id: q, steps: [{crew: [EV9], time: 0:10}]}
"""
    found = {fault.path: f"{fault.what}; {fault.right}" for fault in faults(text)}
    assert list(found) == [
        "bar",
        "tasks[0].foo",
        "tasks[0].steps[0].window",
        "tasks[0].steps[1].time",
        "tasks[1].needs",
        "tasks[2].steps[0].within.time",
        "tasks[4].id",
        "tasks[4].steps[0].crew",
    ]
    assert found["tasks[0].steps[0].window"].startswith("'w' and 'u' are never open together")
    assert found["tasks[1].needs"].startswith("a circle: n.1 needs o.1, o.1 needs n.1")
    assert found["tasks[2].steps[0].within.time"] == "is missing; write time: 0:50"


def test_a_window_with_a_fault_of_its_own_is_not_called_shut(
    faults: Callable[[str], list[Fault]], plan_text: str
) -> None:
    (found,) = faults(plan_text.replace("[[0:00, 0:47], [1:32, 2:19]]", "[[0:47, 0:00]]"))
    assert found.path == "windows[0].open[0]"

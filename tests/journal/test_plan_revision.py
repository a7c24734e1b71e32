# ruff: noqa: E501
"""A plan revised while the crew is out: the events that turn what is left into it, and what no event can say."""

from __future__ import annotations

import io
import json
import random
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tracker.cli.main import main
from tracker.forecast.estimate import estimate
from tracker.foundation.errors import EventError
from tracker.foundation.shown import pet_up
from tracker.journal.journal import Journal
from tracker.journal.plan_revision import Revision, revision
from tracker.journal.progress import Progress
from tracker.journal.typed import parse_entry
from tracker.plan.diff import time_text
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

HEAD = """\
format: 1
excursion: Walk
limits: {elapsed: 4:00, boat: {at: 3:30, crew: [EV2]}}
crew: [{id: EV1}, {id: EV2}]
consumables:
  - {id: oxygen, unit: kg, start: 0.75, reserve: 0.10, per_hour: 0.05}
sites: {truss: {home: 0:05}}
tasks:
"""
TASKS = {
    "out": "  - {id: out, steps: [{id: open, do: Open it, crew: [EV1], time: 0:05, opens: [hatch]}]}\n",
    "a": "  - {id: a, needs: [out], steps: [{id: x, do: X, crew: [EV1], time: 0:20}, {id: y, do: Y, crew: [EV2], time: 0:10}]}\n",
    "b": "  - {id: b, priority: should, steps: [{id: x, do: X, crew: [EV2], time: 0:30, site: truss}]}\n",
    "c": "  - {id: c, priority: get-ahead, steps: [{id: x, do: X, crew: [EV1], time: 0:15}]}\n",
    "d": "  - {id: d, priority: get-ahead, value: 3, steps: [{id: x, do: X, crew: [EV2], time: 0:15, effort: 300, hold_point: go}]}\n",
    "in": "  - {id: in, closeout: true, steps: [{id: shut, do: Shut it, crew: [EV1, EV2], time: 0:05, closes: [hatch]}]}\n",
}


def text_of(*tasks: str, **edits: str) -> str:
    text = HEAD + "".join(TASKS.get(name, name) for name in tasks)
    for part, other in edits.items():
        part = part.replace("__", ": ")
        assert part in text, part
        text = text.replace(part, other, 1)
    return text


def plan_of(text: str) -> Plan:
    return parse_plan(text, file="p.yaml", name="p")


@pytest.fixture
def journal(tmp_path: Path) -> Any:
    with Journal.create(tmp_path / "j.sqlite", plan_of(text_of("out", "a", "b", "c", "in"))) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        journal.record({"kind": "done", "step": "out.open", "at": 300})
        yield journal


def kinds(found: Revision) -> list[str]:
    return [event["kind"] for event in found.events]


def holds(progress: Progress, plan: Plan) -> None:
    """What is left after the events is what the plan says, step by step."""
    left = {name: s for name, s in progress.steps.items() if s.ended is None}
    assert {name for name in left} == {name for name in plan.step if progress.steps[name].ended is None}
    for name, state in left.items():
        wanted = plan.step[name]
        assert (set(state.crew), time_text(state.step.time)) == (set(wanted.crew), time_text(wanted.time))


def test_the_same_plan_asks_for_nothing(journal: Journal) -> None:
    found = revision(journal.progress(), plan_of(text_of("out", "a", "b", "c", "in")))
    assert (found.events, found.refused, found.kept) == ([], [], [])


def test_what_is_done_stays(journal: Journal) -> None:
    """A revised plan may leave out what is done, and what needed it then needs nothing of it."""
    tasks = TASKS["a"].replace("needs: [out], ", ""), "b", "c", TASKS["in"].replace(", closes: [hatch]", "")
    found = revision(journal.progress(), plan_of(text_of(*tasks)))
    assert found.events == [] and found.refused == [
        "no event can say this: steps: in.shut  closes hatch -> nothing"
    ]
    opened = TASKS["out"].replace("0:05", "0:25")
    assert revision(journal.progress(), plan_of(text_of(opened, "a", "b", "c", "in"))).events == []


@pytest.mark.parametrize(
    ("edits", "events"),
    [
        ({"time__0:20": "time: 0:25"}, [{"kind": "retimed", "step": "a.x", "time": "0:25"}]),
        (
            {"time__0:20": "time: {low: 0:10, likely: 0:20, high: 0:40}"},
            [{"kind": "retimed", "step": "a.x", "time": {"low": "0:10", "likely": "0:20", "high": "0:40"}}],
        ),
        (
            {"crew: [EV2], time__0:30": "crew: [EV1], time: 0:30"},
            [{"kind": "handed", "step": "b.x", "crew": ["EV1"]}],
        ),
        ({"elapsed__4:00": "elapsed: 3:45"}, [{"kind": "limited", "limit": "elapsed", "value": "3:45"}]),
        ({"at__3:30": "at: 3:10"}, [{"kind": "limited", "limit": "boat", "value": "3:10"}]),
        (
            {"reserve__0.10": "reserve: 0.15"},
            [{"kind": "limited", "limit": f"{who}.oxygen", "value": 0.15} for who in ("EV1", "EV2")],
        ),
        ({", {id: y, do: Y, crew: [EV2], time__0:10}": ""}, [{"kind": "skipped", "step": "a.y"}]),
    ],
)
def test_one_change_is_one_event(
    edits: dict[str, str], events: list[dict[str, Any]], journal: Journal
) -> None:
    plan = plan_of(text_of("out", "a", "b", "c", "in", **edits))
    found = revision(journal.progress(), plan)
    assert (found.events, found.refused) == (events, [])
    assert found.after is not None
    assert revision(found.after, plan).events == []


def test_a_caution_stays_as_it_is_on_record_and_hardware_is_refused(journal: Journal) -> None:
    heeded = {"time__0:20": "cautions: [hot], numbers: {turns: 7}, time: 0:20"}
    found = revision(journal.progress(), plan_of(text_of("out", "a", "b", "c", "in", **heeded)))
    assert (found.events, found.refused) == ([], [])
    assert found.kept == [
        "stays as it is on record: steps: a.x  cautions nothing -> hot",
        "stays as it is on record: steps: a.x  numbers nothing -> turns 7",
    ]
    carried = text_of("out", "a", "b", "c", "in") + "hardware: [{id: wrench}]\nemergency: {supply: 0:30}\n"
    found = revision(journal.progress(), plan_of(carried))
    assert [line.split(": ", 1)[1] for line in found.refused] == [
        "plan: emergency nothing -> supply 0:30, lock 0:00",
        "hardware: wrench  added wrench",
    ]


def test_order_added_dropped_and_restored(journal: Journal) -> None:
    plan = plan_of(text_of("out", "b", "a", "d", "in"))
    found = revision(journal.progress(), plan)
    assert kinds(found) == ["dropped", "moved", "added"]
    assert found.events[0]["task"] == "c" and found.events[2]["last"] is True
    assert found.after is not None
    holds(found.after, plan)
    for event in found.at(400):
        journal.record(event)
    back = revision(journal.progress(), plan_of(text_of("out", "a", "b", "d", "c", "in")))
    assert kinds(back) == ["restored", "moved", "moved"] or kinds(back) == ["restored", "moved"]
    again = journal.progress().steps["d.x"].step
    assert (again.effort_of("EV2"), again.hold_point) == (300, "go")


@pytest.mark.parametrize(
    ("edits", "line"),
    [
        ({"priority__should": "priority: must"}, "tasks: b  priority should -> must"),
        ({"site__truss": "window: []"}, "steps: b.x  site truss -> nothing"),
        ({"per_hour__0.05": "per_hour: 0.06"}, "consumables: oxygen  per_hour 0.05 -> 0.06"),
        ({"home__0:05": "home: 0:10"}, "sites: truss  home 0:05 -> 0:10"),
        ({"{id: x, do: X, crew: [EV1], time__0:20}": "{id: x, do: X, crew: [EV1], time: 0:20}, {id: z, do: Z, crew: [EV1], time: 0:01}"}, "no event adds a step to a task: steps: a.z; make it a task of its own"),
        ({"{id: x, do: X, crew: [EV1], time__0:20}, {id: y, do: Y, crew: [EV2], time: 0:10}": "{id: y, do: Y, crew: [EV2], time: 0:10}, {id: x, do: X, crew: [EV1], time: 0:20}"}, "no event changes the order of steps in a task: tasks: a"),
        ({", boat: {at__3:30, crew: [EV2]}": ""}, "limits: boat  gone"),
    ],
)  # fmt: skip
def test_what_no_event_can_say_is_refused(edits: dict[str, str], line: str, journal: Journal) -> None:
    found = revision(journal.progress(), plan_of(text_of("out", "a", "b", "c", "in", **edits)))
    assert found.after is None
    assert len(found.refused) == 1 and line in found.refused[0], found.refused


def test_words_stay_as_they_are(journal: Journal) -> None:
    edits = {"excursion__Walk": "excursion: Walk, second draft", "do__Y": "do: Why"}
    found = revision(journal.progress(), plan_of(text_of("out", "a", "b", "c", "in", **edits)))
    assert (found.events, found.refused) == ([], [])
    assert found.kept == [
        "stays as it is on record: plan: excursion Walk -> Walk, second draft",
        "stays as it is on record: steps: a.y  do Y -> Why",
    ]


@pytest.mark.parametrize("seed", range(25))
def test_any_order_of_the_tasks_is_reached(seed: int, journal: Journal) -> None:
    """Shuffled, some dropped, some added: what is left is then what the plan says, and nothing more is asked."""
    rng = random.Random(seed)
    names = ["a", "b", "c", "d", "  - {id: e, steps: [{do: E, crew: [EV1, EV2], time: 0:05}]}\n"]
    rng.shuffle(names)
    kept = names[: rng.randint(1, 5)]
    plan = plan_of(text_of("out", *kept, "in"))
    found = revision(journal.progress(), plan)
    assert found.refused == [] and found.after is not None
    holds(found.after, plan)
    assert revision(found.after, plan).events == []


def test_the_command_prints_what_record_takes(
    journal: Journal, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path, revised = str(journal.path), tmp_path / "r.yaml"
    revised.write_text(text_of("out", "b", "a", "d", "in"))
    journal.close()
    assert main(["diff", path, str(revised), "--events"]) == 0
    out, err = capsys.readouterr()
    assert [json.loads(line)["kind"] for line in out.splitlines()] == ["dropped", "moved", "added"]
    assert out.count('"at": 300}') == len(out.splitlines()), "whole seconds, as in every event"
    assert err.splitlines()[0].split() == ["as", "it", "stands,", "and", "then", "before", "after"]
    assert [line.split("  ")[0] for line in err.splitlines()[1:]] == [
        "INSIDE",
        "INSIDE, in nine of ten by",
        "chance, keeping every limit",
    ]
    with Journal.open(path) as standing:
        now = estimate(standing.progress(), 300)
    shown = [pet_up(now.inside.p50), pet_up(now.inside.p90)]
    median, late = (
        line.partition(heading)[2].split()
        for line, heading in zip(err.splitlines()[1:3], ("INSIDE", " by"), strict=True)
    )
    assert [median[0], late[0]] == shown, "as every screen rounds it"
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(out.encode())))
    assert main(["record", path, "--stdin"]) == 0
    capsys.readouterr()
    assert main(["diff", path, str(revised), "--events"]) == 0
    assert capsys.readouterr().out == ""
    revised.write_text(text_of("out", "b", "a", "d", "in", priority__should="priority: must"))
    assert main(["diff", path, str(revised), "--events"]) == 1
    out, err = capsys.readouterr()
    assert out == "" and "no event can say this: tasks: b  priority should -> must" in err
    assert main(["diff", path, str(revised)]) == 0
    assert "  b  priority should -> must\n" in capsys.readouterr().out


def test_the_entry_line_takes_a_revised_plan(journal: Journal, tmp_path: Path) -> None:
    """One entry, so one undo."""
    revised = tmp_path / "second draft.yaml"
    revised.write_text(text_of("out", "b", "a", "d", "in"))
    utc = datetime(2031, 5, 4, 14, 6, tzinfo=UTC)

    def typed(text: str) -> list[dict[str, Any]]:
        return parse_entry(text, journal.progress(), now=360.0, utc_now=utc)

    found = typed(f"revise {revised} by=ground")
    assert [event["kind"] for event in found] == ["dropped", "moved", "added"]
    assert {event["by"] for event in found} == {"ground"}
    journal.record_all([{"at": 360, **event} for event in found], seat="A")
    with pytest.raises(EventError, match="what is left is as that plan says"):
        typed(f'revise "{revised}"')
    assert len(journal.fold.undo("A")) == 3
    with pytest.raises(EventError, match="cannot be read: No such file"):
        typed("revise nowhere.yaml")
    revised.write_text(text_of("out", "b", "a", "d", "in", priority__should="priority: must"))
    with pytest.raises(EventError, match="no event can say this: tasks: b"):
        typed(f"revise {revised}")

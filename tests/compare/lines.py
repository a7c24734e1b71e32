"""Excursions made up from a plan alone: lines for `tracker record --stdin`, and lines that it refuses."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from ruamel.yaml import YAML

Event = dict[str, Any]

KINDS = (
    *("zero", "began", "counted", "done", "skipped", "dropped", "restored", "held", "resumed", "went"),
    *("handed", "moved", "added", "retimed", "limited", "reading", "replaced", "seen", "entered", "called"),
    *("silent", "heard", "noted", "chose", "acknowledged", "withdrawn", "amended", "closed"),
)
HOSTILE = "glare [b]on[/b] \x9b31mthe\x9b0m visor <script>alert(1)</script> =1+1 \u202e\u200b ünïcode 🛰"


def seconds_of(text: str) -> int:
    """Return the seconds of H:MM or H:MM:SS."""
    hours, minutes, *seconds = (int(part) for part in text.split(":"))
    return hours * 3600 + minutes * 60 + sum(seconds)


def pet(seconds: float) -> str:
    """Return seconds as H:MM:SS."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


@dataclass(frozen=True)
class Step:
    """A step of a plan as far as a crew needs it."""

    id: str
    task: str
    crew: tuple[str, ...]
    time_s: int
    count: int
    needs: tuple[str, ...]
    hold_point: bool


class Excursion:
    """A plan's names, read without the program."""

    def __init__(self, path: Path) -> None:
        found = YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))
        self.crew = [one["id"] for one in found["crew"]]
        self.outside = [one["id"] for one in found["crew"] if one.get("outside", True)]
        self.stores = {one["id"]: one for one in found["consumables"]}
        self.windows = [one["id"] for one in found.get("windows", [])]
        self.limits = list(found["limits"])
        self.elapsed_s = seconds_of(str(found["limits"]["elapsed"]))
        self.zero = str(found["zero_planned"]).replace(" ", "T").split("+")[0].rstrip("Z") + "Z"
        self.tasks = [task["id"] for task in found["tasks"]]
        self.optional = [task["id"] for task in found["tasks"] if task.get("priority", "must") != "must"]
        self.steps = {step.id: step for task in found["tasks"] for step in _steps(task)}
        self.of_task = {task: [s for s in self.steps.values() if s.task == task] for task in self.tasks}

    def needs_of(self, step: Step) -> set[str]:
        """Return the steps that must be done before this one."""
        return {s for need in step.needs for s in ([t.id for t in self.of_task.get(need, ())] or [need])}


def _steps(task: dict[str, Any]) -> Iterator[Step]:
    for place, one in enumerate(task["steps"], 1):
        time = one["time"]["likely"] if isinstance(one["time"], dict) else str(one["time"])
        time_s = 600 if time == "home" else seconds_of(time)
        needs = (*task.get("needs", ()), *one.get("needs", ()))
        id = f"{task['id']}.{one.get('id', place)}"
        yield Step(
            id, task["id"], tuple(one["crew"]), time_s, one.get("count", 1), needs, "hold_point" in one
        )


@dataclass
class Play:
    """A made-up crew on its way through a plan: what it would report, in order."""

    plan: Excursion
    random: Random
    events: list[Event] = field(default_factory=list)
    now: int = 0

    def __post_init__(self) -> None:
        self.free = dict.fromkeys(self.plan.crew, 0)
        self.left = {c: [s.id for s in self.plan.steps.values() if c in s.crew] for c in self.plan.crew}
        self.ended: list[str] = []
        self.pace = {c: math.exp(self.random.gauss(0.05, 0.15)) for c in self.plan.crew}
        self.turns = list(OTHERS) * 2
        self.random.shuffle(self.turns)

    def whole(self) -> list[Event]:
        """Return a whole excursion, from before zero to its close in most cases."""
        plan, random = self.plan, self.random
        for kind in ("noted", "limited", "reading"):
            self.say(OTHERS[kind](self), at=random.choice((-600, 0, None)))
        self.events.append({"kind": "zero", "utc": plan.zero})
        every = max(1, len(plan.steps) // max(1, len(self.turns)))
        called = random.random() < 0.3
        turn = 0
        while step := self.next_step():
            self.work(step)
            for _ in range(1 if every > 1 else 2):
                if self.turns and random.random() < 0.9:
                    self.say(OTHERS[self.turns.pop()](self), at=self.now - random.choice((0, 0, 20, 200)))
            turn += 1
            if called and turn > 0.75 * len(plan.steps):
                crew = random.choice(({}, {"crew": [random.choice(plan.outside)]}))
                self.say({"kind": "called", "call": random.choice(("home", "at once"))} | crew)
                called = False
        for kind in self.turns:
            self.say(OTHERS[kind](self))
        for member in plan.outside:
            self.now += random.randint(1, 90)
            self.say({"kind": "entered", "crew": member})
        if random.random() < 0.7:
            self.say({"kind": "closed"})
            self.say({"kind": random.choice(("noted", "done")), "text": "after", "step": "x"})
        return self.events

    def say(self, event: Event, at: int | None = -1) -> None:
        """Report something: now (-1), at a PET, or without a time."""
        stated = self.now if at == -1 else at
        if event["kind"] not in ("withdrawn", "amended") and stated is not None:
            event = {**event, "at": max(-600, stated)}
        self.events.append(event)

    def next_step(self) -> Step | None:
        """Return the step that can be done soonest; any open one where none is ready; None at the end."""
        first = {c: steps[0] for c, steps in self.left.items() if steps}
        ready = [
            step
            for step in (self.plan.steps[s] for s in dict.fromkeys(first.values()))
            if all(first.get(c) == step.id for c in step.crew) and self.plan.needs_of(step) <= set(self.ended)
        ]
        if not ready and first:
            ready = [self.plan.steps[self.random.choice(list(first.values()))]]
        return min(ready, key=lambda s: max(self.free[c] for c in s.crew), default=None)

    def work(self, step: Step) -> None:
        """Do a step, and report it as crews do: seldom its begin, sometimes its counts."""
        random = self.random
        begin = max(self.free[c] for c in step.crew) + random.choice((0, 0, 15, 120))
        spread = math.exp(random.gauss(0, 0.3))
        end = begin + max(10, int(step.time_s * self.pace[step.crew[0]] * spread))
        self.now = max(self.now, begin)
        if step.hold_point and random.random() < 0.9:
            self.say({"kind": "went", "step": step.id}, at=begin)
        if random.random() < 0.3:
            self.say({"kind": "began", "step": step.id}, at=begin)
        for count in range(1, step.count):
            if random.random() < 0.4:
                at = begin + (end - begin) * count // step.count
                self.say({"kind": "counted", "step": step.id, "count": count}, at=at)
        if random.random() < 0.06:
            self.say({"kind": "skipped", "step": step.id, "text": "no time"}, at=begin)
        else:
            short = {"count": step.count - 1} if step.count > 1 and random.random() < 0.1 else {}
            self.say({"kind": "done", "step": step.id} | short, at=end)
        self.now = max(self.now, end)
        self.finish(step)

    def finish(self, step: Step) -> None:
        """Take a step off everybody's list."""
        self.ended.append(step.id)
        for c in step.crew:
            self.free[c] = max(self.free[c], self.now)
        for steps in self.left.values():
            if step.id in steps:
                steps.remove(step.id)

    def open_step(self) -> str:
        """Return a step that was not reported yet, where there is one."""
        found = [s for steps in self.left.values() for s in steps]
        return self.random.choice(found or list(self.plan.steps))

    def task(self) -> str:
        """Return a task, more often an optional one."""
        task: str = self.random.choice((self.plan.optional or self.plan.tasks) * 3 + self.plan.tasks)
        return task

    def earlier(self) -> int:
        """Return the number of an event that is probably on record."""
        return self.random.randint(1, max(1, int(0.8 * len(self.events))))

    def level(self, store: str) -> float:
        """Return a level that a store may have by now."""
        start = float(self.plan.stores[store]["start"])
        used = 0.75 * min(1.0, self.now / self.plan.elapsed_s)
        return round(start * (1 - used * self.random.uniform(0.8, 1.25)), 3)


def _other(kind: str, **keys: Callable[[Play], Any]) -> Callable[[Play], Event]:
    """Return what makes an event of a kind; a key of value None is left out."""

    def make(play: Play) -> Event:
        made = {key: value(play) for key, value in keys.items()}
        return {"kind": kind} | {key: value for key, value in made.items() if value is not None}

    return make


def _added(play: Play) -> Event:
    random, crew = play.random, play.random.sample(play.plan.crew, play.random.choice((1, 1, 2)))
    named = random.random() < 0.5
    step = {"do": "Look at the hinge", "crew": crew, "time": "0:07"}
    task: Event = {"title": "Look again", "steps": [step]}
    task |= {"priority": random.choice(("must", "should", "get-ahead"))}
    task |= {"id": f"extra-{len(play.events)}"} if named else {}
    place: Event = random.choice(({}, {"last": True}, {"before": play.task()}))
    return {"kind": "added", "task": task} | place


def _limited(play: Play) -> Event:
    random, plan = play.random, play.plan
    store = random.choice(list(plan.stores))
    reserve = round(float(plan.stores[store].get("reserve", 0)) * random.uniform(0.5, 1.2), 3)
    later = pet(plan.elapsed_s + random.choice((-1200, 600, 1800)))
    return {"kind": "limited"} | random.choice(
        (
            {"limit": random.choice(plan.limits), "value": later},
            {"limit": "elapsed", "value": plan.elapsed_s + 900},
            {"limit": f"*.{store}", "value": reserve},
            {"limit": f"{random.choice(plan.outside)}.{store}", "value": reserve},
        )
    )


def _level(play: Play, kind: str) -> Event:
    store = play.random.choice(list(play.plan.stores))
    shared = play.plan.stores[store].get("shared", False)
    member = "*" if shared else play.random.choice(play.plan.outside)
    value = play.level(store) if kind == "reading" else float(play.plan.stores[store]["start"])
    return {"kind": kind, "crew": member, "consumable": store, "value": value}


def _moved(play: Play) -> Event:
    place: Event = play.random.choice(({"last": True}, {"before": play.task()}))
    return {"kind": "moved", "task": play.task()} | place


def _chose(play: Play) -> Event:
    choice = play.random.choice(("keep", "drop", "open"))
    told = {"advice": "keep", "figures": {"cost": 840, "in_time": 0.93}}
    return {"kind": "chose", "task": play.task(), "choice": choice} | play.random.choice(({}, told))


def _retimed(play: Play) -> Event:
    span = {"low": "0:04", "likely": "0:06", "high": "0:11"}
    time = play.random.choice(("0:08", "0:12:30", span))
    return {"kind": "retimed", "step": play.open_step(), "time": time} | play.random.choice(
        ({}, {"left": True})
    )


def _amended(play: Play) -> Event:
    event = play.earlier()
    at = play.events[event - 1].get("at") or 300
    return {"kind": "amended", "event": event, "at": max(0, at + play.random.choice((-60, 45, 240)))}


def _members(play: Play) -> list[str]:
    return [play.random.choice(play.plan.outside)]


OTHERS: dict[str, Callable[[Play], Event]] = {
    "began": _other("began", step=Play.open_step),
    "skipped": _other("skipped", step=Play.open_step, text=lambda play: HOSTILE),
    "dropped": _other("dropped", task=Play.task),
    "restored": _other("restored", task=Play.task),
    "held": _other(
        "held", crew=lambda play: play.random.choice((None, _members(play))), text=lambda play: "check"
    ),
    "held until": _other("held", crew=_members, until=lambda play: play.now + 300),
    "resumed": _other("resumed"),
    "resumed one": _other("resumed", crew=_members),
    "handed": _other("handed", step=Play.open_step, crew=_members),
    "moved": _moved,
    "added": _added,
    "retimed": _retimed,
    "limited": _limited,
    "reading": lambda play: _level(play, "reading"),
    "reading again": lambda play: _level(play, "reading"),
    "replaced": lambda play: _level(play, "replaced"),
    "seen": _other("seen", window=lambda play: play.random.choice(play.plan.windows)),
    "silent": _other("silent", crew=_members),
    "heard": _other("heard", crew=lambda play: play.plan.outside),
    "noted": _other("noted", text=lambda play: HOSTILE),
    "chose": _chose,
    "acknowledged": _other("acknowledged", alert=lambda play: f"last-call:{play.task()}:15"),
    "withdrawn": _other("withdrawn", event=Play.earlier),
    "amended": _amended,
    "refused": lambda play: play.random.choice(refusals(play)),
    "refused too": lambda play: play.random.choice(refusals(play)),
}
"""What happens besides work, each twice in an excursion, at random."""


def refusals(play: Play) -> tuple[Event, ...]:
    """Return events that are refused, or at least unusual."""
    plan, random = play.plan, play.random
    step, task = random.choice(list(plan.steps)), random.choice(plan.tasks)
    return (
        {"kind": "donne", "step": step}, {"kind": "done"}, {"kind": "done", "step": step[:-1]},
        {"kind": "done", "step": step, "stop": 1}, {"kind": "done", "step": ["a"]}, {"kind": 7},
        {"kind": "done", "step": random.choice(play.ended or [step])},
        {"kind": "zero", "utc": "today"}, {"kind": "counted", "step": step, "count": -1},
        {"kind": "counted", "step": step, "count": 99}, {"kind": "dropped", "task": plan.tasks[-1]},
        {"kind": "dropped", "task": task.upper()}, {"kind": "resumed", "crew": ["EV9"]},
        {"kind": "held", "crew": []}, {"kind": "held", "until": "9"},
        {"kind": "handed", "step": step, "crew": "D1,D1"}, {"kind": "moved", "task": task},
        {"kind": "moved", "task": task, "before": task}, {"kind": "moved", "task": task, "last": 1},
        {"kind": "added", "task": {"title": "x"}},
        {"kind": "added", "task": {"id": task, "steps": []}},
        {"kind": "added", "task": {"steps": [{"do": "y", "crew": ["Nobody"], "time": 12}]}},
        {"kind": "retimed", "step": step, "time": 12.5},
        {"kind": "retimed", "step": step, "time": "x"},
        {"kind": "limited", "limit": "elapse", "value": 1},
        {"kind": "limited", "limit": "elapsed", "value": "-"},
        {"kind": "reading", "crew": "*", "consumable": "air", "value": -1},
        {"kind": "seen", "window": "moon"}, {"kind": "entered", "crew": plan.crew[-1]},
        {"kind": "called", "call": "back"}, {"kind": "noted", "text": 7},
        {"kind": "noted", "text": "x" * 10_001}, {"kind": "chose", "task": task},
        {"kind": "chose", "task": plan.tasks[0], "choice": "drop"},
        {"kind": "withdrawn", "event": 999}, {"kind": "amended", "event": 1},
        {"kind": "amended", "event": 2, "at": 9_999_999}, {"kind": "zero"},
        {"kind": "acknowledged", "alert": ""}, {"kind": "silent"},
        {"kind": "noted", "text": "x", "seat": 3},
    )  # fmt: skip


MALFORMED = (
    "", "  ", "[]", "7", "{", '{"kind": "noted", "text": "a", "text": "b"}',
    '{"kind": "noted", "text": NaN}', "[" * 3000, '{"kind": "noted", "text": "\\ud800", "at": 5}',
    '{"kind": "noted", "at": 1.5, "text": "x"}', '{"kind": "noted", "at": "0:10", "text": "x"}',
    '{"kind": "noted", "at": true, "text": "x"}', "\udcff\udcfe",
    '{"kind": "noted", "at": 10000001, "text": "x"}', "{'kind': 'noted'}",
    '{"kind": "added", "task": {"a": 1e999}}',
)  # fmt: skip
"""Lines that are no events at all."""


def stream(plan: Excursion, seed: int) -> list[str]:
    """Return a whole excursion as lines, with some among them that are refused."""
    random = Random(seed)
    lines = [json.dumps(event, ensure_ascii=False) for event in Play(plan, random).whole()]
    for line in random.sample(MALFORMED, 5):
        lines.insert(random.randrange(len(lines)), line)
    return lines


def wrong(plan: Excursion) -> list[str]:
    """Return the beginning of an excursion, and behind it every line that is refused."""
    play = Play(plan, Random("wrong"))
    play.whole()
    begin = [event for event in play.events if event["kind"] in ("zero", "done", "counted")][:12]
    at = max(int(event.get("at", 0)) for event in begin) + 300
    events = [*begin, *({"at": at} | event for event in refusals(play))]
    return [*(json.dumps(event, ensure_ascii=False) for event in events), *MALFORMED]

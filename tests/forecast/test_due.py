"""What comes due is on the list before it does, by its instant; and what falls into the gaps of a link."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

from tests.flat import flat
from tests.journal.memory_store import in_memory
from tests.runs import Run, step, task
from tracker.console.view.words import clock_words
from tracker.forecast.alert_words import alert_words
from tracker.forecast.due import due, due_lines, due_words, gaps, next_due
from tracker.forecast.figures import ClockFigure, Due, Estimate
from tracker.forecast.report import watch_lines
from tracker.foundation.text import ADVISORY
from tracker.journal.progress import Progress
from tracker.plan.read import read_plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios

MINUTE_S = 60


def test_whatever_came_due_was_on_the_list_before_minute_by_minute() -> None:
    facts = 0
    for (_, before, _), (now, after, then) in pairwise(_minutes()):
        assert [one.at for one in after] == sorted(one.at for one in after)
        told = {(one.kind, one.subject) for one in before}
        # Work that the advice left out so far is told by its last call alone.
        told |= {("step", name) for name, one in then.steps.items() if ("call", one.step.task) in told}
        come = {(one.kind, one.subject) for one in after if one.at <= now}
        known = set(_happened(then, now - MINUTE_S, now))
        facts += len(known)
        assert come | known <= told
    assert facts > 15


def _minutes() -> Iterator[tuple[float, tuple[Due, ...], Progress]]:
    """Yield each minute of a rehearsal under way with its list, and with what was known."""
    plan = read_plan("plans/outfall.yaml")
    journal = in_memory(plan, seed=seed_of_scenarios(plan, 3), rehearsal=True)
    Rehearsal(journal, plan, 3, wanted=("random",)).through()
    for minute, fold in enumerate(journal.fold.through(range(0, int(journal.fold.at), MINUTE_S))):
        progress, now = fold.progress(), minute * MINUTE_S
        if progress.zero is not None and progress.closed is None:
            yield now, flat(progress, now, scenarios=1).due, progress


def _happened(progress: Progress, since: float, until: float) -> Iterator[tuple[str, str]]:
    """Yield what time and the crew brought within an interval: edges of windows, steps done, goes given."""
    for name, spans in progress.openings.items():
        kind = "link" if progress.plan.window[name].kind == "link" else "window"
        yield from ((kind, name) for span in spans for edge in span if since < edge <= until)
    for event in progress.events:
        if since < event.at <= until and event.kind in ("done", "went"):
            yield "step" if event.kind == "done" else "go", str(event.body["step"])


DAY: dict[str, Any] = {
    "windows": [
        {"id": "radio", "kind": "link", "open": [["0:00", "0:30"], ["0:45", "1:30"], ["1:40", "6:30"]]},
        {"id": "sun", "open": [["0:20", "2:00"]]},
    ],
    "consumables": [{"id": "oxygen", "unit": "kg", "start": 9, "reserve": 1, "per_hour": 0.1}],
}


def day() -> Run:
    return Run(
        task("lock", step("open", "EV1", 10), step("look", "EV1 EV2", 10)),
        task("unit", step("pull", "EV1", 10, hold_point="inhibits in place"), step("close", "EV1 EV2", 10)),
        task("photos", step("one", "EV2", 20), priority="get-ahead", value=1),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
        **DAY,
    )


def told(progress: Progress, minutes: float) -> list[str]:
    return [due_words(one) for one in flat(progress, minutes * 60).due]


def test_every_kind_has_its_instant_its_words_and_what_is_typed() -> None:
    run = day()
    run("raised", 60, what="reminder", owner="EV2", text="gloves", due="0:25")
    run("raised", 60, what="question", about="photos", text="worth it?")
    run("held", 120, crew=["EV2"], until="0:08", text="visor")
    every = flat(run.now, 3 * 60).due
    assert [one.at for one in every] == sorted(one.at for one in every)
    assert {one.kind for one in every} == {
        "step", "go", "window", "link", "call", "home", "reading", "question", "reminder", "hold",
    }  # fmt: skip
    typed = {one.kind: one.do for one in every if one.do}
    assert typed["reminder"] == ("settle 2",)
    assert typed["question"] == ("answer 3",)
    assert typed["hold"] == ("resume EV2",)
    assert typed["go"] == ("go unit.pull",)
    assert typed["home"] == ("call home",)
    words = [due_words(one) for one in every]
    assert words[0] == "EV2's hold ends at 0:08"
    for said in (
        "EV1 ends Do open about 0:10",
        "sun begins at 0:20",
        "reminder EV2: gloves by 0:25",
        "radio ends at 0:30",
        "read oxygen by 0:30",
    ):
        assert said in words


def test_what_a_person_has_to_do_stands_until_it_is_done() -> None:
    run = day()
    run("raised", 60, what="reminder", text="gloves", due="0:05")
    run("raised", 60, what="message", text="tide", after="lock.open")
    assert "reminder: gloves by 0:05" in told(run.now, 9)
    assert "message: tide by 0:10" in told(run.now, 9)
    run.done("lock.open", at=540)
    assert "message: tide by 0:09" in told(run.now, 12)
    run("settled", 730, event=2)
    run("settled", 730, event=3)
    assert not [words for words in told(run.now, 13) if "gloves" in words or "tide" in words]


def test_somebody_stands_at_a_hold_point_since() -> None:
    run = day()
    run.done("lock.open", "lock.look", at=1200)
    assert "go for Do pull about 0:20" in told(run.now, 33)
    run("went", 2000, step="unit.pull")
    assert not [words for words in told(run.now, 34) if words.startswith("go for")]


def test_stores_are_due_half_an_hour_after_their_reading() -> None:
    run = day()
    run("reading", 600, crew="EV1", consumable="oxygen", value=8.9)
    assert [words for words in told(run.now, 15) if words.startswith("read ")] == [
        "read oxygen of EV2 by 0:30",
        "read oxygen of EV1 by 0:40",
    ]
    run("entered", 900, crew="EV2")
    assert [words for words in told(run.now, 41) if words.startswith("read ")] == ["read oxygen by 0:40"]


def test_a_short_list_has_of_work_what_somebody_is_at() -> None:
    progress = day().now
    shown = next_due(progress, flat(progress, 60).due)
    assert {one.subject for one in shown if one.kind == "step"} == set(progress.current.values()) - {None}


def test_what_has_happened_since_the_estimate_is_not_told() -> None:
    run = day()
    made = flat(run.now, 300)
    run.done("lock.open", at=310)
    assert "lock.open" in {one.subject for one in due(day().now, made, now=310)}
    assert "lock.open" not in {one.subject for one in due(run.now, made, now=310)}


def test_nothing_is_due_before_zero_and_after_the_close() -> None:
    assert flat(Run(task("a", step("1", "EV1", 4)), start=False).now, 0).due == ()
    run = Run(task("a", step("1", "EV1", 4)))
    run.done("a.1", at=240)
    run("closed", 300)
    assert flat(run.now, 300).due == ()


def fallen(progress: Progress, made: Estimate) -> list[tuple[float, float | None, list[str]]]:
    return [
        (gap.since, gap.until, [f"{one.kind} {one.subject}" for one in gap.inside])
        for gap in gaps(progress, made, now=made.at)
    ]


def test_what_falls_into_the_gaps_of_a_link() -> None:
    run = day()
    run.done("lock.open", at=1200)
    made = flat(run.now, 1200)
    assert fallen(run.now, made)[:2] == [
        (1800, 2700, ["go unit.pull", "joint unit.close"]),
        (5400, 6000, []),
    ]
    lines = due_lines(run.now, made)
    falls = "go for Do pull about 0:30; EV1 EV2 begin Do close about 0:40"
    assert f"no radio from 0:30 until 0:45, 15 min: {falls}" in lines
    assert lines[-1] == ADVISORY


def said(made: Estimate, kind: str) -> list[str]:
    return [alert.text for alert in made.alerts if alert.kind == kind]


def test_what_falls_into_a_gap_is_asked_before_it() -> None:
    run = day()
    run.done("lock.open", at=1200)
    assert said(flat(run.now, 1200), "gap") == [
        "radio until 0:30; go for Do pull is needed by 0:30, radio from 0:45: ask now. go unit.pull",
        "radio until 0:30; EV1 EV2 begin Do close about 0:40, radio from 0:45: say now what they need for it",
    ]
    asked = next(one for one in flat(run.now, 1200).alerts if one.id == "gap:go:unit.pull")
    assert alert_words(asked, 1200, lambda line: "g g").endswith(": ask now. g g once it is given")
    run("went", 1260, step="unit.pull")
    assert len(said(flat(run.now, 1260), "gap")) == 1
    for time, told in (("0:19", 1), ("0:24", 0)):
        # It begins four minutes behind the gap, then nine: what was told does not come and go with a tick.
        moved = run.now.suppose({"kind": "retimed", "step": "unit.pull", "time": time, "at": 1270})
        assert len(said(flat(moved, 1270), "gap")) == told, time
    never = day()
    never("retimed", 0, step="unit.pull", time="0:28")
    assert said(flat(never.now, 300), "gap") == [], "three minutes behind it from the first on"
    then = run.now.suppose({"kind": "called", "call": "home", "at": 1270})
    assert said(flat(then, 1270), "gap") == [], "the way home wants nothing said"
    assert said(flat(run.now, 31 * 60), "gap") == []


def test_a_store_that_was_not_read_for_long_is_told_again_when_seen_and_another_is() -> None:
    run = day()
    run("reading", 600, crew="EV1", consumable="oxygen", value=8.9)
    assert said(flat(run.now, 29 * 60), "round") == []
    assert said(flat(run.now, 33 * 60), "round") == ["read oxygen of EV2: due since 0:30. reading oxygen"]
    run("acknowledged", 1900, alert="round:*")
    seen, again = (
        next(alert.acknowledged for alert in flat(run.now, at).alerts if alert.kind == "round")
        for at in (2000, 43 * 60)
    )
    assert (seen, again) == (True, False)


def test_a_round_is_due_by_its_own_time_and_its_stores_with_it() -> None:
    run = Run(
        task("lock", step("open", "EV1", 100)),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
        **DAY,
        rounds=[{"id": "status", "every": "0:20", "ask": ["oxygen", "gloves"]}],
    )
    assert "status round by 0:20" in told(run.now, 5)
    (late,) = (one for one in flat(run.now, 21 * 60).due if one.kind == "round")
    assert (late.text, late.do) == ("status round; EV1 EV2 to answer", ("check status",))
    assert not [words for words in told(run.now, 31) if words.startswith("read ")]


def test_a_round_that_is_late_says_who_is_missing_until_they_answered() -> None:
    rounds = [{"id": "status", "every": "0:30", "ask": ["gloves"]}]
    run = Run(task("a", step("1", "EV1 EV2", 60)), rounds=rounds)
    assert said(flat(run.now, 1919), "round") == []
    assert said(flat(run.now, 1920), "round") == [
        "status round was due 0:30: EV1 EV2 to answer. check status"
    ]
    run("checked", 1930, round="status", crew="EV1", answers={"gloves": "ok"})
    assert said(flat(run.now, 1940), "round") == ["status round was due 0:30: EV2 to answer. check status"]
    run("checked", 1950, round="status", crew="EV2", answers={"gloves": "ok"})
    assert said(flat(run.now, 1950), "round") == []
    assert "status round by 1:02" in told(run.now, 33)


def test_texts_of_people_are_on_one_line_and_no_escape() -> None:
    run = day()
    run("raised", 60, what="reminder", owner="EV2", text="[b]gloves[/b]\u202e\ttwo", due="0:05")
    (one,) = (one for one in flat(run.now, 120).due if one.kind == "reminder")
    assert one.text.startswith("reminder EV2: [b]gloves[/b]")
    assert one.text.isprintable()


def test_a_hardware_clock_is_due_by_its_steps_words_and_has_one_chance_everywhere() -> None:
    after = {"of": "power.off", "time": "0:30"}
    run = Run(
        task("power", step("off", "EV1", 10), step("on", "EV1", 20, within=after)),
        task("home", step("in", "EV1 EV2", 40), closeout=True),
        confidence=0.99,
    )
    run.done("power.off", at=600)
    clock = ClockFigure("power.on", "power.off", 2400, 0.0046)
    made = replace(flat(run.now, 900), clocks=(clock,))
    told = next(one for one in due(run.now, made, now=900) if one.kind == "clock")
    words = run.now.steps["power.on"].step.do
    assert told.text == f"{words}; chance 99 %", "not over 99: 99 is what is needed"
    assert watch_lines(run.now, made)[0].endswith("chance 99 %")
    assert ", chance 99 %: " in clock_words(run.now, made, clock)


def test_what_is_at_hand_ends_at_no_instant_while_it_is_held() -> None:
    run = Run(task("a", step("1", "EV1", 20), step("2", "EV2", 20)), task("h", step("in", "EV1 EV2", 9)))
    run("held", 300, crew=["EV2"])
    told = [one.subject for one in due(run.now, flat(run.now, 310), now=310) if one.kind == "step"]
    assert "a.1" in told and "a.2" not in told
    run("resumed", 320)
    told = [one.subject for one in due(run.now, flat(run.now, 330), now=330) if one.kind == "step"]
    assert "a.2" in told

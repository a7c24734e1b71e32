"""What changed lately: when it is said, against what, with which causes, and in which words."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest

from tests.flat import FLAT
from tests.rehearsals import ticks
from tests.runs import Run, step, task
from tests.streams import random_plan, random_run
from tracker.forecast.change_words import changed_forms, changed_words, shown_causes
from tracker.forecast.changed import changed
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Before, Changed, ChangedLimit
from tracker.forecast.memory import Memory
from tracker.foundation.shown import pet_up, up
from tracker.plan.read import read_plan

HOME = task("home", step("in", "EV1", 40), closeout=True)


def last(run: Run, now: float, **more: Any) -> Changed:
    found = changed(run.now, now, scenarios=50, prior=FLAT, **more)
    assert found is not None
    return found


def said(run: Run, now: float) -> str:
    return changed_words(last(run, now), now, 0.9)


def small(limit: str = "6:30", **more: Any) -> Run:
    """60 min of must work, a get-ahead of 30, 40 min of closeout."""
    return Run(
        task("a", step("1", "EV1", 30, work="fasten"), step("2", "EV1", 30, work="translate")),
        task("c", step("1", "EV1", 30), priority="get-ahead"),
        HOME,
        crew="EV1",
        limits={"elapsed": limit},
        **more,
    )


def test_a_late_tick_is_said_with_its_cause_and_for_ten_minutes() -> None:
    run = small()
    assert said(run, 200) == "INSIDE steady since 0:00"
    run.done("a.1", at=2100)
    assert said(run, 2100) == "INSIDE 2:10 -> 2:15 at 0:35, +5: fasten work slower"
    assert said(run, 2700) == said(run, 2100)
    assert said(run, 2701) == "INSIDE steady since 0:35"


def test_it_says_until_when_it_was_looked_where_that_is_a_while_ago() -> None:
    found = last(small(), 1200)
    assert found.until == 1200
    assert changed_words(found, 1500, 0.9) == "INSIDE steady since 0:00"
    assert changed_words(found, 1600, 0.9) == "INSIDE steady since 0:00, as of 0:20"


def test_what_is_said_of_another_figure_than_stands_beside_it_says_so() -> None:
    run = small()
    found, inside = last(run, 1200), last(run, 1200).inside.now or 0.0
    words = changed_words(found, 1230, 0.9, inside + 960)
    assert words == f"INSIDE {pet_up(inside)} -> {pet_up(inside + 960)}, +16: why is being worked out"
    assert changed_words(found, 1230, 0.9, inside + 60) == "INSIDE steady since 0:00"
    run.done("a.1", at=2100)
    moved = last(run, 2100)
    # Finished for one instant, it is said with it, however far what stands there has gone on since.
    for after in ((moved.inside.now or 0.0) + shift for shift in (540, 60)):
        for form in changed_forms(moved, 2130, 0.9, after):
            assert f"{pet_up(moved.inside.now)} at 0:35, " in form and f", {pet_up(after)} now" in form
    back = replace(moved, inside=Before(after, after - 60))
    assert changed_forms(back, 2130, 0.9, after) == [f"INSIDE {pet_up(after)} now"]


def test_less_than_two_minutes_are_not_said_until_they_add_up() -> None:
    run = small()
    run.done("a.1", at=1860)
    assert said(run, 1900) == "INSIDE steady since 0:00"
    run.done("a.2", at=3720)
    assert (
        said(run, 3790) == "INSIDE 2:10 -> 2:12 at 1:02, +2: fasten work slower +1, translate work slower +1"
    )


def test_what_the_advice_leaves_out_is_named() -> None:
    run = small("2:12")
    run.done("a.1", at=2090)
    found = last(run, 2090)
    assert dict(found.causes) == pytest.approx({"pace of fasten": 290, "c out": -1800})
    assert said(run, 2090) == "INSIDE 2:10 -> 1:45 at 0:34, -25: c not counted -30, fasten work slower +5"
    assert found.turned == ("c out",)


def test_work_that_a_tick_or_a_decision_puts_in_or_takes_out_is_named_and_is_no_pace() -> None:
    run = small("2:05")
    run.done("a.1", at=1800)
    run("chose", 2000, task="c", choice="keep")
    assert said(run, 2000) == "INSIDE 1:40 -> 2:10 at 0:33, +30: c now counted; chance >99 % -> <1 %"
    run("dropped", 2100, task="c")
    assert said(run, 2100).startswith("INSIDE 2:10 -> 1:40 at 0:35, -30: c not counted; chance")
    run = small("2:05")
    run.done("a.1", at=1800)
    run.done("a.2", at=3900)
    assert said(run, 3900).startswith(
        "INSIDE 1:40 -> 2:15 at 1:05, +35: c now counted +30, translate work slower +5"
    )


def test_what_is_counted_now_is_said_at_once_while_the_rest_is_worked_out() -> None:
    run = small("2:05")
    run.done("a.1", at=1800)
    before = last(run, 1800)
    run("chose", 2000, task="c", choice="keep")
    made = estimate(run.now, 2000, scenarios=400, prior=FLAT)
    [told, *_] = changed_forms(before, 2000, 0.9, made.inside.p50, made)
    assert told == "INSIDE 1:40 -> 2:10, +30: c now counted"


def test_a_finished_task_changes_nothing() -> None:
    run = small()
    run.done("a.1", at=1800)
    run.done("a.2", at=3600)
    run.done("c.1", at=5400)
    assert said(run, 5400) == "INSIDE steady since 0:00"


def test_between_events_it_is_looked_every_five_minutes_and_at_the_present_one() -> None:
    """The step under way runs over at 0:30; without spread INSIDE then moves with the clock."""
    run = small()
    assert said(run, 1860) == "INSIDE steady since 0:00"
    assert said(run, 1861).startswith("INSIDE 2:10 -> 2:12 at 0:31, +2")
    assert said(run, 2099).startswith("INSIDE 2:10 -> 2:15 at 0:34, +5")
    assert said(run, 2100).startswith("INSIDE 2:10 -> 2:15 at 0:35, +5")
    assert said(run, 2280).startswith("INSIDE 2:15 -> 2:18 at 0:38, +3")


def test_a_chance_that_moves_alone_is_said_with_its_limit() -> None:
    run = small("3:00")
    run("limited", 600, limit="elapsed", value="2:05")
    assert said(run, 600).startswith("INSIDE 2:10 -> 1:40 at 0:10, -30: c not counted")
    run = Run(task("a", step("1", "EV1", 60)), HOME, crew="EV1", limits={"elapsed": "2:00"})
    run("limited", 600, limit="elapsed", value="1:30")
    chance, home, why = "chance >99 % -> <1 %", "turn home 1:20 -> 0:50", "elapsed limit, after a new limit"
    assert changed_forms(last(run, 600), 600, 0.9) == [
        f"{chance}, {home} at 0:10: {why}", f"{chance}, {home}: {why}", f"{chance} at 0:10: {why}",
        f"{chance}: {why}", f"{chance} at 0:10",
    ]  # fmt: skip


def test_nothing_before_the_clock_nor_once_it_is_over() -> None:
    run = small()
    assert changed(Run(plan=run.now.plan, start=False).now, 0, scenarios=50, prior=FLAT) is None
    run("closed", 900)
    assert changed(run.now, 900, scenarios=50, prior=FLAT) is None


def test_the_walk_begins_at_the_last_but_one_hour() -> None:
    run = Run(task("a", *(step(str(k), "EV1", 30) for k in range(1, 10))), HOME, crew="EV1")
    run.done("a.1", at=2400)
    assert (last(run, 2400).since, last(run, 2400).at) == (2100, 2400)
    run.done("a.2", at=3900)
    assert (last(run, 7199).since, last(run, 7199).at) == (6900, 7199), "overdue, it moves with the clock"
    run.done("a.3", at=7140)
    assert (last(run, 7199).since, last(run, 7199).at) == (6900, 7140)
    assert last(run, 10799).since >= 3600


@pytest.mark.parametrize("seed", range(3))
def test_it_is_the_same_remembered_or_not_and_adds_up(seed: int) -> None:
    rng = random.Random(seed)
    fold = random_run(rng, random_plan(rng))
    memory = Memory()
    for event in fold.progress().events:
        progress = fold.until(at=event.at).progress()
        now = progress.at + 30.0
        found = changed(progress, now, scenarios=200, memory=memory)
        assert found == changed(progress, now, scenarios=200, memory=Memory())
        if found is None:
            continue
        assert found.since <= found.at <= now
        made = estimate(fold.until(at=found.at).progress(), found.at, scenarios=200)
        assert (made.inside.p50, made.safe) == (found.inside.now, found.safe.now)
        if None not in (found.inside.before, found.inside.now):
            moved = (found.inside.now or 0) - (found.inside.before or 0)
            assert sum(seconds for _, seconds in found.causes) == pytest.approx(moved, abs=0.01)


def test_minutes_in_words_add_up_as_they_are_shown() -> None:
    run = small()
    run.done("a.1", at=2100)
    found = last(run, 2100)
    many = (("pace of fasten", 100.0), ("b in", 610.0), ("holds", -95.0), ("limits", 40.0), ("x", 44.0))
    words = changed_words(replace(found, causes=many), 2100, 0.9)
    head, _, why = words.partition(": ")
    parts = [int(part.rpartition(" ")[2]) for part in why.split(", ")]
    before, after = (up(s) or 0 for s in (found.inside.before, found.inside.now))
    assert head.endswith(f"{(after - before) // 60:+d}") and sum(parts) == (after - before) // 60
    assert why.startswith("b now counted ") and "other " in why


def test_shorter_ways_to_say_it_leave_out_causes_and_cut_no_figure() -> None:
    run = small("2:12")
    run.done("a.1", at=2090)
    forms = changed_forms(last(run, 2090), 2090, 0.9)
    head = "INSIDE 2:10 -> 1:45 at 0:34, -25"
    assert forms == [
        f"{head}: c not counted -30, fasten work slower +5", f"{head}: c not counted -30, work slower +5",
        head, "INSIDE 2:10 -> 1:45",
    ]  # fmt: skip


def test_what_turned_the_advice_is_named_with_it() -> None:
    run = small()
    run.done("a.1", at=1800)
    found = replace(last(run, 1800), at=1800, since=0, turned=("c out",), news=("readings",))
    found = replace(found, inside=Before(7800, 6000), causes=(("c out", -1860.0), ("pace of fasten", 60.0)))
    assert changed_forms(found, 1800, 0.9)[:2] == [
        "INSIDE 2:10 -> 1:40 at 0:30, -30: c not counted, after readings -31, fasten work slower +1",
        "INSIDE 2:10 -> 1:40 at 0:30, -30: c not counted -31, fasten work slower +1",
    ]


def test_a_chance_that_a_reading_moved_names_the_reading() -> None:
    """Of 94 -> 80 % after an honest reading no cause was named where INSIDE moved too."""
    oxygen = {"id": "oxygen", "unit": "kg", "start": 1.0, "reserve": 0.1, "per_hour": 0.4, "reading_sd": 0.01}
    run = small(consumables=[oxygen])
    run("reading", 600, crew="EV1", consumable="oxygen", value=0.7)
    found = changed(run.now, 600, scenarios=200)
    assert found is not None and found.read == ("EV1.oxygen",)
    limits = (ChangedLimit("elapsed", 0.01, 0.01), ChangedLimit("EV1.oxygen", 0.05, 0.2))
    found = replace(found, at=600, since=0, safe=Before(0.94, 0.8), limits=limits, turned=())
    alone = replace(found, inside=Before(7800, 7800), causes=())
    assert changed_forms(alone, 600, 0.9)[0] == "chance 94 % -> 80 % at 0:10: EV1 oxygen as it was read"
    both = replace(found, inside=Before(7800, 7980), causes=(("pace of fasten", 180.0),))
    assert changed_forms(both, 600, 0.9)[:2] == [
        "chance 94 % -> 80 % at 0:10: EV1 oxygen as it was read; INSIDE 2:10 -> 2:13, +3: fasten work slower",
        "chance 94 % -> 80 % at 0:10: EV1 oxygen as it was read; INSIDE 2:10 -> 2:13, +3",
    ]
    hardly = (ChangedLimit("elapsed", 0.03, 0.01), ChangedLimit("EV1.oxygen", 0.03, 0.04))
    earlier = replace(both, safe=Before(0.94, 0.94), limits=hardly, turn_home=Before(6000, 5100))
    forms = changed_forms(earlier, 600, 0.9)
    assert "turn home 1:40 -> 1:25 at 0:10: EV1 oxygen as it was read" in forms, (
        "an hour less to stay is first"
    )
    paced = replace(both, inside=Before(7800, 8400), causes=(("pace of fasten", 600.0),))
    assert changed_forms(paced, 600, 0.9)[0].startswith("INSIDE 2:10 -> 2:20 at 0:10, +10"), (
        "INSIDE moved as far"
    )


def test_what_stands_as_inside_is_what_the_rule_explains_through_a_rehearsal() -> None:
    moved, wrong, memory = 0, list[str](), Memory()
    for place, (progress, at) in enumerate(ticks(read_plan("plans/outfall.yaml"), 4)):
        if place % 3:
            continue
        found = changed(progress, at, scenarios=30, memory=memory)
        if found is None:
            continue
        shown = estimate(progress, at, scenarios=30, memory=memory).inside.p50
        words = changed_words(found, at, 0.9, shown)
        ends = up(shown), up(found.inside.now)
        if None in ends:
            continue
        moved += " -> " in words
        if abs((ends[0] or 0) - (ends[1] or 0)) > 60 or (" -> " in words and ": " not in words):
            wrong.append(f"{at:.0f}: {pet_up(shown)} beside {words}")
    assert not wrong and moved >= 5, "\n".join(wrong)


def test_a_recall_is_said_before_any_pace() -> None:
    causes = (("pace of fasten", 400.0), ("recall", -240.0), ("pace of general", -100.0))
    told = replace(last(small(), 200), causes=causes, inside=Before(9000.0, 9060.0))
    said = changed_words(replace(told, at=100), 100, 0.9)
    assert said.startswith("INSIDE 2:30 -> 2:31 at 0:01, +1: recall -4, ")
    assert next(cause for cause, _ in shown_causes(causes, 60)) == "recall"

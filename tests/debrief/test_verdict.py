"""Every limit is judged: values by arithmetic from the plan and the events."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.debrief import made
from tests.journal.memory_store import in_memory
from tracker.debrief import figures, pages, tables
from tracker.debrief.excursion import Excursion, debriefed
from tracker.debrief.rows import by_task
from tracker.debrief.trend import told
from tracker.debrief.verdict import Verdict
from tracker.plan.read import parse_plan

DIVE = """
format: 1
excursion: Plan V
zero: both down
limits: {elapsed: 1:00, boat: {at: 0:50, crew: [B]}}
crew: [{id: A, name: Ada}, {id: B, name: Bo}]
consumables: [{id: gas, unit: L, start: 100, reserve: 20, per_hour: 60, crew: [A]}]
windows: [{id: light, open: [[0:00, 0:30]]}]
tasks:
  - id: valve
    steps:
      - {id: open, do: Open the valve, crew: [A], time: 0:10, opens: [valve-1]}
      - id: shut
        do: Shut the valve
        crew: [A]
        time: 0:10
        closes: [valve-1]
        within: {of: valve.open, time: 0:15}
  - id: look
    steps: [{do: Look, crew: [B], time: 0:20, window: light}]
  - id: home
    closeout: true
    steps: [{do: Come up, crew: [A, B], time: 0:10}]
"""


def _done(step: str, at: int) -> dict[str, Any]:
    return {"kind": "done", "step": step, "at": at}


HAPPENED = (
    _done("valve.open", 600),
    _done("look.1", 1500),
    _done("valve.shut", 1620),
    _done("home.1", 3300),
    {"kind": "closed", "at": 3300},
)


def debrief(*happened: dict[str, Any], plan: str = DIVE) -> Excursion:
    """Return the debrief after these events."""
    with in_memory(parse_plan(plan, file="v.yaml", name="v"), seed="v") as journal:
        journal.record_all([{"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, *happened])
        return debriefed(journal.progress(), "v.sqlite", None)


def by_id(one: Excursion) -> dict[tuple[str, str], Verdict]:
    """Return the verdicts by id and crew member."""
    found = {(limit.id, limit.crew): limit for limit in one.limits}
    assert len(found) == len(one.limits)
    return found


def test_a_dive_that_missed_the_boat_and_a_clock() -> None:
    one = debrief(*HAPPENED)
    found = by_id(one)
    assert set(found) == {
        ("elapsed", "A"), ("elapsed", "B"), ("boat", "B"), ("A.gas", "A"), ("valve.shut", "A"),
        ("window.light", "B"),
    }  # fmt: skip
    for crew in "AB":
        elapsed = found["elapsed", crew]
        assert (elapsed.kept, elapsed.at, elapsed.was, elapsed.by) == (True, 3600, 3300, 300)
    boat = found["boat", "B"]
    assert (boat.kept, boat.at, boat.was, boat.by) == (False, 3000, 3300, -300)
    gas = found["A.gas", "A"]
    assert (gas.kept, gas.at, gas.unit, gas.certain, gas.ever_below) == (True, 20, "L", "rates", False)
    assert gas.was == pytest.approx(45)
    assert gas.by_amount == pytest.approx(25)
    assert gas.by == pytest.approx(1500)
    shut = found["valve.shut", "A"]
    assert (shut.kept, shut.at, shut.was, shut.by) == (False, 1500, 1620, -120)
    light = found["window.light", "B"]
    assert (light.kept, light.at, light.was, light.by) == (True, 1800, 0, None)
    assert (
        one.verdict == "Not kept: limit boat, missed by 5 min; hardware clock of valve.shut, missed by 2 min"
    )


def test_the_table_merges_what_is_equal_and_has_broken_limits_first() -> None:
    table = tables.of_excursion(debrief(*HAPPENED))[0]
    assert (table.title, table.note.split(":")[0]) == ("Limits", "Not kept")
    assert table.rows == (
        ("boat", "B", "0:50:00", "0:55:00", "-0:05:00", "broken"),
        ("valve.shut", "A", "0:25:00", "0:27:00", "-0:02:00", "broken: within 0:15 of valve.open"),
        ("elapsed", "A B", "1:00:00", "0:55:00", "+0:05:00", "kept"),
        ("gas reserve", "A", "20 L", "45 L", "+0:25:00", "kept, by the plan's rates"),
        ("window light", "B", "0:30:00", "0:00:00", "-", "kept: 1 step of 1 began inside"),
    )


def test_everything_kept_names_what_had_least_to_spare() -> None:
    one = debrief(
        _done("valve.open", 600),
        _done("look.1", 1200),
        _done("valve.shut", 1200),
        _done("home.1", 1800),
        {"kind": "closed", "at": 1800},
    )
    clock = "hardware clock of valve.shut, 0:05:00 (done 0:20:00, due 0:25:00)"
    assert one.verdict == f"Every limit was kept and all must work done; least to spare: {clock}"


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        (3203, "0:06:37 (inside 0:53:23, limit 1:00:00)"),
        (2723, "0:14:37 (inside 0:45:23, limit 1:00:00)"),
        (3580, "0:00:20 (inside 0:59:40, limit 1:00:00)"),
    ],
)
def test_what_was_to_spare_is_the_difference_of_what_stands_beside_it(inside: int, said: str) -> None:
    """With the figures of its row in the table of limits, to the second."""
    plan = DIVE.replace(", boat: {at: 0:50, crew: [B]}", "").replace(
        "within: {of: valve.open, time: 0:15}", ""
    )
    one = debrief(*HAPPENED[:3], _done("home.1", inside), {"kind": "closed", "at": inside}, plan=plan)
    assert one.verdict.endswith(f"least to spare: elapsed limit, {said}")
    row = next(row for row in tables.of_excursion(one)[0].rows if row[0] == "elapsed")
    assert f"+{said}" == f"{row[4]} (inside {row[3]}, limit {row[2]})"


def test_every_difference_of_a_table_is_that_of_its_figures() -> None:
    row = made.row(planned_duration=600.4, actual_duration=720.6, variance=120.2)
    one = made.excursion(planned_inside=899.6, inside=1000.4, limit=1800.5)
    shown = replace(one, steps=(row,))
    rest = {row[0]: row[1] for row in tables.overview(shown).rows}
    assert (rest["Inside, planned"], rest["Inside, actual"], rest["Difference"]) == (
        "0:15:00",
        "0:16:40",
        "+0:01:40",
    )
    assert tables.steps(shown).rows[0][6:9] == ("0:10:00", "0:12:01", "+0:02:01")
    (group,) = by_task([row])
    assert tables.groups("", [group]).rows[0][3:6] == ("0:10:00", "0:12:01", "+0:02:01")


def test_a_limit_counts_as_it_stood_at_the_end_and_what_stood_before_is_told() -> None:
    one = debrief(
        *HAPPENED[:3],
        {"kind": "limited", "limit": "boat", "value": "1:00", "at": 3120},
        *HAPPENED[3:],
    )
    boat = by_id(one)["boat", "B"]
    assert (boat.kept, boat.by) == (True, 300)
    assert boat.nearest is not None
    assert (boat.nearest.at, boat.nearest.by) == (3120, -120)
    assert boat.words == "kept, but beyond what stood at 0:52:00"


def test_a_store_below_its_reserve_says_since_when() -> None:
    """100 L less 60 an hour leave 45 at 0:55; the reserve of 60 was reached at 0:40."""
    one = debrief({"kind": "limited", "limit": "A.gas", "value": 60, "at": 10}, *HAPPENED)
    gas = by_id(one)["A.gas", "A"]
    assert (gas.kept, gas.ever_below) == (False, True)
    assert gas.by == pytest.approx(-900)
    assert gas.by_amount == pytest.approx(-15)
    assert "A gas, 15 L below its reserve 60 L" in one.verdict


def test_a_fresh_bottle_keeps_the_reserve_and_the_low_before_it_is_told() -> None:
    gas_events = (
        {"kind": "limited", "limit": "A.gas", "value": 60, "at": 10},
        {"kind": "replaced", "crew": "A", "consumable": "gas", "value": 100, "at": 3000},
    )
    one = debrief(gas_events[0], *HAPPENED[:3], gas_events[1], *HAPPENED[3:])
    gas = by_id(one)["A.gas", "A"]
    assert (gas.kept, gas.ever_below, gas.certain) == (True, True, "rates")
    # By the rates 50 L at 0:50, then 100 less 5.
    assert gas.was == pytest.approx(95, abs=1)
    assert gas.nearest is not None
    assert gas.nearest.at == 3000
    assert gas.nearest.by is not None
    assert gas.nearest.by < 0


def test_a_reading_makes_it_certain() -> None:
    reading = {"kind": "reading", "crew": "A", "consumable": "gas", "value": 46, "at": 3240}
    gas = by_id(debrief(*HAPPENED[:3], reading, *HAPPENED[3:]))["A.gas", "A"]
    assert (gas.kept, gas.certain) == (True, "read")
    assert gas.words == "kept, last read 0:54:00"


@pytest.mark.parametrize(
    ("happened", "kept", "words"),
    [
        ((), None, "not begun"),
        ((_done("valve.open", 600),), None, "running at the end: within 0:15 of valve.open"),
        (
            (_done("valve.open", 600), _done("look.1", 1560)),
            False,
            "broken: not done: within 0:15 of valve.open",
        ),
    ],
)
def test_clocks_that_did_not_end(happened: tuple[dict[str, Any], ...], kept: bool | None, words: str) -> None:
    shut = by_id(debrief(*happened))["valve.shut", "A"]
    assert (shut.kept, shut.words) == (kept, words)


def test_a_step_outside_its_window_and_one_that_was_shut_out() -> None:
    late = {"kind": "began", "step": "look.1", "at": 2100}
    light = by_id(debrief(late, _done("look.1", 2400)))["window.light", "B"]
    assert (light.kept, light.at, light.was, light.by) == (False, 1800, 2100, -300)
    assert light.words == "broken: 0 steps of 1 began inside; began outside: look.1"
    never = by_id(debrief({"kind": "held", "crew": ["B"], "at": 0}, _done("valve.open", 2400)))
    assert (never["window.light", "B"].kept, never["window.light", "B"].words) == (
        False,
        "broken: shut out: look.1",
    )


def test_a_window_that_was_over_before_the_clock_started_is_a_table_row_without_a_margin() -> None:
    plan = DIVE.replace("zero: both down", "zero: both down\nzero_planned: 2031-04-27T14:00:00Z")
    one = debrief({"kind": "began", "step": "look.1", "at": 600}, _done("look.1", 1500), plan=plan)
    light = by_id(one)["window.light", "B"]
    assert (light.kept, light.at, light.was, light.by) == (False, None, 600, None)
    words = "broken: 0 steps of 1 began inside; began outside: look.1; no opening at all"
    assert light.words == words
    assert ("window light", "B", "-", "0:10:00", "-", words) in tables.of_excursion(one)[0].rows


def test_an_item_left_open_is_a_broken_limit() -> None:
    one = debrief(
        _done("valve.open", 600),
        {"kind": "called", "call": "at once", "at": 700},
        _done("home.1", 1300),
        {"kind": "closed", "at": 1400},
    )
    item = by_id(one)["item:valve-1", "A"]
    assert (item.kept, item.by, item.words) == (False, None, "broken: left open by valve.open")
    assert "item valve-1, left open by valve.open" in one.verdict


def test_must_work_left_undone_is_not_kept_on_every_page() -> None:
    """A get-ahead may stay undone, unless it was kept by decision and never given up."""
    plan = DIVE.replace("id: look\n", "id: look\n    priority: get-ahead\n")
    kept = {"kind": "chose", "task": "look", "choice": "keep", "at": 100}
    left = ({"kind": "called", "call": "home", "at": 700}, _done("valve.shut", 900), *HAPPENED[3:])
    ended = debrief(kept, _done("valve.open", 600), *left, plan=plan)
    look = by_id(ended)["task:look", "B"]
    found = (look.kind, look.kept, look.at, look.by, look.words)
    assert found == ("task", False, None, None, "broken: 0 of 1 step done, left at the recall 0:11:40")
    assert ended.verdict.endswith("must work not done: look")
    assert ("look not done", "B", "-", "-", "-", look.words) in tables.limits(ended).rows
    assert tables.broken([ended]).rows[-1][1] == "look not done"
    assert all(look.words in "".join(pages.summary([ended] * n)) for n in (1, 2)), "whole"
    assert "in 0 of these every limit was kept and all must work done" in next(iter(told([ended])))
    assert "0 of 1 step done: must" in figures.slips(ended)
    drop = {"kind": "dropped", "task": "look", "at": 1700}
    dropped = debrief(*HAPPENED[:1], HAPPENED[2], drop, *HAPPENED[3:])
    assert by_id(dropped)["task:look", "B"].words == "broken: 0 of 1 step done, dropped 0:28:20"
    for chosen in ((), (kept,)):
        gone = debrief(*chosen, *HAPPENED[:1], HAPPENED[2], drop, *HAPPENED[3:], plan=plan)
        assert "task" not in {limit.kind for limit in gone.limits}


def test_closeout_without_its_last_ticks_breaks_nothing_once_everybody_entered() -> None:
    """Each of those outside was entered and the way up never ticked; without that nobody knows."""
    came = ({"kind": "entered", "crew": crew, "at": 3000} for crew in "AB")
    worked = HAPPENED[:3], {"kind": "closed", "at": 3300}
    one = debrief(*worked[0], *came, worked[1])
    for crew in "AB":
        found = by_id(one)["task:home", crew]
        words = "0 of 1 step ticked, everybody entered; never ticked: Come up"
        assert (found.kept, found.words) == (None, words)
    assert "home" not in one.verdict.replace("home not ticked", ""), one.verdict
    assert ("home not ticked", "A B") in {row[:2] for row in tables.limits(one).rows}
    assert tables.overview(one).rows[4][1] == "0:50:00"
    left = debrief(*worked[0], worked[1])
    assert by_id(left)["task:home", "A"].kept is False
    assert tables.overview(left).rows[4][1] == "0:55:00 by the close, not entered"
    ticked = tables.overview(debrief(*HAPPENED)).rows[4]
    assert ticked == ("Inside, actual", "0:55:00 by the last tick, not entered")
    kept = debrief(_done("valve.open", 600), _done("look.1", 900), _done("valve.shut", 1200),
                   {"kind": "entered", "crew": "A", "at": 3000}, {"kind": "entered", "crew": "B", "at": 2900},
                   {"kind": "closed", "at": 3000})  # fmt: skip
    assert kept.verdict.startswith("Every limit was kept and all must work done, home not ticked to the end")


def test_hardware_that_is_not_back_is_a_broken_limit() -> None:
    keys = "sites: {wall: {home: 0:05}}\nhardware: [{id: wrench}, {id: lamp}, {id: buoy}]\ntasks:"
    changes = {
        "tasks:": keys,
        "opens: [valve-1]}": "opens: [valve-1], takes: [wrench, lamp, buoy]}",
        "do: Look,": "do: Look, site: wall,",
        "within: {": "leaves: {buoy: wall}\n        within: {",
    }
    plan = DIVE
    for before, after in changes.items():
        plan = plan.replace(before, after, 1)
    put = {"kind": "put", "hardware": "lamp", "site": "wall", "at": 1000}
    one = debrief(put, *HAPPENED, plan=plan)
    lamp = by_id(one)["hardware:lamp", "A"]
    found = (lamp.kind, lamp.kept, lamp.by, lamp.words)
    assert found == ("hardware", False, None, "broken: not back, at wall since 0:16")
    assert ("hardware:lamp", "B") in by_id(one)
    assert one.verdict.endswith("; hardware lamp, not back, at wall since 0:16")
    assert ["lamp not back", "A B"] in [list(row[:2]) for row in tables.limits(one).rows]
    # The buoy is meant to stay, and the wrench comes up with who has it.
    assert {id for id, _ in by_id(one) if id.startswith("hardware")} == {"hardware:lamp"}
    fetched = {"kind": "took", "hardware": "lamp", "crew": "B", "at": 2000}
    assert "hardware:lamp" not in {id for id, _ in by_id(debrief(put, fetched, *HAPPENED, plan=plan))}
    came = ({"kind": "entered", "crew": crew, "at": 3300} for crew in "AB")
    back = by_id(debrief(put, *HAPPENED[:-1], *came, plan=plan))["hardware:wrench", "A"]
    assert (back.kept, back.words) == (None, "taken as back: who had it entered, no step brought it")


def test_before_the_clock_there_is_nothing_to_judge() -> None:
    with in_memory(parse_plan(DIVE, file="v.yaml", name="v"), seed="v") as journal:
        one = debriefed(journal.progress(), "v.sqlite", None)
    assert one.limits == ()
    assert one.verdict == "No limit to judge: the clock was never started."


def test_while_it_goes_on_nothing_is_said_to_be_kept() -> None:
    one = debrief(_done("valve.open", 600))
    assert {limit.id for limit in one.limits if limit.kept is not None} == {"window.light"}
    assert one.verdict == "Not over; no limit is broken so far"


def test_who_counts_before_a_window_opens_has_begun_by_then() -> None:
    """B is there at 0:02, the window opens at 0:30; counted at 0:05, held for a while, done at 0:20."""
    plan = DIVE.replace("[[0:00, 0:30]]", "[[0:30, 0:50]]").replace(
        "steps: [{do: Look, crew: [B], time: 0:20, window: light}]",
        "steps: [{do: Swim, crew: [B], time: 0:02}, "
        "{do: Look, crew: [B], time: 0:20, count: 4, window: light}]",
    )
    counted = {"kind": "counted", "step": "look.2", "count": 2, "at": 300}
    hold = ({"kind": "held", "crew": ["B"], "at": 400}, {"kind": "resumed", "crew": ["B"], "at": 500})
    one = debrief(_done("look.1", 120), counted, *hold, _done("look.2", 1200), plan=plan)
    row = next(row for row in one.steps if row.step == "look.2")
    assert row.actual_start is not None
    assert row.actual_start <= 300
    light = by_id(one)["window.light", "B"]
    assert (light.kept, light.words) == (False, "broken: 0 steps of 1 began inside; began outside: look.2")

"""The debrief of small excursions, computed on paper, and sums that add up on any."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.debrief.conftest import SMALL
from tests.journal.memory_store import in_memory
from tests.seasons import Truth, events, plan
from tracker.debrief import tables
from tracker.debrief.excursion import Excursion, Scoring, debriefed
from tracker.debrief.journals import pool
from tracker.debrief.wanted import Wanted
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.plan.read import parse_plan


def _after(journal: Journal, *more: dict[str, Any]) -> Excursion:
    journal.record_all(more)
    return debriefed(journal.progress(), "small.sqlite", None)


def _done(step: str, minutes: float, **more: Any) -> dict[str, Any]:
    return {"kind": "done", "step": step, "at": round(minutes * 60), **more}


def test_exactly_as_planned(small: Journal) -> None:
    one = _after(
        small,
        _done("mount.bolts", 10),
        _done("mount.wire", 30),
        _done("photos.all", 30),
        _done("home.in", 40),
        {"kind": "closed", "at": 2400},
    )
    assert one.inside == one.planned_inside == one.end == 2400
    assert [(part.label, part.seconds) for part in one.totals.waterfall] == [("as planned", 2400)]
    assert [row.variance for row in one.steps if row.status == "done"] == [0, 0, 0, 0]
    used = {store.crew: store for store in one.consumables}
    assert used["EV1"].by_rates == pytest.approx(used["EV1"].planned)
    # 40 min at 0.1 kg/h; EV1: 10 min at 300 W, 30 at 200; EV2: 10 at rest, 30 at 200; 0.1 kg/MJ.
    assert used["EV1"].used == pytest.approx(0.1 * 40 / 60 + 0.1 * (600 * 300 + 1800 * 200) / 1e6)
    assert used["EV2"].used == pytest.approx(0.1 * 40 / 60 + 0.1 * (600 * 100 + 1800 * 200) / 1e6)


def test_slow_held_and_dropped(small: Journal) -> None:
    """EV1 takes 15 min for the bolts, is held 5; photos are dropped; EV2 takes 24 for the wire."""
    one = _after(
        small,
        {"kind": "held", "crew": ["EV1"], "at": 300, "text": "glove check"},
        {"kind": "resumed", "crew": ["EV1"], "at": 600},
        _done("mount.bolts", 20),
        {"kind": "chose", "task": "photos", "choice": "drop", "advice": "keep", "at": 1100},
        {"kind": "dropped", "task": "photos", "at": 1100},
        _done("mount.wire", 44),
        _done("home.in", 56),
        {"kind": "closed", "at": 3400},
    )
    bolts, wire, _, photos, home = one.steps
    assert (bolts.actual_duration, bolts.variance, bolts.ratio) == (900, 300, 1.5)
    assert (bolts.held, bolts.held_for) == (300, "glove check")
    assert (wire.actual_start, wire.waited, wire.waited_for) == (1200, 1200, "need mount.bolts")
    assert (wire.finish_late, home.finish_late) == (840, 960)
    assert (photos.status, photos.dropped, photos.advised, photos.chosen) == ("dropped", True, "keep", "drop")
    assert one.inside == 3360
    parts = {part.label: part.seconds for part in one.totals.waterfall}
    assert one.last_in == "EV1"
    assert parts == {
        "as planned": 2400,
        "holds": 300,
        "pace: fasten": 300,
        "not done": -1200,
        "waiting: for each other": 1440,
        "pace: travel": 120,
    }
    assert sum(parts.values()) == one.inside
    assert [(h.crew, h.start, h.finish, h.reason) for h in one.holds] == [("EV1", 300, 600, "glove check")]
    # Before they go home together EV1 waits 24 min for EV2, who waited 20 for the bolts and for nobody then.
    alone = {"EV1": (1440, 300), "EV2": (1200, 0)}
    waited = {group.name: (group.waited, group.held) for group in one.totals.crew if group.name in alone}
    assert waited == alone
    assert {s.crew: (s.wait, s.hold) for s in one.totals.spent if s.crew in alone} == alone
    assert {g.name: (g.waited, g.held) for g in pool([one]).crew if g.name in alone} == alone
    kept = replace(one, totals=replace(one.totals, crew=tuple(replace(g, waited=9) for g in one.totals.crew)))
    assert Wanted().narrowed(kept) == one
    joint = Wanted(work="travel").narrowed(one).totals.crew
    assert [(group.name, group.waited) for group in joint] == [("EV1", 1440), ("EV2", 0)]
    assert [(c.kind, c.at) for c in one.changes] == [("dropped", 1100)]
    (decision,) = one.decisions
    assert (decision.followed, decision.outcome) == (False, "dropped")
    (later,) = one.hindsight
    # 120 - 56 = 64 min to spare, the photos take 20 at any likely pace: to drop them was costly.
    assert (later.room, later.confirmed, later.done) == (True, False, False)


def test_what_was_given_up_and_every_recall_is_a_decision(small: Journal) -> None:
    """Must work is dropped, restored, dropped again; a recall stands for five minutes, another for good."""
    one = _after(
        small,
        {"kind": "dropped", "task": "mount", "at": 600},
        {"kind": "restored", "task": "mount", "at": 660},
        {"kind": "called", "call": "home", "at": 900},
        {"kind": "noted", "text": "no", "at": 1200},
        {"kind": "withdrawn", "event": 4},
        {"kind": "chose", "task": "photos", "choice": "drop", "advice": "drop", "at": 1300},
        {"kind": "dropped", "task": "photos", "at": 1300},
        {"kind": "dropped", "task": "mount", "at": 1400},
        {"kind": "called", "call": "at once", "crew": ["EV1"], "at": 1500},
    )
    told = [(d.at, d.event, d.task, d.choice, d.outcome, d.words) for d in one.decisions]
    assert [row for row in told if row[1] != "called"] == [
        (600, "dropped", "mount", "drop", "dropped", "must work given up"),
        (660, "restored", "mount", "restore", "dropped", ""),
        (1300, "chose", "photos", "drop", "dropped", ""),
        (1400, "dropped", "mount", "drop", "dropped", "must work given up"),
    ]
    back, call = (row for row in told if row[1] == "called")
    assert (back[0], back[3], back[5]) == (900, "call home", "EV1 EV2")
    assert back[4].startswith("taken back ")
    assert call == (1500, "called", "", "call at once", "", "EV1")
    rows = tables.decisions(one).rows
    assert [row[1] for row in rows] == ["mount", "mount", "recall", "photos", "mount", "recall"]
    assert rows[0][-1] == "must work given up"
    by_task = {row.task: row.given_up for row in one.steps}
    assert by_task == {"mount": "must work 0:23:20", "photos": "0:21:40", "home": ""}


def test_minutes_of_a_recall_that_was_taken_back_are_no_pace(small: Journal) -> None:
    """Called at 0:04 and taken back at 0:09, while EV1 turns bolts that take 16 min instead of 10."""
    clock = small.progress().zero
    assert clock is not None
    small.record({"kind": "called", "call": "home", "at": 240})
    back = {"kind": "withdrawn", "event": 2}
    small.record(back, utc_now=clock + timedelta(seconds=540))
    one = _after(
        small,
        _done("mount.bolts", 16),
        _done("mount.wire", 36),
        _done("photos.all", 36),
        {"kind": "skipped", "step": "mount.ask", "at": 2160},
        _done("home.in", 46),
        {"kind": "closed", "at": 2760},
    )
    parts = {part.label: part.seconds for part in one.totals.waterfall}
    assert (parts["recall taken back"], parts["pace: fasten"]) == (300, 60)
    assert sum(parts.values()) == one.inside == 2760
    assert one.decisions[0].outcome == "taken back 0:09:00"


def test_order_changes_and_added_work(small: Journal) -> None:
    spare = {"title": "Spare bolt", "steps": [{"do": "Turn it", "crew": ["EV1"], "time": "0:05"}]}
    one = _after(
        small,
        {"kind": "added", "task": spare, "at": 10},
        {"kind": "moved", "task": "photos", "before": "mount", "at": 0},
        {"kind": "began", "step": "photos.all", "at": 0},
        _done("photos.all", 21),
        _done("mount.bolts", 31),
    )
    by_step = {row.step: row for row in one.steps}
    assert by_step["added-1.1"].added
    assert (by_step["mount.bolts"].planned_place, by_step["mount.bolts"].actual_place) == (1, 2)
    # The added step stands between them: it came before the bolts, was inserted next, and is begun.
    assert (by_step["photos.all"].planned_place, by_step["photos.all"].actual_place) == (3, 1)
    assert one.inside is None
    assert one.hindsight == ()


def test_readings_say_what_was_used(small: Journal) -> None:
    one = _after(
        small,
        {"kind": "reading", "crew": "EV1", "consumable": "air", "value": 0.90, "at": 900},
        {"kind": "reading", "crew": "EV1", "consumable": "air", "value": 0.88, "at": 1080},
        {"kind": "replaced", "crew": "EV1", "consumable": "air", "value": 1.0, "at": 1200},
        _done("mount.bolts", 10),
    )
    air = next(store for store in one.consumables if store.crew == "EV1")
    assert (air.readings, air.replaced, air.last_read) == (2, 1, 0.88)
    # About 0.1 used by 15 min, as two readings say; by 20 min about 0.13, then a fresh store.
    assert air.used == pytest.approx(0.1 * 20 / 15, rel=0.15)
    assert air.left == pytest.approx(1.0, abs=0.01)


def test_before_zero_there_is_nothing_to_tell() -> None:
    journal = in_memory(parse_plan(SMALL, file="small.yaml", name="small"))
    one = debriefed(journal.progress(), "small.sqlite")
    assert one.zero is None
    assert {row.status for row in one.steps} <= {"open", "waiting"}
    assert one.judgement is None


def test_forecasts_are_judged(season: tuple[Progress, ...]) -> None:
    one = debriefed(season[0], "a.sqlite", Scoring(instants=6, scenarios=400))
    assert one.judgement is not None
    assert len(one.judgement.moments) == 10
    assert ("Scenarios of each forecast", "400") in tables.scores(one.judgement).rows
    rough = debriefed(season[1], "b.sqlite", Scoring(instants=0, scenarios=50))
    together = pool([one, rough]).judgement
    assert together is not None
    assert (len(together.moments), together.scenarios) == (14, 50)
    assert one.inside is not None
    last = one.judgement.moments[-1]
    assert last.p10 <= last.p50 <= last.p90
    assert last.crps_paper == pytest.approx(abs(last.paper - one.inside))
    # Late in the excursion little is left to be wrong about.
    assert last.crps < one.judgement.moments[0].crps
    assert last.crps < 600


def test_forecast_beats_paper_over_a_season(season: tuple[Progress, ...]) -> None:
    """Every excursion is slow by a constant pace; paper never learns that."""
    found = [debriefed(p, "a", Scoring(instants=0, scenarios=400)).judgement for p in season]
    ours, paper = (sum(getattr(j, name) for j in found if j is not None) for name in ("crps", "crps_paper"))
    assert len([j for j in found if j is not None]) == 12
    assert ours < 0.6 * paper


def test_paper_is_the_deterministic_network(small: Journal) -> None:
    """At 5 min, 5 of 10 min bolts left: the planned end is the end on paper."""
    small.record_all([_done("mount.bolts", 10), _done("mount.wire", 40), _done("photos.all", 30)])
    small.record_all([_done("home.in", 50), {"kind": "closed", "at": 3000}])
    one = debriefed(small.progress(), "a", Scoring(instants=0, scenarios=50))
    assert one.judgement is not None
    first = one.judgement.moments[0]
    assert first.at == 300
    assert first.paper == pytest.approx(2400)
    assert first.pro_rata == pytest.approx(2400)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    held=st.lists(
        st.tuples(st.sampled_from(["EV1", "EV2"]), st.integers(0, 9000), st.integers(1, 900)), max_size=3
    ),
    gone=st.sets(st.sampled_from(["task1", "task2"])),
    until=st.floats(0.2, 1.0),
)
def test_every_second_is_accounted_for(
    seed: int, held: list[tuple[str, int, int]], gone: set[str], until: float
) -> None:
    """Work, waiting, holds and idle time add up to the elapsed time; the waterfall to its end."""
    with in_memory(plan(14, seed=seed), seed="a") as journal:
        happened = list(events(journal.plan, Truth(), seed=seed))
        for crew, at, length in held:
            happened.append({"kind": "held", "crew": [crew], "at": at, "until": at + length})
            happened.append({"kind": "resumed", "crew": [crew], "at": at + length})
        happened += [{"kind": "dropped", "task": task, "at": 3000} for task in sorted(gone)]
        last = round(until * max(event.get("at", 0) for event in happened))
        for event in sorted(happened, key=lambda event: event.get("at", -1)):
            if event.get("at", 0) <= last:
                _try(journal, event)
        one = debriefed(journal.progress(), "a", None)
    for spent in one.totals.spent:
        assert spent.work + spent.wait + spent.hold + spent.idle == pytest.approx(one.end, abs=1e-6)
        assert spent.elapsed == pytest.approx(one.end, abs=1e-6)
        mine = next((group for group in one.totals.crew if group.name == spent.crew), None)
        if mine is not None:
            assert (mine.waited, mine.held) == pytest.approx((spent.wait, spent.hold), abs=1e-6)
    assert one.last_in is not None
    reached = one.crew_inside[one.last_in]
    total = sum(part.seconds for part in one.totals.waterfall)
    assert total == pytest.approx(one.end if reached is None else reached, abs=1e-6)


def _try(journal: Journal, event: dict[str, Any]) -> None:
    """Record an event that may contradict what is on record already; then it is left out."""
    from tracker.foundation.errors import EventError

    try:
        journal.record(event)
    except EventError as error:
        assert error.lines

"""Turning back, held to published figures: how late one may be and still get home in time."""

from __future__ import annotations

from datetime import UTC, datetime

from tracker.forecast.estimate import estimate
from tracker.forecast.figures import TurnBack
from tracker.foundation.times import format_exact, format_pet
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

CERTAIN = """
format: 1
pace: {median: 1, spread: 0, drift: 0}
noise: {sigma: 0}
crew: {spread: 0}
work: {spread: 0}
use: {spread: 0}
"""
"""A pace file without spread: every scenario is the plan on paper."""


def traverse(limit: str, sites: list[tuple[str, int, str]]) -> Plan:
    """One walker: at each site (name, seconds home, time spent on it) one step, then the way home."""
    places = ", ".join(f"{name}: {{home: {format_exact(home)}}}" for name, home, _ in sites)
    steps = "\n".join(
        f"      - {{do: Go on, crew: [EV1], time: {time}, site: {name}}}" for name, _, time in sites
    )
    text = f"""
format: 1
excursion: Out and back
zero: Leaving
limits: {{elapsed: {limit}}}
crew:
  - {{id: EV1, name: Walker}}
sites: {{{places}}}
tasks:
  - id: out
    title: Outward
    steps:
{steps}
  - id: back
    title: Home
    closeout: true
    steps:
      - {{do: Walk home, crew: [EV1], time: home}}
"""
    return parse_plan(text, file="traverse.yaml", name="traverse")


def turn_back(plan: Plan, now: float = 0) -> TurnBack:
    """Return the turn-back at an instant after the clock has started, nothing ticked yet."""
    uuid = "8c3c5f0e-7e0b-4a52-9b1e-0d6f6a1f2c11"
    fold = Fold.start(plan, uuid=uuid, pace_text=CERTAIN, pace_name="certain")
    zero = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}
    _, fold, _ = admit(fold, zero, utc_now=datetime(2041, 1, 1, tzinfo=UTC), seat="desk")
    return estimate(fold.progress(), now=now, scenarios=20).turn_back


def test_walking_back_from_the_farthest_station() -> None:
    """4.4 km from home at 2.7 km/h, home by 7:02: leave by 5:24 (Apollo 17 journal note 145:43:45)."""
    home = round(4.4 / 2.7 * 3600)
    found = turn_back(traverse("7:02", [("station", home, "6:59")]))
    assert format_pet(found.latest) == "5:24"
    assert found.latest == (7 * 60 + 2) * 60 - home


def test_point_of_safe_return() -> None:
    """6.5 h of endurance, 240 kt out, 210 kt home: turn at 182 min, 728 nm out.

    Published aviation example of the point of safe return. Every minute outward is a step with its own
    way home.
    """
    minutes = [(f"m{i}", round(i * 60 * 240 / 210), "0:01") for i in range(1, 201)]
    found = turn_back(traverse("6:30", minutes))
    assert found.latest == 182 * 60
    assert found.latest / 3600 * 240 == 728


def test_called_at_once_one_walks_home_from_where_one_is() -> None:
    plan = traverse("7:02", [("near", 600, "1:00"), ("far", 3600, "1:00"), ("near-2", 900, "1:00")])
    assert turn_back(plan, now=60).inside_if_now.p50 == 660

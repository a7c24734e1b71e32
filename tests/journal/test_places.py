"""Where somebody is: by the step in hand, by what was said, and how long the way home takes from there."""

from __future__ import annotations

import pytest

from tests.runs import Run, step, task
from tests.typed_lines import NOW, NOW_S
from tracker.foundation.errors import EventError
from tracker.journal.places import place_of
from tracker.journal.typed import parse_entry
from tracker.journal.wording import event_words

SITES = {"rack": {"home": "0:08"}, "boom": {"home": "0:15"}}


def day(*, start: bool = True) -> Run:
    return Run(
        task(
            "one", step("a", "EV1", 10, site="rack"), step("b", "EV1", 10), step("c", "EV1", 10, site="boom")
        ),
        task("two", step("x", "EV2", 10)),
        task("in", {**step("go", "EV1 EV2", 1), "time": "home"}, closeout=True),
        start=start,
        sites=SITES,
    )


def where(run: Run, crew: str, now: float) -> tuple[str, float, str | None, float] | None:
    found = place_of(run.now, crew, now)
    return None if found is None else (found.site, found.since, found.step, found.home_s)


def test_the_step_in_hand_says_where_somebody_is_and_the_last_one_with_a_site_after_it() -> None:
    run = day()
    assert where(run, "EV1", 0) is None
    assert where(run, "EV1", 60) == ("rack", 0, "one.a", 480)
    run.done("one.a", at=600)
    assert where(run, "EV1", 900) == ("rack", 0, "one.a", 480)
    run.done("one.b", at=1200)
    assert where(run, "EV1", 1201) == ("boom", 1200, "one.c", 900)
    assert where(run, "EV2", 1201) is None


def test_what_was_said_stands_until_a_later_step_at_a_site_and_the_way_home_follows() -> None:
    run = day()
    said = run("placed", 300, crew="EV2", site="boom")
    assert where(run, "EV2", 300) == ("boom", 300, None, 900)
    run("placed", 200, crew="EV1", site="boom")
    assert where(run, "EV1", 600) == ("boom", 200, None, 900)
    run.done("one.a", at=600)
    assert where(run, "EV1", 600) == ("rack", 0, "one.a", 480)
    run("withdrawn", event=said)
    assert where(run, "EV2", 600) is None
    run("placed", 700, crew="EV2", site="rack")
    run("entered", 800, crew="EV2")
    assert where(run, "EV2", 900) is None
    assert run.now.last_heard["EV2"] == 800


def test_before_zero_and_who_or_where_nobody_knows() -> None:
    run = day(start=False)
    run("placed", -60, crew="EV2", site="rack")
    run("zero", utc="2031-05-04T14:00:00Z")
    assert where(run, "EV2", 0) == ("rack", 0, None, 480)
    with pytest.raises(EventError, match="there is no site rak; did you mean rack"):
        run("placed", 60, crew="EV2", site="rak")
    with pytest.raises(EventError, match="there is no crew member EV9"):
        run("placed", 60, crew="EV9", site="rack")
    with pytest.raises(EventError, match="no site rack; none in this plan"):
        Run(task("one", step("a", "EV1", 10)))("placed", 60, crew="EV1", site="rack")
    run("closed", 600)
    with pytest.raises(EventError, match="was closed"):
        run("placed", 601, crew="EV2", site="rack")


@pytest.mark.parametrize(
    ("line", "crew"), [("at boom EV2", ["EV2"]), ("2 at boom", ["EV2"]), ("at b 1 2", ["EV1", "EV2"])]
)
def test_it_is_typed_with_the_site_and_whom(line: str, crew: list[str]) -> None:
    events = parse_entry(line, day().now, now=NOW_S, utc_now=NOW)
    assert events == [{"kind": "placed", "site": "boom", "crew": c} for c in crew]
    words = event_words(day().now, "placed", {"crew": crew[0], "site": "boom"})
    assert words == f"placed {crew[0]} at boom"

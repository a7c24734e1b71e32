"""Where somebody is: by the step in hand, by what was said, and how long the way home takes from there."""

from __future__ import annotations

import pytest

from tests.runs import Run, step, task
from tests.typed_lines import NOW, NOW_S
from tracker.foundation.errors import EventError
from tracker.journal.typed import parse_entry
from tracker.journal.whereabouts import hardware_at, left_behind, not_back, out_now, place_of
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


def test_who_is_back_at_the_lock_is_at_no_site_until_somebody_says_so() -> None:
    run = day()
    run.done("one.a", "one.b", "one.c", at=1800)
    assert where(run, "EV1", 2000) == ("boom", 1200, "one.c", 900)
    run.done("in.go", at=2700)
    assert where(run, "EV1", 2700) is None
    run("placed", 2800, crew="EV1", site="rack")
    assert where(run, "EV1", 2900) == ("rack", 2800, None, 480)


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


HARDWARE = [{"id": "wrench", "title": "Torque wrench"}, {"id": "box"}, {"id": "bag", "from": "rack"}]


def carried() -> Run:
    return Run(
        task(
            "one",
            step("fetch", "EV1", 10, takes=["wrench", "box"]),
            step("set", "EV1", 10, leaves={"box": "boom"}),
        ),
        task("two", step("x", "EV2", 10), step("bag", "EV2", 10, takes=["bag"])),
        task("in", step("go", "EV1 EV2", 10, brings=["wrench", "bag"]), closeout=True),
        sites=SITES,
        hardware=HARDWARE,
    )


def out(run: Run, now: float) -> dict[str, tuple[tuple[str, ...], str, float, str]]:
    found = hardware_at(run.now, now)
    return {id: (one.crew, one.site, one.since, one.by) for id, one in found.items() if one.site != "lock"}


def test_steps_take_leave_and_bring_hardware_and_events_say_otherwise() -> None:
    run = carried()
    assert out(run, 0) == {
        "wrench": (("EV1",), "", 0, "one.fetch"),
        "box": (("EV1",), "", 0, "one.fetch"),
        "bag": ((), "rack", 0, ""),
    }  # fmt: skip
    run.done("one.fetch", at=600)
    given = run("took", 700, hardware="wrench", crew="EV2")
    assert out(run, 700)["wrench"] == (("EV2",), "", 700, "took")
    run.done("one.set", at=1200)
    run("put", 1300, hardware="wrench", site="rack")
    assert out(run, 1300) == {
        "wrench": ((), "rack", 1300, "put"), "box": ((), "boom", 1200, "one.set"), "bag": ((), "rack", 0, ""),
    }  # fmt: skip
    assert out(run, 1250)["wrench"] == (("EV2",), "", 700, "took")
    # The box stays where the plan leaves it; the rest has to come back.
    assert [one.hardware.id for one in not_back(run.now, 1300)] == ["wrench", "bag"]
    run("withdrawn", event=given)
    assert out(run, 1250)["wrench"] == (("EV1",), "", 0, "one.fetch")
    run.done("two.x", "two.bag", at=1400)
    run.done("in.go", at=2000)
    # The wrench lies where nobody of them is: they do not bring it.
    assert out(run, 2000) == {"wrench": ((), "rack", 1300, "put"), "box": ((), "boom", 1200, "one.set")}
    assert [one.hardware.id for one in not_back(run.now, 2000)] == ["wrench"]


def test_who_comes_in_brings_along_what_nobody_else_has() -> None:
    run = carried()
    run.done("one.fetch", at=600)
    run("took", 700, hardware="box", crew="EV2")
    run("entered", 800, crew="EV1")
    assert out(run, 900).keys() == {"box", "bag"}
    assert out(run, 750).keys() == {"wrench", "box", "bag"}
    run("put", 850, hardware="wrench", site="boom")
    assert [one.hardware.id for one in not_back(run.now, 900)] == ["wrench", "box", "bag"]


@pytest.mark.parametrize(
    ("kind", "body", "why"),
    [
        ("took", {"hardware": "wrnch", "crew": "EV1"}, "there is no hardware wrnch; did you mean wrench"),
        ("took", {"hardware": "wrench", "crew": "EV9"}, "there is no crew member EV9"),
        ("put", {"hardware": "wrench", "site": "rak"}, "there is no site rak; did you mean rack"),
        ("put", {"hardware": "wrench"}, "`site` is missing; it takes hardware, site, at"),
    ],
)
def test_hardware_or_places_that_the_plan_has_not_are_refused(
    kind: str, body: dict[str, str], why: str
) -> None:
    with pytest.raises(EventError, match=why):
        carried()(kind, 60, **body)


@pytest.mark.parametrize(
    ("line", "event", "words"),
    [
        ("took wrench 2", {"kind": "took", "hardware": "wrench", "crew": "EV2"}, "took EV2 wrench"),
        ("2 took wr", {"kind": "took", "hardware": "wrench", "crew": "EV2"}, "took EV2 wrench"),
        ("put bag at rack", {"kind": "put", "hardware": "bag", "site": "rack"}, "put bag at rack"),
        ("put bag lock", {"kind": "put", "hardware": "bag", "site": "lock"}, "put bag at lock"),
    ],
)
def test_hardware_is_typed(line: str, event: dict[str, str], words: str) -> None:
    progress = carried().now
    (found,) = parse_entry(line, progress, now=NOW_S, utc_now=NOW)
    assert found == event
    assert event_words(progress, found.pop("kind"), found) == words


def test_what_is_out_in_words_and_what_nothing_ahead_brings() -> None:
    run = carried()
    run.done("one.fetch", at=600)
    run("put", 700, hardware="wrench", site="rack")
    assert [one.words for one in out_now(run.now, 900)] == [
        "wrench at rack since 0:11",
        "box with EV1 since 0:00",
    ]
    assert [one.hardware.id for one in left_behind(run.now, 900)] == ["wrench"], "a step ahead takes the bag"
    run("took", 1100, hardware="wrench", crew="EV1")
    assert left_behind(run.now, 1100) == (), "whoever has it comes in with it"

"""What a typed line asks twice: levels not read now, ticks that go far, decisions on what is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.console.conftest import progress_by_hand
from tests.console.test_hands import LAMP, SURVEY, again, show, under_way
from tests.runs import Run, step, task
from tracker.console.key_events import asked, over_doubts, tick, undo
from tracker.console.typed_doubts import doubts, enter_doubts, far_doubts, level_taken
from tracker.forecast.estimate import estimate
from tracker.plan.model import Plan


async def test_a_level_that_has_not_fallen_is_asked_about_with_when_it_would_fit(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        at.estimate()
        await at.press("b")
        await at.type("1 o .7")
        await at.press("enter")
        at.hand.move(1200)
        show(at)
        await at.press("b")
        await at.type("1 o .695")
        assert "0.695: expected 0.6 (0.59 to 0.61), 0.095 above; read 19 min ago? -19 behind it" in at.said
        await at.type(" -19")
        assert "expected" not in at.said
        session, reading = at.desk.runtime.session, {"kind": "reading", "crew": "EV1", "consumable": "oxygen"}
        known = (session.progress, session.snapshot.estimate)
        taken = [level_taken({**reading, "at": instant}, *known) for instant in (600, 1200, 1800)]
        assert taken == [pytest.approx(level, abs=0.011) for level in (0.7, 0.65, 0.6)]


async def test_what_is_decided_on_work_that_is_done_changes_nothing(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await under_way(at)
        progress = at.desk.runtime.session.progress
        done = [name for name, state in progress.steps.items() if state.step.task == "egress"]
        events = [{"kind": "dropped", "task": "egress"}]
        assert over_doubts(events, progress) == []
        for step in done:
            progress = progress.suppose({"kind": "done", "step": step, "at": 1700})
        assert over_doubts(events, progress) == ["egress is done: nothing changes"]
        assert over_doubts([{"kind": "retimed", "step": done[0]}], progress)[0].endswith(
            "is done: nothing changes"
        )


async def test_a_line_that_goes_far_is_wanted_twice(at_desk: Callable[..., Any]) -> None:
    """A few ticks of work at hand are wanted once; many, before a need or into other optional work, twice."""
    async with at_desk((160, 40)) as at:
        await at.press("z", "3")
        at.hand.move(600)

        async def asks(typed: str, why: str) -> None:
            """Type a line that is asked about, and leave it."""
            written = at.kinds
            await at.press("e")
            await at.type(typed)
            assert f"note: {why}" in at.said and at.said.endswith("Enter twice")
            await at.press("enter")
            assert at.said.strip() == f"{why}: Enter again writes it" and at.kinds == written
            await at.press("escape")

        async def write(typed: str) -> None:
            await at.press("e")
            await at.type(typed)
            assert not at.said.endswith("Enter twice")
            await at.press("enter")

        await asks(
            "2 >lines",
            "3 events through egress, pump; Close and part the two coolant lines before Open the pump cover",
        )
        await write("2 >tools")
        await write("1 >bolts")
        assert at.kinds == ["zero", *["done"] * 5]
        await asks("2 >panels", "4 events through pump, survey (not begun)")
        show(at)
        await asks("2 >wipe", "5 events through pump, survey (not begun), grease (not counted)")
        await at.press("e")
        await at.type("2 >wipe")
        await at.press("enter")
        await again(at)
        assert at.kinds[6:] == ["done"] * 5


def test_many_ticks_are_asked_about_by_their_number_alone(plan: Plan) -> None:
    progress = progress_by_hand(plan, {}, {})
    ticks = [{"kind": "done", "step": step} for step in plan.step if not step.startswith("home")]
    musts = [one for one in ticks if progress.tasks[one["step"].split(".")[0]].task.priority == "must"]
    assert far_doubts(musts[:5], progress, ()) == []
    assert far_doubts(musts[:6], progress, ()) == ["6 events through egress, pump"]


async def test_the_nearest_step_is_meant_by_words_of_what_is_done(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "e")
        await at.type("1 >hat")
        assert ": done EV1 EV2 Open the hatch and fix the hatch cover" in at.said
        await at.press("escape", "e")
        await at.type("1 >open pump")
        assert "; done EV1 Open the pump cover" in at.said


def test_a_tick_at_once_behind_the_one_before_it_is_asked_about() -> None:
    """Its step is planned for minutes and had seconds: pressed twice, or by both of a joint step."""
    steps = (step("1", "EV1 EV2", 10), step("2", "EV2", 10), step("3", "EV1", 2), step("4", "EV1", 3))
    run = Run(task("a", *steps), task("home", step("in", "EV1 EV2", 9), closeout=True))

    def asks(digit: int, now: float, minutes: int | None = None) -> str:
        return asked(tick(run.now, digit, None, now, minutes), run.now, (), digit, now).asks

    assert asks(1, 4) == "", "nothing was ticked before it"
    run.done("a.1", at=600)
    assert asks(2, 604) == "0:04 of 10:00 min since the tick before: 2 again ticks Do 2"
    assert asks(2, 659) and not asks(2, 660) and not asks(1, 604), "not after a minute, nor of a short step"
    assert asks(2, 604, 0) == "", "it was said when it was"
    typed = {"kind": "done", "step": "a.2"}
    assert doubts([typed], run.now, None, 604) == ["0:04 of 10:00 min since the tick before"]
    assert doubts([typed | {"at": 604}], run.now, None, 604) == []
    assert doubts([typed, {"kind": "done", "step": "a.3"}], run.now, None, 604) == [], "caught up together"
    run.done("a.3", at=660)
    assert asks(1, 704) and not asks(1, 705), "nor after a quarter of its time"
    run("retimed", 690, step="a.4", time="0:10", left=True)
    assert asks(1, 700).startswith("0:40 of ")


async def test_a_digit_that_comes_again_within_seconds_is_asked_about_once(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z", "3", "1", "2")
        assert at.said.strip() == "0:01 of 6:00 min since the tick before: 2 again ticks Fetch the tool bag"
        await at.press("v", "2")
        assert at.kinds == ["zero", "done", "done"], "any other key ends the question"
        await at.press("2", "2", "e")
        assert at.kinds == ["zero", *["done"] * 3]
        await at.type("1")
        assert "min since the tick before" in at.said and at.said.endswith("Enter twice")
        await at.press("escape", "minus", "1", "0")
        at.hand.move(60)
        await at.press("1")
        assert at.kinds == ["zero", *["done"] * 5]


async def test_whom_a_number_means_is_said_where_it_could_be_minutes(at_desk: Callable[..., Any]) -> None:
    """Whom first, then minutes: *h 1 3* is of two people, in a crew of five *h 1 5* as well."""
    async with at_desk() as at:
        await at.press("z", "h")
        await at.type("1 3")
        assert "held EV1 IV" in at.said and at.said.endswith("note: 3 is IV; 3 minutes: 03")
        await at.press("backspace")
        await at.type("03")
        assert "held EV1 until 0:03" in at.said and "note" not in at.said
        await at.press("escape", "h")
        await at.type("1 5")
        assert "held EV1 until 0:05" in at.said and "note" not in at.said


def test_the_hatch_is_not_closed_over_somebody_without_a_question() -> None:
    """Nor does who waits for somebody go in before them: asked by the digit, and of a typed line."""
    run = Run(
        task("a", step("1", "EV1", 10, opens=["hatch"]), step("2", "EV2", 10)),
        task(
            "home",
            step("in-2", "EV2", 5),
            step("in-1", "EV1", 4, needs=["home.in-2"]),
            step("shut", "EV1", 5, closes=["hatch"]),
            step("fill", "EV1 EV2", 12),
            closeout=True,
        ),
    )
    run.done("a.1", "a.2", at=600)

    def asks(now: float) -> str:
        return asked(tick(run.now, 1, None, now), run.now, (), 1, now).asks

    assert asks(900) == "EV2 is not in yet, Do in-2 is not done; the last key again writes it"
    run.done("home.in-1", at=900)
    assert asks(905) == "EV2 is not in yet, Do in-2 is not done; the last key again writes it"
    typed = [{"kind": "done", "step": "home.shut"}]
    assert doubts(typed, run.now, None, 905) == ["EV2 is not in yet, Do in-2 is not done"]
    assert doubts([{"kind": "done", "step": "home.in-2"}, *typed], run.now, None, 905) == []
    run.done("home.in-2", at=1000)
    assert asks(1100) == ""


def test_a_tick_before_what_it_needs_is_asked_twice_and_told_until_that_is_done() -> None:
    """By titles, of a digit as of a typed line; what closes is asked about before other work of its crew."""
    run = Run(
        task(
            "a",
            step("cover", "EV1", 5, opens=["cover"]),
            step("plug", "EV1", 10, do="Plug it in"),
            step("power", "EV2", 4, do="Power it", needs=["a.plug"]),
            step("shut", "EV1", 4, closes=["cover"]),
        ),
        task("home", step("in", "EV1 EV2", 5), closeout=True),
    )
    run.done("a.cover", at=300)

    def told(now: float) -> str:
        every = estimate(run.now, now).alerts
        return next((one.text for one in every if one.kind == "order" and one.severity == "look"), "")

    asks = asked(tick(run.now, 2, None, 310), run.now, (), 2, 310).asks
    assert asks == "Plug it in (EV1) is not done yet; the last key again writes it"
    shuts = [{"kind": "done", "step": "a.shut"}]
    assert doubts(shuts, run.now, None, 310) == ["Plug it in (EV1) is not done yet"]
    assert doubts([{"kind": "done", "step": "a.plug"}, *shuts], run.now, None, 310) == [] and told(310) == ""
    number = run("done", 320, step="a.power")
    said = f"is that ticked? done a.plug; withdraw {number}"
    assert told(340) == told(400) == f"EV2 did Power it before EV1 Plug it in: {said}"
    run.done("a.plug", at=600)
    assert told(610) == ""


def test_who_is_said_to_be_inside_with_closeout_ahead_is_asked_about() -> None:
    """With where they were, as long as the way home is not done; nothing once all of theirs is."""
    run = Run(
        task("a", step("1", "EV1", 10, site="boom", opens=["hatch"])),
        task(
            "home",
            step("count", "EV1", 5),
            {**step("go", "EV1 EV2", 1), "time": "home"},
            step("shut", "EV1", 5, closes=["hatch"]),
            step("fill", "EV1 EV2", 12),
            closeout=True,
        ),
        sites={"boom": {"home": "0:09"}},
    )
    run.done("a.1", at=600)

    def asks(*crew: str) -> list[str]:
        return enter_doubts([{"kind": "entered", "crew": c} for c in crew], run.now, 3000)

    assert asks("EV1") == ["EV1 is at boom, 9 min home, and has not done Do count, Do go, Do shut and 1 more"]
    run.done("home.count", "home.go", at=2000)
    assert asks("EV2", "EV1") == ["EV2 has not done Do fill", "EV1 has not done Do shut, Do fill"]
    run.done("home.shut", "home.fill", at=2900)
    assert asks("EV1", "EV2") == []


async def test_a_choice_against_the_advice_is_wanted_twice_though_the_chance_bears_it(
    at_desk: Callable[..., Any],
) -> None:
    """Once where it is as advised, or where who is to decide drops."""
    async with at_desk((200, 55)) as at:
        await under_way(at, choices=(SURVEY, LAMP))
        await at.press("d")
        await at.type("b")
        assert "dropped lamp   INSIDE 3:14 -> 3:02, 94 -> 97 %   note: advised keep for lamp" in at.said
        await at.press("enter")
        assert at.kinds == ["zero"] and at.said.strip() == "advised keep for lamp: Enter again writes it"
        await again(at)
        assert sorted(at.kinds) == ["chose", "dropped", "zero"]
        assert "dropped lamp, advised keep: on record" in at.said
        await at.press("d")
        await at.type("a")
        assert "twice" not in at.said
        await at.press("enter")
        assert len(at.kinds) == 5


def test_who_takes_a_recall_back_is_told_to_tell_the_crew_until_work_goes_on() -> None:
    """What of closeout is reported meanwhile is asked about, as work of theirs lies before it."""
    run = Run(
        task("a", step("1", "EV1", 10), step("2", "EV1", 10, do="Mend it"), step("3", "EV1", 10)),
        task("home", step("count", "EV1", 5), closeout=True),
        crew="EV1",
    )
    run.done("a.1", at=600)
    call = run("called", 700, call="home")
    heard = "the crew has heard the recall: tell them to go on"
    assert heard in undo(run.now, run.now.events[-1].seat).words

    def told(now: float) -> bool:
        return f"{heard}. ack heard-recall:{call + 1}" in [one.text for one in estimate(run.now, now).alerts]

    assert not told(710)
    run("withdrawn", 760, event=call)
    assert told(770)
    doubt = doubts([{"kind": "done", "step": "home.count"}], run.now, None, 800)
    assert doubt == ["Mend it (EV1) is not done yet", "Do 3 (EV1) is not done yet"]
    run.done("a.2", at=1300)
    assert not told(1310)

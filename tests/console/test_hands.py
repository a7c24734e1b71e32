"""What the line says before Enter, what Enter is wanted twice for, and what is said of an undo."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.console.conftest import estimate_by_hand
from tracker.console.key_events import PAIR_S
from tracker.console.workers import Estimated, Wanted
from tracker.forecast.figures import Choice, Range, TurnBack
from tracker.journal.journal import Journal
from tracker.journal.kept_press import Kept
from tracker.plan.model import Plan


async def under_way(at: Any, **changes: Any) -> None:
    """Start the clock, and half an hour later show figures by which a gauge is expected to show 0.6."""
    await at.press("z")
    at.hand.move(1800)
    show(at, **changes)


async def again(at: Any) -> None:
    """Press Enter a second time, later than a key that bounces."""
    await asyncio.sleep(PAIR_S + 0.05)
    await at.press("enter")


def show(at: Any, **changes: Any) -> None:
    at.estimate(**changes)
    snapshot = at.desk.runtime.session.snapshot
    stores = [replace(one, expected=Range(0.59, 0.6, 0.61)) for one in snapshot.estimate.consumables]
    at.estimate(**{"consumables": tuple(stores), **changes})


def choice(id: str, events: tuple[dict[str, Any], ...], inside: float, safe: float, meets: bool) -> Choice:
    spread = Range(inside - 600, inside, inside + 900)
    return Choice(
        id=id, tasks=(), given_up=(), inside=spread, safe=safe, binding="elapsed", reached=spread,
        to_spare=0.0, shift=0.0, value=None, meets=meets, at=1801.0, events=events,
    )  # fmt: skip


KEEP = {"kind": "chose", "task": "survey", "choice": "keep"}
SURVEY = choice("keep:survey", (KEEP,), 13200.0, 0.78, False)
LAMP = choice("drop:lamp", ({"kind": "dropped", "task": "lamp"},), 10900.0, 0.97, True)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("o .3 .6", "EV1 oxygen 0.3: expected 0.6 (0.59 to 0.61), 0.3 below"),
        ("o .6 .8", "EV2 oxygen 0.8: expected 0.6 (0.59 to 0.61), 0.2 above"),
        ("1 o 90", "EV1 oxygen 90: expected 0.6"),
        ("1 o .3 -20", "EV1 oxygen 0.3: expected "),
    ],
)
async def test_an_unlikely_reading_is_wanted_twice(at_desk: Callable[..., Any], typed: str, why: str) -> None:
    async with at_desk() as at:
        await under_way(at)
        await at.press("b")
        await at.type(typed)
        assert why in at.said and at.said.endswith("Enter twice")
        await at.press("enter")
        assert at.kinds == ["zero"]
        assert why in at.said and "Enter again writes it" in at.said
        await again(at)
        assert at.kinds[1:] == ["reading"] * (2 if typed.startswith("o") else 1)


async def test_must_work_is_dropped_by_enter_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await under_way(at)
        await at.press("d")
        await at.type("pump")
        await at.press("enter")
        assert at.kinds == ["zero"] and "must work, for the lead to give up" in at.said
        await again(at)
        assert at.kinds == ["zero", "dropped"]


async def test_a_likely_reading_is_wanted_once(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await under_way(at)
        await at.press("b")
        await at.type("o .6 .605")
        assert "Enter twice" not in at.said
        await at.press("enter")
        assert at.kinds == ["zero", "reading", "reading"]
        assert "; EV1 oxygen was taken as 0.61, EV2 oxygen was taken as 0.58" in at.said


async def test_a_reading_above_the_one_before_it_is_wanted_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        await at.press("b")
        await at.type("1 o .5")
        await at.press("enter", "b")
        await at.type("1 o .55")
        assert "EV1 oxygen 0.55: above the last one, 0.5, read 0:10" in at.said
        await at.press("enter")
        assert at.kinds == ["zero", "reading"]
        await at.type("0")
        assert "Enter twice" in at.said
        await at.press("enter")
        assert at.kinds == ["zero", "reading"], "another text is asked about anew"
        await again(at)
        assert at.kinds == ["zero", "reading", "reading"]


async def test_a_reading_above_the_start_is_wanted_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "b")
        await at.type("1 o 5")
        assert "EV1 oxygen 5: more than the" in at.said
        await at.press("enter")
        assert at.kinds == ["zero"]


async def test_a_reading_below_nothing_is_refused_and_stays(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "b")
        await at.type("1 o -.5")
        await at.press("enter")
        assert at.kinds == ["zero"] and at.desk.entry.line.value == "reading 1 o -.5"
        assert "number" in at.said


async def test_a_typed_tick_before_the_one_before_it_is_wanted_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        await at.press("1", "e")
        await at.type("1 -5")
        assert "lies before the tick before it: Open the hatch" in at.said
        await at.press("enter")
        assert at.kinds == ["zero", "done"]
        await again(at)
        assert at.kinds == ["zero", "done", "done"]


async def test_a_choice_says_what_follows_and_asks_where_it_takes_the_chance_too_low(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk((200, 55)) as at:
        await under_way(at, choices=(SURVEY, LAMP))
        await at.press("k")
        await at.type("a")
        assert "kept survey   INSIDE 3:14 -> 3:40, 94 -> 78 %   Enter twice" in at.said
        await at.press("enter")
        assert at.kinds == ["zero"] and "INSIDE 3:14 -> 3:40, 94 -> 78 %: Enter again" in at.said
        await again(at)
        assert at.kinds == ["zero", "chose"]
        assert "kept survey, advised decide: on record" in at.said


async def test_what_follows_is_worked_out_beside_the_screen(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55), estimates=True) as at:
        await at.press("z")
        at.hand.move(60)
        runtime = at.desk.runtime

        def figured() -> bool:
            runtime.want()
            snapshot = runtime.session.snapshot
            return snapshot.estimate is not None and snapshot.estimate.at >= snapshot.progress.at

        await at.until(figured)
        await at.press("t")
        await at.type("1 60")
        assert "Enter writes" in at.said
        await at.until(lambda: "INSIDE" in at.said)
        assert " -> " in at.said.partition("INSIDE")[2]
        await at.press("escape")


async def test_what_is_wrong_is_refused_with_an_example_and_stays(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "t")
        await at.type("1")
        await at.press("enter")
        assert "how many minutes? 15 from now on, or `of 15` in all" in at.said
        assert at.desk.entry.line.value == "retime 1" and at.kinds == ["zero"]
        await at.type(" 15")
        await at.press("enter")
        assert at.events[-1].body == {"step": "egress.open", "time": "0:15", "left": True}


async def test_a_hold_counts_from_the_key_that_asked_for_it(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(100)
        await at.press("h")
        at.hand.move(40)
        await at.type("2 visor fogged")
        await at.press("enter")
        assert (at.events[-1].at, at.events[-1].body["crew"]) == (101, ["EV2"])
        await at.press("e")
        await at.type("hold 1")
        at.hand.move(9)
        await at.press("enter")
        assert at.events[-1].at > 150


async def test_voice_is_toggled(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        for kind in ("silent", "heard"):
            await at.press("y")
            await at.type("2")
            await at.press("enter")
            assert at.kinds[-1] == kind


async def test_a_digit_asks_once_where_only_left_out_work_is_next(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "h")
        await at.type("*")
        await at.press("enter")
        progress = at.desk.progress
        step = next(id for id, s in progress.steps.items() if s.step.task == "grease")
        (crew,) = progress.steps[step].crew
        digit = str([member.id for member in progress.plan.crew].index(crew) + 1)
        order = progress.order[crew]
        for before in order[: order.index(step)]:
            at.hand.move(600)
            await at.press("e")
            await at.type(f"done {before}")
            await at.press("enter")
            if "is not done yet" in at.said:
                await again(at)
        assert at.desk.progress.current[crew] == step
        show(at)
        written = len(at.kinds)
        await at.press(digit)
        assert f"grease is not counted: {digit} again ticks it and keeps grease" in at.said
        assert len(at.kinds) == written
        await at.press(digit)
        assert at.kinds[written:] == ["chose", "done"]
        await at.press("u")
        assert at.kinds[written + 2 :] == ["withdrawn", "withdrawn"]


async def test_an_undo_says_inside_before_and_after(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55)) as at:
        await under_way(at)
        await at.press("1")
        show(at)
        await at.press("u")
        assert "took back 2: done EV1 EV2 Open the hatch" in at.said and "INSIDE" not in at.said
        progress, now = at.desk.progress, at.desk.runtime.session.now(at.hand.utc())
        later = estimate_by_hand(progress, now, inside=Range(11100.0, 11780.0, 12900.0, 11800.0))
        at.desk.actions.estimated(Estimated(later, Wanted(progress, now, True), True))
        assert "; INSIDE 3:14 -> 3:17   U puts it on record again" in at.said
        at.desk.actions.estimated(Estimated(later, Wanted(progress, now, True), True))
        assert at.said.count("INSIDE") == 1


async def test_the_line_says_question_and_answer(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55)) as at:
        await at.press("z", "Q")
        await at.type("ground: keep the survey?")
        assert "raised question about survey to ground: keep the survey?" in at.said
        await at.press("enter", "equals_sign")
        await at.type("2 yes")
        await at.press("enter")
        assert at.kinds == ["zero", "raised", "settled"]
        assert at.desk.progress.raised[0].settled.text == "yes"


@pytest.mark.parametrize(
    ("key", "text", "beside", "raised"),
    [
        ("R", "10gloves", 4, {"what": "reminder", "text": "gloves", "due": 600}),
        ("V", "bolt 3 stripped; wire tie", 2, {"what": "deviation", "text": "bolt 3 stripped; wire tie"}),
        ("M", "ground: go for unplug", 2, {"what": "message", "to": "ground", "text": "go for unplug"}),
    ],
)
async def test_what_is_open_takes_few_keys_beside_its_text(
    at_desk: Callable[..., Any], key: str, text: str, beside: int, raised: dict[str, Any]
) -> None:
    async with at_desk((200, 55)) as at:
        await at.press("z", key)
        await at.type(text)
        await at.press("enter")
        assert at.kinds == ["zero", "raised"]
        body = at.desk.progress.events[-1].body
        assert {name: value for name, value in body.items() if name != "due"} == {
            name: value for name, value in raised.items() if name != "due"
        }
        assert ("due" in body) == ("due" in raised)
        assert 2 + len(text) - len(raised["text"]) - (8 if "to" in raised else 0) <= beside
        assert raised["text"] in at.screen
        await at.press("equals_sign")
        await at.type("done")
        await at.press("enter")
        assert at.desk.progress.raised[0].settled.text == "done"


async def test_the_message_says_what_comes_next(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55)) as at:
        await at.press("z")
        assert "the clock runs since 14:00:01 UTC.  1 ticks what EV1 is at, 2 EV2, 3 IV" in at.said
        await at.press("1")
        assert "EV1 EV2 done Open the hatch and fix the hatch cover; next Open the pump cover" in at.said
        assert at.said.endswith("u takes it back")


async def test_the_end_says_what_is_pressed(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55)) as at:
        await at.press("z", "c", "c")
        while at.desk.progress.order["EV1"]:
            await at.press("1")
            if at.desk.progress.order["EV1"] and len(at.kinds) > 20:
                raise AssertionError(at.said)
        assert "EV1 inside?  i 1" in at.said
        assert "i inside" in at.screen
        await at.press("i")
        await at.type("1 2")
        await at.press("enter")
        assert "all are inside: X X closes" in at.said and "X close" in at.screen
        await at.press("X", "X")
        assert f"closed.  tracker debrief {at.path} says which limits were kept" in at.said


async def test_what_if_opens_empty_and_says_what_was_not_counted(at_desk: Callable[..., Any]) -> None:
    async with at_desk((120, 36)) as at:
        await under_way(at)
        await at.press("f")
        await at.type("d c")
        assert at.said == "Enter supposes: dropped grease: not counted already: no change"
        await at.press("enter")
        assert at.desk.what_if.page.lines == ("d c",)
        assert at.said == "dropped grease: not counted already: no change"
        assert "F record" in at.screen.splitlines()[-1]
        await at.press("escape", "f")
        assert at.desk.what_if.page.lines == ()
        await at.type("d b")
        assert at.said == "Enter supposes: dropped lamp"
        await at.press("enter", "F")
        assert at.kinds == ["zero", "chose", "dropped"] or at.kinds == ["zero", "dropped", "chose"]


async def test_the_last_words_of_the_crew_have_rows_of_their_own(
    at_desk: Callable[..., Any], plan: Plan, tmp_path: Path
) -> None:
    path = tmp_path / "one.sqlite"
    Journal.create(path, plan, rehearsal=True).close()
    async with at_desk((120, 36)) as at:
        await at.press("z", "n")
        at.hand.move(600)
        await at.type("mine")
        await at.press("enter")
        mine = at.said
        with Journal.open(path) as crew:
            for n, (who, words) in enumerate(WORDS):
                note = {"kind": "noted", "text": words, "at": 60 + 60 * n}
                crew.record(note, seat=who, utc_now=at.hand.utc())
        for _ in range(400):
            await at.painted()
            await at.settle()
            # What comes due gets its rows with the first estimate: the panes are laid out once more.
            if at.desk.progress.number == 6 and "0:02 EV2" in at.screen:
                break
        rows = at.screen.splitlines()
        place = next(n for n, row in enumerate(rows) if "0:02 EV2: bolts two and three" in row)
        assert "0:03 EV1: at the cover" in rows[place + 1] and "0:04 EV2: lines are parted" in rows[place + 2]
        assert mine in rows[place + 3] and at.said == mine
        assert "EV1: hatch is open" not in at.screen


WORDS = (
    ("EV1", "hatch is open"),
    ("EV2", "bolts two and three"),
    ("EV1", "at the cover"),
    ("EV2", "lines are parted"),
)


async def test_a_kept_task_stays_listed_by_its_letter(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55)) as at:
        await under_way(at)
        await at.press("k")
        await at.type("lamp")
        await at.press("enter")
        optional = [one for one in estimate_by_hand(at.desk.progress, 1803.0).optional if one.task != "lamp"]
        show(at, optional=tuple(optional))
        rows = [line for line in at.screen.splitlines() if " b lamp" in line]
        assert len(rows) == 1 and "kept" in rows[0]
        await at.press("d")
        await at.type("c")
        assert "dropped grease" in at.said


async def test_a_typed_undo_is_the_key(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1", "e")
        await at.type("undo")
        await at.press("enter")
        assert at.said.startswith("took back 2: done EV1 EV2 Open the hatch")
        assert at.said.endswith("   U puts it on record again")
        await at.press("U")
        assert at.kinds == ["zero", "done", "withdrawn", "withdrawn"]


async def test_the_recall_says_what_it_comes_to(at_desk: Callable[..., Any]) -> None:
    async with at_desk((200, 55)) as at:
        turn = TurnBack(11000.0, Range(4000.0, 4300.0, 4700.0), "pump.cover", 10400.0, safe_if_now=0.953)
        await under_way(at, turn_back=turn)
        await at.press("c")
        words = "c again calls EV1 EV2 home: inside 1:12, 95 %; leaves egress half done; n at once; "
        words += "any other key neither"
        assert at.said.strip() == words
        assert at.desk.runtime.session.said_ink == "alarm"


async def test_who_is_called_already_is_said_and_not_asked_for_again(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await under_way(at)
        await at.press("c")
        at.hand.move(1)
        await at.press("c")
        at.hand.move(10)
        called = len(at.kinds)
        await at.press("c")
        assert "EV1 EV2 called home at 0:30; H: the way home; n at once" in at.said
        at.hand.move(1)
        await at.press("c")
        assert len(at.kinds) == called and "EV1 EV2 called home at" in at.said
        await at.press("c", "n")
        assert at.events[-1].body == {"call": "at once"}
        at.hand.move(10)
        await at.press("c")
        assert "called at once at" in at.said and "n at once" not in at.said


async def test_what_was_refused_since_is_decided_on_in_words(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await under_way(at)
        session = at.desk.runtime.session
        event = {"kind": "done", "step": "hatch.open", "at": 60}
        press = Kept("job", session.progress.zero, "op@desk", (event,), "refused", "done already")
        session.refusals.presses = (press,)
        await at.press("1")
        wanted = "by op@desk, refused since: done step=hatch.open"
        shown = " ".join(at.whole.split())
        assert "! LOOK pressed 2031" in shown and wanted in shown and ", 1 refused" in shown
        await at.press("e")
        await at.type("later")
        assert at.said.startswith("Enter keeps it for later: pressed 2031")
        await at.press("enter")
        assert "LOOK pressed" not in " ".join(at.whole.split()) and ", 1 refused" in at.whole
        await at.press("e")
        await at.type("leave")
        assert at.said.startswith("Enter writes")
        await at.press("enter")
        assert at.kinds == ["zero", "done", "noted"]
        (note,) = (event for event in session.progress.events if event.kind == "noted")
        assert "done step=hatch.open" in note.body["text"]


async def test_a_clock_that_was_set_is_asked_about_until_it_is_chosen(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await under_way(at)
        at.hand.set_by = 75.0
        await at.press("1")
        wanted = "!! ACT this machine's clock was set forward by 0:01:15 at 0:30."
        assert wanted in " ".join(at.whole.split())
        await at.press("enter")
        await at.type("clock wall")
        assert "2 events: clock wall set 75; corrects 2" in at.said
        await at.press("enter")
        assert at.kinds == ["zero", "done", "clocked", "amended"]
        assert "clock was set" not in at.whole and "PET 0:31:" in at.whole
        await at.press("u")
        assert "!! ACT this machine's clock was set" in " ".join(at.whole.split())
        assert at.kinds[-2:] == ["withdrawn", "withdrawn"]
        await at.press("enter")
        await at.type("clock zero")
        await at.press("enter")
        assert at.kinds[-2:] == ["clocked", "amended"] and "clock was set" not in at.whole

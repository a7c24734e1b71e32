"""The desk by its keys, over a real journal: what is written, what is said, what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.console.test_hands import again
from tests.keyboard import offered
from tracker.console.commands import commands_of
from tracker.console.pane import Pane
from tracker.forecast.figures import Alert
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.plan.model import Plan


async def test_the_clock_starts_and_steps_are_ticked_with_one_key(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        assert "z starts the clock: Both suits on battery power" in at.screen
        await at.press("1")
        assert "z starts it" in at.said
        await at.press("z", "1", 600, "2")
        assert at.kinds == ["zero", "done", "done"]
        assert [e.body.get("step") for e in at.events[1:]] == ["egress.open", "egress.tools"]
        assert "PET 0:10:02" in at.screen and "entry 3 saved" in at.screen
        assert [e.seat for e in at.events] == ["desk"] * 3


@pytest.mark.parametrize(
    ("days", "words"), [(0, ""), (2, "stay where they are in UTC"), (30, "meant from the actual zero")]
)
async def test_a_start_far_from_the_planned_one_says_what_becomes_of_windows(
    at_desk: Callable[..., Any], days: int, words: str
) -> None:
    async with at_desk() as at:
        at.hand.move(days * 86_400.0)
        await at.press("z")
        assert words in at.said
        assert ("planned for" in at.said) == (days > 0)
        assert at.said.count("windows") == (days > 0), "said once"
        assert at.desk.progress is not None
        assert bool(at.desk.progress.openings["daylight"]) == (days != 2)


async def test_a_late_tick_takes_three_keys(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        await at.press("minus")
        assert "late: whose? 1 EV1 2 EV2 3 IV; - again adds ten minutes" in at.said
        await at.press("1")
        assert "EV1, how many minutes ago?" in at.said and at.kinds == ["zero"]
        await at.press("3")
        done = at.events[-1]
        assert (done.kind, done.at, done.stated) == ("done", 603 - 180, True)


async def test_every_further_dash_is_ten_minutes(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(3000)
        await at.press("minus", "minus", "minus", "1", "0")
        assert at.events[-1].at == 3005 - 1200
        await at.press("minus", "minus", "2")
        assert "EV2, 10 and how many minutes ago?" in at.said
        await at.press("5")
        assert at.events[-1].at == 3009 - 900


async def test_the_tail_of_a_mistake_never_ticks(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        await at.strike("minus", "5")
        assert "late: there is no crew member 5; digits do nothing for a moment" in at.said
        at.hand.move(0.4)
        await at.strike("2")
        at.hand.move(0.8)
        await at.strike("1")
        await at.settle()
        assert at.kinds == ["zero"]
        await at.press("2")
        assert at.kinds == ["zero", "done"]


async def test_a_tick_before_the_one_before_it_is_asked_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        await at.press("2", "minus", "2", "5")
        assert at.kinds == ["zero", "done"]
        assert "0:05:04 lies before the tick before it: Open the hatch" in at.said
        assert "the last key again writes it" in at.said
        await at.press("5")
        assert at.kinds == ["zero", "done", "done"] and at.events[-1].at < at.events[-2].at


async def test_any_other_key_ends_what_is_asked_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "c")
        assert "c again calls EV1 EV2 home" in at.said and "; any other key neither" in at.said
        await at.press("X")
        assert "c again" not in at.said
        await at.press("c")
        assert at.kinds == ["zero"], "the first question was over"
        await at.press("j")
        assert at.said == "" and at.desk.view_name == "events"
        await at.press("C", "C")
        assert at.kinds == ["zero"]
        await at.press("c", "n")
        assert at.events[-1].body == {"call": "at once"}
        assert not at.desk.entry.line.display


async def test_a_question_goes_after_five_seconds(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "X")
        at.hand.move(5.2)
        at.desk.actions.expire()
        assert at.said == ""
        await at.press("X")
        assert at.kinds == ["zero"]


async def test_a_bounced_key_does_not_recall(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "c")
        await at.strike("c")
        await at.settle()
        assert at.kinds == ["zero"]
        assert "c again calls" in at.said and at.said.endswith("c came twice within 0.05 s: taken once")
        at.hand.move(0.1)
        await at.strike("c")
        await at.settle()
        assert at.kinds == ["zero", "called"], "two quick presses are the pair that the key table names"


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 36), (200, 55)])
async def test_no_figure_of_before_a_recall_stands_beside_it(
    at_desk: Callable[..., Any], size: tuple[int, int]
) -> None:
    async with at_desk(size) as at:
        await at.press("z")
        asks = Alert(
            "confidence", "10 min SHORT: the lamp goes", False, "confidence", "act", do=("drop lamp",)
        )
        unheard = Alert("question:9", "IV was asked", False, "question", do=("answer 9",))
        at.estimate(called=None, alerts=(asks, unheard))
        await at.settle()
        assert "94 %" in at.screen and "the lamp goes" in at.screen
        await at.press("c", "c")
        for view in ("H", "B", "p", "x", "N", "E", "w", "S"):
            await at.press(view)
            assert "INSIDE: way home being worked out" in at.screen and "94 %" not in at.screen
            assert "the lamp goes" not in at.screen and "IV was asked" in at.screen
        at.estimate(called="home")
        assert "called home at 0:00" in at.screen and "94 %" in at.screen
        await at.press("u")
        assert "took back 2" in at.said and "INSIDE: way home being worked out" in at.screen


async def test_the_recall_names_only_who_is_outside(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "i")
        await at.type("2")
        await at.press("enter")
        assert "EV2 has not done Count and stow the tools, Ingress and close the hatch" in at.said
        await again(at)
        await at.press("c")
        assert "c again calls EV1 home; leaves egress half done; n at once" in at.said
        await at.press("c")
        assert "called EV1 home" in at.said


async def test_a_late_tick_that_was_begun_lapses(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "minus")
        at.hand.move(10)
        at.desk.actions.expire()
        await at.press("1")
        assert at.kinds == ["zero", "done"]
        assert not at.events[-1].stated


async def test_a_joint_step_is_not_ticked_while_one_is_missing(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1", 600, "3", "2", 600, "1", 600, "1", 600, "1")
        assert "not written: it needs EV2, still at Close and part the two coolant lines" in at.said
        assert at.kinds == ["zero", *["done"] * 5]


async def test_a_bounced_key_ticks_once(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        await at.strike("1", "1")
        await at.settle()
        assert at.kinds == ["zero", "done"]
        assert at.said.startswith("entry 2 saved") and at.said.endswith(
            "1 came twice within 0.3 s: taken once"
        )


async def test_a_step_that_changed_under_the_hand_is_refused_in_words(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1", 600, "2", "3")
        with Journal.open(at.path) as other:
            other.record({"kind": "done", "step": "pump.cover"}, seat="other", utc_now=at.hand.utc())
        at.hand.move(600)
        await at.strike("1")
        await at.settle()
        assert at.kinds == ["zero", *["done"] * 4]
        assert "refused" in at.said and "pump.cover" in at.said


async def test_undo_says_what_it_undid_and_goes_further_back(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1", 600, "2", "u")
        assert "took back 3" in at.said and "Fetch the tool bag" in at.said
        await at.press("u")
        assert "took back 2" in at.said
        await at.press("U")
        assert "on record again: 2" in at.said
        await at.press("U")
        assert "on record again: 3" in at.said
        assert at.desk.progress is not None
        assert at.desk.progress.steps["egress.tools"].ended == "done"
        await at.press("U")
        assert "nothing was taken back" in at.said


async def test_one_undo_takes_back_a_whole_entry(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(3000)
        await at.press("e")
        await at.type("1 >bolts -3")
        await at.press("enter")
        await again(at)
        assert at.kinds == ["zero", "done", "done", "done"]
        await at.press("u")
        assert at.kinds[4:] == ["withdrawn"] * 3
        assert at.desk.progress is not None
        assert at.desk.progress.current["EV1"] == "egress.open"
        await at.press("U")
        assert at.desk.progress.current["EV1"] == "pump.swap"


async def test_what_was_written_stands_beside_the_name(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1")
        assert "entry 2   " in at.screen, "no number of steps"
        await at.press("u")
        assert "entry 3   " in at.screen
        await at.press("c", "c")
        assert "entry 4   " in at.screen


async def test_the_entry_line_previews_keeps_and_writes(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(1200)
        await at.press("e")
        await at.type("done egress.open -3")
        assert "Enter writes at 0:17:01 = 14:17:02 UTC: done EV1 EV2 Open the hatch" in at.said
        at.desk.repaint()
        assert at.desk.entry.line.value == "done egress.open -3"
        await at.press("escape")
        assert "left, not written: done egress.open -3   the up arrow brings it back" in at.said
        await at.press("1")
        assert at.kinds == ["zero", "done"]
        await at.press("u", "e")
        assert at.desk.entry.line.value == ""
        await at.press("up")
        assert at.desk.entry.line.value == "done egress.open -3"
        await at.press("enter")
        assert at.events[-1].at == 1207 - 180
        await at.press("e")
        assert at.desk.entry.line.value == ""
        await at.press("up")
        assert at.desk.entry.line.value == "done egress.open -3"


async def test_an_entry_that_is_wrong_stays_and_says_why(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "e")
        await at.type("done nothing.such")
        await at.press("enter")
        assert at.kinds == ["zero"]
        assert at.desk.entry.line.value == "done nothing.such"
        assert "nothing.such" in at.said


async def test_completion_goes_round(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "d")
        assert at.desk.entry.line.value == "drop "
        await at.press("tab", "tab", "tab")
        assert at.desk.entry.line.value == "drop survey "
        await at.press("shift+tab")
        assert at.desk.entry.line.value == "drop pump "
        await at.type("no time")
        assert "dropped pump (no time)" in at.said


async def test_counts_skips_holds_and_goes(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1", 600, "3", "2", "1", "plus", "1")
        assert (at.events[-1].kind, at.events[-1].body["count"]) == ("counted", 1)
        await at.press("s", "2")
        assert at.events[-1].body["step"] == "pump.lines"
        await at.press("h")
        await at.type("visor fogged")
        await at.press("enter")
        assert at.events[-1].body["text"] == "visor fogged"
        assert "held" in at.screen and "visor fogged" in at.screen
        await at.press("r", "enter", 600, "1", "g")
        assert at.kinds[-3:] == ["resumed", "done", "went"]
        assert at.events[-1].body["step"] == "pump.swap"


async def test_the_recall_is_asked_twice_and_leads_home(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1", "c")
        assert at.kinds == ["zero", "done"]
        await at.press("c")
        assert at.events[-1].kind == "called"
        assert "what is to spare is being worked out" in at.screen and "called home" in at.screen


@pytest.mark.usefixtures("soon")
async def test_what_the_disk_refuses_is_hollow_until_it_is_written(
    at_desk: Callable[..., Any], plan: Plan, tmp_path: Path
) -> None:
    full = [True]

    class Full(Journal):
        def record_all(self, events: Any, **keys: Any) -> list[int]:
            if full[0] and not any(e["kind"] == "zero" for e in events):
                raise JournalError("one.sqlite: no space left on the disk")
            return super().record_all(events, **keys)

    async with at_desk(opener=lambda: Full.create(tmp_path / "one.sqlite", plan)) as at:
        await at.press("z")
        at.hand.move(1)
        await at.strike("1")
        await at.until(lambda: at.desk.runtime.session.away.words)
        at.hand.move(1)
        at.desk.repaint()
        await at.painted()
        assert "unsaved 1" in at.screen and "entry 1 saved" in at.screen
        assert "no space left" in at.said
        at.hand.move(600)
        await at.strike("2")
        at.hand.move(1)
        at.desk.repaint()
        await at.until(lambda: "unsaved 2" in at.screen)
        assert at.kinds == ["zero"]
        full[0] = False
        await at.settle()
        assert at.kinds == ["zero", "done", "done"]
        assert "unsaved" not in at.screen and "entry 3 saved" in at.screen


@pytest.mark.usefixtures("soon")
async def test_what_another_seat_writes_appears(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        with Journal.open(at.path) as other:
            other.record({"kind": "noted", "text": "a [b]note[/b]"}, seat="iv", utc_now=at.hand.utc())
        await at.until(lambda: at.desk.progress.number == 2)
        assert "iv wrote 2: note a [b]note[/b]" in at.said
        assert "entry 2 saved" in at.screen


async def test_an_event_of_the_list_is_corrected_and_taken_back(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", 900, "1", 600, "2", "j", "down", "down", "enter")
        assert at.desk.entry.line.value == "amend 2 0:15:01 "
        await at.press("ctrl+u")
        await at.type("amend 2 0:12")
        await at.press("enter")
        assert (at.events[-1].kind, at.events[-1].body["event"]) == ("amended", 2)
        assert at.desk.progress is not None
        assert at.desk.progress.steps["egress.open"].done == 720
        await at.press("up", "backspace", "enter")
        assert (at.events[-1].kind, at.events[-1].body["event"]) == ("withdrawn", 3)


async def test_a_step_is_found_by_its_words(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z", "slash")
        await at.type("stow tools")
        assert at.desk.chosen == "home.stow"
        await at.press("enter")
        assert "Count and stow the tools" in at.screen
        await at.press("e")
        assert at.desk.entry.line.value == "done home.stow "


async def test_leaving_is_asked_twice(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("q")
        assert "q again leaves" in at.said
        assert at.desk.app.return_code is None
        await at.press("q")
        assert at.desk.app.return_code == 0


PRESSED = sorted(
    (c for c in commands_of("desk") if c.id not in ("quit", "palette")), key=lambda c: c.id == "zero"
)
"""Every command that stays at the desk, the one that starts the clock at the end."""


async def test_every_command_can_be_pressed_before_the_start(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        for command in PRESSED:
            await at.press(command.keys[0], "escape")
            assert "PET" in at.screen and at.desk.is_current, command.id
        assert "zero" in at.kinds


async def test_every_command_can_be_pressed_under_way(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z")
        for command in PRESSED:
            await at.press(*command.keys, "escape")
            assert "PET" in at.screen and at.desk.is_current, command.id


async def test_the_screen_may_change_its_size(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z", "1")
        for size in ((200, 55), (120, 36), (40, 10), (20, 5), (100, 30)):
            await at.pilot.resize_terminal(*size)
            await at.settle()
        assert "PET 0:00:01" in at.screen and "Fetch the tool bag" in at.screen


async def test_the_palette_runs_a_command(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "ctrl+p")
        await at.type("light")
        await at.until(lambda: "theme" in offered(at.desk.app))
        await at.strike("enter")
        await at.until(lambda: at.desk.app.theme == "tracker-light")


async def test_the_mouse_does_what_keys_do(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z")
        await at.pilot.click("#body", offset=(20, 2))
        await at.settle()
        assert at.desk.chosen is not None
        column = at.screen.splitlines()[-1].index("u undo")
        await at.pilot.click("#footer", offset=(column + 3, 0))
        await at.settle()
        assert at.kinds == ["zero", "withdrawn"]


HOSTILE = (
    "[red]x[/] [/b] \x9b31mred\x9d0;t\x9c \u202egnp.exe \u0085 \u6f22\u5b57 e\u0301 <b>&amp; =1+1 [unclosed"
)


@pytest.mark.usefixtures("soon")
async def test_hostile_text_is_shown_as_text_everywhere(
    at_desk: Callable[..., Any], plan: Plan, tmp_path: Path
) -> None:
    task = {"title": HOSTILE, "priority": "must", "steps": [{"do": HOSTILE, "crew": ["EV1"], "time": "0:10"}]}
    async with at_desk((200, 55)) as at:
        await at.press("z")
        with Journal.open(at.path) as other:
            seat = HOSTILE[:40]
            for event in (
                {"kind": "noted", "text": HOSTILE},
                {"kind": "added", "task": task},
                {"kind": "held", "crew": ["EV1"], "text": HOSTILE},
            ):
                other.record(event, seat=seat, utc_now=at.hand.utc())
        await at.until(lambda: at.desk.progress.number == 4)
        for keys in (("j",), ("l",), ("p",), ("x",), ("H",), ("B",), ("question_mark",), ("slash",)):
            await at.press(*keys)
            shown = at.screen
            assert not any((ord(char) < 32 and char != "\n") or 127 <= ord(char) < 160 for char in shown)
            assert "\u202e" not in shown and "\x9b" not in shown
        assert "[red]x[/] [/b] ?31mred" in at.desk.query_one("#crew", Pane).lines[0][4].text + at.screen
        rendered = at.desk.app.export_screenshot()
        assert "\x9b" not in rendered

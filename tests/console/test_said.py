"""What was said, to scroll through, and a report that is entered as of the instant at which it was said."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.console.conftest import ZERO
from tests.journal.memory_store import in_memory
from tests.runs import LATER, Run, step, task
from tracker.console.key_events import PAIR_S
from tracker.console.view.events import awaits, last_heard, report_line, to_enter
from tracker.journal.journal import Journal
from tracker.journal.rounds import rounds_at
from tracker.journal.typed import parse_entry
from tracker.plan.model import Plan

WORDS = (
    (200, "EV1", "I read oxygen 0.7 kg, battery 500 Wh."),
    (640, "EV1", "Done: Open the hatch and fix the hatch cover."),
    (900, "lead", "Hold EV2: visor."),
    (1000, "EV2", "Done: Fetch the tool bag."),
    (1300, "EV1", "Release the captive bolts: 2 of 6."),
)


def last(at: Any, how_many: int = 1) -> list[tuple[str, float]]:
    """Return kind and PET of the events that were written last."""
    return [(event.kind, event.at) for event in at.events[-how_many:]]


async def enter(at: Any) -> None:
    """Press Enter later than a key that bounces."""
    await asyncio.sleep(2 * PAIR_S)
    await at.press("enter")


async def test_what_the_crew_said_is_entered_as_of_then(
    plan: Plan, tmp_path: Path, at_desk: Callable[..., Any], soon: None
) -> None:
    path = tmp_path / "one.sqlite"
    Journal.create(path, plan, rehearsal=True).close()
    async with at_desk((80, 24)) as at:
        await at.press("z")
        with Journal.open(path) as crew:
            for pet, who, words in WORDS:
                now = ZERO + timedelta(seconds=1 + pet)
                crew.record({"kind": "noted", "text": words}, seat=who, utc_now=now)
        at.hand.move(1800)
        await at.until(lambda: at.desk.runtime.session.number == 6)
        assert "0:03 EV1: I read" not in at.whole, "the last three have rows"
        assert "J: all that was said, 5 to enter" in at.whole
        await at.press("J")
        assert "0:03:20  enter EV1: I read oxygen 0.7 kg, battery 500 Wh." in at.whole
        assert at.whole.count("  enter EV") == 4 and "  enter lead: Hold EV2" in at.whole
        await enter(at)
        first = "without a choice the first that nobody has entered"
        assert at.desk.entry.line.value == "reading 1 oxygen 0.7 battery 500 0:03:20", first
        await enter(at)
        await at.until(lambda: last(at, 2) == [("reading", 200), ("reading", 200)])
        await at.until(lambda: "  saved EV1: I read oxygen" in at.whole)
        await at.press("down", "down", "down", "down", "down")
        await enter(at)
        assert at.desk.entry.line.value == " 0:03:20", "what is on record is not entered a second time"
        await at.press("escape", "up", "enter")
        assert at.desk.entry.line.value == "1 0:10:40"
        assert "done EV1 EV2 Open the hatch" in at.said
        await enter(at)
        await at.until(lambda: last(at) == [("done", 640)])
        await at.press("up", "enter")
        assert at.desk.entry.line.value == "hold 2 visor 0:15:00", "what the lead orders is a report as well"
        await enter(at)
        await at.until(lambda: last(at) == [("held", 900)])
        await at.press("up", "up", "enter")
        named = "what is named goes before what its speaker is at by the ticks"
        assert at.desk.entry.line.value == "count pump.bolts 2 0:21:40", named
        assert at.said.startswith("Enter writes at 0:21:40")
        assert at.whole.count("Release the captive bolts: 2 of 6.") == 1, "the list has what was said once"


def test_a_report_is_entered_as_what_its_words_say(plan: Plan) -> None:
    with in_memory(plan, rehearsal=True) as one:
        one.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        for text, line in (
            ("Ready for a go: Swap the pump (the lead gives a go).", "go pump.swap"),
            ("I am inside.", "enter 2 0:05:00"),
            ("EV1 does not answer.", "silent 1 0:05:00"),
            ("I read you again.", " 0:05:00"),
            ("Done: Fetch the tool bag.", "done egress.tools 0:05:00"),
        ):
            one.record({"kind": "noted", "text": text, "at": 300}, seat="EV2")
            progress = one.fold.progress()
            assert report_line(progress, progress.events[-1]) == line


def test_answers_to_a_round_are_entered_as_its_line_which_closes_it() -> None:
    """The round is answered, with its readings, and what is not ok is raised."""
    run = Run(
        task("a", step("1", "EV1 EV2", 90)),
        consumables=[{"id": "oxygen", "unit": "kg", "start": 0.9, "reserve": 0.1, "per_hour": 0.1}],
        rounds=[
            {"id": "suits", "every": "0:30", "ask": ["oxygen", "boots"]},
            {"id": "visor", "every": "0:30", "ask": ["glare"]},
        ],
    )
    for at, text, line in (
        (
            1800,
            "suits: oxygen 0.7, boots not ok: torn, at 2 places.",
            "check suits 2 0.7, no torn at 2 places 0:30:00",
        ),
        (1800, "visor: glare not ok: it's 2 bright.", "check visor 2 no it's 2 bright, 0:30:00"),
        (1860, "suits: oxygen ok, boots ok.", "check suits 2 ok, ok 0:31:00"),
    ):
        run("noted", at, text=text)
        said = replace(run.now.events[-1], seat="EV2")
        assert report_line(run.now, said) == line
        assert awaits(run.now, said)
        for event in parse_entry(line, run.now, now=1900.0, utc_now=LATER):
            run(event.pop("kind"), event.pop("at", None), **event)
        assert not awaits(run.now, said), "nothing of it is to be entered any more"
        assert report_line(run.now, said) == line[-8:]
    assert [one.missing for one in rounds_at(run.now, 1900)] == [("EV1",), ("EV1",)]
    assert [(one.crew, one.value) for one in run.now.readings] == [("EV2", 0.7)]
    raised = [str(one.body["text"]) for one in run.now.events if one.kind == "raised"]
    assert raised == ["EV2 boots not ok: torn at 2 places", "EV2 glare not ok: it's 2 bright"]
    run("noted", 1900, text="suits: oxygen 0.6.")
    part = replace(run.now.events[-1], seat="EV1")
    assert report_line(run.now, part) == "reading 1 oxygen 0.6 0:31:40", "a part of the answers is no round"


async def test_notes_and_questions_are_what_was_said_elsewhere(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "n")
        await at.type("glare on the visor")
        await at.press("enter", "1", "J")
        assert "note glare on the visor" in at.whole and "done EV1" not in at.screen.split(" said ")[1]


def test_a_report_is_to_be_entered_until_it_is_on_record(plan: Plan) -> None:
    with in_memory(plan, rehearsal=True) as one:
        one.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})

        def say(at: float, who: str, text: str) -> None:
            one.record({"kind": "noted", "text": text, "at": at}, seat=who)

        def waiting() -> list[str]:
            return [str(event.body["text"])[:9] for event in to_enter(one.fold.progress())]

        say(300, "EV2", "Done: Fetch the tool bag.")
        say(400, "EV1", "I read oxygen 0.7 kg, battery 500 Wh.")
        say(500, "lead", "Hold EV2: visor.")
        assert waiting() == ["Done: Fet", "I read ox", "Hold EV2:"]
        one.record({"kind": "held", "crew": ["EV2"], "at": 500, "text": "visor"})
        say(560, "lead", "EV2 may go on.")
        assert waiting()[2:] == ["EV2 may g"], "until the hold is ended"
        assert report_line(one.fold.progress(), to_enter(one.fold.progress())[-1]) == "resume 2 0:09:20"
        one.record({"kind": "resumed", "crew": ["EV2"], "at": 560})
        one.record({"kind": "done", "step": "egress.tools", "at": 290})
        told = [line[5:18] for line in last_heard(one.fold.progress(), 3)]
        assert told == ["EV1: I read o", "lead: EV2 may"], "what is on record makes room on the loop"
        assert waiting() == ["I read ox"]
        one.record({"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.7, "at": 400})
        assert waiting() == ["I read ox"], "the battery is not on record yet"
        one.record({"kind": "reading", "crew": "EV1", "consumable": "battery", "value": 500, "at": 400})
        assert waiting() == []
        say(420, "EV1", "Ready for a go: Swap the pump (the lead gives a go).")
        assert waiting() == ["Ready for"]
        one.record({"kind": "went", "step": "pump.swap", "at": 430})
        assert waiting() == []
        say(600, "EV1", "I am inside.")
        say(4300, "EV2", "I am inside.")
        assert waiting() == ["I am insi"], "what was said an hour ago is asked for no more"

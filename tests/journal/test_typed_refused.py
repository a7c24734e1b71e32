"""A wrong entry is refused in one line that says what would be right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.journals import ZERO
from tests.typed_lines import UNDER_WAY, typed
from tracker.foundation.errors import EventError
from tracker.journal.events import parse_event
from tracker.journal.fold import Fold
from tracker.journal.kinds import BY_NAME, BY_WORD
from tracker.journal.typed.match import complete
from tracker.journal.wording import event_words
from tracker.plan.read import parse_plan


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "nothing was typed"),
        ("frob", "begins no entry"),
        ("dorp latch", "did you mean drop"),
        ("drop latsh", "did you mean latch"),
        ("drop", "drop: which task? as in `drop latch`"),
        ("done hinge.relaese", "did you mean hinge.release"),
        ("begin hinge", "fits 4 steps: hinge.release, hinge.unplug"),
        ("1 -31", "more than 30 minutes ago wants a PET, here 0:09:00"),
        ("1 -45", "wants a PET"),
        ("1 2:75", "after a crew member comes"),
        ("1 7", "`7 of 4` counts items, `-7` is minutes ago"),
        ("1 3 of 5", "has 4 items, not 5"),
        ("1 frob", "after a crew member comes"),
        ("1 >nowhere", "there is no step 'nowhere'"),
        ("1 >", "as in `1 >mate -3`"),
        ("4", "begins no entry"),
        ("skip release 2:75", "not a time"),
        ("done mate -3x", "not a time"),
        ("hold EV9 loop check", "no crew member 'EV9'; did you mean EV"),
        ("resume EV9", "what is 'EV9' for"),
        ("undo soon", "what is 'soon' for"),
        ("hold EV1 crew=EV1", "given twice"),
        ("drop latch frob=1", "has no key 'frob'"),
        ("drop task=latch tesk=1", "did you mean task"),
        ("retime mate 0", "write H:MM or H:MM:SS"),
        ("retime mate", "EV1 at Mate the new connector: how many minutes? 15 from now on, or `of 15` in all"),
        ("hold 5", "there is no crew member 5; there are 1 EV1, 2 EV2, 3 IV"),
        ("hold 5 glove check", "there is no crew member 5"),
        ("- 5 3", "there is no crew member '5'; there are 1 EV1"),
        ("- 1", "late: whose, then how many minutes ago, as in `- 1 3`"),
        ("- 1 soon", "late: whose, then how many minutes ago"),
        ("voice", "silent: who? as in `silent EV2`"),
        ("k b", "no optional task has the letter b; there are a latch"),
        ("d w", "no optional task has the letter w"),
        ("t 1", "EV1 at Release the four captive fasteners: how many minutes?"),
        ("o 1 5", "there is no crew member '5'"),
        ("count release many", "not a whole number"),
        ("limit elapsed soon", "not a number"),
        ("reading oxygen 0.52", "a value for each of EV1 EV2"),
        ("reading oxygen", "a value for each"),
        ("reading", "as in `reading oxygen 0.52 0.49`"),
        ("reading helium 1 2", "there is no consumable 'helium'"),
        ("reading EV1.oxygen=lots", "not a number"),
        ("reading EV1.oxygen=nan", "not a number"),
        ("reading crew=EV1 value=3", "reading: which store?"),
        ("call now", "not home or at once"),
        ("choose latch perhaps", "not keep or drop or open"),
        ("amend 2 soon", "what is 'soon' for"),
        ("add EV1 0 Look", "0:00"),
        (
            "add EV1 0:10",
            "add: who, how long, and what is to be done, as in `add EV1 0:10 Inspect the hinge`",
        ),
        ("add Inspect the hinge EV1 0:10", "add: who, how long, and what is to be done"),
        ("add Inspect", "add: who, how long, and what is to be done"),
        ("add {oops", "not JSON"),
        ("move trays", "before"),
        (
            "drop latch trays",
            "trays is another task, and each is said by itself: `drop latch`, then `drop trays`",
        ),
        ("later latch trays is late", "`later latch`, then `later trays`"),
        ("k trays a", "a is another task, and each is said by itself: `keep trays`, then `keep latch`"),
        ("skip mate hinge.unplug", "hinge.unplug is another step"),
        ("zero noon", "noon"),
        ("seen moonlight", "there is no window 'moonlight'"),
    ],
)
def test_a_wrong_entry_is_refused_with_what_would_be_right(text: str, said: str) -> None:
    with pytest.raises(EventError) as caught:
        for event in typed(text):
            parse_event(event)
    assert said in caught.value.lines[0], caught.value.lines[0]


BARE = """format: 1
excursion: Fix it
limits: {elapsed: 3:00}
crew: [{id: EV1}, {id: EV2}]
tasks:
  - {id: work, steps: [{do: Fix it, crew: [EV1], time: 0:10}, {do: Hold it, crew: [EV2], time: 0:10}]}
  - {id: home, closeout: true, steps: [{do: Go in, crew: [EV1, EV2], time: 0:05}]}
"""
OF_NOTHING = {
    "at X EV2": "the plan has no sites; `at lock EV2` says who is back in the lock",
    "at": "the plan has no sites; ",
    "seen sun": "the plan has no windows; `note TEXT` says what was seen",
    "seen": "the plan has no windows; ",
    "b o .5": "the plan has no consumables; `note TEXT` says what was read",
    "reading EV1.oxygen=0.5": "the plan has no consumables; ",
    "replace": "the plan has no consumables; ",
    "check 1 ok": "the plan has no rounds; `note TEXT` says what somebody answers",
    "check status 1 ok": "the plan has no rounds; ",
    "took wrench 2": "the plan has no hardware; `note TEXT` says who has something",
    "put": "the plan has no hardware; ",
    "keep": "the plan has no optional tasks to keep or to put off; `drop TASK` gives must work up",
    "k a": "no optional task has the letter a; there are none, a task goes by its id: work, home",
    "d photos": "there is no task 'photos'; there is work, home",
    "go": "no hold point is left: nothing waits for a go",
    "1 3 of 4": "work.1 has no items to count; a digit alone ticks it",
    "+ 1": "work.1 has no items to count; ",
    "= yes": "nothing is open that could be answered or settled; `question TEXT` asks",
    "limit EV1.oxygen 1": "there is no limit 'EV1.oxygen'; there is elapsed",
    "r 1": "EV1 is not held",
    "= 4 yes": "nothing is open",
}
"""What is typed where a plan has nothing of the kind, or nothing of it is open, and what is said."""


@pytest.mark.parametrize(("text", "said"), OF_NOTHING.items(), ids=OF_NOTHING)
def test_of_what_a_plan_has_nothing_that_is_said_with_what_would_be_right(text: str, said: str) -> None:
    """*There is no site X; there is lock* read as if the plan had sites, misspelt."""
    bare = Fold.start(parse_plan(BARE, file="p", name="p"), uuid="1").suppose([ZERO])
    with pytest.raises(EventError) as caught:
        bare.suppose(*typed(text, bare))
    (line,) = caught.value.lines
    assert line.endswith(said) if said in ("EV1 is not held", "nothing is open") else line.startswith(said)
    if text == "at X EV2":
        assert typed("at lock EV2", bare) == [{"kind": "placed", "crew": "EV2", "site": "lock"}]


def test_hardware_that_is_lost_has_no_word_and_the_refusal_says_what_has() -> None:
    kept = BARE.replace("tasks:", "sites: {reef: {home: 0:05}}\nhardware: [{id: wrench}]\ntasks:")
    has = Fold.start(parse_plan(kept, file="p", name="p"), uuid="1").suppose([ZERO])
    for text in ("lost wrench", "out wrench"):
        with pytest.raises(EventError, match="no entry; `put wrench SITE lost`: where it stays; `took"):
            typed(text, has)
    (put,) = typed("put wrench reef lost", has)
    assert (put["kind"], put["hardware"], put["site"], put["text"]) == ("put", "wrench", "reef", "lost")


@settings(max_examples=300, deadline=None)
@given(
    words=st.lists(
        st.sampled_from(
            [
                *BY_WORD,
                "1",
                "2",
                "9",
                "EV1",
                "-3",
                "0:35",
                "14:22Z",
                ">mate",
                "3",
                "of",
                "4",
                "latch",
                "hinge",
            ]
        )
        | st.sampled_from(
            ["oxygen", "0.5", "_", "last", "before", "text=", "at=", "crew=", "{", "=", '"', "*"]
        )
        | st.text(max_size=6),
        max_size=6,
    )
)
def test_whatever_is_typed_is_events_or_one_line_of_refusal(words: list[str]) -> None:
    text = " ".join(words)
    try:
        events: Sequence[dict[str, Any]] = typed(text)
    except EventError as error:
        assert error.lines and all("\n" not in line for line in error.lines)
    else:
        assert events and all(event["kind"] in BY_NAME for event in events)
        assert all(event_words(UNDER_WAY, event["kind"], event) for event in events)
    complete(text, UNDER_WAY)

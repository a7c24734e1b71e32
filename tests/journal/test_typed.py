"""What is typed at a desk becomes the events that were meant, or is refused with what would be right."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.journals import MORNING, ZERO, done, plan
from tracker.foundation.errors import EventError
from tracker.journal.events import KINDS, parse_event
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.journal.typed import complete, parse_entry, parse_words, preview, tick
from tracker.journal.words import BY_KIND, BY_WORD, WORDS

START = datetime(2031, 5, 4, 14, tzinfo=UTC)
NOW_S = 2400
NOW = START + timedelta(seconds=NOW_S)


def after(*events: dict[str, Any], seat: str = "op") -> Progress:
    with Journal.in_memory(plan()) as one:
        for n, event in enumerate(events):
            one.record(event, seat=seat, utc_now=NOW + timedelta(seconds=n))
        return one.progress()


UNDER_WAY = after(ZERO, done("egress.hatch", 320), done("egress.2", 600))
"""EV1 is at hinge.release, EV2 at trays.walk."""


def typed(text: str, progress: Progress = UNDER_WAY, seat: str | None = "op") -> list[dict[str, Any]]:
    return parse_entry(text, progress, now=NOW_S, utc_now=NOW, seat=seat)


def refused(text: str, progress: Progress = UNDER_WAY) -> str:
    with pytest.raises(EventError) as caught:
        typed(text, progress)
    (line,) = caught.value.lines
    return line


RELEASE, WALK = {"kind": "done", "step": "hinge.release"}, {"kind": "done", "step": "trays.walk"}

ENTRIES: list[tuple[str, list[dict[str, Any]]]] = [
    ("1", [RELEASE]),
    ("2", [WALK]),
    ("EV2", [WALK]),
    ("ev2 done", [WALK]),
    ("bryn", [WALK]),
    ("1 -3", [RELEASE | {"at": NOW_S - 180}]),
    ("1 done -3:30", [RELEASE | {"at": NOW_S - 210}]),
    ("1 0:35", [RELEASE | {"at": 2100}]),
    ("1 0:35:10", [RELEASE | {"at": 2110}]),
    ("1 14:22Z", [RELEASE | {"at": 1320}]),
    ("1 14:22:07z", [RELEASE | {"at": 1327}]),
    ("1 at=0:35 seat=lead", [RELEASE | {"at": 2100, "seat": "lead"}]),
    ("1 3 of 4", [{"kind": "counted", "step": "hinge.release", "count": 3}]),
    ("1 3/4 -1", [{"kind": "counted", "step": "hinge.release", "count": 3, "at": NOW_S - 60}]),
    ("1 count 2", [{"kind": "counted", "step": "hinge.release", "count": 2}]),
    ("1 count 2 of 4", [{"kind": "counted", "step": "hinge.release", "count": 2}]),
    ("1 +", [{"kind": "counted", "step": "hinge.release", "count": 1}]),
    ("count release 3", [{"kind": "counted", "step": "hinge.release", "count": 3}]),
    (
        "1 >unplug -3",
        [RELEASE | {"at": NOW_S - 180}, {"kind": "done", "step": "hinge.unplug", "at": NOW_S - 180}],
    ),
    ("1 > the cable", [RELEASE, {"kind": "done", "step": "hinge.unplug"}]),
    ("1 skip no time", [{"kind": "skipped", "step": "hinge.release", "text": "no time"}]),
    ("1 hold glove   check", [{"kind": "held", "crew": ["EV1"], "text": "glove   check"}]),
    ("1 hold -3 glove", [{"kind": "held", "crew": ["EV1"], "at": NOW_S - 180, "text": "glove"}]),
    ("1 begin -2", [{"kind": "began", "step": "hinge.release", "at": NOW_S - 120}]),
    ("1 retime 0:20 left", [{"kind": "retimed", "step": "hinge.release", "time": "0:20", "left": True}]),
    ("done hinge.mate", [{"kind": "done", "step": "hinge.mate"}]),
    ("done step=hinge.release count=3 at=0:35", [RELEASE | {"count": 3, "at": 2100}]),
    ("tick mate -3", [{"kind": "done", "step": "hinge.mate", "at": NOW_S - 180}]),
    ("begin connector", [{"kind": "began", "step": "hinge.mate"}]),
    ('begin "new connector"', [{"kind": "began", "step": "hinge.mate"}]),
    ("drop latch", [{"kind": "dropped", "task": "latch"}]),
    ("drop latch no time -3", [{"kind": "dropped", "task": "latch", "text": "no time -3"}]),
    ("drop latch -3 no time", [{"kind": "dropped", "task": "latch", "at": NOW_S - 180, "text": "no time"}]),
    ("dropped task=latch", [{"kind": "dropped", "task": "latch"}]),
    ("restore grease", [{"kind": "restored", "task": "latch"}]),
    ("hold", [{"kind": "held"}]),
    ("hold EV1 cooling", [{"kind": "held", "crew": ["EV1"], "text": "cooling"}]),
    ("hold 1 2 until 0:50 loop check", [
        {"kind": "held", "crew": ["EV1", "EV2"], "until": 3000, "text": "loop check"}
    ]),
    ("hold EV1,EV2", [{"kind": "held", "crew": ["EV1", "EV2"]}]),
    ("hold both", [{"kind": "held", "crew": ["EV1", "EV2"]}]),
    ("resume", [{"kind": "resumed"}]),
    ("resume EV1 -2", [{"kind": "resumed", "crew": ["EV1"], "at": NOW_S - 120}]),
    ("go", [{"kind": "went", "step": "hinge.power"}]),
    ("go power", [{"kind": "went", "step": "hinge.power"}]),
    ("hand mate EV2", [{"kind": "handed", "step": "hinge.mate", "crew": ["EV2"]}]),
    ("hand mate to 1 2 -3", [
        {"kind": "handed", "step": "hinge.mate", "crew": ["EV1", "EV2"], "at": NOW_S - 180}
    ]),
    ("move trays before hinge", [{"kind": "moved", "task": "trays", "before": "hinge"}]),
    ("move trays last", [{"kind": "moved", "task": "trays", "last": True}]),
    ("add EV1 0:10 Inspect the  hinge", [{
        "kind": "added",
        "task": {
            "title": "Inspect the  hinge",
            "priority": "must",
            "steps": [{"do": "Inspect the  hinge", "crew": ["EV1"], "time": "0:10"}],
        },
    }]),
    ("add get-ahead 1,2 0:10 before latch Look again", [{
        "kind": "added",
        "before": "latch",
        "task": {
            "title": "Look again",
            "priority": "get-ahead",
            "steps": [{"do": "Look again", "crew": ["EV1", "EV2"], "time": "0:10"}],
        },
    }]),
    ('add {"title": "A b", "steps": []} last -3', [
        {"kind": "added", "task": {"title": "A b", "steps": []}, "last": True, "at": NOW_S - 180}
    ]),
    ('added task={"title": "A b"} before=latch', [
        {"kind": "added", "task": {"title": "A b"}, "before": "latch"}
    ]),
    ("retime mate 0:12", [{"kind": "retimed", "step": "hinge.mate", "time": "0:12"}]),
    ("retime mate 0:12 -3", [{"kind": "retimed", "step": "hinge.mate", "time": "0:12", "at": NOW_S - 180}]),
    ("retime mate left 0:12 0:35", [
        {"kind": "retimed", "step": "hinge.mate", "left": True, "time": "0:12", "at": 2100}
    ]),
    ("limit elapsed 2:45", [{"kind": "limited", "limit": "elapsed", "value": 9900}]),
    ("limit elapsed 2031-05-04T17:00:00Z", [
        {"kind": "limited", "limit": "elapsed", "value": "2031-05-04T17:00:00.000Z"}
    ]),
    ("limit EV1.oxygen 0.12", [{"kind": "limited", "limit": "EV1.oxygen", "value": 0.12}]),
    ("limit *.oxygen 0.12", [{"kind": "limited", "limit": "*.oxygen", "value": 0.12}]),
    ("reading oxygen 0.52 0.49", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52},
        {"kind": "reading", "crew": "EV2", "consumable": "oxygen", "value": 0.49},
    ]),
    ("oxygen 0.52 _ -1", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52, "at": NOW_S - 60}
    ]),
    ("EV1.oxygen=0.52 EV2.battery=300 at=0:35", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52, "at": 2100},
        {"kind": "reading", "crew": "EV2", "consumable": "battery", "value": 300.0, "at": 2100},
    ]),
    ("read ox 0.52 0.49kg bat 410 400", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52},
        {"kind": "reading", "crew": "EV2", "consumable": "oxygen", "value": 0.49},
        {"kind": "reading", "crew": "EV1", "consumable": "battery", "value": 410.0},
        {"kind": "reading", "crew": "EV2", "consumable": "battery", "value": 400.0},
    ]),
    ("2 reading oxygen 0.49", [{"kind": "reading", "crew": "EV2", "consumable": "oxygen", "value": 0.49}]),
    ("reading crew=EV1 consumable=oxygen value=0.5", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.5}
    ]),
    ("replace EV1 oxygen 0.75", [
        {"kind": "replaced", "crew": "EV1", "consumable": "oxygen", "value": 0.75}
    ]),
    ("seen daylight -1", [{"kind": "seen", "window": "daylight", "at": NOW_S - 60}]),
    ("enter EV1", [{"kind": "entered", "crew": "EV1"}]),
    ("1 in", [{"kind": "entered", "crew": "EV1"}]),
    ("call home", [{"kind": "called", "call": "home"}]),
    ("call at once EV1", [{"kind": "called", "call": "at once", "crew": ["EV1"]}]),
    ("silent EV2 -4", [{"kind": "silent", "crew": ["EV2"], "at": NOW_S - 240}]),
    ("2 heard", [{"kind": "heard", "crew": ["EV2"]}]),
    ("note glare at -3 on it's left visor", [{"kind": "noted", "text": "glare at -3 on it's left visor"}]),
    ("note -3 pressure=4.3 psi", [{"kind": "noted", "at": NOW_S - 180, "text": "pressure=4.3 psi"}]),
    ("noted text=two words at=0:35", [{"kind": "noted", "text": "two words", "at": 2100}]),
    ('noted text="two at=1 words" at=0:35', [{"kind": "noted", "text": "two at=1 words", "at": 2100}]),
    ("choose latch keep", [{"kind": "chose", "task": "latch", "choice": "keep"}]),
    ("choose latch drop -1", [
        {"kind": "chose", "task": "latch", "choice": "drop", "at": NOW_S - 60},
        {"kind": "dropped", "task": "latch", "at": NOW_S - 60},
    ]),
    ('chose task=latch choice=keep advice=drop figures={"cost": 1.5}', [
        {"kind": "chose", "task": "latch", "choice": "keep", "advice": "drop", "figures": {"cost": 1.5}}
    ]),
    ("ack last-call:latch:5", [{"kind": "acknowledged", "alert": "last-call:latch:5"}]),
    ("undo", [{"kind": "withdrawn", "event": 3}]),
    ("undo 2", [{"kind": "withdrawn", "event": 2}]),
    ("withdrawn event=2", [{"kind": "withdrawn", "event": 2}]),
    ("amend 2 0:04", [{"kind": "amended", "event": 2, "at": 240}]),
    ("amend 2 -30", [{"kind": "amended", "event": 2, "at": NOW_S - 1800}]),
    ("amended event=1 utc=14:00:10Z", [{"kind": "amended", "event": 1, "utc": "2031-05-04T14:00:10.000Z"}]),
    ("close", [{"kind": "closed"}]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "events"), ENTRIES, ids=[text for text, _ in ENTRIES])
def test_an_entry_means_these_events(text: str, events: list[dict[str, Any]]) -> None:
    assert typed(text) == events
    for event in events:
        parse_event(event)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("zero 14:00Z", "2031-05-04T14:00:00.000Z"),
        ("zero 02:30Z", "2031-05-05T02:30:00.000Z"),
        ("zero -3", "2031-05-04T14:37:00.000Z"),
        ("zero utc=2031-05-04T14:00:00Z", "2031-05-04T14:00:00.000Z"),
        ("zero at=14:00Z", "2031-05-04T14:00:00.000Z"),
    ],
)
def test_zero_is_an_instant(text: str, utc: str) -> None:
    assert typed(text, after()) == [{"kind": "zero", "utc": utc}]


def test_zero_alone_leaves_the_instant_to_the_clock() -> None:
    assert typed("zero", after()) == [{"kind": "zero"}]


def test_before_zero_a_pet_may_be_negative() -> None:
    assert typed("note -0:05 early", after()) == [{"kind": "noted", "at": -300, "text": "early"}]
    assert "clock has not started" in refused("note -3 early", after())
    assert "clock has not started" in refused("note 14:00Z early", after())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "nothing was typed"),
        ("frob", "begins no entry"),
        ("dorp latch", "did you mean drop"),
        ("drop latsh", "did you mean latch"),
        ("drop", "task missing; as in `drop latch`"),
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
        ("retime mate 12", "write H:MM or H:MM:SS, 0:12 or 0:00:12"),
        ("count release many", "not a whole number"),
        ("limit elapsed soon", "not a number"),
        ("reading oxygen 0.52", "a value for each of EV1 EV2"),
        ("reading oxygen", "a value for each"),
        ("reading", "as in `reading oxygen 0.52 0.49`"),
        ("reading helium 1 2", "there is no consumable 'helium'"),
        ("reading EV1.oxygen=lots", "not a number"),
        ("reading EV1.oxygen=nan", "not a number"),
        ("reading crew=EV1 value=3", "consumable missing"),
        ("call now", "not home or at once"),
        ("choose latch perhaps", "not keep or drop or open"),
        ("amend 2 soon", "what is 'soon' for"),
        ("add EV1 10 Look", "0:10"),
        ("add EV1 0:10", "task"),
        ("add {oops", "not JSON"),
        ("move trays", "before"),
        ("zero noon", "noon"),
        ("seen moonlight", "there is no window 'moonlight'"),
    ],
)
def test_a_wrong_entry_is_refused_with_what_would_be_right(text: str, said: str) -> None:
    with pytest.raises(EventError) as caught:
        for event in typed(text):
            parse_event(event)
    assert said in caught.value.lines[0], caught.value.lines[0]


def test_a_joint_step_is_not_ticked_while_somebody_is_elsewhere() -> None:
    apart = after(ZERO)
    assert "egress.2 is a joint step" not in str(typed("1", apart))
    waiting = after(ZERO, done("egress.hatch", 300), {"kind": "began", "step": "trays.walk", "at": 310})
    line = refused("1", waiting)
    assert "egress.2 is a joint step, and EV2 is at trays.walk" in line
    with pytest.raises(EventError, match="joint step"):
        tick(waiting, "EV1")
    assert typed("done egress.2", waiting) == [{"kind": "done", "step": "egress.2"}]


def test_a_sweep_stops_where_a_joint_step_lacks_somebody() -> None:
    progress = after(ZERO)
    assert [event["step"] for event in typed("1 >release", progress)] == [
        "egress.hatch",
        "egress.2",
        "hinge.release",
    ]
    apart = after(ZERO, {"kind": "began", "step": "trays.walk", "at": 10})
    assert "EV2 is at trays.walk" in refused("1 >release", apart)


def test_somebody_with_nothing_left_has_nothing_to_tick() -> None:
    idle = after(ZERO, {"kind": "skipped", "step": "hinge.power", "at": 10})
    assert refused("3", idle) == "IV has no current step; nothing is left for them"
    assert refused("IV begin", idle) == "IV has no current step; nothing is left for them"


def test_a_sweep_takes_the_nearest_step_that_fits() -> None:
    assert [event["step"] for event in typed("1 >the")][-1] == "hinge.release"


def test_undo_takes_back_what_was_recorded_together_and_then_the_one_before() -> None:
    with Journal.in_memory(plan()) as one:
        one.record_all([ZERO], seat="op", utc_now=NOW)
        one.record_all([done("egress.hatch", 320)], seat="op", utc_now=NOW + timedelta(seconds=1))
        sweep = typed("1 >release -3", one.progress())
        one.record_all(sweep, seat="op", utc_now=NOW + timedelta(seconds=2))
        one.record(
            {"kind": "noted", "text": "mine", "at": 9}, seat="lead", utc_now=NOW + timedelta(seconds=3)
        )
        first = typed("undo", one.progress())
        assert [event["event"] for event in first] == [4, 3]
        one.record_all(first, seat="op", utc_now=NOW + timedelta(seconds=4))
        assert one.progress().steps["egress.2"].ended is None
        assert [event["event"] for event in typed("undo", one.progress())] == [2]
        assert "nothing of this seat" in _refused_for("undo", one.progress(), "stranger")


def _refused_for(text: str, progress: Progress, seat: str) -> str:
    with pytest.raises(EventError) as caught:
        typed(text, progress, seat)
    return caught.value.lines[0]


def test_where_a_journal_is_not_live_nothing_is_ago_and_the_day_is_that_of_the_excursion() -> None:
    def read(text: str) -> list[dict[str, Any]]:
        return parse_entry(text, UNDER_WAY, now=None, utc_now=datetime(2040, 1, 1, tzinfo=UTC))

    with pytest.raises(EventError, match="not live; write a PET"):
        read("1 -3")
    assert read("1 14:22Z") == [RELEASE | {"at": 1320}]
    assert read("1 0:35") == [RELEASE | {"at": 2100}]


@pytest.mark.parametrize(
    ("words", "at", "events"),
    [
        (["done", "step=hinge.release"], "0:35", [RELEASE | {"at": 2100}]),
        (["noted", "text=two words = three"], "-3", [
            {"kind": "noted", "text": "two words = three", "at": NOW_S - 180}
        ]),
        (["note", "two words", "more"], None, [{"kind": "noted", "text": "two words more"}]),
        (["1"], "14:22Z", [RELEASE | {"at": 1320}]),
        (["zero"], "14:00Z", [{"kind": "zero", "utc": "2031-05-04T14:00:00.000Z"}]),
        (["held", "crew=EV1,EV2", "until=0:50"], None, [
            {"kind": "held", "crew": ["EV1", "EV2"], "until": 3000}
        ]),
        (["drop", "latch", "no time", "at=0:35"], None, [
            {"kind": "dropped", "task": "latch", "text": "no time", "at": 2100}
        ]),
        (["held", 'crew=["EV1"]'], None, [{"kind": "held", "crew": ["EV1"]}]),
        (["called", "call=at once"], None, [{"kind": "called", "call": "at once"}]),
        (["moved", "task=trays", "last=true"], None, [{"kind": "moved", "task": "trays", "last": True}]),
        (["added", 'task={"title": "A  b", "steps": []}'], "0:35", [
            {"kind": "added", "task": {"title": "A  b", "steps": []}, "at": 2100}
        ]),
        (["retimed", "step=hinge.mate", "time=0:20", "left=true"], None, [
            {"kind": "retimed", "step": "hinge.mate", "time": "0:20", "left": True}
        ]),
        (["reading", "oxygen", "0.5", "0.4"], "0:35", [
            {"kind": "reading", "crew": crew, "consumable": "oxygen", "value": value, "at": 2100}
            for crew, value in (("EV1", 0.5), ("EV2", 0.4))
        ]),
        (["amended", "event=2"], "0:04", [{"kind": "amended", "event": 2, "at": 240}]),
    ],
)  # fmt: skip
def test_words_that_a_shell_has_split(words: list[str], at: str | None, events: list[dict[str, Any]]) -> None:
    assert parse_words(words, UNDER_WAY, now=NOW_S, utc_now=NOW, at=at) == events


def test_the_table_has_every_kind_and_only_keys_that_the_kind_takes() -> None:
    assert sorted(BY_KIND) == sorted(KINDS)
    assert len(BY_WORD) == sum(1 + len(word.words) for word in WORDS)
    from tracker.journal.kinds import MODELS

    for word in WORDS:
        keys = {argument.key for argument in word.arguments} | {"text"}
        assert keys == set(MODELS[word.kind].model_fields), word.kind


@pytest.mark.parametrize("word", WORDS, ids=[word.kind for word in WORDS])
def test_the_example_of_every_word_reads_as_that_kind(word: Any) -> None:
    text = word.example.replace("power-on", "power").replace("mast", "hinge").replace("41", "2")
    text = text.replace("2:30", "0:50")
    progress = after() if word.kind == "zero" else UNDER_WAY
    events = typed(text, progress)
    assert {event["kind"] for event in events} == {word.kind}
    for event in events:
        parse_event(event)


def test_a_preview_says_pet_and_utc_and_what_would_be_unusual_or_refused() -> None:
    (line,) = preview(typed("1 -3"), UNDER_WAY, now=NOW_S)
    assert "hinge.release" in line and "PET 0:37:00" in line and "14:37:00 UTC" in line
    line, *unusual = preview(typed("done power 0:35"), UNDER_WAY, now=NOW_S)
    assert unusual and all(one.startswith("unusual: ") for one in unusual)
    line, wrong = preview(typed("done hatch 0:35"), UNDER_WAY, now=NOW_S)
    assert wrong.startswith("refused: ")
    assert len(preview(typed("1 >unplug"), UNDER_WAY, now=NOW_S)) == 2


@pytest.mark.parametrize("text", [text for text, _ in ENTRIES])
def test_every_entry_has_a_preview_of_one_plain_line_an_event(text: str) -> None:
    events = typed(text)
    lines = preview(events, UNDER_WAY, now=NOW_S)
    assert len(lines) >= len(events)
    assert all(line == line.strip() and "\n" not in line for line in lines)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("dr", "drop"),
        ("drop la", "drop latch"),
        ("drop task=", None),
        ("1 ho", "1 hold"),
        ("1 >hinge.un", "1 >hinge.unplug"),
        ("hold EV", "hold EV1"),
        ("hold EV1 u", "hold EV1 until"),
        ("move trays be", "move trays before"),
        ("move trays before hi", "move trays before hinge"),
        ("limit EV2.b", "limit EV2.battery"),
        ("call at", "call at once"),
        ("done hinge.re", "done hinge.release"),
        ("begin ma", "begin mate"),
        ("seen d", "seen daylight"),
        ("ox", "oxygen"),
        ("frob x", None),
        ("drop latch a", "drop latch at="),
    ],
)
def test_completion_goes_on_from_what_is_typed(text: str, wanted: str | None) -> None:
    found = complete(text, UNDER_WAY)
    assert found[:1] == ([] if wanted is None else [wanted])
    assert all(line.lower().startswith(text.lower()) for line in found)


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
        assert events and all(event["kind"] in KINDS for event in events)
        preview(events, UNDER_WAY, now=NOW_S)
    complete(text, UNDER_WAY)


def test_the_morning_of_the_journal_tests_is_typed_too(tmp_path: Path) -> None:
    lines = [
        "note suits checked", "zero 14:00Z", "1 0:05:20", "1 0:10", "hold EV2 0:11:40 glove check",
        "1 3 of 4 0:15", "resume EV2 0:16:40", "EV1.oxygen=0.7 at=0:18:20", "1 0:21:40", "drop latch 0:21:50",
        "undo", "amend 9 0:21:30",
    ]  # fmt: skip
    with Journal.in_memory(plan()) as one, Journal.in_memory(plan()) as other:
        for n, line in enumerate(lines):
            now = None if one.progress().zero is None else NOW_S
            events = parse_entry(line, one.progress(), now=now, utc_now=NOW)
            one.record_all(events, utc_now=NOW + timedelta(seconds=n))
        other.record_all(MORNING, utc_now=NOW)
        assert _outcome(one.progress()) == _outcome(other.progress())


def _outcome(progress: Progress) -> list[object]:
    readings = [(reading.crew, reading.value, reading.at) for reading in progress.readings]
    return [
        readings,
        [(id, s.ended, s.began, s.done, s.counted, s.held_s) for id, s in progress.steps.items()],
    ]

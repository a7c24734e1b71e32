"""Short forms: digits, letters and bare numbers, a key for its word, and the time behind a text."""

from __future__ import annotations

from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tests.runs import Run, step, task
from tests.typed_lines import NOW, NOW_S, RELEASE, UNDER_WAY, after, refused, typed
from tracker.foundation.errors import EventError
from tracker.journal.kinds import BY_KEY, BY_WORD
from tracker.journal.progress import Progress, letters
from tracker.journal.typed import (
    chosen_events,
    naming_steps,
    parse_entry,
    parse_words,
    supposed_events,
    with_supposed,
)

MATE, LATCH = {"step": "hinge.mate"}, {"task": "latch"}
KEEP, DROP = {"kind": "chose", "choice": "keep"}, {"kind": "dropped"}
AGO_3 = {"at": NOW_S - 180}
OXYGEN = {"kind": "reading", "consumable": "oxygen"}
LEFT_15 = {"kind": "retimed", "step": "hinge.release", "time": "0:15", "left": True}

SHORT: list[tuple[str, list[dict[str, Any]]]] = [
    ("t 1 15", [LEFT_15]),
    ("t 1 15 min", [LEFT_15]),
    ("retime 1 15 the bolt is cold", [LEFT_15 | {"text": "the bolt is cold"}]),
    ("t 1 of 15", [{"kind": "retimed", "step": "hinge.release", "time": "0:15"}]),
    ("t 1 of 1:05", [{"kind": "retimed", "step": "hinge.release", "time": "1:05"}]),
    ("t mate 75", [{"kind": "retimed", **MATE, "time": "1:15", "left": True}]),
    ("1 retime 15", [LEFT_15]),
    ("h 2", [{"kind": "held", "crew": ["EV2"]}]),
    ("h 1 2 until 15", [{"kind": "held", "crew": ["EV1", "EV2"], "until": NOW_S + 900}]),
    ("h * sun", [{"kind": "held", "crew": ["EV1", "EV2"], "text": "sun"}]),
    ("r 2", [{"kind": "resumed", "crew": ["EV2"]}]),
    ("r ", [{"kind": "resumed"}]),
    ("k a", [KEEP | LATCH]),
    ("k latch", [KEEP | LATCH]),
    ("keep a by lead", [KEEP | LATCH | {"by": "lead"}]),
    ("d a", [DROP | LATCH]),
    ("d a no time -3", [DROP | LATCH | AGO_3 | {"text": "no time"}]),
    ("l a", [
        {"kind": "chose", "choice": "later"} | LATCH, {"kind": "moved", "last": True} | LATCH
    ]),
    ("f d a", []),
    ("i 1 2", [{"kind": "entered", "crew": "EV1"}, {"kind": "entered", "crew": "EV2"}]),
    ("i * -3", [{"kind": "entered", "crew": "EV1"} | AGO_3, {"kind": "entered", "crew": "EV2"} | AGO_3]),
    ("o 1 2", [{"kind": "handed", "step": "hinge.release", "crew": ["EV2"]}]),
    ("o mate 2 3", [{"kind": "handed", **MATE, "crew": ["EV2", "IV"]}]),
    ("m trays a", [{"kind": "moved", "task": "trays", "before": "latch"}]),
    ("m a hinge", [{"kind": "moved", "task": "latch", "before": "hinge"}]),
    ("m a last", [{"kind": "moved", "task": "latch", "last": True}]),
    ("y 2", [{"kind": "silent", "crew": ["EV2"]}]),
    ("b o .459 .457 b 583 581", [
        OXYGEN | {"crew": "EV1", "value": 0.459}, OXYGEN | {"crew": "EV2", "value": 0.457},
        {"kind": "reading", "crew": "EV1", "consumable": "battery", "value": 583.0},
        {"kind": "reading", "crew": "EV2", "consumable": "battery", "value": 581.0},
    ]),
    ("b 1 o .459", [OXYGEN | {"crew": "EV1", "value": 0.459}]),
    ("s 1 no time", [{"kind": "skipped", "step": "hinge.release", "text": "no time"}]),
    ("- 1 3", [RELEASE | AGO_3]),
    ("- EV1 3", [RELEASE | AGO_3]),
    ("- - 1 5", [RELEASE | {"at": NOW_S - 900}]),
    ("- 1 15", [RELEASE | {"at": NOW_S - 900}]),
    ("+ 1", [{"kind": "counted", "step": "hinge.release", "count": 1}]),
    ("Q a: keep it?", [{"kind": "raised", "what": "question", "to": "a", "text": "keep it?"}]),
    ("Q about a keep it?", [{"kind": "raised", "what": "question", "about": "latch", "text": "keep it?"}]),
    ("A 1 10 Look at the hinge -3", [{
        "kind": "added",
        **AGO_3,
        "task": {
            "title": "Look at the hinge",
            "priority": "must",
            "steps": [{"do": "Look at the hinge", "crew": ["EV1"], "time": "0:10"}],
        },
    }]),
    ("terminate", [{"kind": "called", "call": "home"}]),
    ("abort", [{"kind": "called", "call": "at once"}]),
    ("c c", [{"kind": "called", "call": "home"}]),
    ("c 1", [{"kind": "called", "call": "home", "crew": ["EV1"]}]),
    ("c n 1 2", [{"kind": "called", "call": "at once", "crew": ["EV1", "EV2"]}]),
    ("h 1 2", [{"kind": "held", "crew": ["EV1", "EV2"]}]),
    ("h 1 02", [{"kind": "held", "crew": ["EV1"], "until": NOW_S + 120}]),
    ("h 2 15", [{"kind": "held", "crew": ["EV2"], "until": NOW_S + 900}]),
    ("abort 2 -3", [{"kind": "called", "call": "at once", "crew": ["EV2"]} | AGO_3]),
]  # fmt: skip


@pytest.mark.parametrize(("line", "events"), SHORT, ids=[line for line, _ in SHORT])
def test_a_short_form_is_understood_everywhere(line: str, events: list[dict[str, Any]]) -> None:
    if not events:
        assert "begins no entry" in refused(line)
        return
    assert typed(line) == events
    if not line.endswith(" "):
        assert parse_words(line.split(), UNDER_WAY, now=NOW_S, utc_now=NOW, seat="op") == events


NAMED = {
    "t 1 15": "t hinge.release 15",
    "1 retime 15; drop latch": "retime hinge.release 15; drop latch",
    "t mate 75; h 2": "t hinge.mate 75; h 2",
    "1": "tick hinge.release",
    "1; 1": "tick hinge.release; tick hinge.unplug",
    "2; 1": "tick trays.walk; tick hinge.release",
    "1 -3": "tick hinge.release at=0:37:00",
    "- 1 3": "tick hinge.release at=0:37:00",
    "s 1": "s hinge.release",
    "1 skip": "skip hinge.release",
    "1 >mate": "1 >hinge.mate",
    "o 1 2": "o hinge.release 2",
    "1 hand to EV2": "hand hinge.release to EV2",
    "2 begin": "begin trays.walk",
    "1 hold glove check": "1 hold glove check",
    "undo": "withdraw 3",
}
"""What is supposed, and how it is kept once somebody supposed it."""


@pytest.mark.parametrize(("line", "named"), NAMED.items(), ids=NAMED)
def test_what_is_supposed_stays_with_the_step_that_was_meant(line: str, named: str) -> None:
    """*1* and *1 retime 15* meant the next step as soon as EV1 went on."""
    assert naming_steps(line, UNDER_WAY, NOW_S, NOW) == named
    meant = supposed_events(line, UNDER_WAY, NOW_S, NOW)
    assert supposed_events(named, UNDER_WAY, NOW_S, NOW) == meant
    if "hinge.release" in named:
        on = UNDER_WAY.suppose({"kind": "done", "step": "hinge.release", "at": NOW_S})
        for suppose in (with_supposed, chosen_events):
            with pytest.raises(EventError, match=r"^hinge\.release has ended, done: nothing can be supposed"):
                suppose(named, on, NOW_S, NOW)


def test_a_whole_id_means_no_other_step() -> None:
    """A step that has ended was taken for one whose id begins with its own."""
    ended = UNDER_WAY.suppose(*({"kind": "done", "step": f"hinge.{n}"} for n in ("release", "mate")))
    assert refused("1 >hinge.mate", ended) == "hinge.mate has ended, done"
    assert typed("done hinge.mate", ended) == [{"kind": "done", "step": "hinge.mate"}]


def test_a_voice_that_was_lost_is_back() -> None:
    lost = UNDER_WAY.suppose({"kind": "silent", "crew": ["EV2"], "at": NOW_S - 60})
    assert typed("y 2", lost) == [{"kind": "heard", "crew": ["EV2"]}]
    assert typed("y 1 2", lost) == [
        {"kind": "silent", "crew": ["EV1"]},
        {"kind": "heard", "crew": ["EV2"]},
    ]


def test_an_answer_by_its_key() -> None:
    asked = UNDER_WAY.suppose({"kind": "raised", "what": "question", "text": "?", "at": 610})
    assert typed("= 4 yes", asked) == [{"kind": "settled", "event": 4, "text": "yes"}]


def test_every_key_stands_for_a_word_that_begins_an_entry() -> None:
    assert set(BY_KEY.values()) <= set(BY_WORD)
    assert not set(BY_KEY) & set(BY_WORD)


def many() -> Run:
    optional = {"priority": "should"}
    return Run(
        task("mast", step("a", "EV1", 10)),
        task("latch", step("x", "EV2", 10), **optional),
        task("b", step("y", "EV2", 10), **optional),
        task("photos", step("z", "EV1", 10), **optional),
    )


def at_desk(line: str, progress: Progress) -> list[dict[str, Any]]:
    return parse_entry(line, progress, now=NOW_S, utc_now=NOW)


def test_letters_follow_the_plan_and_are_never_given_anew() -> None:
    run = many()
    assert letters(run.now) == {"latch": "a", "b": "b", "photos": "c"}
    new = {"title": "Look", "priority": "get-ahead", "steps": [step("l", "EV1", 5)]}
    first = run("added", 60, task={"id": "one", **new})
    run("added", 70, task={"id": "leak", **new, "priority": "must"})
    run("added", 80, task={"id": "two", **new})
    run("chose", 90, task="latch", choice="keep")
    run("dropped", 100, task="b")
    before = letters(run.now)
    assert before == {"latch": "a", "b": "b", "photos": "c", "one": "d", "two": "e"}
    run("withdrawn", event=first)
    assert letters(run.now) == {task: letter for task, letter in before.items() if task != "one"}
    assert at_desk("k e", run.now)[0]["task"] == "two"


def test_an_id_written_out_goes_before_a_letter() -> None:
    run = many()
    ahead = at_desk("d b", run.now)
    assert ahead == [{"kind": "dropped", "task": "b"}]
    swapped = Run(
        task("x", step("s", "EV1", 10), priority="should"), task("a", step("t", "EV1", 10), priority="should")
    )
    assert letters(swapped.now) == {"x": "a", "a": "b"}
    assert at_desk("d a", swapped.now)[0]["task"] == "a"
    assert at_desk("d b", swapped.now)[0]["task"] == "a"


def test_a_crew_member_of_that_name_goes_before_a_key() -> None:
    run = Run(task("one", step("a", "h", 10)), crew="h t")
    assert at_desk("h -3", run.now) == [{"kind": "done", "step": "one.a", "at": NOW_S - 180}]


@pytest.mark.parametrize(
    ("line", "text", "at"),
    [
        ("hold 2 glove leak -2", "glove leak", NOW_S - 120),
        ("hold 2 glove leak 0:35", "glove leak", 2100),
        ("hold 2 glove leak 14:22Z", "glove leak", 1320),
        ("hold 2 glove leak 0:50", "glove leak 0:50", None),
        ("hold 2 glove leak 14:50Z", "glove leak 14:50Z", None),
        ('hold 2 "glove leak -2"', "glove leak -2", None),
        ('hold 2 glove leak "-2"', 'glove leak "-2"', None),
        ("hold 2 glove -45", "glove -45", None),
        ("hold 2 -2 glove leak -3", "glove leak -3", NOW_S - 120),
        ("hold 2 glove leak -2 seat=lead", "glove leak", NOW_S - 120),
        ("note seen at 0:35", "seen at", 2100),
        ("note next at 0:50", "next at 0:50", None),
        ("answer 2 yes -2", "yes", NOW_S - 120),
    ],
)
def test_the_last_word_is_a_time_where_it_is_one(line: str, text: str, at: int | None) -> None:
    asked = after(
        {"kind": "zero", "utc": "2031-05-04T14:00:00Z"},
        {"kind": "raised", "what": "question", "text": "?", "at": 60},
    )
    (event,) = typed(line, asked)
    assert (event["text"], event.get("at")) == (text, at)


def test_before_the_clock_starts_a_text_keeps_its_times() -> None:
    assert typed("note sunrise 0:35", after()) == [{"kind": "noted", "text": "sunrise 0:35"}]


def test_late_wants_a_clock() -> None:
    with in_memory(UNDER_WAY.plan) as one:
        one.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        assert "clock has not started" not in refused("- 1", one.progress())
    words = ["-", "1", "3"]
    with pytest.raises(Exception, match="not live; give a PET"):
        parse_words(words, UNDER_WAY, now=None, utc_now=NOW)

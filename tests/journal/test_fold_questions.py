"""What is raised stays open until somebody settles it, or decides what a question was about."""

from __future__ import annotations

from typing import Any

import pytest

from tests.runs import Run, step, task
from tests.typed_lines import UNDER_WAY, after, refused, typed
from tracker.foundation.errors import EventError
from tracker.journal.fold import Fold
from tracker.journal.matters import due_at, last_taken, matter_words, open_s, outcome_words, unsettled
from tracker.journal.raised import Raised
from tracker.journal.wording import event_words

AIR = {"id": "air", "unit": "kg", "start": 1, "reserve": 0.1, "per_hour": 0.01}


def day(*, start: bool = True) -> Run:
    return Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 10, hold_point="ask")),
        task("two", step("x", "EV2", 10), priority="should"),
        start=start,
        consumables=[AIR],
    )


def open_numbers(run: Run) -> list[int]:
    return [one.number for one in run.now.raised if one.settled is None]


def one(run: Run, number: int) -> Raised:
    return next(each for each in run.now.raised if each.number == number)


def test_what_is_raised_is_open_until_it_is_settled() -> None:
    run = day()
    asked = run("raised", 60, what="question", about="two", to="ground", by="EV2", due=900, text="do it?")
    run("raised", 70, what="deviation", after="one.a", owner="EV1", text="a latch does not close")
    found = one(run, asked)
    assert (found.what, found.about, found.to, found.by) == ("question", "two", "ground", "EV2")
    assert (found.due, found.at, found.text, found.settled) == (900.0, 60, "do it?", None)
    assert open_numbers(run) == [asked, asked + 1]
    answer = run("settled", 120, event=asked, text="yes", by="lead")
    settled = one(run, asked).settled
    assert settled is not None
    assert (settled.number, settled.at, settled.text, settled.by) == (answer, 120, "yes", "lead")
    assert open_numbers(run) == [asked + 1]


def test_undo_of_an_answer_opens_the_question_again() -> None:
    run = day()
    asked = run("raised", 60, what="question", text="how much is left?")
    answer = run("settled", 120, event=asked, text="plenty")
    run("withdrawn", event=answer)
    assert open_numbers(run) == [asked]
    run("withdrawn", event=asked)
    assert run.now.raised == ()


def test_a_question_that_was_answered_is_not_taken_back_before_its_answer() -> None:
    run = day()
    asked = run("raised", 60, what="question", text="how much is left?")
    run("settled", 120, event=asked, text="plenty")
    with pytest.raises(EventError, match=f"event {asked} raised nothing by then; nothing is open"):
        run("withdrawn", event=asked)


DECISIONS: list[tuple[str, str, dict[str, Any]]] = [
    ("two", "chose", {"task": "two", "choice": "keep"}),
    ("two.x", "chose", {"task": "two", "choice": "keep"}),
    ("two", "dropped", {"task": "two"}),
    ("one.b", "went", {"step": "one.b"}),
    ("elapsed", "limited", {"limit": "elapsed", "value": "6:00"}),
    ("EV1.air", "limited", {"limit": "EV1.air", "value": 0.2}),
    ("EV1.air", "limited", {"limit": "*.air", "value": 0.2}),
    ("EV1", "called", {"call": "home"}),
    ("EV1", "called", {"call": "home", "crew": ["EV1"]}),
]


@pytest.mark.parametrize(("about", "kind", "body"), DECISIONS, ids=lambda one: str(one)[:12])
def test_a_decision_about_it_answers_a_question(about: str, kind: str, body: dict[str, Any]) -> None:
    run = day()
    before = run("raised", 60, what="question", about=about, text="?")
    other = run("raised", 61, what="question", about="one.a", text="?")
    reminder = run("raised", 62, what="reminder", about=about, text="look again")
    number = run(kind, 120, by="lead", **body)
    after = run("raised", 180, what="question", about=about, text="and now?")
    assert open_numbers(run) == [other, reminder, after]
    settled = one(run, before).settled
    assert settled is not None
    assert (settled.number, settled.kind, settled.by) == (number, kind, "lead")
    run("withdrawn", event=number)
    assert open_numbers(run) == [before, other, reminder, after]


def test_a_recall_of_another_answers_nothing_about_this_one() -> None:
    run = day()
    asked = run("raised", 60, what="question", about="EV1", text="?")
    run("called", 120, call="home", crew=["EV2"])
    assert open_numbers(run) == [asked]


def test_an_answer_after_another_is_unusual_and_the_later_one_stands() -> None:
    run = day()
    asked = run("raised", 60, what="question", about="two", text="?")
    run("dropped", 100, task="two")
    first = run("settled", 120, event=asked, text="give it up")
    assert first not in run.warned
    second = run("settled", 180, event=asked, text="the lead agrees")
    assert run.warned[second] == (f"question {asked} was settled at 0:02:00 (event {first})",)
    settled = one(run, asked).settled
    assert settled is not None and settled.text == "the lead agrees"


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ({"what": "question", "text": "?", "about": "tow"}, "no step, task, limit or crew member tow.*two"),
        ({"what": "reminder", "text": "x", "after": "one.z"}, "there is no step one.z"),
        ({"what": "reminder", "text": "x", "after": "one.a", "due": 60}, "`due` .* or `after` .*, not both"),
        ({"what": "reminder", "text": "x", "due": 900_000}, "beyond|check its hours"),
        ({"what": "wish", "text": "x"}, "'question', 'reminder', 'deviation' or 'message'"),
        ({"what": "question", "text": " "}, "in words"),
        ({"what": "question"}, "`text` is missing"),
    ],
)
def test_what_is_raised_wrongly_is_refused(body: dict[str, Any], why: str) -> None:
    with pytest.raises(EventError, match=why):
        day()("raised", 60, **body)


def test_only_what_was_raised_before_can_be_settled() -> None:
    run = day()
    with pytest.raises(EventError, match="raised nothing by then; nothing is open"):
        run("settled", 60, event=1)
    asked = run("raised", 120, what="question", text="?")
    with pytest.raises(EventError, match="raised nothing by then"):
        run("settled", 60, event=asked)


def test_before_the_clock_starts_and_once_it_is_over() -> None:
    run = day(start=False)
    asked = run("raised", -60, what="question", text="both suits?")
    run("zero", utc="2031-05-04T14:00:00Z")
    run("settled", 5, event=asked)
    run("closed", 600)
    late = run("raised", 900, what="message", text="the tape is in the bag")
    run("settled", 960, event=late)
    assert open_numbers(run) == []


def test_a_late_answer_folds_into_its_place() -> None:
    run = day()
    asked = run("raised", 60, what="question", about="two", text="?")
    run.done("one.a", at=600)
    run("dropped", 300, task="two")
    again = Fold.start(run.now.plan, uuid="7d3c").add_all(run.fold.recorded).progress()
    assert again.raised == run.now.raised
    settled = one(run, asked).settled
    assert settled is not None and settled.at == 300


def test_who_said_it_goes_with_every_kind_and_counts_as_word_from_them() -> None:
    run = day()
    run("noted", 60, text="glare", by="EV2")
    run("dropped", 70, task="two", by="lead")
    run("chose", 80, task="two", choice="open", by="lead")
    assert run.now.last_heard["EV2"] == 60
    assert run.now.decisions[-1].by == "lead"
    words = event_words(run.now, "dropped", {"task": "two", "by": "lead", "text": "no time"})
    assert words == "dropped two by lead (no time)"


ASKED = after(
    {"kind": "zero", "utc": "2031-05-04T14:00:00Z"},
    {"kind": "raised", "what": "question", "about": "latch", "text": "latch?", "at": 60},
)
QUESTION = {"kind": "raised", "what": "question"}
REMINDER = {"kind": "raised", "what": "reminder", "text": "read the gauge"}
DEVIATION = {"kind": "raised", "what": "deviation"}
MESSAGE = {"kind": "raised", "what": "message", "to": "ground", "text": "go for hinge.unplug"}
LATCH = QUESTION | {"about": "latch"}


@pytest.mark.parametrize(
    ("line", "event"),
    [
        ("question latch?", LATCH | {"text": "latch?"}),
        ("question ground: more reserve", QUESTION | {"to": "ground", "text": "more reserve"}),
        ("question about elapsed: later?", QUESTION | {"about": "elapsed", "text": "later?"}),
        (
            "question by 2 about latch -3 keep it?",
            LATCH | {"by": "EV2", "at": 2220, "text": "keep it?"},
        ),
        ("reminder due 0:50 read the gauge", REMINDER | {"due": 3000}),
        ("reminder after mate read the gauge", REMINDER | {"after": "hinge.mate"}),
        ("raised what=reminder to=ground text=read the gauge", REMINDER | {"to": "ground"}),
        ("remind EV2 0:50 gloves", REMINDER | {"owner": "EV2", "due": 3000, "text": "gloves"}),
        ("remind 10 gloves", REMINDER | {"due": 3000, "text": "gloves"}),
        ("remind 2 10 gloves", REMINDER | {"owner": "EV2", "due": 3000, "text": "gloves"}),
        ("remind 10min gloves", REMINDER | {"due": 3000, "text": "gloves"}),
        ("remind 10gloves EV2", REMINDER | {"due": 3000, "text": "gloves EV2"}),
        ("remind 3rd bolt", REMINDER | {"text": "3rd bolt"}),
        ("remind 2 gloves", REMINDER | {"due": 2520, "text": "gloves"}),
        (
            "remind bryn after mate 2 caps",
            REMINDER | {"owner": "EV2", "after": "hinge.mate", "text": "2 caps"},
        ),
        ("deviation bolt 3 stripped; wire tie", DEVIATION | {"text": "bolt 3 stripped; wire tie"}),
        ("message ground: go for hinge.unplug", MESSAGE | {"about": "hinge.unplug"}),
        ("taken by Kim all calm", {"kind": "taken", "by": "Kim", "text": "all calm"}),
        ("answer 2 by lead yes, so", {"kind": "settled", "event": 2, "by": "lead", "text": "yes, so"}),
        ("settled 2", {"kind": "settled", "event": 2}),
        ("answer yes, so", {"kind": "settled", "event": 2, "text": "yes, so"}),
        ("= ", {"kind": "settled", "event": 2}),
        ("keep latch by lead", {"kind": "chose", "task": "latch", "choice": "keep", "by": "lead"}),
    ],
)
def test_questions_and_answers_are_typed(line: str, event: dict[str, Any]) -> None:
    assert typed(line, ASKED) == [event]


def test_later_is_a_move_to_the_end_beside_the_choice() -> None:
    moved = {"kind": "moved", "task": "latch", "last": True}
    assert typed("later latch") == [{"kind": "chose", "task": "latch", "choice": "later"}, moved]
    assert typed("choose latch later by lead")[1] == moved | {"by": "lead"}


def test_what_is_asked_and_answered_is_told() -> None:
    said = {"what": "question", "about": "latch", "to": "ground", "due": 900, "text": "keep it?"}
    words = event_words(UNDER_WAY, "raised", said)
    assert words == "raised question about latch due 0:15:00 to ground: keep it?"
    words = event_words(ASKED, "settled", {"event": 2, "text": "yes"})
    assert words == "settled 2: raised question about latch: latch? (yes)"


def test_a_question_without_words_is_refused_with_an_example() -> None:
    assert "question: what? as in `question about latch: do we keep it?`" in refused("question about latch")


def test_what_is_due_first_stands_first_and_a_step_makes_due_what_waits_for_it() -> None:
    run = day()
    plain = run("raised", 60, what="deviation", text="a latch does not close")
    late = run("raised", 61, what="reminder", due=900, text="gloves")
    after = run("raised", 62, what="reminder", after="one.a", text="caps")
    due = {one.number: due_at(run.now, one) for one in unsettled(run.now)}
    assert due == {late: 900, plain: None, after: None}
    run.done("one.a", at=600)
    assert [one.number for one in unsettled(run.now)] == [after, late, plain]
    run("settled", 700, event=plain)
    assert [one.number for one in unsettled(run.now)] == [after, late]
    assert (open_s(one(run, plain), 2000), open_s(one(run, late), 2000)) == (640, 1939)


def test_a_takeover_changes_nothing_but_who_has_the_desk() -> None:
    run = day()
    assert last_taken(run.now) is None
    before = run.now
    run("taken", 60, by="Kim")
    second = run("taken", 600, by="Bryn", text="all calm")
    taken = last_taken(run.now)
    assert taken is not None and (taken.number, taken.body["by"]) == (second, "Bryn")
    assert run.now.steps == before.steps
    run("withdrawn", event=second)
    taken = last_taken(run.now)
    assert taken is not None and taken.body["by"] == "Kim"
    assert (
        event_words(run.now, "taken", {"by": "Bryn", "text": "all calm"}) == "desk taken by Bryn (all calm)"
    )


def test_what_became_of_it_is_told_with_how_long_it_was_open() -> None:
    run = day()
    asked = run("raised", 60, what="question", about="two", to="ground", by="EV2", text="do it?")
    torn = run("raised", 120, what="deviation", about="EV1", text="EV1 gloves torn")
    gloves = run("raised", 180, what="reminder", due=1500, owner="EV2", text="gloves")
    told = [matter_words(run.now, one(run, number)) for number in (asked, torn, gloves)]
    assert told == [
        f"question {asked} to ground about two: do it?",
        f"deviation {torn}: EV1 gloves torn",
        f"reminder {gloves} due 0:25, EV2: gloves",
    ]

    def outcomes(now: float) -> list[str]:
        return [outcome_words(run.now, one(run, number), now) for number in (asked, torn, gloves)]

    assert outcomes(960) == ["no answer for 15 min", "open for 14 min", "in 9 min"]
    assert outcomes(1620)[2] == "2 min ago"
    run("dropped", 1000, task="two", by="lead")
    run("settled", 1100, event=torn, text="taped")
    run("settled", 1200, event=gloves)
    assert outcomes(9000) == [
        "-> dropped two by lead, at 0:16 by lead", "-> taped, at 0:18 by test", "-> done, at 0:20 by test",
    ]  # fmt: skip

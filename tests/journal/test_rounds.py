"""Rounds: what is answered, when one is due, who is missing, and what is typed for it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.runs import Run, step, task
from tests.typed_lines import NOW, NOW_S, UNDER_WAY, refused, typed
from tracker.foundation.errors import EventError
from tracker.journal.events import parse_event
from tracker.journal.rounds import checks, rounds_at
from tracker.journal.typed import parse_words
from tracker.journal.wording import event_words

AIR = {"id": "air", "unit": "kg", "start": 1, "reserve": 0.1, "per_hour": 0.01}
GAS = {**AIR, "id": "gas", "shared": True}
STATUS = {"id": "status", "every": "0:30", "ask": ["air", "gloves"]}
WELL = {"air": "ok", "gloves": "ok"}


def day(*, start: bool = True, **more: Any) -> Run:
    rounds = more.pop("rounds", [STATUS])
    steps = task("one", step("a", "EV1", 10)), task("two", step("x", "EV2", 10))
    return Run(*steps, start=start, consumables=[AIR, GAS], rounds=rounds, **more)


def asked(run: Run, now: float) -> tuple[float, tuple[str, ...], float]:
    (state,) = rounds_at(run.now, now)
    return state.due, state.missing, state.late_s(now)


def test_a_round_is_due_after_zero_and_again_after_the_last_answer_and_says_who_is_missing() -> None:
    run = day()
    assert asked(run, 1799) == (1800, (), 0)
    assert asked(run, 1860) == (1800, ("EV1", "EV2"), 60)
    first = run("checked", 1860, round="status", crew="EV1", answers=WELL)
    assert asked(run, 1900) == (1800, ("EV2",), 100)
    run("checked", 1920, round="status", crew="EV2", answers=WELL)
    assert asked(run, 1920) == (3660, (), 0)
    # Due with the first of them, it is asked of both.
    assert asked(run, 3660) == (3660, ("EV1", "EV2"), 0)
    run("withdrawn", event=first)
    assert asked(run, 3660) == (1800, ("EV1", "EV2"), 1860)
    run("entered", 3700, crew="EV1")
    assert asked(run, 3720)[1] == ("EV2",)
    run("entered", 3800, crew="EV2")
    assert rounds_at(run.now, 3900) == ()


def test_nothing_is_due_before_zero_or_once_it_is_over() -> None:
    run = day(start=False)
    run("checked", -60, round="status", crew="EV1", answers=WELL)
    assert rounds_at(run.now, 0) == ()
    run("zero", utc="2031-05-04T14:00:00Z")
    assert asked(run, 0) == (1800, (), 0)
    run("closed", 2000)
    assert rounds_at(run.now, 2000) == ()
    with pytest.raises(EventError, match="was closed"):
        run("checked", 2001, round="status", crew="EV1", answers=WELL)


def test_a_number_is_the_reading_and_a_word_is_kept_with_it() -> None:
    run = day(rounds=[{**STATUS, "ask": ["air", "gas", "gloves"]}])
    answers = {"air": 0.9, "gas": 0.8, "gloves": "not ok: torn"}
    number = run("checked", 600, round="status", crew="EV1", answers=answers)
    read = [(r.crew, r.consumable, r.value, r.at, r.number) for r in run.now.readings]
    assert read == [("EV1", "air", 0.9, 600, number), ("*", "gas", 0.8, 600, number)]
    (check,) = checks(run.now)
    assert (check.crew, check.answers, check.wrong) == ("EV1", answers, ("gloves",))
    assert run.now.raised == ()
    assert run.now.last_heard["EV1"] == 600
    words = event_words(run.now, "checked", {"round": "status", "crew": "EV1", "answers": answers})
    assert words == "checked EV1 status air 0.9, gas 0.8, gloves not ok: torn"
    run("withdrawn", event=number)
    assert (run.now.readings, checks(run.now)) == ((), ())


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ({"round": "stats", "answers": WELL}, "there is no round stats; did you mean status"),
        ({"crew": "EV9", "answers": WELL}, "there is no crew member EV9"),
        ({"answers": {"visor": "ok"}}, "status does not ask visor; it asks air, gloves"),
        ({"answers": {"gloves": 0.5}}, "there is no consumable gloves"),
        ({"answers": {"gloves": "fine"}}, 'write "ok", "not ok: and why", or a number'),
        ({"answers": {}}, "write what was answered"),
        ({"answers": {"air": -1}}, "a number from 0 on"),
        ({"answers": {"air": ["ok"]}}, "write a number"),
    ],
)
def test_what_was_not_asked_or_is_no_answer_is_refused(body: dict[str, Any], why: str) -> None:
    with pytest.raises(EventError, match=why):
        day()("checked", 60, **{"round": "status", "crew": "EV1", **body})


def test_what_is_left_out_is_unusual() -> None:
    run = day()
    number = run("checked", 60, round="status", crew="EV1", answers={"gloves": "ok"})
    assert run.warned[number] == ("EV1 was not asked air",)


STATUS_OF = {"kind": "checked", "round": "status"}
TORN = {"kind": "raised", "what": "deviation", "about": "EV1", "text": "EV1 gloves not ok: left one torn"}


@pytest.mark.parametrize(
    "line", ["check 1 ok .52 no left one torn", "1 check o .52 n: left one torn by=lead"]
)
def test_a_word_why_not_raises_a_deviation_in_the_same_entry(line: str) -> None:
    said, torn = typed(line)
    by = {"by": "lead"} if "by" in said else {}
    answers = {"suit": "ok", "oxygen": 0.52, "gloves": "not ok: left one torn"}
    assert said == STATUS_OF | {"crew": "EV1", "answers": answers} | by
    assert torn == TORN | by
    assert parse_event(said).body["answers"] == answers


@pytest.mark.parametrize(
    ("line", "answers"),
    [
        ("check status 2 ok ok ok", ["ok", "ok", "ok"]),
        ("check st EV2 o .5kg o -2", ["ok", 0.5, "ok"]),
        ("check 2 not ok: 3 mm off, 0.5, ok", ["not ok: 3 mm off", 0.5, "ok"]),
        ("check 2 no ok ok", ["not ok", "ok", "ok"]),
        ('check 2 "no seal at 2 ok" ok ok at=0:35', ["not ok: seal at 2 ok", "ok", "ok"]),
        (
            'checked crew=EV2 answers={"suit": "ok", "oxygen": 0.5, "gloves": "ok"} round=status',
            ["ok", 0.5, "ok"],
        ),
    ],
)
def test_answers_are_typed_in_the_order_in_which_the_round_asks(
    line: str, answers: list[str | float]
) -> None:
    said = typed(line)[0]
    assert (said["crew"], said["round"], list(said["answers"].values())) == ("EV2", "status", answers)
    assert said.get("at") == {"-2": 2280, "35": 2100}.get(line[-2:])


def test_words_that_a_shell_has_split_are_the_same_answers() -> None:
    for words in (
        ["check", "1", "ok", ".52", "no", "left", "one", "torn"],
        ["check", "1", "ok", ".52", "no left one torn"],
    ):
        said, torn = parse_words(words, UNDER_WAY, now=NOW_S, utc_now=NOW)
        assert said["answers"] == {"suit": "ok", "oxygen": 0.52, "gloves": "not ok: left one torn"}
        assert torn == TORN


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("check 1 ok ok", "answers to suit, oxygen, gloves: ok, no and why, or a number; 2 given"),
        ("check 1 fine ok ok", "suit is 'fine'; write ok, or no and why"),
        ("check 1 0.5 ok ok", "suit is '0.5'"),
        ("check 9 ok ok ok", "there is no crew member '9'"),
        ("check", "ends too early"),
    ],
)
def test_what_is_typed_wrongly_is_told(line: str, why: str) -> None:
    assert why in refused(line)

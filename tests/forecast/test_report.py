"""The report, the handover and the page: nothing is cut without a word, every instant says what it is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.flat import flat
from tests.runs import Run, plan_of, step, task
from tracker.forecast.changed import changed_since
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate
from tracker.forecast.handover import brief
from tracker.forecast.report import page, report
from tracker.forecast.wording import nine_words, pace_words

STORES = [
    {"id": "oxygen", "unit": "kg", "start": 2.0, "reserve": 0.1, "per_hour": 0.1, "per_megajoule": 0.1},
    {"id": "battery", "unit": "Wh", "start": 500, "reserve": 60, "per_hour": 40},
]


def crowd(many: int, **more: object) -> Run:
    """An excursion of so many, each with a task that opens something, and with notes and readings."""
    crew = [f"EV{k}" for k in range(1, many + 1)]
    work = [
        task(
            f"work-{c}", step("begin", c, 20, opens=[f"cover-{c}"]), step("end", c, 40, closes=[f"cover-{c}"])
        )
        for c in crew
    ]
    extra = [task(f"extra-{c}", step("only", c, 30), priority="get-ahead") for c in crew]
    home = task("home", step("in", " ".join(crew), 20), closeout=True)
    plan = plan_of(
        *work, *extra, home, crew=" ".join(crew), consumables=STORES, limits={"elapsed": "3:00"}, **more
    )
    run = Run(plan=plan)
    for k, c in enumerate(crew):
        run.done(f"work-{c}.begin", at=1200 + k)
        run("reading", 1300, crew=c, consumable="oxygen", value=1.9)
    run(
        "noted",
        1400,
        text="a word of somebody that is long enough to fill a line of the screen from end to end",
    )
    return run


def briefed(run: Run, minutes: float) -> list[str]:
    return brief(run.now, flat(run.now, minutes * 60))


@pytest.mark.parametrize("many", [1, 2, 4, 6, 9, 12])
def test_the_handover_names_everybody(many: int) -> None:
    lines = briefed(crowd(many), 40)
    assert len(lines) <= 24 and max(map(len, lines)) <= 80
    text = " ".join(lines[:-2])
    for k in range(1, many + 1):
        assert re.search(rf"\bEV{k}\b", text), f"EV{k} is left out without a word"


def test_the_handover_says_how_much_it_leaves_out() -> None:
    lines = briefed(crowd(6), 40)
    heads = [line for line in lines if re.fullmatch(r"[a-z ]+, \d+ of \d+:", line)]
    assert heads, lines
    for head in heads:
        shown = int(re.findall(r"\d+", head)[0])
        at = lines.index(head)
        assert all(line.startswith("  ") for line in lines[at + 1 : at + 1 + shown])


def test_the_page_goes_on_below_and_cuts_no_range() -> None:
    steps = [step(f"a-step-of-quite-some-length-{k}", "EV1 EV2", 20) for k in range(8)]
    home = task("home", step("in", "EV1 EV2", 20), closeout=True)
    run = Run(task("a-task-with-a-name-as-long-as-it-may-be", *steps), home)
    made = estimate(run.now, 0, scenarios=200)
    lines = page(run.now, made, number=1, digest="ab" * 32)
    assert max(map(len, lines)) <= 96
    text = "\n".join(lines)
    for figure in made.steps:
        assert figure.step in text
    assert len(re.findall(r"\d:\d\d\.\.\d:\d\d", text)) == len(made.steps)


BEFORE = {
    "at", "by", "from", "until", "since", "about", "between", "and", "inside", "INSIDE", "read", "PET", "to",
    "of",
}  # fmt: skip
"""Words behind which a time may stand; a running clock says `5:13 of 4:00 min`."""


def loose(lines: Sequence[str]) -> list[str]:
    """Return the lines in which a time stands behind no word that says what it is."""
    out = []
    for line in lines:
        for found in re.finditer(r"(\S+) +(?<![\d:.])(\d+:\d\d)\b(?!:)(?! (?:of|min))", line):
            if found[1].strip("(,;:") not in BEFORE:
                out.append(line)
    return out


def sections(made: Estimate, run: Run) -> list[str]:
    """Return the report without the table of steps, whose heads say what stands below them."""
    lines = report(run.now, made)
    return lines[: lines.index("ahead")] if "ahead" in lines else lines


@pytest.mark.parametrize("limit", ["6:00", "3:00", "1:40", "1:00"])
def test_every_instant_says_what_it_is(limit: str) -> None:
    run = crowd(2)
    run("limited", 1500, limit="elapsed", value=limit)
    run("held", 1600, crew=["EV1"], until=2400)
    made = estimate(run.now, 1700, scenarios=200)
    lines = sections(made, run)
    assert loose(lines) == []
    assert loose(["inside 5:23, 4:40"]) == ["inside 5:23, 4:40"]


def test_what_is_said_adds_up_as_shown() -> None:
    run = crowd(2)
    made = estimate(run.now, 1700, scenarios=200)
    text = "\n".join(report(run.now, made))
    inside = re.search(r"INSIDE (\d+):(\d\d)", text)
    at = re.search(r"elapsed limit +at (\d+):(\d\d) +(?:(\d+) h )?(\d+)(?: min)? to spare", text)
    assert inside is not None and at is not None
    spare = int(at[1]) * 60 + int(at[2]) - int(inside[1]) * 60 - int(inside[2])
    assert spare == int(at[3] or 0) * 60 + int(at[4])


def test_pace_in_words() -> None:
    assert [pace_words(pace) for pace in (1.15, 0.96, 1.004, 2.0)] == [
        "15 % slow", "4 % fast", "as planned", "100 % slow",
    ]  # fmt: skip
    run = crowd(2)
    made = estimate(run.now, 1700, scenarios=2000)
    lines = report(run.now, made)
    at = lines.index("pace")
    assert [line.split()[0] for line in lines[at + 1 : at + 4]] == ["all", "EV1", "EV2"]
    (tires,) = (one for one in made.processes if one.id == "tires")
    told = [line for line in lines if "if the crew tires" in line]
    assert len(told) == (tires.inside is not None)


def test_turn_home_in_words() -> None:
    run = crowd(1)
    assert any(
        line.startswith("turn home by ") and ", in " in line for line in report(run.now, flat(run.now, 1500))
    )
    run("limited", 1500, limit="elapsed", value="0:30")
    late = report(run.now, flat(run.now, 1600))
    assert any(line.startswith("TURN HOME NOW, was due by ") for line in late)
    run("called", 1700, call="home")
    home = report(run.now, flat(run.now, 1700))
    assert any(line.startswith("on the way home; turn for home was due by ") for line in home)
    assert any(line.startswith("INSIDE ") and "called home at 0:28" in line for line in home)


def test_what_is_to_be_heeded_now_is_never_cut() -> None:
    long = ("mind the spring, " * 29).strip()
    now = step("1", "EV1 EV2", 60, cautions=[long, "<b>hot\u202e"], numbers={"torque": "12 N m"})
    later = [step(f"{n}", "EV1", 5, cautions=f"caution {n}") for n in range(2, 6)]
    run = Run(task("a", now, *later), crew="EV1 EV2")
    lines = briefed(run, 10)
    said = " ".join(" ".join(lines).split())
    for words in (f"EV1 EV2 a.1: ! {long}", "EV1 EV2 a.1: ! <b>hot?", "EV1 EV2 a.1: torque 12 N m"):
        assert words in said, words
    assert "heed next: not shown, 1" in said and "crew: EV1 now a.1" in said
    assert max(map(len, lines)) <= 80 and "\u202e" not in said
    printed = " ".join(" ".join(page(run.now, flat(run.now, 600), number=1, digest="ab")).split())
    for words in (f"! {long}", *(f"EV1 a.{n}: ! caution {n}" for n in range(2, 6))):
        assert words in printed, words
    short = Run(task("a", step("1", "EV1", 60, cautions="hot"), later[0]), crew="EV1")
    assert "heed now: EV1 a.1: ! hot heed next: EV1 a.2: ! caution 2" in " ".join(
        " ".join(briefed(short, 10)).split()
    )
    assert "heed" not in " ".join(briefed(Run(task("a", step("1", "EV1", 60)), crew="EV1"), 10))


def test_the_handover_says_what_came_about_since_the_desk_was_taken() -> None:
    run = crowd(2)
    run("taken", 1500, by="Kim")
    asked = run("raised", 1600, what="question", to="ground", text="do we keep it?")
    run("reading", 1900, crew="EV1", consumable="oxygen", value=1.7)
    run("chose", 2000, task="extra-EV1", choice="keep", by="lead")
    made = flat(run.now, 2400)
    since = changed_since(run.now, 2400, 1500, scenarios=200)
    lines = brief(run.now, replace(made, since=since))
    assert len(lines) <= 24 and max(map(len, lines)) <= 80
    head = lines.index("since 0:25, taken by Kim:")
    assert lines[head + 1].startswith("  INSIDE ") and " -> " in lines[head + 1]
    assert lines[head + 2].startswith("  chance ")
    assert "  0:33 kept extra-EV1 by lead" in lines
    assert "  read, last at 0:31: oxygen 1.7" in lines
    assert f"  question {asked} to ground: do we keep it?; no answer for 13 min" in lines
    assert any(line.startswith("open") for line in brief(run.now, made))


def test_what_is_short_in_one_case_of_ten_is_not_said_of_nine() -> None:
    assert nine_words(900.0) == "in nine of ten 15 min to spare"
    assert nine_words(-20.0) == "in nine of ten 0 min to spare"
    assert nine_words(-2280.0) == "in 1 case of 10 38 min SHORT or worse"
    assert nine_words(None) == ""


def test_after_the_close_only_what_is_judged_here_is_said_to_be_kept() -> None:
    """The clock of the closer is missed by ten minutes: the debrief judges it."""
    closer = step("end", "EV1", 10, within={"of": "work.begin", "time": "0:10"}, closes=["cover"])
    home = task("home", step("in", "EV1", 10), closeout=True)
    work = task("work", step("begin", "EV1", 10, opens=["cover"]), closer)
    run = Run(plan=plan_of(work, home, crew="EV1", limits={"elapsed": "3:00"}))
    for minutes, done in ((10, "work.begin"), (30, "work.end"), (40, "home.in")):
        run.done(done, at=60 * minutes)
    run("closed", 2400)
    told = " ".join(report(run.now, flat(run.now, 2400)))
    assert "every limit" not in told and "elapsed limits and reserves kept" in told
    assert "are judged by tracker debrief" in told

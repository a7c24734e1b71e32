"""Which alert comes first, what it says of its cause and its remedy, and what of it the lead reads."""

from __future__ import annotations

from dataclasses import replace

from tests.flat import flat
from tests.forecast.test_alerts import HOME, OXYGEN, alerts, lamp
from tests.runs import Run, step, task
from tracker.forecast.alert_words import matter_words
from tracker.forecast.alerts import alerts as all_alerts
from tracker.forecast.alerts import urgency
from tracker.forecast.figures import Alert, Raised, Range, Severity


def test_the_order_goes_by_when_it_costs_something_and_then_by_what_it_costs() -> None:
    """A reading that is overdue stood before a turn for home, and a question before who stands still."""

    def alert(kind: str, by: float | None, severity: Severity = "look") -> Alert:
        return Alert(kind, "", False, kind, severity, by=by)

    now = 7200.0
    right = [
        alert("confidence", 20_000.0, "act"),
        alert("silent", now - 900),
        alert("turn-back", now + 240),
        alert("idle", now - 900),
        alert("go", now + 60),
        alert("question", now + 60),
        alert("turn-back", now + 800),
        alert("last-call", now + 700),
        alert("window", now + 1700),
        alert("confidence", now + 9000),
        alert("last-call", now + 5000),
        alert("round", now - 3600),
    ]
    assert sorted(reversed(right), key=lambda one: urgency(one, now)) == right


def test_who_only_looks_on_reads_the_matter_and_no_keys() -> None:
    run = lamp()
    run.done("first.1", at=3600)
    run("held", 3600, crew=["EV1"])
    soon = alerts(run, 5 * 3600 - 900)["last-call:lamp:15"]
    assert matter_words(soon, soon.since or 0) == (
        "lamp: start by 5:00, in 15 min; keep, and it does not come by itself"
    )
    run = Run(
        task("a", step("1", "EV1", 5), step("2", "EV1", 20, hold_point="ask")),
        task("c", step("1", "EV2", 60), priority="get-ahead"),
        HOME,
        limits={"elapsed": "1:30"},
    )
    run("raised", 60, what="question", text="Why?")
    made = flat(run.now, 3000, choices=True)
    told = [matter_words(alert, 3000) for alert in made.alerts]
    for alert, words in zip(made.alerts, told, strict=True):
        assert not [line for line in alert.do if " " in line and line in words], words
        assert words[-1] not in ".:;," and " ." not in words and ".." not in words and "?." not in words
    assert any(words.endswith("done? The figures take it as going on") for words in told)
    assert any("SHORT. If the desk drops a and drops c (a: must work" in words for words in told)


def test_a_remedy_that_is_older_than_the_reading_is_no_remedy() -> None:
    """Choices that were worked out before a leak showed promised what no longer was true."""
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 90)),
        task("c", step("1", "EV1", 60), priority="get-ahead"),
        HOME,
        consumables=[OXYGEN | {"start": 3.0, "reserve": 0.5}],
    )
    known = flat(run.now, 600, choices=True).choices
    run("reading", 900, crew="EV1", consumable="oxygen", value=1.4)
    raised = (Raised("confidence", 0.2, 900),)
    made = flat(run.now, 960, choices=True)
    made = replace(made, safe=0.2, advice=replace(made.advice, raised=raised))
    told = {a.id: a for a in all_alerts(run.now, replace(made, choices=known), now=960)}["confidence"]
    assert "as of 0:10" not in told.text
    assert "then_at" not in told.figures
    fresh = {a.id: a for a in all_alerts(run.now, made, now=960)}["confidence"]
    assert "then_at" in fresh.figures


def test_when_the_chance_was_in_doubt_is_said_where_an_entry_made_it_so_and_not_once_it_is_clear() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 60)), HOME, limits={"elapsed": "3:00"})
    run.done("a.1", at=1800)
    made = flat(run.now, 1950)

    def told(at: float, safe: float) -> list[str]:
        advice = replace(made.advice, raised=(Raised("confidence", 0.65, at),))
        found = all_alerts(run.now, replace(made, safe=safe, advice=advice), now=1950)
        return [alert.text for alert in found if alert.id == "confidence"]

    assert told(1800, 0.91)[0].startswith("chance 91 %, need 90 %, just met (65 % when raised at 0:30): ")
    assert "when raised" not in told(1837, 0.91)[0], "at that instant only one seat looked"
    assert not told(1800, 0.96), "newer figures than the advice leave no doubt"


def test_a_low_chance_beside_much_to_spare_says_how_it_comes() -> None:
    run = lamp()
    run.done("first.1", at=3600)
    made = flat(run.now, 3700)
    (limit,) = made.limits
    limit = replace(limit, to_spare=7680, chance=0.2, margin=Range(9000.0, 7700.0, -720.0))
    advice = replace(made.advice, raised=(Raised("confidence", 0.8, 3600),))
    made = replace(made, safe=0.8, confidence=0.9, limits=(limit,), binding=limit, advice=advice)
    told = {a.id: a for a in all_alerts(run.now, made, now=3700)}["confidence"]
    assert "2 h 08 to spare, but in 1 case of 10 12 min SHORT or worse" in told.text
    # Nothing is offered that something milder takes back a moment later.
    assert told.do == () and told.text.endswith(". What helps is being worked out")

"""What is offered when the chance is below what is needed, and what of it is to be acted upon now."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.flat import flat
from tests.forecast.test_alerts import HOME, OXYGEN, alerts
from tests.runs import Run, step, task
from tracker.forecast.alerts import alerts as all_alerts
from tracker.forecast.choices import Offer, _Options, next_offer, offered
from tracker.forecast.earlier_instants import Past
from tracker.forecast.figures import Alert, Estimate, Leak, Proposed, Raised, Unheard
from tracker.forecast.memory import Memory
from tracker.foundation.shown import pet_down


def test_the_chance_says_what_is_short_and_the_cheapest_choice_that_meets_what_is_needed() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV2", 30), step("2", "EV2", 60), priority="get-ahead"),
        task("d", step("1", "EV2", 30), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:15"},
    )
    run("chose", 60, task="c", choice="keep")
    run.done("c.1", at=2400)
    run.done("a.1", at=3600)
    found = alerts(run, 3660, choices=True)["confidence"]
    assert found.text == (
        "chance <1 %, need 90 %: elapsed limit at 2:15, 5 min SHORT. drop c: inside 2:11, >99 %"
    )
    assert (found.severity, found.subject, found.do) == ("act", "elapsed", ("drop c",))
    assert found.figures["spare"] == -300


def test_what_was_kept_by_decision_goes_before_must_work_and_must_work_is_called_so() -> None:
    def run(first_min: float) -> Run:
        made = Run(
            task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
            task("b", step("1", "EV1", 30)),
            task("c", step("1", "EV1", 40), priority="get-ahead", value=50),
            HOME,
            limits={"elapsed": "3:00"},
        )
        made("chose", 60, task="c", choice="keep")
        made.done("a.1", at=60 * first_min)
        return made

    found = alerts(run(60), 3660, choices=True)["confidence"]
    assert found.text.endswith("drop c: inside 2:40, >99 %"), "not the must task, though more value is left"
    found = alerts(run(85), 85 * 60 + 60, choices=True)["confidence"]
    assert found.do == ("drop b", "drop c"), "must work goes with all that is optional"
    assert "drop b and drop c (b: must work, ask the lead), together: inside 2:35, >99 %" in found.text


def test_what_is_offered_stays_while_it_is_enough_and_a_change_says_what_was_offered_and_why() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 60), step("3", "EV1", 10)),
        task("c", step("1", "EV1", 20), priority="get-ahead", value=1),
        task("d", step("1", "EV1", 30), priority="get-ahead", value=5),
        HOME,
        limits={"elapsed": "3:35"},
    )
    for name in "cd":
        run("chose", 60, task=name, choice="keep")

    def offered(now: float) -> Alert:
        return alerts(run, now, choices=True)["confidence"]

    run.done("a.1", at=80 * 60)
    assert offered(81 * 60).do == ("drop d",), "25 min over: c alone is not enough"
    run.done("a.2", at=130 * 60)
    found = offered(131 * 60)
    assert found.do == ("drop d",), "15 min over: it still is enough, though c leaves more value"
    assert "until" not in found.text
    run.done("a.3", at=166 * 60)
    found = offered(167 * 60)
    assert found.do == ("drop c", "drop d")
    assert found.text.endswith("inside 3:27, >99 % (until 2:46 drop d: not enough any more)")
    made = flat(run.now, 167 * 60, choices=True)
    proposed = [one for one in made.as_json()["choices"] if one["proposed"]]
    assert [(one["id"], one["proposed"]["instead"]) for one in proposed] == [("must-only", "drop d")]
    ten_on = {one.id: one for one in all_alerts(run.now, made, now=176 * 60)}["confidence"]
    assert "until" not in ten_on.text, "told for ten minutes, as every change"


def test_what_was_done_of_an_offer_is_not_said_to_be_impossible_nor_must_work_given_up_to_be_mild() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("b", step("1", "EV1", 30)),
        task("c", step("1", "EV1", 40), priority="get-ahead", value=50),
        task("d", step("1", "EV2", 5), priority="get-ahead"),
        HOME,
        limits={"elapsed": "3:00"},
    )
    run.done("a.1", at=85 * 60)
    run.done("d.1", at=86 * 60)
    run("dropped", 87 * 60, task="c")
    made = flat(run.now, 88 * 60, choices=True)

    def proposed(id: str, *lines: str) -> Proposed:
        options = _Options.of(run.now, made, made.choices or ())
        found = next_offer(Offer(id, lines, Proposed(5000)), options, at=5280, review=True)
        assert found is not None and found.id == "give-up:b"
        return found.proposed

    assert proposed("drop:c", "drop c") == Proposed(5280)
    assert proposed("drop:d", "drop d") == Proposed(5280, "drop d", "can be done no more")
    assert proposed("drop:b", "drop b") == Proposed(5280, "drop b"), "not in doubt any more, and still to do"
    assert proposed("call-home", "call home") == Proposed(5280, "call home", "b given up is enough")


def test_the_lead_is_asked_only_for_a_reserve_that_nine_cases_of_ten_do_not_keep() -> None:
    run = Run(task("a", step("1", "EV1", 60)), HOME, consumables=[OXYGEN | {"reserve": 0.4}])
    run.done("a.1", at=3600)
    run("called", 3660, call="home")
    made = flat(run.now, 3660, choices=True)
    made = replace(made, advice=replace(made.advice, raised=(Raised("confidence", 0.0, 3660.0),)))
    for nine, told in (
        (0.45, ". Nothing faster is left. 9 cases of 10 keep 0.45 kg or more, the reserve is 0.4 kg"),
        (0.3, ". Ask the lead: 9 cases of 10 keep 0.3 kg or more of the reserve of 0.4 kg"),
    ):
        own = tuple(replace(s, at_inside=replace(s.at_inside, p10=nine)) for s in made.consumables)
        found = {a.id: a for a in all_alerts(run.now, replace(made, consumables=own), now=3660)}
        assert found["confidence"].text.endswith(told), found["confidence"].text


def test_one_of_several_drops_is_not_taken_for_the_whole_remedy() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV1", 30), priority="get-ahead"),
        task("d", step("1", "EV1", 30), priority="get-ahead"),
        task("e", step("1", "EV2", 300, needs=["a"]), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:15"},
    )
    for name in "cd":
        run("chose", 60, task=name, choice="keep")
    run.done("a.1", at=3600)
    found = alerts(run, 3660, choices=True)["confidence"]
    assert found.do == ("drop c", "drop d"), "nobody counts e: to drop it changes nothing"
    assert "drop c and drop d, together: inside 2:10, >99 %" in found.text


def test_a_leak_in_what_people_live_on_is_to_be_acted_upon_however_much_is_left() -> None:
    stores = [OXYGEN | {"id": name, "start": 9.0, "reserve": 0.5} for name in ("oxygen", "battery")]
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 60)), HOME, consumables=stores)
    made, leak = flat(run.now, 1800), Leak(0.8, 1.6, 0.2, 1700.0)
    leaking = tuple(replace(store, leak=leak) for store in made.consumables if store.crew == "EV1")
    found = {a.id: a for a in all_alerts(run.now, replace(made, consumables=leaking), now=1800)}
    assert found["rate:EV1.oxygen"].do == ("call home", "reading EV1 oxygen")
    assert found["rate:EV1.battery"].do == ("reading EV1 battery",)
    assert [found[f"rate:EV1.{name}"].severity for name in ("oxygen", "battery")] == ["act", "look"]
    short = tuple(replace(store, short=0.2) for store in leaking)
    found = {a.id: a for a in all_alerts(run.now, replace(made, consumables=short), now=1800)}
    assert found["rate:EV1.battery"].severity == "act", "more courses miss its reserve than may"


@pytest.mark.parametrize(
    ("safe", "spare_min", "task_dropped", "severity"),
    [
        (0.89, 131, "b", "look"),
        (0.89, 29, "b", "act"),
        (0.80, 131, "b", "act"),
        (0.89, 131, "c", "act"),
        (0.89, -1, "b", "act"),
    ],
)
def test_a_chance_just_below_the_need_is_to_be_acted_upon_only_where_that_matters_now(
    safe: float, spare_min: int, task_dropped: str, severity: str
) -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30), step("3", "EV1", 30)),
        task("b", step("1", "EV1", 30)),
        task("c", step("1", "EV2", 60), step("2", "EV2", 30), priority="get-ahead"),
        HOME,
    )
    run.done("a.1", at=3600)
    made = flat(run.now, 3660, choices=True)
    (limit,) = made.limits
    limit = replace(limit, to_spare=60 * spare_min, chance=0.07)
    gone = {"kind": "dropped", "task": task_dropped}
    assert made.choices is not None
    drop = replace(made.choices[0], id=f"drop:{task_dropped}", events=(gone,), given_up=(), meets=True)
    raised = [
        Raised("confidence", safe, 3660),
        *([Raised("confidence:act", safe, 3660)] if safe <= 0.8 else []),
    ]
    doubted = replace(made.advice, raised=tuple(raised))
    changed = replace(
        made, safe=safe, confidence=0.9, limits=(limit,), binding=limit, choices=(drop,), advice=doubted
    )
    found = {alert.id: alert for alert in all_alerts(run.now, changed, now=3660)}["confidence"]
    assert found.severity == severity
    assert f" to spare, chance 93 %. drop {task_dropped}" in found.text or spare_min < 0
    asked = replace(changed, unheard=(Unheard("a.2", "EV1", 60.0, 300.0),))
    found = {alert.id: alert for alert in all_alerts(run.now, asked, now=3660)}["confidence"]
    assert found.severity == ("act" if spare_min < 0 else "look"), "first it is asked whether it is done"
    assert ("if EV1 is still at it" in found.text) == (spare_min >= 0)


def test_a_choice_that_changes_nothing_is_no_remedy() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 60)),
        task("c", step("1", "EV1", 20), priority="get-ahead"),
        task("m", step("1", "EV1", 20)),
        HOME,
        limits={"elapsed": "2:40"},
    )
    run.done("a.1", at=1800)
    undecided = run.now
    run("chose", 1800, task="c", choice="keep")
    made = flat(run.now, 1800, choices=True)

    def remedy(shown: Estimate) -> Alert:
        return {alert.id: alert for alert in all_alerts(undecided, shown, now=1800)}["confidence"]

    assert remedy(made).do == ("drop c",)
    gone = replace(made, counted=made.counted - {"c"})
    assert remedy(gone).do == () and ". What helps is being worked out" in remedy(gone).text
    gone = replace(gone, choices=tuple(replace(one, proposed=None) for one in made.choices or ()))
    assert remedy(gone).do == ("drop m",), "what is not begun goes before what is"
    assert ". drop m (m: must work, ask the lead): " in remedy(gone).text
    leaves = tuple(choice for choice in gone.choices or () if choice.id in ("must-only", "give-up:c"))
    none = remedy(replace(gone, choices=leaves))
    assert none.do == () and ". Nothing faster is left. In 9 cases of 10 all are inside by" in none.text


def test_a_recall_that_can_wait_says_until_when() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 90)), HOME, limits={"elapsed": "1:45"})
    run.done("a.1", at=1800)
    made = flat(run.now, 1860, choices=True)
    latest = made.turn_back.latest
    assert latest is not None and made.choices is not None
    made = replace(made, choices=tuple(one for one in made.choices if one.id == "call-home"))
    told = {one.id: one.text for one in all_alerts(run.now, made, now=1860)}["confidence"]
    assert told.endswith(f". call home: inside 1:11, >99 %; time for that until {pet_down(latest)}")


def test_who_is_still_out_is_told_to_turn_home_though_another_was_called() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 20)),
        task("b", step("1", "EV2", 30), step("2", "EV2", 120)),
        task("home", step("1", "EV1", 20), step("2", "EV2", 20), closeout=True),
        limits={"elapsed": "1:30"},
    )
    run.done("a.1", at=1800)
    run("called", 1860, call="home", crew=["EV1"])
    found = alerts(run, 4500)["turn-back"]
    assert found.text.startswith("TURN HOME NOW: elapsed limit at 1:30; all inside ") and found.do == (
        "call home",
    )
    assert "home" in {one.kind for one in flat(run.now, 1900).due}


def test_beside_something_milder_that_is_offered_a_leak_offers_no_recall() -> None:
    stores = [OXYGEN | {"start": 9.0, "reserve": 0.5}]
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV1", 30), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:15"},
        consumables=stores,
    )
    run("chose", 60, task="c", choice="keep")
    run.done("a.1", at=3600)
    made, leak = flat(run.now, 3660, choices=True), Leak(0.8, 1.6, 0.2, 1700.0)
    leaking = tuple(replace(store, leak=leak) for store in made.consumables)
    found = {a.id: a for a in all_alerts(run.now, replace(made, consumables=leaking), now=3660)}
    assert found["confidence"].do == ("drop c",)
    assert found["rate:EV1.oxygen"].do == ("reading EV1 oxygen",)
    shared = tuple(replace(store, crew="*", now=0.1) for store in made.consumables)
    for who in ("EV1", "EV2"):
        out = {a.kind for a in all_alerts(run.now, replace(made, consumables=shared), now=3660)}
        assert "below" in out
        run("entered", 3660, crew=who)
    inside = {a.kind for a in all_alerts(run.now, replace(made, consumables=shared), now=3660)}
    assert "below" not in inside, "nobody outside lives on it"


def test_a_limit_that_is_not_the_one_that_comes_first_is_told_as_the_least_sure() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 60)),
        HOME,
        consumables=[OXYGEN | {"start": 0.9, "reserve": 0.0}],
        limits={"elapsed": "2:00"},
    )
    run.done("a.1", at=1800)
    made = flat(run.now)
    elapsed, store = (
        next(one for one in made.limits if kind in one.id) for kind in ("elapsed", "EV1.oxygen")
    )
    first = replace(elapsed, to_spare=600, chance=0.02)
    unsure = replace(store, to_spare=6120, chance=0.13, margin=replace(store.margin, p90=-2280.0))
    doubt = replace(made.advice, raised=(Raised("confidence", 0.83, 1800.0),))
    low = replace(made, safe=0.85, limits=(first, unsure), binding=unsure, advice=doubt, choices=None)
    text = next(one for one in all_alerts(run.now, low, now=1800) if one.id == "confidence").text
    assert "EV1 oxygen at 2:15, 1 h 42 to spare, least sure to hold, 87 %" in text
    assert ", but in 1 case of 10 38 min SHORT or worse" in text
    barely = replace(low, binding=replace(unsure, margin=replace(unsure.margin, p90=-20.0)))
    text = next(one for one in all_alerts(run.now, barely, now=1800) if one.id == "confidence").text
    assert "SHORT" not in text, "what is short by no minute as shown is not short"


def test_turn_home_now_says_what_is_low_where_most_courses_are_in_time() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 60)), HOME, limits={"elapsed": "3:00"})
    run.done("a.1", at=1800)
    made = flat(run.now)
    limit = next(one for one in made.limits if one.id == "elapsed")
    limit = replace(limit, to_spare=1440, chance=0.18, margin=replace(limit.margin, p90=-840.0))
    back = replace(made.turn_back, latest=None, homebound=False)
    low = replace(made, safe=0.82, limits=(limit,), binding=limit, turn_back=back)
    text = next(one for one in all_alerts(run.now, low, now=1800) if one.id == "turn-back").text
    assert text.startswith("TURN HOME NOW: chance 82 %, need 90 %: elapsed limit at 3:00, 24 min to spare, ")
    assert "but in 1 case of 10 14 min SHORT or worse. call home: inside " in text


def test_a_grave_chance_stays_to_be_acted_upon_though_a_tick_may_be_missing_since() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 60)), HOME, limits={"elapsed": "3:00"})
    run.done("a.1", at=1800)
    made = flat(run.now)
    silent = (Unheard("a.2", "EV1", 1800.0, 600.0),)
    for since, severity in ((1900.0, "act"), (3600.0, "look")):
        raised = (Raised("confidence", 0.85, 1850.0), Raised("confidence:act", 0.69, since))
        low = replace(made, safe=0.63, unheard=silent, advice=replace(made.advice, raised=raised))
        found = next(one for one in all_alerts(run.now, low, now=4200) if one.id == "confidence")
        assert found.severity == severity, "low before it was asked whether a tick is missing, or only since"


def test_what_was_seen_long_ago_is_asked_again_once_the_chance_is_much_lower() -> None:
    steps = [step(str(k), "EV1", 10) for k in range(1, 40)]
    run = Run(task("a", *steps), HOME, limits={"elapsed": "6:45"})
    for k in range(1, 6):
        run.done(f"a.{k}", at=660.0 * k)
    run("acknowledged", 3301, alert="confidence")
    for k in range(6, 30):
        run.done(f"a.{k}", at=660.0 * k)
    chances = flat(run.now).advice.chances
    assert chances[0][0] == 3300.0, "the chance that was seen, however long ago"
    assert chances[1][0] > 3600.0, "is told beside those of the last instants"


def test_a_reading_turns_what_is_offered_once() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 60)),
        task("m", step("1", "EV1", 30)),
        task("c", step("1", "EV1", 20), priority="get-ahead", value=1),
        HOME,
        limits={"elapsed": "3:20"},
        consumables=[OXYGEN | {"start": 2.0}],
    )
    run("chose", 60, task="c", choice="keep")
    run.done("a.1", at=62 * 60)
    assert alerts(run, 63 * 60, choices=True)["confidence"].do == ("drop c",)
    run("reading", 64 * 60, crew="EV1", consumable="oxygen", value=0.81)
    for now in (64, 65, 68):
        made = flat(run.now, now * 60, choices=True)
        offered = [(one.id, one.proposed) for one in made.choices or () if one.proposed]
        assert [(id, one.since, one.instead) for id, one in offered] == [("give-up:m", 64 * 60, "drop c")]


def test_while_the_need_is_just_met_optional_work_is_got_ready_to_be_offered_and_no_more() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV1", 40), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:30"},
    )
    run("chose", 60, task="c", choice="keep")
    run.done("a.1", at=3600)
    made = replace(flat(run.now, 3660, choices=True), meets=True)
    past = Past(run.now, None, 50, (), Memory())
    known = [replace(one, proposed=None) for one in made.choices or ()]
    homes = [one for one in known if one.id.startswith("call-")]
    for some, ready in ((known, ["must-only"]), (homes, [])):
        found = offered(run.now, made, some, past=past, since=3660.0, weigh=lambda then, at: None)
        assert [one.id for one in found if one.proposed] == ready

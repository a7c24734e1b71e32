"""Alerts: raised by their condition, with stable ids and live figures, until seen or settled by an event."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from tests.flat import flat
from tests.runs import LATER, Run, step, task
from tracker.forecast.alert_words import alert_words
from tracker.forecast.alerts import alerts as all_alerts
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Alert, ClockFigure, Estimate, Leak, Raised
from tracker.journal.progress import done_share
from tracker.journal.typed import parse_entry

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)
OXYGEN = {"id": "oxygen", "unit": "kg", "start": 1.0, "reserve": 0.1, "per_hour": 0.4, "reading_sd": 0.01}


def alerts(run: Run, now: float | None = None, *, choices: bool = False) -> dict[str, Alert]:
    made = flat(run.now, now)
    if choices:
        made = flat(run.now, now, choices=flat(run.now, now, choices=True).choices)
    return {alert.id: alert for alert in made.alerts}


def begin(run: Run, start: str, now: float | None = None) -> list[str]:
    return [id for id in alerts(run, now) if id.startswith(start)]


def lamp(**more: Any) -> Run:
    """EV1: an hour, the get-ahead of 20 min, 30 min; EV2 340 min; last call of the lamp 5:00."""
    return Run(
        task("first", step("1", "EV1", 60)),
        task("long", step("1", "EV2", 340)),
        task("lamp", step("1", "EV1", 20), priority="get-ahead"),
        task("then", step("1", "EV1", 30)),
        HOME,
        **more,
    )


def test_a_last_call_that_does_not_come_by_itself_in_fifteen_and_in_five_minutes() -> None:
    run = lamp()
    run.done("first.1", at=3600)
    run("held", 3600, crew=["EV1"])
    call = 5 * 3600
    assert not begin(run, "last-call", call - 900 - 1)
    soon = alerts(run, call - 900)["last-call:lamp:15"]
    assert soon.text == ("lamp: start by 5:00, in 15 min; keep, and it does not come by itself. drop lamp")
    assert (soon.severity, soon.since, soon.by, soon.subject) == ("look", call - 900, call, "lamp")
    assert begin(run, "last-call", call - 301) == ["last-call:lamp:15"]
    run("acknowledged", call - 301, alert="last-call:lamp:15")
    assert alerts(run, call - 301)["last-call:lamp:15"].acknowledged
    five = alerts(run, call - 300)
    assert "last-call:lamp:15" not in five and not five["last-call:lamp:5"].acknowledged
    # The last call has passed: what was not seen stays.
    assert ", 5 min ago;" in alerts(run, call + 300)["last-call:lamp:5"].text
    run("acknowledged", call + 301, alert="last-call:lamp:5")
    assert not begin(run, "last-call", call + 302)


def test_no_last_call_is_announced_where_it_comes_by_itself_or_is_decided() -> None:
    run = Run(
        task("lamp", step("1", "EV1", 20), step("2", "EV1", 20), priority="get-ahead"),
        task("long", step("1", "EV2", 30)),
        HOME,
        limits={"elapsed": "1:21"},
    )
    assert flat(run.now).optional[0].last_call is not None or not begin(run, "last-call")
    run = lamp()
    run.done("first.1", at=3600)
    run("held", 3600, crew=["EV1"])
    run("chose", 3700, task="lamp", choice="keep")
    assert not begin(run, "last-call", 5 * 3600 - 60)


def test_what_nobody_gets_to_in_time_is_announced_with_what_it_would_cost() -> None:
    run = Run(
        task("first", step("1", "EV1", 320)),
        task("lamp", step("1", "EV1", 20), priority="get-ahead"),
        HOME,
        limits={"elapsed": "6:10"},
    )
    now = 5 * 3600 + 300
    assert alerts(run, now)["last-call:lamp:5"].text == (
        "lamp: start by 5:10, in 5 min; not yet; kept costs 20 min. keep lamp, drop lamp"
    )
    run.done("first.1", at=320 * 60 - 1)
    assert not begin(run, "last-call:lamp:5", 320 * 60), "it has begun"


def test_a_choice_that_was_worked_out_is_told_with_its_chance() -> None:
    run = Run(
        task("first", step("1", "EV1", 30), step("2", "EV1", 290)),
        task("lamp", step("1", "EV1", 20), priority="get-ahead"),
        HOME,
        limits={"elapsed": "6:10"},
    )
    run.done("first.1", at=1800)
    made = alerts(run, 5 * 3600 + 300, choices=True)["last-call:lamp:5"]
    words = "not yet; kept costs 20 min, >99 % -> <1 %. keep lamp, drop lamp"
    assert made.text == f"lamp: start by 5:10, in 5 min; {words}"
    assert made.do == ("keep lamp", "drop lamp") and made.figures["then_safe"] == 0
    # What it costs is told from where it was worked out: the chance may have gone down meanwhile.
    now = 5 * 3600 + 300
    lower = replace(flat(run.now, now, choices=True), safe=0.4)
    (later,) = (alert for alert in all_alerts(run.now, lower, now=now) if alert.id == made.id)
    assert later.figures["safe"] == made.figures["safe"] == 1 and ">99 % -> <1 %" in later.text


def short(limit: str = "2:00") -> Run:
    return Run(
        task("a", step("1", "EV1", 8), step("2", "EV1", 70), step("3", "EV1", 50)),
        HOME,
        limits={"elapsed": limit},
    )


def test_a_low_chance_is_no_alarm_before_a_tenth_of_the_work_unless_a_median_is_over() -> None:
    run = short("2:49")
    assert flat(run.now).safe == 1.0
    assert "confidence" not in alerts(run)
    run = Run(
        task("a", step("1", "EV1", 8), step("2", "EV1", 70)),
        HOME,
        consumables=[OXYGEN | {"start": 0.87, "reserve": 0.0, "per_hour": 0.435}],
    )
    made = estimate(run.now, 0, scenarios=2000)
    assert made.safe < 0.9 and done_share(run.now) == 0
    assert all((limit.to_spare or 0) >= 0 for limit in made.limits) == ("confidence" not in ids(made))
    run = short()
    assert flat(run.now).safe == 0 and done_share(run.now) == 0
    assert "confidence" in alerts(run), "the median is over the limit"


def ids(made: Estimate) -> set[str]:
    return {alert.id for alert in made.alerts}


def test_where_nothing_meets_what_is_needed_it_says_what_to_ask_for() -> None:
    run = short("1:50")
    run.done("a.1", at=480)
    run.done("a.2", at=6000)
    found = alerts(run, 6000, choices=True)
    assert "confidence" not in found
    assert found["turn-back"].text == (
        "TURN HOME NOW: elapsed limit at 1:50; all inside 3:10, 80 min after it. "
        "call home: inside 2:20, <1 %. In 9 cases of 10 all are inside by 2:20: ask the lead"
    )
    run("called", 6060, call="home")
    way = alerts(run, 6060, choices=True)["confidence"]
    assert way.text == (
        "chance <1 %, need 90 %: elapsed limit at 1:50, 31 min SHORT. Nothing faster is left. "
        "In 9 cases of 10 all are inside by 2:21: ask the lead"
    )
    assert "turn-back" not in alerts(run, 6060)


def test_the_chance_stays_told_until_it_is_a_little_above_and_is_asked_again_when_much_lower() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 60)),
        HOME,
        consumables=[OXYGEN | {"start": 0.9, "reserve": 0.0}],
        limits={"elapsed": "2:00"},
    )
    run.done("a.1", at=1800)
    assert alerts(run)["confidence"].severity == "act"
    run("acknowledged", 1801, alert="confidence")
    assert alerts(run)["confidence"].acknowledged
    run("limited", 1900, limit="elapsed", value="3:00")
    assert "confidence" not in alerts(run), "above 92 %"
    seen = replace(flat(run.now), safe=0.91, confidence=0.9)
    seen = replace(seen, advice=replace(seen.advice, raised=(Raised("confidence", 0.65, 1800.0),)))
    near = {alert.id: alert for alert in all_alerts(run.now, seen, now=1950)}["confidence"]
    assert near.severity == "look" and "need 90 %, just met (65 % when raised at 0:30): " in near.text
    low = replace(seen, safe=0.70, advice=replace(seen.advice, chances=((1800.0, 0.81),)))
    assert not {alert.id: alert for alert in all_alerts(run.now, low, now=1950)}["confidence"].acknowledged
    high = replace(low, safe=0.72)
    assert {alert.id: alert for alert in all_alerts(run.now, high, now=1950)}["confidence"].acknowledged


def test_one_broken_limit_is_one_alert() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 90)), HOME, consumables=[OXYGEN])
    run.done("a.1", at=1800)
    found = [alert for alert in alerts(run).values() if alert.severity == "act"]
    assert len(found) == 1 and "oxygen" in found[0].text
    assert not begin(run, "reserve")


def test_turn_home_is_told_fifteen_and_five_minutes_before_where_closeout_starts_later() -> None:
    run = Run(task("a", *(step(str(k), "EV1", 60) for k in range(1, 4))), HOME, limits={"elapsed": "3:00"})
    run.done("a.1", at=3600)
    run.done("a.2", at=7200)
    latest = 8400
    assert flat(run.now, 7200).turn_back.latest == latest
    assert not begin(run, "turn-back", latest - 901)
    soon = alerts(run, latest - 900)
    assert soon["turn-back:15"].text == ("turn home by 2:20, in 15 min: inside 2:45 if called now. call home")
    assert (soon["turn-back:15"].severity, soon["turn-back:15"].by) == ("look", latest)
    assert "confidence" in soon
    near = alerts(run, latest - 240)
    assert near["turn-back:5"].text.startswith("turn home by 2:20, in 4 min")
    assert near["turn-back:5"].severity == "act" and "confidence" not in near, "one limit, one alert"
    assert alerts(run, latest + 60)["turn-back"].text.startswith("TURN HOME NOW: elapsed limit at 3:00; ")
    run("called", latest - 200, call="home")
    assert not begin(run, "turn-back", latest - 200)


def test_a_store_under_its_reserve_and_one_that_leaks() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 60)),
        HOME,
        consumables=[OXYGEN | {"start": 3.0, "reserve": 0.5}],
    )
    run("reading", 1700, crew="EV1", consumable="oxygen", value=0.4)
    found = alerts(run, 1800)
    assert found["below:EV1.oxygen"].text.endswith(
        "under its reserve of 0.5 kg, read 0:28. call home: inside 1:10, <1 %"
    )
    assert found["below:EV1.oxygen"].severity == "act"
    unread = Run(
        task("a", step("1", "EV1", 30)), HOME, consumables=[OXYGEN | {"start": 3.0, "reserve": 2.99}]
    )
    said = alerts(unread, 1800)["below:EV1.oxygen"].text
    assert said.endswith("under its reserve of 2.99 kg, never read. call home: inside 1:10, <1 %"), said
    leak = Leak(0.8, 1.6, 0.2, 1700.0)
    made = flat(run.now, 1800)
    stores = tuple(replace(store, leak=leak) for store in made.consumables)
    leaking = {a.id: a for a in all_alerts(run.now, replace(made, consumables=stores), now=1800)}
    words = (
        "EV1 oxygen falls 1.6 times as fast as planned since 0:28; reserve reached at 0:27, 1 h 43 SHORT. "
    )
    assert leaking["rate:EV1.oxygen"].text == (f"{words}call home: inside 1:10, <1 %; reading EV1 oxygen")
    run("entered", 1900, crew="EV1")
    assert "below:EV1.oxygen" not in alerts(run, 1900)


def test_a_reading_that_contradicts_is_flagged() -> None:
    run = Run(task("a", step("1", "EV1", 30)), HOME, consumables=[OXYGEN])
    run("reading", 600, crew="EV1", consumable="oxygen", value=0.5)
    assert "reading:EV1.oxygen" in alerts(run)


def test_a_hardware_clock_at_risk_and_cleared_below_half() -> None:
    run = Run(
        task(
            "a",
            step("off", "EV1", 10),
            step("work", "EV1", 40),
            step("on", "EV1", 10, within={"of": "a.off", "time": "0:45"}),
        ),
        HOME,
    )
    assert alerts(run).keys().isdisjoint({"clock:a.on"}), "early, and not running"
    run.done("a.off", at=600)
    found = alerts(run)["clock:a.on"]
    assert found.text == (
        "Do on is due at 0:55, in 45 min; done about 1:00, after EV1 at Do work: chance <1 %, need 90 %. "
        "In 9 cases of 10 done by 1:00: ask the lead"
    )
    assert (found.severity, found.by) == ("act", 3300)
    at_risk = (ClockFigure("a.on", "a.off", 3300.0, 0.3),)
    near, far = (
        {a.id: a for a in all_alerts(run.now, replace(flat(run.now, at), clocks=at_risk), now=at)}[
            "clock:a.on"
        ]
        for at in (1500.0, 1499.0)
    )
    assert (near.severity, far.severity) == ("act", "look"), "rather kept than missed, and not due for long"
    run("retimed", 700, step="a.work", time="0:10")
    assert "clock:a.on" not in alerts(run)


def test_a_hardware_clock_that_has_run_out_says_since_when() -> None:
    run = Run(
        task("out", step("un", "EV1", 10)),
        task("in", {**step("mate", "EV1", 30), "within": {"of": "out.un", "time": "0:40"}}),
        HOME,
    )
    run.done("out.un", at=600)
    assert "is due at 0:50, 10 min ago" in alerts(run, 3600)["clock:in.mate"].text
    run("held", 600, crew=["EV1"], until=2400)
    assert "is due at 0:50, in 10 min" in alerts(run, 2400)["clock:in.mate"].text


def test_a_window_about_to_close_on_waiting_work() -> None:
    run = Run(
        task("a", step("1", "EV1", 25), step("lit", "EV1", 20, window="light")),
        HOME,
        windows=[{"id": "light", "open": [["0:00", "0:30"], ["1:30", "2:30"]]}],
    )
    assert not begin(run, "window", 14 * 60)
    assert alerts(run, 20 * 60)["window:light:a.lit"].text == (
        "light until 0:30, in 10 min: EV1 could begin Do lit at 0:25; missed, it begins at 1:30, 65 min later"
    )
    run.done("a.1", at=1300)
    assert not begin(run, "window", 1301), "it has begun"


def test_a_window_that_opens_again_at_once_costs_nothing_and_is_not_told() -> None:
    run = Run(
        task("a", step("1", "EV1", 25), step("lit", "EV1", 20, window="light")),
        HOME,
        windows=[{"id": "light", "open": [["0:00", "0:30"], ["0:32", "2:30"]]}],
    )
    assert not begin(run, "window", 26 * 60)


def test_a_hold_point_not_yet_cleared() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 20, hold_point="ask the lead for a go")), HOME)
    assert "go:a.2" not in alerts(run, 14 * 60)
    soon = alerts(run, 15 * 60)["go:a.2"]
    assert soon.text == "go for Do 2 by 0:30, in 15 min: ask the lead for a go. go a.2"
    run.done("a.1", at=1800)
    waits = alerts(run, 1860)["go:a.2"]
    assert waits.text == "go for Do 2, EV1 stands since 0:30: ask the lead for a go. go a.2"
    assert (waits.since, waits.do) == (1800, ("go a.2",))
    run("went", 1900, step="a.2")
    assert "go:a.2" not in alerts(run, 1900)


def test_a_hold_point_that_waits_for_its_need_as_well_wants_its_go_only_soon_before() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV2", 20, hold_point="ask for a go", needs=["a.1"])), HOME
    )
    assert run.now.current["EV2"] == "a.2"
    assert "go:a.2" not in alerts(run, 600)
    assert alerts(run, 50 * 60)["go:a.2"].text.startswith("go for Do 2 by 1:00, in 10 min")


def test_open_items_are_told_only_where_nobody_ahead_closes_them() -> None:
    run = Run(
        task(
            "a",
            step("1", "EV1", 30, opens=["cover"]),
            step("2", "EV2", 30),
            step("3", "EV1", 30, closes=["cover"]),
        ),
        HOME,
    )
    run.done("a.1", at=1800)
    run.done("a.2", at=1850)
    assert "open-items" not in alerts(run), "a step ahead closes it"
    run("called", 1900, call="home")
    assert "open-items" not in alerts(run), "on the way home too"
    run("called", 1900, call="at once")
    assert alerts(run)["open-items"].text == "cover stays open: nobody closes it. add"
    run("withdrawn", None, event=run.fold.number)
    assert "open-items" not in alerts(run)


def test_work_whose_last_owner_is_inside_has_nobody() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV2", 30)), HOME)
    run("entered", 2000, crew="EV2")
    found = alerts(run)["owner:a.2"]
    assert (found.text, found.since) == ("Do 2 has nobody. hand a.2 to", 2000)


def test_a_step_that_goes_on_too_long_is_asked_about_and_again_after_as_long() -> None:
    run = Run(task("a", step("1", "EV1 EV2", 5), step("2", "EV1", 60)), HOME)
    assert not begin(run, "tick", 600)
    found = alerts(run, 720)["tick:a.1"]
    asks = "EV1 EV2 at Do 1, 12:00 of 5:00 min: done? EV1, EV1 -5, silent EV1 EV2"
    assert found.text == f"{asks}. The figures take it as going on"
    assert (found.since, found.severity) == (0, "look")
    run("acknowledged", 720, alert="tick:a.1")
    assert alerts(run, 1439)["tick:a.1"].acknowledged
    assert not alerts(run, 1440)["tick:a.1"].acknowledged
    run.done("a.1", at=1500)
    assert not begin(run, "tick", 1500)


def test_who_has_only_work_that_is_left_out_is_idle_until_it_is_decided() -> None:
    run = Run(
        task("a", step("1", "EV1", 30)),
        task("d", step("1", "EV2", 80)),
        task("c", step("1", "EV1 EV2", 60), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:05"},
    )
    run.done("a.1", at=1800)
    found = alerts(run, 2000, choices=True)["idle:EV1"]
    assert found.text == "EV1 idle, waits for EV2: decide c. keep c: inside 2:00 -> 3:00, <1 %, drop c"
    run("dropped", 2100, task="c")
    assert not begin(run, "idle", 2100)


def test_questions_are_told_when_they_wait_or_soon_matter_and_answers_when_given() -> None:
    run = Run(task("a", step("1", "EV1", 60)), HOME)
    asked = run("raised", 600, what="question", text="Do we keep it?", due=3000)
    assert not begin(run, "question", 1199)
    assert alerts(run, 1200)[f"question:{asked}"].text == (
        f"question at 0:10: Do we keep it?; matters until 0:50. answer {asked}"
    )
    reminder = run("raised", 700, what="reminder", text="Wipe the visor", due=3600)
    assert not begin(run, "reminder", 3599)
    told = alerts(run, 3600)[f"reminder:{reminder}"].text
    assert told == f"reminder at 0:11: Wipe the visor; due 1:00. settle {reminder}"
    run("settled", 2750, event=asked, text="yes", by="ground")
    assert (
        alerts(run, 2800)[f"answer:{asked}"].text == "question at 0:10: Do we keep it? -> yes, ground at 0:45"
    )
    run("acknowledged", 2801, alert=f"answer:{asked}")
    assert alerts(run, 2802)[f"answer:{asked}"].acknowledged
    assert not begin(run, "answer", 3351)


def test_silence_holds_that_ended_and_who_may_be_inside() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV2", 30)), HOME)
    run.done("a.1", at=1500)
    run("silent", 1600, crew=["EV1"])
    assert alerts(run, 2320)["silent:EV1"].text == "EV1 silent 12 min, last word 0:26. heard EV1"
    run("heard", 2400, crew=["EV1"])
    run("held", 2400, crew=["EV2"], until=2600)
    assert not begin(run, "hold", 2599)
    assert alerts(run, 2600)["hold:EV2"].text == "EV2's hold ended 0:43. resume EV2"
    run("resumed", 2700, crew=["EV2"])
    run.done("a.2", at=3000)
    run.done("home.in", at=5400)
    assert alerts(run, 5500)["inside:EV1"].text == "EV1 inside? enter EV1"
    run("entered", 5510, crew="EV1")
    assert begin(run, "inside", 5510) == ["inside:EV2"]
    run("entered", 5520, crew="EV2")
    assert alerts(run, 5600)["inside:*"].text == "all inside since 1:32: close"


def test_what_acts_comes_first_then_by_the_time_that_is_left() -> None:
    run = short("1:50")
    run.done("a.1", at=480)
    run("silent", 500, crew=["EV2"])
    run("raised", 500, what="question", text="Why?")
    found = list(alerts(run, 1500).values())
    assert [alert.severity for alert in found] == sorted((a.severity for a in found), key="act look".index)
    assert len({alert.severity for alert in found}) == 2


def test_words_follow_the_clock_between_two_estimates_and_keys_stand_for_what_is_typed() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 20, hold_point="ask {start:down}")), HOME)
    found = alerts(run, 15 * 60)["go:a.2"]
    keyed = alert_words(found, 20 * 60, {"go a.2": "g"}.__getitem__)
    assert keyed == "go for Do 2 by 0:30, in 10 min: ask {start:down}. g once it is given"


def test_texts_are_plain_and_the_closed_excursion_has_none() -> None:
    run = Run(task("a", step("1", "EV1", 30, hold_point="say \x1b[31m[b]go")), HOME)
    text = alerts(run)["go:a.1"].text
    assert "\x1b" not in text and text.isascii()
    run.done("a.1", at=1800)
    run.done("home.in", at=4200)
    run("closed", 4300)
    assert flat(run.now).alerts == ()


def test_alerts_in_json_say_what_they_rest_on_and_what_can_be_typed() -> None:
    run = Run(task("a", step("1", "EV1", 30, hold_point="ask")), HOME)
    [row] = [a for a in flat(run.now, 60).as_json()["alerts"] if a["id"] == "go:a.1"]
    assert row.keys() == {
        "id", "text", "acknowledged", "kind", "severity", "since", "subject", "figures", "do",
    }  # fmt: skip
    assert (row["kind"], row["severity"], row["subject"], row["do"]) == ("go", "look", "a.1", ["go a.1"])


def test_what_is_said_can_be_typed() -> None:
    """Every complete line that an alert offers is understood at the desk, and means what it says."""
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 20, hold_point="ask")),
        task("c", step("1", "EV2", 60), priority="get-ahead"),
        HOME,
        limits={"elapsed": "1:30"},
    )
    run("held", 60, crew=["EV1"], until=120)
    asked = run("raised", 90, what="question", text="Why?")
    run("silent", 100, crew=["EV2"])
    lines = {line for alert in alerts(run, 5200, choices=True).values() for line in alert.do}
    assert {f"answer {asked}", "heard EV2", "resume EV1", "call home"} <= lines
    rest = {
        "keep c",
        "drop c",
        "later c",
        "EV1",
        "EV1 -5",
        "silent EV1",
        "enter EV1",
        "close",
        "go a.2",
    }
    more = {f"settle {asked}", "call at once"}
    meant = {
        line: parse_entry(line, run.now, now=5200.0, utc_now=LATER) for line in sorted(lines | rest | more)
    }
    kinds = {line: [event["kind"] for event in events] for line, events in meant.items()}
    assert kinds[f"answer {asked}"] == kinds[f"settle {asked}"] == ["settled"]
    assert kinds["heard EV2"] == ["heard"] and kinds["resume EV1"] == ["resumed"]
    assert kinds["call home"] == kinds["call at once"] == ["called"] and kinds["go a.2"] == ["went"]
    assert kinds["EV1 -5"] == ["done"] and meant["EV1 -5"][0]["at"] == 4900
    assert "dropped" in kinds["drop c"] and "moved" in kinds["later c"] and kinds["keep c"] == ["chose"]
    assert kinds["enter EV1"] == ["entered"] and kinds["close"] == ["closed"]

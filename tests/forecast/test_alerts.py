"""Alerts: raised by their condition, with stable ids, until acknowledged or settled by an event."""

from __future__ import annotations

from typing import Any

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.values import Alert
from tracker.journal.progress import done_share

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)
OXYGEN = {"id": "oxygen", "unit": "kg", "start": 1.0, "reserve": 0.1, "per_hour": 0.4, "reading_sd": 0.01}


def alerts(run: Run, now: float | None = None) -> dict[str, Alert]:
    return {alert.id: alert for alert in flat(run.now, now).alerts}


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


def test_last_call_in_fifteen_and_in_five_minutes_until_acknowledged() -> None:
    run = lamp()
    run.done("first.1", at=3600)
    run("held", 3600, crew=["EV1"])
    call = 5 * 3600
    assert not [x for x in alerts(run, call - 900 - 1) if x.startswith("last-call")]
    assert "last-call:lamp:15" in alerts(run, call - 900)
    assert "last-call:lamp:5" not in alerts(run, call - 301)
    five = alerts(run, call - 300)
    assert {"last-call:lamp:15", "last-call:lamp:5"} <= set(five)
    assert "5:00" in five["last-call:lamp:5"].text and "0:05" in five["last-call:lamp:5"].text
    run("acknowledged", call - 290, alert="last-call:lamp:15")
    later = alerts(run, call - 280)
    assert later["last-call:lamp:15"].acknowledged and not later["last-call:lamp:5"].acknowledged
    # The last call has passed: what was acknowledged is gone, what was not stays.
    passed = alerts(run, call + 300)
    assert "last-call:lamp:15" not in passed and "last-call:lamp:5" in passed
    run("dropped", call + 310, task="lamp")
    assert "last-call:lamp:5" not in alerts(run, call + 320)


def test_no_last_call_is_announced_for_what_nobody_gets_to_in_time() -> None:
    run = Run(
        task("first", step("1", "EV1", 320)),
        task("lamp", step("1", "EV1", 20), priority="get-ahead"),
        HOME,
        limits={"elapsed": "6:10"},
    )
    made = flat(run.now, 5 * 3600 + 300)
    assert made.optional[0].last_call == 5 * 3600 + 600 and made.optional[0].advice == "drop"
    assert not [x for x in alerts(run, 5 * 3600 + 300) if x.startswith("last-call")]


def test_low_chance_is_no_alarm_before_a_tenth_of_the_work_is_done() -> None:
    run = Run(
        task("a", step("1", "EV1", 8), step("2", "EV1", 70), step("3", "EV1", 60)),
        HOME,
        limits={"elapsed": "2:00"},
    )
    assert flat(run.now).safe == 0 and "confidence" not in alerts(run)
    run.done("a.1", at=480)
    assert done_share(run.now) < 0.1 and "confidence" not in alerts(run)
    run.done("a.2", at=4000)
    found = alerts(run)["confidence"]
    assert not found.acknowledged and "0 %" in found.text and "90 %" in found.text
    run("acknowledged", 4001, alert="confidence")
    assert alerts(run)["confidence"].acknowledged


def test_confidence_stays_raised_when_the_chance_recovers_until_acknowledged() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 60)), HOME, limits={"elapsed": "2:00"})
    run.done("a.1", at=1800)
    run("limited", 1900, limit="elapsed", value="3:00")
    found = alerts(run)["confidence"]
    assert "since 0:30" in found.text
    run("acknowledged", 1950, alert="confidence")
    assert "confidence" not in alerts(run)


def test_a_reserve_that_is_reached_before_ingress() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 90)), HOME, consumables=[OXYGEN])
    run.done("a.1", at=1800)
    found = alerts(run)
    assert {"reserve:EV1.oxygen", "reserve:EV2.oxygen"} <= set(found)
    assert "EV1 oxygen" in found["reserve:EV1.oxygen"].text
    run("replaced", 1900, crew="EV1", consumable="oxygen", value=2.0)
    assert "reserve:EV1.oxygen" not in alerts(run)
    assert "reserve:EV2.oxygen" in alerts(run)


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
    run.done("a.off", at=600)
    found = alerts(run)
    assert "0:55" in found["clock:a.on"].text and ">99 %" in found["clock:a.on"].text
    run("retimed", 700, step="a.work", time="0:10")
    assert "clock:a.on" not in alerts(run)


def test_a_window_about_to_close_on_waiting_work() -> None:
    run = Run(
        task("a", step("1", "EV1", 25), step("lit", "EV1", 20, window="light")),
        HOME,
        windows=[{"id": "light", "open": [["0:00", "0:30"], ["1:30", "2:30"]]}],
    )
    assert "window:light:a.lit" not in alerts(run, 14 * 60)
    found = alerts(run, 20 * 60)["window:light:a.lit"]
    assert "closes at 0:30" in found.text
    run.done("a.1", at=1300)
    assert "window:light:a.lit" not in alerts(run, 1301), "it has begun"


def test_a_hold_point_not_yet_cleared() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 20, hold_point="ask the lead for a go")), HOME)
    assert "go:a.2" not in alerts(run, 14 * 60)
    soon = alerts(run, 15 * 60)["go:a.2"]
    assert "0:30" in soon.text and "ask the lead for a go" in soon.text
    run.done("a.1", at=1800)
    assert "now" in alerts(run, 1800)["go:a.2"].text
    run("went", 1900, step="a.2")
    assert "go:a.2" not in alerts(run, 1900)


def test_open_items_at_closeout_the_recall_and_no_owner() -> None:
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
    assert not {"open-items", "recall"} & set(alerts(run))
    run("called", 1900, call="at once")
    found = alerts(run)
    assert "at once" in found["recall"].text and "cover" in found["open-items"].text
    run("withdrawn", None, event=run.fold.number)
    assert not {"open-items", "recall"} & set(alerts(run))
    run("entered", 2000, crew="EV2")
    assert "owner:a.2" in alerts(run)


def test_a_hold_point_that_waits_for_its_need_as_well_wants_its_go_only_soon_before() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV2", 20, hold_point="ask for a go", needs=["a.1"])), HOME
    )
    assert run.now.current["EV2"] == "a.2"
    assert "go:a.2" not in alerts(run, 600)
    assert "go wanted by 1:00" in alerts(run, 50 * 60)["go:a.2"].text


def test_texts_are_plain_and_the_closed_excursion_has_none() -> None:
    run = Run(task("a", step("1", "EV1", 30, hold_point="say \x1b[31m[b]go")), HOME)
    text = alerts(run)["go:a.1"].text
    assert "\x1b" not in text and text.isascii()
    run.done("a.1", at=1800)
    run.done("home.in", at=4200)
    run("closed", 4300)
    assert flat(run.now).alerts == ()


def test_a_hardware_clock_that_has_run_out_says_since_when() -> None:
    run = Run(
        task("out", step("un", "EV1", 10)),
        task("in", {**step("mate", "EV1", 30), "within": {"of": "out.un", "time": "0:40"}}),
        HOME,
    )
    run.done("out.un", at=600)
    assert alerts(run, 3600)["clock:in.mate"].text.endswith(", 0:10 ago")
    run("held", 600, crew=["EV1"], until=2400)
    assert alerts(run, 2400)["clock:in.mate"].text.endswith(", in 0:10")

"""When steps begin, and what lies before."""

from __future__ import annotations

from tests.runs import Run, step, task


def simple() -> Run:
    """EV1: a, b, c; EV2: x, y; both: home."""
    return Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20), step("c", "EV1", 30)),
        task("two", step("x", "EV2", 15), step("y", "EV2", 15)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def test_before_zero_nobody_works_and_everybody_has_a_current_step() -> None:
    run = Run(task("one", step("a", "EV1", 10)), start=False)
    assert run.now.zero is None
    assert run.now.current == {"EV1": "one.a", "EV2": None}
    assert run.step("one.a").began is None
    assert run.step("one.a").running_since is None
    assert run.order("EV1") == ("one.a",)


def test_steps_begin_by_themselves_when_the_one_before_is_done() -> None:
    run = simple()
    assert run.step("one.a").began == 0
    run("done", 500, step="one.a")
    a, b = run.step("one.a"), run.step("one.b")
    assert (a.ended, a.done, a.worked_s, a.begin_kind) == ("done", 500, 500, "implied")
    assert (b.began, b.running_since, b.begin_kind) == (500, 500, "implied")
    assert run.now.current == {"EV1": "one.b", "EV2": "two.x"}
    assert run.order("EV1") == ("one.b", "one.c", "in.home")
    assert run.now.free_since["EV1"] == 500
    assert run.spent("EV1") == [(0, 500, "work", "one.a"), (500, None, "work", "one.b")]
    assert b.elapsed_s(560) == 60


def test_a_stated_begin_is_waited_for() -> None:
    run = simple()
    run("done", 500, step="one.a")
    run("began", 620, step="one.b")
    run("done", 1500, step="one.b")
    b = run.step("one.b")
    assert (b.began, b.begin_kind, b.worked_s, b.waited_s) == (620, "stated", 880, 120)
    assert run.spent("EV1")[1] == (500, 620, "wait", None)


def test_a_need_of_another_crew_member_is_waited_for() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, needs=["two.x"])),
        task("two", step("x", "EV2", 15)),
    )
    run("done", 500, step="one.a")
    assert run.step("one.b").began is None
    assert run.spent("EV1")[-1] == (500, None, "wait", "need two.x")
    assert run.needs("one.b") == ("two.x",)
    run("done", 900, step="two.x")
    b = run.step("one.b")
    assert (b.began, b.waited_s, b.waited_for) == (900, 400, "need two.x")
    assert run.needs("one.b") == ()
    run("done", 1000, step="one.b")
    assert run.row("one.b").waited == 400
    assert run.row("one.b").actual_duration == 100
    assert run.spent("EV2")[-1] == (900, None, "idle", None)


def test_a_hold_point_waits_for_its_go() -> None:
    run = Run(task("one", step("a", "EV1", 10), step("b", "EV1", 20, hold_point="ask the lead")))
    run("done", 500, step="one.a")
    assert not run.step("one.b").gone
    assert run.spent("EV1")[-1] == (500, None, "wait", "go")
    run("went", 700, step="one.b")
    assert run.step("one.b").gone
    assert (run.step("one.b").began, run.step("one.b").waited_for) == (700, "go")


def test_a_go_given_early_counts_from_when_the_crew_is_free() -> None:
    run = Run(task("one", step("a", "EV1", 10), step("b", "EV1", 20, hold_point="ask the lead")))
    run("went", 100, step="one.b")
    run("done", 500, step="one.a")
    assert run.step("one.b").began == 500


def test_a_window_is_waited_for_and_its_opening_is_known_beforehand() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, window="light")),
        windows=[{"id": "light", "open": [["0:00", "0:05"], ["0:20", "2:00"]]}],
        zero_planned="2031-05-04T14:00:00Z",
    )
    run("done", 600, step="one.a")
    b = run.step("one.b")
    assert (b.began, b.running_since) == (1200, 1200)
    assert b.elapsed_s(900) == 0
    assert run.spent("EV1")[1:] == [(600, 1200, "wait", "window light"), (1200, None, "work", "one.b")]
    run("done", 1500, step="one.b")
    assert (run.step("one.b").worked_s, run.step("one.b").waited_s) == (300, 600)
    assert run.row("one.b").waited == 600


def test_what_a_step_opens_once_its_window_does_is_open_from_then_on() -> None:
    run = Run(
        task(
            "one",
            step("a", "EV1", 10),
            step("b", "EV1", 20, window="light", opens=["lid"]),
            step("c", "EV1", 5, closes=["lid"]),
        ),
        windows=[{"id": "light", "open": [["0:20", "2:00"]]}],
        zero_planned="2031-05-04T14:00:00Z",
    )
    run.done("one.a", at=600)
    assert run.open_items() == ()
    assert run.now.open_at(1199) == ()
    assert [one.closed_by for one in run.now.open_at(1200)] == ["one.c"]


def test_a_window_in_pet_shifts_with_the_slip_of_zero() -> None:
    windows = [{"id": "light", "open": [["0:00", "0:05"], ["0:20", "2:00"]]}]
    tasks = task("one", step("a", "EV1", 10), step("b", "EV1", 20, window="light"))
    run = Run(tasks, windows=windows, zero_planned="2031-05-04T14:00:00Z", start=False)
    run("zero", utc="2031-05-04T14:05:00Z")
    run("done", 600, step="one.a")
    assert run.step("one.b").began == 900


def test_a_zero_on_another_day_is_warned_about_and_windows_go_with_it() -> None:
    windows = [{"id": "light", "open": [["0:00", "0:05"], ["0:20", "2:00"]]}]
    tasks = task("one", step("a", "EV1", 10), step("b", "EV1", 20, window="light"))
    run = Run(tasks, windows=windows, zero_planned="2031-05-04T14:00:00Z", start=False)
    run("zero", utc="2031-06-04T14:05:00Z")
    assert "more than seven days" in run.now.warnings[0][1]
    assert run.now.openings["light"] == ((0, 300), (1200, 7200))


def test_seeing_a_window_open_shifts_what_waits_for_it() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, window="light")),
        windows=[{"id": "light", "open": [["0:00", "0:05"], ["0:20", "2:00"]]}],
        zero_planned="2031-05-04T14:00:00Z",
    )
    run("done", 600, step="one.a")
    run("seen", 1100, window="light")
    assert run.step("one.b").began == 1100


def test_work_done_while_its_window_was_closed_never_begins_after_its_own_done() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, window="light")),
        windows=[{"id": "light", "open": [["0:00", "0:05"], ["0:20", "2:00"]]}],
        zero_planned="2031-05-04T14:00:00Z",
    )
    run("done", 600, step="one.a")
    number = 3
    run("done", 800, step="one.b")
    b = run.step("one.b")
    assert (b.began, b.done, b.worked_s) == (800, 800, 0)
    assert run.warned[number] == ("one.b outside its window light",)


def test_joint_steps_begin_when_the_last_of_their_crew_is_free() -> None:
    run = simple()
    run.done("one.a", at=100)
    run.done("one.b", at=200)
    run.done("one.c", at=300)
    assert run.now.current["EV1"] == "in.home"
    assert run.now.missing("in.home") == ("EV2",)
    assert run.spent("EV1")[-1] == (300, None, "wait", "crew EV2")
    run.done("two.x", at=400)
    run.done("two.y", at=900)
    assert run.now.missing("in.home") == ()
    home = run.step("in.home")
    assert (home.began, home.waited_for) == (900, "crew EV2")
    run.done("in.home", at=1000)
    assert run.step("in.home").waited_s == 600
    homes = [one for one in run.now.observations if one.step == "in.home"]
    assert len(homes) == 1
    assert homes[0].crew == ("EV1", "EV2")
    assert (homes[0].start, homes[0].start_kind, homes[0].worked_s) == (900, "tick", 100)


def test_a_joint_step_done_by_name_while_one_is_elsewhere_is_accepted_with_a_warning() -> None:
    run = simple()
    run.done("one.a", at=100)
    run.done("one.b", at=200)
    run.done("one.c", at=300)
    number = run("done", 700, step="in.home")
    assert run.warned[number] == ("in.home is a joint step, and EV2 was not at it",)
    assert run.step("in.home").ended == "done"
    assert run.now.current["EV2"] == "two.x"
    early = simple()
    both = early("done", 50, step="in.home")
    assert "in.home is a joint step, and EV1 and EV2 were not at it" in early.warned[both]


def test_beginning_another_step_sets_the_current_one_aside_with_its_work_time() -> None:
    run = simple()
    run.done("one.a", at=600)
    run("began", 900, step="one.c")
    assert run.now.current["EV1"] == "one.c"
    b = run.step("one.b")
    assert (b.ended, b.began, b.worked_s, b.running_since) == (None, 600, 300, None)
    assert run.order("EV1") == ("one.c", "one.b", "in.home")
    run.done("one.c", at=1500)
    assert run.now.current["EV1"] == "one.b"
    assert run.step("one.b").running_since == 1500
    run.done("one.b", at=2000)
    assert run.step("one.b").worked_s == 800
    assert run.step("one.b").began == 600


def test_a_step_that_came_up_at_the_same_instant_is_not_begun_by_being_passed_over() -> None:
    run = simple()
    run.done("one.a", at=600)
    run("began", 600, step="one.c")
    assert run.step("one.b").began is None
    assert run.step("one.b").worked_s == 0


def test_what_is_done_out_of_order_takes_the_time_of_what_nobody_said_was_begun() -> None:
    run = simple()
    run.done("one.a", at=600)
    run.done("one.c", at=2000)
    c, b = run.step("one.c"), run.step("one.b")
    assert (c.began, c.worked_s) == (600, 1400)
    assert run.now.current["EV1"] == "one.b"
    assert (b.began, b.worked_s, b.running_since) == (2000, 0, 2000)


def test_what_is_done_out_of_order_leaves_the_time_of_stated_work_alone() -> None:
    run = simple()
    run.done("one.a", at=600)
    run("began", 700, step="one.b")
    run.done("one.c", at=2000)
    assert run.step("one.c").worked_s == 0
    run.done("one.b", at=2500)
    assert run.step("one.b").worked_s == 1800


def test_what_was_not_in_sight_before_an_event_has_not_begun_before_it() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, needs=["two.x"])),
        task("two", step("x", "EV2", 15)),
    )
    run.done("one.a", at=500)
    run("skipped", 800, step="two.x")
    assert run.step("one.b").began == 800


def test_a_new_step_for_an_idle_crew_member_begins_when_it_came() -> None:
    run = Run(task("one", step("a", "EV1", 10)), task("two", step("x", "EV2", 15)))
    run.done("one.a", at=500)
    run("added", 800, task=task("leak", step("find", "EV1", 5)))
    assert run.now.current["EV1"] == "leak.find"
    assert run.step("leak.find").began == 800
    assert run.spent("EV1") == [
        (0, 500, "work", "one.a"),
        (500, 800, "idle", None),
        (800, None, "work", "leak.find"),
    ]


def test_new_work_and_work_in_new_hands_has_not_begun_before_it_came() -> None:
    run = Run(
        task("one", step("a", "EV1", 10, hold_point="ask"), step("b", "EV1", 10)),
        task("two", step("x", "EV2", 30)),
    )
    run("added", 800, task=task("leak", step("find", "EV1", 5)))
    run.done("leak.find", at=1000)
    assert (run.step("leak.find").began, run.step("leak.find").worked_s) == (800, 200)
    run("handed", 1200, step="two.x", crew=["EV1"])
    run.done("two.x", at=1500)
    assert (run.step("two.x").began, run.step("two.x").worked_s) == (0, 1500)
    assert not run.step("two.x").evidence


def test_a_tick_that_comes_after_the_next_step_was_begun_keeps_the_work_time_as_evidence() -> None:
    run = simple()
    run("began", 550, step="one.b")
    run.done("one.a", at=600)
    assert run.step("one.a").worked_s == 550
    assert run.step("one.b").running_since == 550
    (one,) = run.now.observations
    assert (one.step, one.crew, one.start, one.worked_s) == ("one.a", (), 0, 550)


def test_done_before_a_need_or_without_a_go_is_recorded_with_a_warning() -> None:
    run = Run(
        task("one", step("a", "EV1", 10, needs=["two.x"]), step("b", "EV1", 20, hold_point="ask")),
        task("two", step("x", "EV2", 15)),
    )
    number = run("done", 500, step="one.a")
    assert run.warned[number] == ("Do a before Do x, which it needs",)
    assert (run.step("one.a").began, run.step("one.a").worked_s) == (0, 500)
    number = run("began", 600, step="one.b")
    assert run.warned[number] == ("one.b without its go",)
    number = run("done", 900, step="one.b")
    assert run.warned[number] == ("one.b without its go",)
    assert [text for _, text in run.now.warnings] == [
        "Do a before Do x, which it needs",
        "one.b without its go",
        "one.b without its go",
    ]


def test_a_joint_step_set_aside_frees_everybody_at_it() -> None:
    run = Run(
        task("late", step("j", "EV1 EV2", 20)),
        task("one", step("a", "EV1", 10), step("x", "EV2", 10)),
        task("two", step("k", "EV1", 10)),
    )
    run("began", 100, step="two.k")
    assert run.step("late.j").worked_s == 100
    assert run.now.current == {"EV1": "two.k", "EV2": "late.j"}
    assert run.now.missing("late.j") == ("EV1",)
    run("moved", 200, task="late", last=True)
    run("began", 300, step="late.j")
    run("began", 400, step="two.k")
    # Its place is behind x now, so EV2 goes on with that.
    assert run.now.current == {"EV1": "two.k", "EV2": "one.x"}
    assert run.step("late.j").worked_s == 200

"""What goes beside an estimate: it comes after the figures, stays with later ones, and delays none."""

from __future__ import annotations

from queue import Queue

import pytest

from tests.runs import Run, step, task
from tracker.console import workers
from tracker.console.workers import Estimated, EstimateScheduler, NotEstimated, Wanted


def run() -> Run:
    made = Run(
        task("a", step("1", "EV1", 30)),
        task("lamp", step("1", "EV1", 10), priority="should"),
        task("home", step("1", "EV1 EV2", 20), closeout=True),
    )
    made("done", 1200, step="a.1")
    return made


def heard(
    scheduler: EstimateScheduler, reports: Queue[Estimated | NotEstimated], wanted: Wanted
) -> Estimated:
    """Ask, and return the first estimate that has everything beside it."""
    scheduler.ask(wanted)
    while True:
        report = reports.get(timeout=60)
        assert isinstance(report, Estimated), report
        if report.estimate.choices is not None and report.estimate.changed is not None:
            return report


def test_choices_and_changes_follow_the_figures_and_stay_with_later_ones() -> None:
    reports: Queue[Estimated | NotEstimated] = Queue()
    scheduler = EstimateScheduler(reports.put, beside=True)
    scheduler.start()
    try:
        progress = run().now
        whole = heard(scheduler, reports, Wanted(progress, 1300.0, True))
        assert {choice.id for choice in whole.estimate.choices or ()} >= {
            "must-only",
            "as-advised",
            "call-home",
        }
        assert {choice.at for choice in whole.estimate.choices or ()} == {1300}
        scheduler.ask(Wanted(progress, 1360.0, False))
        later = reports.get(timeout=60)
        assert isinstance(later, Estimated) and later.estimate.at == 1360
        assert later.estimate.choices == whole.estimate.choices, "as of the instant that each choice says"
    finally:
        scheduler.stop()


def test_what_changed_by_an_event_does_not_wait_for_advice() -> None:
    reports: Queue[Estimated | NotEstimated] = Queue()
    scheduler = EstimateScheduler(reports.put, beside=True)
    scheduler.start()
    try:
        made = run()
        heard(scheduler, reports, Wanted(made.now, 1300.0, True))
        made("done", 2400, step="lamp.1")
        scheduler.ask(Wanted(made.now, 2400.0, False))
        while True:
            report = reports.get(timeout=20)
            assert isinstance(report, Estimated) and not report.full
            if report.estimate.changed is not None and report.estimate.changed.until == 2400:
                break
        assert {choice.at for choice in report.estimate.choices or ()} == {1300}, "as of what they say"
    finally:
        scheduler.stop()


def test_what_can_wait_gives_way_to_what_somebody_waits_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "GIVE_WAY_S", 60.0)
    reports: Queue[Estimated | NotEstimated] = Queue()
    scheduler = EstimateScheduler(reports.put, beside=True)
    scheduler.start()
    try:
        with scheduler.way.taken():
            scheduler.ask(Wanted(run().now, 1300.0, True))
            while True:
                report = reports.get(timeout=60)
                assert isinstance(report, Estimated)
                assert report.estimate.choices is None, "no choice is played while others are at work"
                if report.estimate.changed is not None:
                    break
        while report.estimate.choices is None:
            report = reports.get(timeout=60)
            assert isinstance(report, Estimated)
    finally:
        scheduler.stop()


def test_who_does_not_ask_for_it_gets_nothing_beside() -> None:
    reports: Queue[Estimated | NotEstimated] = Queue()
    scheduler = EstimateScheduler(reports.put)
    scheduler.start()
    try:
        scheduler.ask(Wanted(run().now, 1300.0, True))
        report = reports.get(timeout=60)
        assert isinstance(report, Estimated)
        assert report.estimate.choices is None and report.estimate.changed is None
    finally:
        scheduler.stop()

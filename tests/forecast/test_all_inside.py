"""What is said once everybody outside was entered."""

from __future__ import annotations

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.report import headline


def test_once_all_are_inside_nothing_is_handed_over_and_the_ingress_is_a_fact() -> None:
    run = Run(task("a", step("1", "EV1", 30)), task("home", step("in", "EV1 EV2", 40), closeout=True))
    run.done("a.1", at=1800)
    run("entered", 2710, crew="EV1")
    assert "inside:*" not in {alert.id for alert in flat(run.now, 2720).alerts}
    run("entered", 2770, crew="EV2")
    found = {alert.id: alert for alert in flat(run.now, 2800).alerts}
    assert not [id for id in found if id.startswith("owner:")]
    assert found["inside:*"].text == "all inside since 0:46, not ticked: Do in: close"
    lines = headline(run.now, flat(run.now, 2800))
    assert lines[0].startswith("INSIDE 0:46 ")
    assert any(line.startswith("inside with ") for line in lines)

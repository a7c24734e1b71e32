"""The way home on a bad day, and a plan for the hand with what is heeded, asked and carried."""

from __future__ import annotations

import pytest

from tests.plan.test_handout import _Tags
from tests.plan.test_rounds_and_hardware import MORE, written
from tracker.foundation.text import ADVISORY
from tracker.plan.bad_day import card, ways_home
from tracker.plan.handout import html_page, text_page
from tracker.plan.model import Plan
from tracker.plan.paper import on_paper
from tracker.plan.read import parse_plan

SITES = """\
  truss: {home: 0:12, assisted: 0:25}
  boom: {home: 0:09:30, assisted: 0:29}
  door: {home: 0:02}
"""


@pytest.fixture
def text(plan_text: str) -> str:
    text = written(plan_text, unplug=MORE + ", leaves: {lamp: truss}")
    return text.replace("sites: {truss: {home: 0:12, assisted: 0:25}}", "sites:\n" + SITES.rstrip())


def read(text: str) -> Plan:
    return parse_plan(text, file="p.yaml", name="p")


def test_worst_first_against_what_is_kept(text: str) -> None:
    ways = ways_home(read(text))
    assert [(way.site, way.longest, way.to_spare) for way in ways] == [
        *(("boom", 2040, -240), ("truss", 1800, 0), ("door", 420, 1380))
    ]
    assert ways[0].cells == ("boom", "10 min", "15 min", "29 min", "34 min", "4 min SHORT")
    assert ways[2].cells == ("door", "2 min", "7 min", "-", "-", "23 min to spare")
    assert (
        ways[1].words
        == "from truss: alone 12 min, assisted 25 min, 30 min with the lock: 0 min to spare of 30 min"
    )
    assert card(read(text))[0] == "emergency supply 30 min, 5 min of it for the lock"


def test_what_a_plan_does_not_say_is_not_made_up(text: str, plan_text: str) -> None:
    without = read(text.replace("emergency: {supply: 0:30, lock: 0:05}\n", ""))
    assert ways_home(without)[0].cells == ("boom", "10 min", "-", "29 min", "-", "-")
    assert ways_home(without)[0].words == "from boom: alone 10 min, assisted 29 min"
    assert card(without)[0] == "no emergency supply is named"
    bare = read(plan_text)
    assert (ways_home(bare), card(bare), on_paper(bare).warnings) == ((), [], ())


def test_check_warns_of_a_site_too_far_and_of_hardware_that_stays_with_somebody(text: str) -> None:
    there = [str(warning) for warning in on_paper(read(text)).warnings]
    assert (
        len(there) == 1
        and "sites.boom: on a bad day the emergency supply is not enough: from boom" in there[0]
    )
    lost = [str(warning) for warning in on_paper(read(text.replace(", brings: [wrench]", ""))).warnings]
    assert (
        "hardware[0].id: 'wrench' is taken by swap.unplug, and nothing says where it goes; write brings: "
        "[wrench] in closeout, or leaves" in lost[-1]
    )


def test_the_plan_for_the_hand_has_all_of_it_whole(text: str) -> None:
    long = "heed " * 99 + "this"
    plan = read(text.replace("Springs open", f"'{long}'").replace("'Hot: 60 °C'", '"<i>hot</i> \\e[31m"'))
    lines = list(text_page(on_paper(plan)))
    assert max(map(len, lines)) <= 80
    whole = " ".join(" ".join(lines).split())
    for words in (
        f"! {long} ! <i>hot</i> ?[31m torque 12 N m, turns 7 at truss;",
        "takes wrench, lamp; leaves lamp at truss;",
        "rounds, everybody outside status, every 0:30: oxygen, gloves",
        "[ ] wrench, Torque wrench: from lock; swap.unplug, home.way hardware"[:-9],
        "by the plan's own figures, worst first emergency supply 30 min, 5 min of it for the lock site alone",
    ):
        assert words in whole, words
    assert whole.endswith(ADVISORY)
    page = "".join(html_page(on_paper(plan)))
    tags = _Tags(page)
    assert tags.open == [] and "i" not in {tag for tag, _ in tags.seen} and "\x1b" not in page
    for words in (f"! {long}", "! <i>hot</i> ?[31m", "wrench, Torque wrench", "4 min SHORT"):
        assert words in tags.words, words


def test_check_warns_of_who_has_no_way_home(plan_text: str) -> None:
    none = plan_text.replace("    closeout: true\n", "").replace("time: home}", "time: 0:12}")
    (said,) = [str(warning) for warning in on_paper(read(none)).warnings]
    assert "tasks: no step of closeout is for EV1, EV2: once called home they count as inside" in said
    assert said.endswith("write closeout: true on the task that brings them in")

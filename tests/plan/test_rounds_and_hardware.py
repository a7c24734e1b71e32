"""Keys for what is asked again and again, what is carried, what is heeded, and the way home on a bad day."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from tests.plan.sheets import read_sheet
from tests.plan.test_book import HOSTILE, equal, there_and_back
from tracker.cli.export import book_of
from tracker.foundation.errors import Fault
from tracker.plan.build import task_data
from tracker.plan.diff import differences
from tracker.plan.hardware import due_back, moves
from tracker.plan.model import Emergency, Hardware, Plan, Round
from tracker.plan.read import parse_plan, parse_task
from tracker.plan.sheet_plan import plan_of_sheet
from tracker.plan.workbook import read_here

KEYS = """\
rounds:
  - {id: status, every: 0:30, ask: [oxygen, gloves]}
hardware:
  - {id: wrench, title: Torque wrench}
  - {id: rail, from: truss}
  - {id: lamp}
emergency: {supply: 0:30, lock: 0:05}
"""
UNPLUG = "{id: unplug, do: Unplug it, crew: [EV1], time: 0:08, site: truss, window: [day]"
MORE = ", cautions: [Springs open, 'Hot: 60 °C'], numbers: {torque: 12 N m, turns: 7}, takes: [wrench, lamp]"
WAY = "{id: way, do: Go back, crew: [EV1, EV2], time: home"


def written(plan: str, *, unplug: str = MORE, way: str = ", brings: [wrench]", keys: str = KEYS) -> str:
    text = plan.replace("sites: {truss: {home: 0:12}}", "sites: {truss: {home: 0:12, assisted: 0:25}}")
    text = text.replace("- {id: day, ", "- {id: day, kind: link, ")
    return text.replace(UNPLUG, UNPLUG + unplug).replace(WAY, WAY + way) + keys


@pytest.fixture
def plan(plan_text: str) -> Plan:
    rail = MORE.replace("wrench, lamp]", "wrench, lamp, rail]")
    text = written(plan_text, unplug=rail + ", leaves: {lamp: truss}", way=", brings: [wrench, rail]")
    return parse_plan(text, file="p.yaml", name="p")


def test_what_is_read(plan: Plan, plan_text: str) -> None:
    step = plan.step["swap.unplug"]
    assert step.cautions == ("Springs open", "Hot: 60 °C")
    assert step.numbers == {"torque": "12 N m", "turns": "7"}
    assert (step.takes, step.leaves) == (("wrench", "lamp", "rail"), {"lamp": "truss"})
    assert plan.step["home.way"].brings == ("wrench", "rail")
    assert plan.rounds == (Round("status", 1800, ("oxygen", "gloves")),)
    assert plan.hardware[:2] == (Hardware("wrench", "Torque wrench"), Hardware("rail", "rail", "truss"))
    assert (plan.sites, plan.assisted) == ({"truss": 720}, {"truss": 1500})
    assert plan.emergency == Emergency(1800, 300)
    assert [window.kind for window in plan.windows] == ["link", "light"]
    assert [(move.hardware, move.to) for move in moves(plan)] == [
        *(("wrench", ""), ("lamp", ""), ("rail", ""), ("lamp", "truss"), ("wrench", "lock"), ("rail", "lock"))
    ]
    assert due_back(plan) == ("wrench", "rail")
    bare = parse_plan(plan_text, file="p.yaml", name="p")
    assert (bare.rounds, bare.hardware, bare.emergency, bare.assisted) == ((), (), None, {})


def test_a_task_as_data_is_the_same_task(plan: Plan) -> None:
    for task in plan.tasks:
        others = [other for other in plan.tasks if other is not task]
        again = parse_task(task_data(task), plan, known=[*others]) if not task.closeout else task
        assert {s.id: (s.cautions, s.numbers, s.takes, s.leaves) for s in again.steps} == {
            s.id: (s.cautions, s.numbers, s.takes, s.leaves) for s in task.steps
        }


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (
            ("takes: [wrench,", "takes: [wrnch,"),
            "takes: there is no hardware 'wrnch'; did you mean wrench?",
        ),
        (("takes: [wrench, lamp]", "takes: [lamp, lamp]"), "takes: 'lamp' is named twice; name each once"),
        (
            ("lamp]", "lamp], leaves: {lamp: trus}"),
            "leaves.lamp: there is no site 'trus'; did you mean truss?",
        ),
        (
            ("lamp]", "lamp], leaves: {lamp: lock}"),
            "leaves.lamp: the lock is no site to leave it at; write brings: [lamp]",
        ),
        (
            ("takes: [wrench, lamp]", "leaves: {lamp: truss}, takes: [wrench]"),
            "leaves.lamp: nobody has 'lamp' by then, on paper; write takes: [lamp] here or in an",
        ),
        (
            ("takes: [wrench, lamp]", "takes: [lamp]"),
            "brings: 'wrench' is in the lock by then, on paper; "
            "let an earlier step take it, or leave this out",
        ),
        (
            ("brings: [wrench]", "brings: [wrench, rail]"),
            "brings: 'rail' lies at truss by then, on paper, and this step is not done there; "
            "let a step at truss bring it, or take it before",
        ),
        (
            ("hold_point: the", "takes: [wrench], hold_point: the"),
            "takes: EV1 has 'wrench' since swap.unplug, on paper; "
            "let an earlier step leave it at a site or bring it back",
        ),
        (
            ("hold_point: the", "brings: [lamp], hold_point: the"),
            "brings: EV1 has 'lamp' since swap.unplug, on paper; let a step of EV1 leave it at a site first",
        ),
        (("every: 0:30", "every: 30"), "every: '30' is not a time; write H:MM or H:MM:SS, 0:30 or"),
        (
            ("every: 0:30", "every: 0:00:30"),
            "every: 0:00:30 is more often than anybody can ask; write 0:01 or more, such as 0:30",
        ),
        (("ask: [oxygen, gloves]", "ask: []"), "ask: asks nothing; write ask: [oxygen, gloves]"),
        (("ask: [oxygen,", "ask: [gloves,"), "ask: 'gloves' is named twice; name each once"),
        (("id: lamp", "id: wrench"), "id: 'wrench' is already the id of hardware; give this one another id"),
        (("from: truss", "from: truck"), "from: there is no site 'truck'; did you mean truss?"),
        (("from: truss", "fram: truss"), "fram: is not a key here; did you mean from?"),
        (("assisted: 0:25", "assisted: 0:10"), "is shorter than the way home alone; write 0:12 or more"),
        (("supply: 0:30", "supplies: 0:30"), "supplies: is not a key here; did you mean supply?"),
        (("turns: 7", "'7 x': 7"), "numbers.7 x: '7 x' is not an id; write a letter, then letters,"),
        (
            ("Springs open", '"Springs\\nopen"'),
            "cautions: goes over several lines; write one line; a list has room for more",
        ),
        (("kind: link", "kind: radio"), "kind: 'radio' is not known here; write light, link or other"),
    ],
)
def test_what_is_refused(
    change: tuple[str, str], line: str, plan_text: str, faults: Callable[[str], list[Fault]]
) -> None:
    text = written(plan_text)
    assert faults(text) == [] and change[0] in text
    found = [str(fault) for fault in faults(text.replace(*change, 1))]
    assert any(line in one for one in found), found


@pytest.mark.parametrize("text", [one for one in HOSTILE if "\n" not in one and one.strip() == one])
def test_a_workbook_there_and_back(text: str, plan: Plan) -> None:
    quoted = text.replace("\\", "\\\\").replace('"', '\\"').replace("\u2028", "?").replace("\x85", "?")
    said = plan.source.replace("Springs open", f'"{quoted}"').replace("12 N m", f'"{quoted}"')
    said = said.replace("Torque wrench", f'"{quoted}"')
    hostile = parse_plan(said, file="p", name="p")
    equal(there_and_back(hostile), hostile)


def test_a_plan_without_them_has_no_sheets_of_them(plan: Plan, plan_text: str) -> None:
    made = datetime(2031, 5, 4, tzinfo=UTC)
    there = {grid.name for grid in read_here(book_of(plan, made))}
    bare = parse_plan(plan_text, file="p", name="p")
    assert there - {grid.name for grid in read_here(book_of(bare, made))} == {"Rounds", "Hardware"}


def test_cautions_and_numbers_in_a_sheet() -> None:
    sheet = (
        "Step,Who,Duration,Cautions,Numbers\n"
        'Unplug,EV1,8 min,"Springs  open\n Hot; 60 °C","torque: 12 N m; turns 7"\n'
        'Plug,EV1,8 min,,"torque 12 N m\ngap 1,5 mm; 2 mm"\n'
    )
    plan = parse_plan(
        plan_of_sheet(read_sheet(sheet, "s"), excursion="x", limit=3600, file="s"), file="s", name="s"
    )
    first, second = plan.step.values()
    assert first.cautions == ("Springs  open", "Hot; 60 °C")
    assert first.numbers == {"torque": "12 N m", "turns": "7"}
    assert (second.cautions, second.numbers) == ((), {"torque": "12 N m", "gap": "1,5 mm; 2 mm"})


def test_each_key_is_a_difference(plan: Plan, plan_text: str) -> None:
    bare = parse_plan(plan_text, file="p", name="p")
    assert differences(plan, plan) == []
    said = {(change.subject, change.id, change.key or change.what) for change in differences(bare, plan)}
    assert said == {
        *(("steps", "swap.unplug", key) for key in ("cautions", "numbers", "takes", "leaves")),
        *(("hardware", name, "added") for name in ("wrench", "rail", "lamp")),
        *{("steps", "home.way", "brings"), ("rounds", "status", "added"), ("plan", "", "emergency")},
        *{("sites", "truss", "assisted"), ("windows", "day", "kind")},
    }

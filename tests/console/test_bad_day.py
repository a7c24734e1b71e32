"""The way home on a bad day: a page of the desk, and from where they are on the way-home screen."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from tests.console.conftest import ZERO
from tests.flat import flat
from tests.runs import Run, step, task
from tests.screens import screen
from tracker.console.view.scene import Disk, Scene, Snapshot
from tracker.console.view.steps import bad_day, way_home
from tracker.console.view.styled_text import text_of
from tracker.foundation.text import ADVISORY

SITES = {
    "truss-4": {"home": "0:12", "assisted": "0:25"},
    "boom": {"home": "0:10", "assisted": "0:29"},
    "door": {"home": "0:02"},
}
BARE = {"truss-4": {"home": "0:12"}, "boom": {"home": "0:10"}, "door": {"home": "0:02"}}
SIZES = [(80, 24), (120, 36)]


def scene_of(**more: Any) -> Scene:
    """Return a desk on the way home: EV1 comes from the boom, EV2 was said to be at the door."""
    work = task("a", step("1", "EV1", 20, site="boom"), step("2", "EV2", 20, site="truss-4"))
    home = task("home", step("way", "EV1 EV2", 10), step("in", "EV1 EV2", 10), closeout=True)
    run = Run(work, home, **{"sites": SITES, **more})
    run.done("a.1", "a.2", at=1200)
    run("placed", 1260, crew="EV2", site="door")
    return Scene(Snapshot(run.now, flat(run.now, 1500)), 1500, ZERO + timedelta(seconds=1500), disk=Disk(4))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_way_home_says_it_from_where_they_are(
    width: int, height: int, on_file: Callable[[str, str], None]
) -> None:
    scene = scene_of(emergency={"supply": "0:30", "lock": "0:05"})
    text = screen(scene, width, height, "home")
    on_file(f"bad-day-way-home-{width}", text)
    said = " ".join(text.split())
    told = [
        "by plan: EV1 from boom: alone 10 min, assisted 29 min, 34 min with the lock: 4 min SHORT of 30 min",
        "by plan: EV2 from door: alone 2 min, 7 min with the lock: 23 min to spare of 30 min",
        ADVISORY,
    ]
    short = [
        "emergency supply by plan: EV1 from boom 4 min SHORT, EV2 from door 23 min to spare; all of it E"
    ]
    for words in told if height > 30 else short:
        assert words in said, words
    assert "from boom" not in screen(scene_of(sites=BARE), width, height, "home")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_page(width: int, height: int, on_file: Callable[[str, str], None]) -> None:
    text = text_of(bad_day(scene_of(emergency={"supply": "0:30", "lock": "0:05"}), width))
    on_file(f"bad-day-{width}", text)
    rows = [line[6:].split()[0] for line in text.splitlines()[2:6]]
    assert rows == ["site", "boom", "door", "truss-4"] and ADVISORY in " ".join(text.split())
    assert "EV2  door     2 min" in text


async def test_its_key_opens_it(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("E")
        assert (
            "home on a bad day, by the plan's own figures, worst first" in at.screen
            and "nothing is known" in at.screen
        )


@pytest.mark.parametrize(
    ("width", "height", "view"), [(80, 24, "optional"), (120, 36, "steps"), (80, 24, "home")]
)
def test_hardware_that_is_out_stands_beside_what_is_open(width: int, height: int, view: str) -> None:
    work = task(
        "a", step("1", "EV1", 20, site="boom", takes=["wrench"]), step("2", "EV2", 20, takes=["lamp"])
    )
    home = task("home", step("way", "EV1 EV2", 10), closeout=True)
    run = Run(work, home, sites=SITES, hardware=[{"id": "wrench"}, {"id": "lamp"}, {"id": "spare"}])
    run("put", 660, hardware="lamp", site="boom")
    run.done("a.1", "a.2", at=1200)
    made = Snapshot(run.now, flat(run.now, 1500))
    text = screen(Scene(made, 1500, ZERO + timedelta(seconds=1500), disk=Disk(4)), width, height, view)
    assert "OUT wrench with EV1 since 0:00" in text and "OUT lamp at boom since 0:11" in text
    assert "spare with" not in text and "lamp at boom since 0:11, and nobody brings it" in text


async def test_a_recall_that_is_taken_back_leaves_the_way_home(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "c", "c")
        assert at.desk.view_name == "home"
        for key, view in (("E", "bad-day"), ("escape", "home"), ("v", "steps"), ("escape", "home")):
            await at.press(key)
            assert at.desk.view_name == view
        await at.press("v")
        assert at.desk.view_name == "steps" and "v: way home" in at.whole
        await at.press("u")
        assert at.desk.view_name == "steps"


def test_the_steps_of_the_way_home_stand_before_what_is_open_and_that_before_the_rest() -> None:
    homeward = [step(str(n), "EV1 EV2", 10) for n in range(5)]
    out = [{"id": f"wrench-{n}"} for n in range(8)]
    work = task(
        "a", step("1", "EV1", 20, site="boom", takes=[one["id"] for one in out], opens=["cover"]),
        step("2", "EV2", 90, closes=["cover"]),
    )  # fmt: skip
    more: dict[str, Any] = {"hardware": out, "emergency": {"supply": "0:30", "lock": "0:05"}}
    run = Run(work, task("home", *homeward, closeout=True), sites=SITES, **more)
    run.done("a.1", at=1200)
    run("called", 1260, crew=["EV1", "EV2"], call="home")
    scene = Scene(Snapshot(run.now, flat(run.now, 1500)), 1500, ZERO + timedelta(seconds=1500), disk=Disk(4))
    for height in (7, 8, 10):
        rows = text_of(way_home(scene, 100, height)).splitlines()[3:]
        assert rows[0].startswith(" now ") and any(" more step" in row for row in rows), rows
        words = " ".join(rows)
        assert words.index("OPEN cover") > words.index(" more step"), "as soon as one row is left"

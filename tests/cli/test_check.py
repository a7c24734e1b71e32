# ruff: noqa: E501
"""`tracker check`: what it prints, what it returns, and what it does with faults."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tracker.cli.main import main
from tracker.foundation.text import ADVISORY

PLANS = Path(__file__).parents[2] / "plans"
LARKSPUR = str(PLANS / "larkspur.yaml")

SMALL = """\
format: 1
excursion: Swap a lamp
limits: {elapsed: 1:30, boat: {at: 1:10, crew: [EV2]}}
crew: [{id: EV1, name: "Lead \\e[31m"}, {id: EV2}]
consumables: [{id: oxygen, unit: kg, start: 0.4, reserve: 0.1, model: oxygen}]
tasks:
  - {id: lamp, steps: [{do: Draw it, crew: [EV1], time: 0:10}, {do: "Set it [bold]", crew: [EV1, EV2], time: 0:15}]}
  - {id: polish, priority: get-ahead, steps: [{crew: [EV1], time: 0:10}]}
  - {id: home, closeout: true, steps: [{do: Go in, crew: [EV1, EV2], time: 0:10}]}
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    path = tmp_path / "small.yaml"
    path.write_text(SMALL)
    return path


@pytest.mark.parametrize("name", ["larkspur", "plateau", "outfall"])
def test_plans_of_our_own_are_without_fault_or_warning(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(PLANS / f"{name}.yaml")]) == 0
    out = capsys.readouterr()
    assert out.err == ""
    assert "warning:" not in out.out
    assert out.out.rstrip().endswith(ADVISORY)


@pytest.mark.parametrize("name", ["larkspur", "plateau", "outfall"])
def test_must_work_of_our_own_plans_reaches_the_confidence(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(PLANS / f"{name}.yaml"), "--json"]) == 0
    chance = json.loads(capsys.readouterr().out)["chance"]
    assert chance["must"]["holds"] and not chance["everything"]["holds"]
    assert chance["must"]["safe"] >= 0.9


def test_lines_are_plain_and_narrow(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (LARKSPUR, str(small)):
        assert main(["check", path]) == 0
        for line in capsys.readouterr().out.splitlines():
            assert len(line) <= 100 or path in line, line
            assert line == "" or line.isprintable()


def test_what_is_printed(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(small)]) == 0
    out = capsys.readouterr().out
    for part in (
        "Swap a lamp\n",
        ": 3 tasks, 4 steps\n",
        "EV1 Lead ?[31m, inside at 0:45\n",
        "*     0:00     0:10     0:10  lamp.1    Draw it\n",
        "             0:10  waiting for EV1\n",
        "*     0:10     0:25     0:15  lamp.2    with EV2: Set it [bold]\n",
        "*     0:25     0:35     0:10  polish.1  get-ahead: polish\n",
        "critical path (*): lamp.1, lamp.2, polish.1, home.1\n",
        "  elapsed                      1:30   0:45, 45 min to spare       0:35, 55 min to spare\n",
        "  boat                         1:10   0:45, 25 min to spare       0:35, 35 min to spare\n",
        "the built-in belief about a crew of whom",
        "  must work alone ",
        "  everything ",
    ):
        assert part in out, part


def test_json_says_the_same(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(small), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) == {
        "format", "excursion", "file", "zero", "zero_planned", "inside", "without_optional", "crew", "steps",
        "critical", "limits", "consumables", "clocks", "windows", "chance", "bad_day", "warnings", "advisory",
    }  # fmt: skip
    assert (found["inside"], found["without_optional"]) == (2700.0, {"inside": 2100.0})
    assert found["limits"][1] == {
        "id": "boat", "at": 4200, "crew": ["EV2"], "inside": 2700.0, "margin": 1500.0,
        "without_optional": {"inside": 2100.0, "margin": 2100.0},
    }  # fmt: skip
    assert found["steps"][1]["wait"] == {"seconds": 600.0, "cause": "crew EV1"}
    assert found["advisory"] == ADVISORY


def test_the_same_every_time(capsys: pytest.CaptureFixture[str]) -> None:
    outs = []
    for _ in range(2):
        assert main(["check", LARKSPUR, "--json"]) == 0
        outs.append(capsys.readouterr().out)
    assert outs[0] == outs[1]


def test_a_comment_moves_no_chance(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nor does the file's name: what is drawn depends on what is in the plan alone."""
    found = []
    for text in (SMALL, f"# looked over\n{SMALL}", SMALL.replace("excursion:", "excursion:  ")):
        small.write_text(text)
        assert main(["check", str(small), "--json"]) == 0
        found.append(json.loads(capsys.readouterr().out)["chance"])
    assert found[0] == found[1] == found[2]


def test_a_pace_file_changes_the_chance_and_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    pace = str(PLANS / "rehearsed-crew.pace.yaml")
    assert main(["check", LARKSPUR, "--pace", pace, "--json"]) == 0
    with_pace = json.loads(capsys.readouterr().out)["chance"]
    assert main(["check", LARKSPUR, "--json"]) == 0
    without = json.loads(capsys.readouterr().out)["chance"]
    assert with_pace["everything"]["safe"] > without["everything"]["safe"]
    assert "rehearsed-crew" in with_pace["prior"] and "pace 1.02" in with_pace["prior"]


def test_warnings_go_to_standard_output_and_the_status_is_0(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small.write_text(SMALL.replace("elapsed: 1:30", "elapsed: 0:30"))
    assert main(["check", str(small)]) == 0
    out = capsys.readouterr()
    assert out.err == ""
    flat = " ".join(out.out.split())
    assert (
        f"warning: {small}:3:19: limits.elapsed: must work alone ends at 0:35 on paper, 5 min SHORT" in flat
    )
    assert "must work alone keeps every limit with a chance of " in flat
    assert "% that the plan asks" in flat and "advice will leave" not in flat


def test_everything_below_the_confidence_and_ways_home_without_a_time_are_said(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The demo's must work holds and everything does not; then its sites lie at the door."""
    demo = Path(__file__).resolve().parents[2] / "plans/larkspur.yaml"
    assert main(["check", str(demo)]) == 0
    assert "everything is below the 90 % that the plan asks: advice will leave optional work out" in " ".join(
        capsys.readouterr().out.split()
    )
    small.write_text(
        demo.read_text().replace("home: 0:09,", "home: 0:00,").replace("time: home", "time: 0:12")
    )
    assert main(["check", str(small), "--json"]) == 0
    (warning,) = json.loads(capsys.readouterr().out)["warnings"]
    assert (warning["line"], warning["path"]) == (31, "sites.boom-root.home")
    assert warning["what"].startswith("the way home from here takes no time")


def test_must_work_below_the_confidence_is_warned_about_at_the_confidence(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small.write_text(SMALL.replace("elapsed: 1:30, boat: {at: 1:10, crew: [EV2]}", "elapsed: 0:36"))
    assert main(["check", str(small), "--json"]) == 0
    (warning,) = json.loads(capsys.readouterr().out)["warnings"]
    assert (warning["line"], warning["column"], warning["path"]) == (3, 19, "limits.elapsed")
    small.write_text(SMALL.replace("1:30, boat: {at: 1:10, crew: [EV2]}}", "0:36}\nconfidence: 0.95"))
    assert main(["check", str(small), "--json"]) == 0
    (warning,) = json.loads(capsys.readouterr().out)["warnings"]
    assert (warning["line"], warning["path"]) == (4, "confidence")
    assert warning["what"].endswith("below the 95 % that the plan asks")


def test_faults_go_to_standard_error_one_a_line_and_the_status_is_1(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small.write_text(SMALL.replace("time: 0:15", "time: 15").replace("elapsed: 1:30", "elapsed: soon"))
    assert main(["check", str(small)]) == 1
    out = capsys.readouterr()
    assert out.out == ""
    assert out.err.splitlines() == [
        f"{small}:3:19: limits.elapsed: 'soon' is not a time; write H:MM or H:MM:SS",
        f"{small}:7:110: tasks[0].steps[1].time: '15' is not a time; write H:MM or H:MM:SS, 0:15 or 0:00:15",
    ]


def test_a_plan_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "nowhere.yaml"]) == 1
    assert capsys.readouterr().err == (
        "nowhere.yaml: cannot be read: No such file or directory; give the path of a plan file\n"
    )


def test_a_plan_shut_out_on_paper_has_nulls_and_no_traceback(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SMALL.replace("tasks:", "windows: [{id: w, open: [[0:00, 0:20]]}]\ntasks:").replace(
        "crew: [EV1, EV2], time: 0:10}]", "crew: [EV1, EV2], time: 0:10, window: [w]}]"
    )
    small.write_text(
        text.replace("time: 0:10}, {do", "time: 0:01}, {do").replace(
            "EV1, EV2], time: 0:15", "EV1, EV2], time: 0:10"
        )
    )
    for flags in ([], ["--json"]):
        assert main(["check", str(small), *flags]) == 0
        out = capsys.readouterr().out
        assert "NaN" not in out and "Infinity" not in out
    assert json.loads(out)["inside"] is None

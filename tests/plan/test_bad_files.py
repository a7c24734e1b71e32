# ruff: noqa: E501
"""Files that are no plans: unreadable, empty, huge, binary, malicious. One clear line, soon."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from tracker.foundation.errors import PlanError
from tracker.plan.read import parse_plan, read_plan
from tracker.plan.yaml_tree import DEEPEST, MOST_NODES, read_tree


def first(text: str) -> str:
    with pytest.raises(PlanError) as error:
        parse_plan(text, file="p.yaml", name="p")
    return error.value.lines[0]


def only(text: str) -> str:
    with pytest.raises(PlanError) as error:
        parse_plan(text, file="p.yaml", name="p")
    assert len(error.value.lines) == 1, error.value.lines
    return error.value.lines[0]


def of_bytes(tmp_path: Path, raw: bytes) -> str:
    path = tmp_path / "p.yaml"
    path.write_bytes(raw)
    with pytest.raises(PlanError) as error:
        read_plan(path)
    assert len(error.value.lines) == 1, error.value.lines
    return error.value.lines[0].removeprefix(str(path))


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "p.yaml:1:1: is empty; write a plan: format, excursion, limits, crew, tasks"),
        ("# nothing here\n\n", "p.yaml:1:1: is empty; write a plan: format, excursion, limits, crew, tasks"),
        ("- a\n- b\n", "p.yaml:1:1: is not a plan; write KEY: VALUE lines"),
        ("just words\n", "p.yaml:1:1: is not a plan; write KEY: VALUE lines"),
        ("format: 1\n---\nformat: 1\n", "p.yaml:2:1: a second document starts here; one file holds one plan"),
        ("format: [1, 2", "p.yaml:1:9: is not YAML: a list in brackets is not closed; write [a, b, c]"),
        ("format: {a: 1", "p.yaml:1:9: is not YAML: a mapping in braces is not closed; write {key: value, key: value}"),
        ("a: 'x\n", "p.yaml:1:4: is not YAML: a quote is opened and never closed; close it"),
        ("a:\n\tb: 1\n", "p.yaml:2:1: is not YAML: a tab stands where the line is indented; indent with spaces"),
        ("a:\n  b: 1\n c: 2\n", "p.yaml:3:2: is not YAML: the indentation does not fit the lines above; align it with its neighbours"),
        ("a: @b\n", "p.yaml:1:4: is not YAML: a character here starts no value; put the text in quotes"),
        ("a: \x07\n", "p.yaml:1:4: holds the character U+0007, which no text file has; save it as plain text in UTF-8"),
    ],
)  # fmt: skip
def test_no_plan(text: str, line: str) -> None:
    assert only(text) == line


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a: &x [*x]\n", "p.yaml:1:8: `*x` names no anchor before it; write the value out"),
        ("a: !!python/object/apply:os.system ['true']\n", "p.yaml:1:4: has the tag tag:yaml.org,2002:python/object/apply:os.system; leave the tag out: plans hold only text, numbers, lists and mappings"),
        ("a: !secret x\n", "p.yaml:1:4: has the tag !secret; leave the tag out: plans hold only text, numbers, lists and mappings"),
        ("a: &x {b: 1}\nc:\n  <<: *x\n", "p.yaml:3:3: `<<` is not part of YAML 1.2; write the keys out"),
        ("format: 1\nformat: 1\n", "p.yaml:2:1: the key 'format' is here a second time (first in line 1); keep one of them"),
        ("? [a]\n: 1\n", "p.yaml:1:3: a list or mapping stands where a key should; write one word and a colon"),
    ],
)  # fmt: skip
def test_what_yaml_can_do_and_a_plan_may_not(text: str, line: str) -> None:
    with pytest.raises(PlanError) as error:
        parse_plan(text, file="p.yaml", name="p")
    assert line in error.value.lines


def test_alias_bomb_is_refused_by_its_size() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 10)}]" for i in range(1, 30)]
    assert "holds more than 20,000 entries" in only("\n".join(lines))


def test_a_plain_alias_is_read_as_what_it_stands_for(plan_text: str) -> None:
    text = plan_text.replace(
        "crew: [EV1, EV2], time: 0:10, opens", "crew: &both [EV1, EV2], time: 0:10, opens"
    )
    text = text.replace("crew: [EV1, EV2], time: home", "crew: *both, time: home")
    assert parse_plan(text, file="p.yaml", name="p").step["home.way"].crew == ("EV1", "EV2")


@pytest.mark.parametrize("opening", ["[", "{a: ", "[a, ", "- ", "? ["])
def test_deep_nesting_is_refused(opening: str) -> None:
    assert f"nested more than {DEEPEST} levels" in only(opening * 50_000)


def test_too_many_entries_are_refused_and_fewer_are_not() -> None:
    assert "more than 20,000 entries" in only("a: [" + "x, " * MOST_NODES + "x]")
    assert "is missing" in first("a: [" + "x, " * (MOST_NODES - 10) + "x]")


@pytest.mark.parametrize(
    "text",
    ["# " + "x" * 11_000_000, "a: " + "word " * 2_500_000, "a: " + "x" * 9_000_000, "\n" * 9_000_000],
    ids=["comment", "words", "one word", "empty lines"],
)
def test_huge_texts_are_refused_before_they_are_read(text: str) -> None:
    line = only(text)
    assert line.startswith("p.yaml: ")
    assert "a plan of 20,000 entries needs far less" in line


def test_a_long_comment_is_no_fault(plan_text: str) -> None:
    parse_plan(plan_text + "# remark\n" * 100_000, file="p.yaml", name="p")


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    assert of_bytes(tmp_path, b"\x00\x01\x02" * 100).startswith(":1:1: holds the character U+0000")
    assert of_bytes(tmp_path, b"format: 1\nexcursion: K\xfche\n") == (
        ":2:13: the byte 0xFC is not UTF-8; save the plan as text in UTF-8"
    )
    assert of_bytes(tmp_path, "format: 1".encode("utf-16")) == ": is UTF-16; save it as UTF-8"
    assert of_bytes(tmp_path, b"") == ":1:1: is empty; write a plan: format, excursion, limits, crew, tasks"
    assert of_bytes(tmp_path, b"\x1f\x8b\x08\x00\xff\xfe").count("\n") == 0
    assert "is larger than 10 MB" in of_bytes(tmp_path, b"x" * 10_000_001)


def test_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "walk.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + plan_text.replace("\n", "\r\n").encode())
    plan = read_plan(path)
    assert (plan.excursion, plan.name, len(plan.step)) == ("Test walk", "walk", 6)


def test_paths_that_cannot_be_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path, what in [
        (tmp_path / "none.yaml", "cannot be read: No such file or directory"),
        (tmp_path, "cannot be read: Is a directory"),
        (tmp_path / "pipe", "is not a file"),
        (Path("/dev/zero"), "is not a file"),
        (Path("a\0b"), "cannot be read: embedded null byte"),
    ]:
        with pytest.raises(PlanError) as error:
            read_plan(path)
        assert len(error.value.lines) == 1
        assert what in error.value.lines[0]
        assert "\0" not in error.value.lines[0]


def test_json_is_read_as_the_same_plan() -> None:
    text = json.dumps(
        {
            "format": 1,
            "excursion": "Lamp \u2028 \u202e swap",
            "limits": {"elapsed": "1:30"},
            "crew": [{"id": "EV1"}],
            "tasks": [
                {"id": "lamp", "steps": [{"do": "Set it", "crew": ["EV1"], "time": "0:10:30", "count": 2}]}
            ],
        }
    )
    for indent in (text, json.dumps(json.loads(text), indent=2)):
        plan = parse_plan(indent, file="p.json", name="p")
        assert plan.step["lamp.1"].time.likely == 630
        assert plan.step["lamp.1"].count == 2


@pytest.mark.parametrize("written", ["\U0001f680", "\\ud83d\\ude80"])
def test_characters_beyond_sixteen_bits_as_json_writes_them(written: str) -> None:
    plan = (
        '{"format": 1, "excursion": "Up WHAT", "limits": {"elapsed": "1:00"}, "crew": [{"id": "EV1"}], '
        '"tasks": [{"id": "go", "steps": [{"do": "Go", "crew": ["EV1"], "time": "0:10"}]}]}'
    )
    read = parse_plan(plan.replace("WHAT", written), file="p.json", name="p")
    assert read.excursion == "Up \U0001f680"
    assert only(plan.replace("WHAT", "\\ud83d")) == (
        "p.yaml:1:28: holds half a character (a lone surrogate); write the whole character"
    )


def test_a_json_number_as_a_time_offers_both_readings() -> None:
    text = '{"format": 1, "excursion": "x", "limits": {"elapsed": "1:30"}, "crew": [{"id": "A"}], "tasks": [{"id": "t", "steps": [{"crew": ["A"], "time": 12}]}]}'
    assert only(text) == (
        f"p.yaml:1:{text.index('12}') + 1}: tasks[0].steps[0].time: '12' is not a time; "
        "write H:MM or H:MM:SS, 0:12 or 0:00:12"
    )


def test_text_of_a_plan_never_reaches_the_terminal_as_a_control(plan_text: str) -> None:
    text = plan_text.replace("id: EV2, name", 'id: "\\e[31mEV2\\r\\n", name')
    with pytest.raises(PlanError) as error:
        parse_plan(text, file="p\x1b[0m.yaml", name="p")
    for line in error.value.lines:
        assert line.isprintable()


def test_every_value_knows_its_place() -> None:
    tree = read_tree("a: 1\nb:\n  - x: [2, {y: 3}]\n", "f")
    node = tree.find(("b", 0, "x", 1, "y"))
    assert (node.line, node.column, node.path, node.text) == (3, 16, "b[0].x[1].y", "3")
    assert tree.find(("b", 0, "x", 0)).path == "b[0].x"
    assert tree.find(("b", 7, "z")).path == "b"


def test_a_thousand_faults_are_found_soon_and_each_once(plan_text: str) -> None:
    tasks = "".join(
        f"  - {{id: t{i}, steps: [{{crew: [EV1], time: 0:01, needs: [tt{i}]}}]}}\n" for i in range(1000)
    )
    with pytest.raises(PlanError) as error:
        parse_plan(plan_text.replace("  - id: home\n", f"{tasks}  - id: home\n"), file="p.yaml", name="p")
    assert len(error.value.lines) == 1000
    assert "there is no task or step 'tt7'; did you mean t" in error.value.lines[7]

"""The plan for the hand: every step of everybody, nothing cut, text as text."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tracker.cli.main import main
from tracker.foundation.text import ADVISORY
from tracker.plan.handout import html_page, lines_of, text_page
from tracker.plan.model import Plan
from tracker.plan.paper import on_paper
from tracker.plan.read import parse_plan, read_plan

TOP = Path(__file__).parents[2]
NAMES = ("larkspur", "plateau", "outfall")


@pytest.fixture(params=NAMES)
def plan(request: pytest.FixtureRequest) -> Plan:
    return read_plan(TOP / f"plans/{request.param}.yaml")


def test_every_step_of_everybody_stands_there_whole(plan: Plan) -> None:
    paper = on_paper(plan)
    lines = list(text_page(paper))
    assert max(map(len, lines)) <= 80
    whole = re.sub(r"\s+", " ", " ".join(lines))
    for member in plan.crew:
        rows = lines_of(paper, member.id)
        assert [row.step for row in rows] == list(paper.everything.order[member.id])
    for step in plan.step.values():
        assert whole.count(f" actual ____:____ {step.id} ") == len(step.crew)
        assert re.sub(r"\s+", " ", step.do) in whole
        if step.hold_point:
            assert f"GO: {step.hold_point}" in whole
    assert "..." not in whole and whole.endswith(ADVISORY)
    for step in plan.step.values():
        for item in step.opens:
            assert f"[ ] {item}: opened by {step.id}, closed by " in whole


class _Tags(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in ("meta",):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_is_whole_and_asks_for_nothing(plan: Plan) -> None:
    text = "".join(html_page(on_paper(plan)))
    tags = _Tags(text)
    assert tags.open == []
    assert not {tag for tag, _ in tags.seen} & {"script", "link", "img", "iframe"} and "http" not in text
    boxes = [tag for tag, attributes in tags.seen if attributes.get("class") == "box"]
    assert len(boxes) == sum(len(step.crew) for step in plan.step.values())
    shaded = [attributes for _, attributes in tags.seen if attributes.get("class") == "w open"]
    assert bool(shaded) == bool(plan.windows)
    both = re.findall(r"rates</td><td>(\d+):(\d\d)</td><td>(\d\d):(\d\d)Z</td>", text)
    zeros = {(60 * int(c) + int(d) - 60 * int(a) - int(b)) % 1440 for a, b, c, d in both}
    assert len(both) == text.count(", by the planned rates") and len(zeros) == 1, "both clocks agree"
    assert "<td>\N{BALLOT BOX}</td>" in text, "what is to be closed has a box"
    assert text.count(ADVISORY) == 2 and "@page { size: A4" in text


HOSTILE = """\
format: 1
excursion: "<script>alert(1)</script> & \\u202e"
limits: {elapsed: 1:00}
crew: [{id: EV1, name: "<b>Ann</b>"}]
tasks:
  - id: a
    steps:
      - {do: "x<img src=y>\\e[31m", crew: [EV1], time: 0:10, hold_point: "<i>", opens: [hatch]}
      - {do: "%s", crew: [EV1], time: 0:10, closes: [hatch]}
"""


def test_text_of_a_plan_stays_text() -> None:
    paper = on_paper(parse_plan(HOSTILE % ("long " * 90).strip(), file="p", name="p"))
    text = "".join(html_page(paper))
    tags = _Tags(text)
    assert not {tag for tag, _ in tags.seen} & {"script", "img", "b", "i"}
    assert "x<img src=y>?[31m" in "".join(tags.words) and "\x1b" not in text and "\u202e" not in text
    lines = list(text_page(paper))
    assert max(map(len, lines)) <= 80 and " ".join(lines).count("long") == 90


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo, out = str(TOP / "plans/larkspur.yaml"), tmp_path / "hand.html"
    assert main(["check", demo, "--html", str(out), "--print"]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("Larkspur drive-controller swap\nzero: Both suits on battery power")
    assert "[ ]    0:05  14:05Z     0:04  actual ____:____  egress.out-1\n" in printed
    assert out.read_text().startswith("<!doctype html>")
    assert main(["check", demo, "--html", demo]) == 1
    assert "is a plan, which an export may not replace" in capsys.readouterr().err

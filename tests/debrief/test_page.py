"""Markdown, the page and its figures: hostile text stays text, and nothing asks for the network."""

from __future__ import annotations

import itertools
import math
import re
from functools import cache
from html.parser import HTMLParser

import pytest

from tests.debrief.made import HOSTILE, excursion, row
from tracker.debrief import figures, pages, tables
from tracker.debrief.pages import markdown, page, safe, summary
from tracker.foundation.text import ADVISORY

TAGS = {
    "html", "head", "meta", "title", "style", "body", "h1", "h2", "h3", "p", "div", "table", "thead", "tbody",
    "tr", "th", "td", "section", "figure", "svg", "g", "path", "defs", "use", "text", "tspan", "clippath",
    "rect",
}  # fmt: skip


class _Reader(HTMLParser):
    """Collects tags, ids, references and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.scripts: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("href", "src", "xlink:href", "action"):
                self.links.append(value or "")
            if name.startswith("on"):
                self.scripts.append(name)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@cache
def _page(text: str = "fine") -> str:
    return "".join(page([excursion(text)]))


def _read(text: str) -> _Reader:
    reader = _Reader()
    reader.feed(_page(text))
    reader.close()
    return reader


@pytest.mark.parametrize(
    "text", ["fine", *(" ".join(HOSTILE[a:b]) for a, b in ((0, 11), (11, 14), (14, 16), (16, 18)))]
)
def test_page_shows_text_as_text(text: str) -> None:
    found = _read(text)
    assert found.tags <= TAGS
    assert not found.scripts
    assert not [link for link in found.links if not link.startswith("#")]
    assert ADVISORY in found.words


def test_page_needs_no_network_and_runs_nothing() -> None:
    text = _page()
    assert "default-src 'none'" in text
    assert not re.search(r"url\((?!#)|@import|<script|<link|<iframe", text)


def test_ids_are_used_once() -> None:
    reader = _Reader()
    reader.feed("".join(page([excursion(), excursion(journal="two.sqlite")])))
    assert len(reader.ids) == len(set(reader.ids))
    assert all(link[1:] in reader.ids for link in reader.links)


def test_every_figure_is_there_and_says_what_it_shows() -> None:
    text = _page()
    assert re.findall(r'<svg role="img" aria-label="([^"]+)"', text) == [
        "Where the time went from planned to actual ingress",
        "By how much each task slipped",
        "Planned and done work through the excursion",
        "Pace by kind of work",
        "Consumables used against planned",
        "What was left of each store through the excursion",
        "Projected ingress through the excursion and the actual one",
        "Planned and actual work time of each step",
    ]


def test_figures_of_a_season_say_where_there_is_too_little_to_say(monkeypatch: pytest.MonkeyPatch) -> None:
    # Those of each excursion stand below them and are drawn elsewhere.
    monkeypatch.setattr(pages, "MOST_IN_FULL", 1)
    labels = [
        "Pace through the season",
        "How much later than planned everybody was inside",
        "Steps of each kind of work",
        "Whether forecasts were right",
    ]
    few = "".join(page([excursion(uuid=f"{i}") for i in range(2)]))
    many = "".join(page([excursion(uuid=f"{i}", journal=f"{i}.sqlite") for i in range(9)]))
    for text in (few, many):
        assert [label for label in re.findall(r'aria-label="([^"]+)"', text) if label in labels] == labels
    drawn = ["".join(re.findall(r"<svg.*?</svg>", text, re.DOTALL)) for text in (few, many)]
    assert drawn[0].count("too few to say") == 4
    # Nine excursions with two steps and three forecasts each: a trend, one box, two bins.
    assert "too few to say" not in drawn[1]


def test_a_figure_of_pace_has_no_trend_below_eight_excursions() -> None:
    drawn = [figures.season_trend([excursion(uuid=f"{i}") for i in range(n)]) for n in (7, 8)]
    assert ["trend: too few to say" in text for text in drawn] == [True, False]


def test_ahead_and_behind_are_told_at_the_quarters() -> None:
    """Two steps of ten minutes for one and two people; the first is done at 13:00, the second later."""
    drawn = figures.work_done(excursion())
    assert len(re.findall(r"\d+ min (?:ahead|behind)", drawn)) == 4


def test_many_steps_are_drawn_in_figures_that_fit_a_printed_page() -> None:
    one = excursion(
        steps=tuple(row(step=f"mount.{i}", actual_duration=60.0 * (i % 9 + 1)) for i in range(100))
    )
    drawn = figures.steps(one)
    assert len(drawn) == 3
    assert sum(text.count("mount.") for text in drawn) == 100
    # All to one scale, each with an axis of its own.
    assert all("work time, minutes" in text for text in drawn)
    assert len({re.findall(r">(\d+)<", text)[-1] for text in drawn}) == 1
    page_of_all = "".join(page([one]))
    assert 'aria-label="Planned and actual work time of each step, part 3"' in page_of_all
    assert page_of_all.count("<thead>") >= 5


@pytest.mark.parametrize(("low", "high"), [(0.5, 2.0), (0.2, 6.0), (0.95, 1.3), (0.01, 40.0)])
def test_marks_of_a_ratio_stand_apart(low: float, high: float) -> None:
    marks = figures._ratio_marks(low, high)
    assert 1.0 in marks
    steps = [math.log(b / a) / math.log(high / low) for a, b in itertools.pairwise(marks)]
    assert min(steps) >= 0.05 and all(low <= mark <= high for mark in marks)


def test_long_text_breaks_and_long_remarks_are_cut_beside_a_step() -> None:
    one = excursion(steps=(row(said="N" * 9000),))
    shown = tables.steps(one).rows[0][-1]
    assert shown.endswith("...") and len(shown) < 400
    assert f'<td class="t">{"N" * 60}</td>' in "".join(page([excursion("N" * 60)]))


def test_same_debrief_gives_the_same_page() -> None:
    assert "".join(page([excursion()])) == _page()


def test_many_excursions_have_a_row_each() -> None:
    every = [excursion(journal=f"{i}.sqlite") for i in range(25)]
    text = "".join(page(every))
    assert all(f"<td>{i}.sqlite</td>" in text for i in range(25))
    assert "Steps</h3>" not in text


@pytest.mark.parametrize("text", HOSTILE)
def test_markdown_shows_text_as_text(text: str) -> None:
    written = "".join(markdown([excursion(text)]))
    assert ADVISORY in written
    assert "<" not in written
    assert "://" not in written
    assert "\x1b" not in written
    tables = [block for block in written.split("\n\n") if block.startswith("| ")]
    for table in tables:
        widths = {len(re.split(r"(?<!\\)\|", line)) for line in table.splitlines() if line}
        assert len(widths) == 1


def test_markdown_escapes_what_means_something() -> None:
    assert safe("a*b|[c](d)") == r"a\*b\|\[c\]\(d\)"


@pytest.mark.parametrize("text", HOSTILE)
def test_summary_is_plain_lines(text: str) -> None:
    shown = "".join(summary([excursion(text)]))
    assert "\x1b" not in shown
    assert "\r" not in shown
    assert ADVISORY in shown


def test_summary_of_several_has_a_row_each() -> None:
    shown = "".join(summary([excursion(), excursion(journal="two.sqlite")]))
    assert "one.sqlite" in shown
    assert "two.sqlite" in shown

"""The CSV: RFC 4180, one row a step, numbers as numbers, and nothing that a spreadsheet runs."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.debrief.made import HOSTILE, excursion, row
from tracker.debrief.excursion import Excursion
from tracker.debrief.records import COLUMNS, cell, csv_chunks
from tracker.foundation.text import ADVISORY

DANGEROUS = "=+-@\t\r\uff1d\uff0b\uff0d\uff20"


def _read(*every: Excursion, delimiter: str = ",") -> list[list[str]]:
    text = "".join(csv_chunks(every))
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))


def _runs(text: str) -> bool:
    """Whether a spreadsheet would take this cell for a formula."""
    if not text.strip() or text.strip()[0] not in DANGEROUS:
        return False
    try:
        float(text)
    except ValueError:
        return True
    return False


def test_one_row_a_step_with_headings_and_crlf() -> None:
    text = "".join(csv_chunks([excursion()]))
    assert text.count("\r\n") == text.count("\n") == 3
    heading, *rows = _read(excursion())
    assert tuple(heading) == COLUMNS
    assert [len(one) for one in rows] == [len(COLUMNS)] * 2


def test_columns_of_the_journal_keep_their_names() -> None:
    from tracker.journal.store import AS_RUN

    assert set(AS_RUN) <= set(COLUMNS)


def test_times_stand_in_three_notations() -> None:
    first = dict(zip(*_read(excursion())[:2], strict=True))
    assert first["actual_finish"] == "780.5"
    assert first["actual_finish_pet"] == "0:13:00"
    assert first["actual_finish_utc"] == "2031-05-04T14:13:00.500Z"
    assert first["actual_finish_day_of_year"] == "2031-124T14:13:00.500Z"
    assert first["advisory"] == ADVISORY


def test_numbers_stay_numbers() -> None:
    second = dict(zip(_read(excursion())[0], _read(excursion())[2], strict=True))
    assert second["variance"] == "-120"
    assert float(second["ratio"]) == 0.8


def test_before_the_clock_starts_there_is_no_instant() -> None:
    first = dict(zip(*_read(excursion(zero=None))[:2], strict=True))
    assert first["actual_finish_utc"] == ""


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_runs_whatever_separates_cells(text: str, delimiter: str) -> None:
    for cells in _read(excursion(text), delimiter=delimiter):
        assert not [one for one in cells if _runs(one)]


@given(st.text(max_size=60))
def test_any_text_is_one_cell_that_does_not_run(text: str) -> None:
    cells = _read(excursion(steps=(row(do=text, seat=text),)))
    assert len(cells) == 2
    assert not [one for one in cells[1] if _runs(one)]
    assert not any(ord(char) < 32 for one in cells[1] for char in one)


def test_plain_text_is_left_alone() -> None:
    assert cell("Turn 4 bolts, 8 Nm (left-hand)") == "Turn 4 bolts, 8 Nm (left-hand)"
    assert cell(("EV1", "EV2")) == "EV1 EV2"
    assert cell(True) == "yes"
    assert cell(None) == ""

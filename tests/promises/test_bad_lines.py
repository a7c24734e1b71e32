"""Promise: a bad line is refused in one line with its number, the rest goes on, and the exit status is 1."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.journals import PLAN, ZERO
from tests.journals import journal as journal_in
from tracker.cli import record
from tracker.cli.main import main
from tracker.console.settings_file import read_settings
from tracker.foundation.errors import EventError, PlanError, TrackerError
from tracker.foundation.times import parse_instant
from tracker.journal.events import MODELS
from tracker.journal.journal import Journal
from tracker.journal.typed import parse_entry
from tracker.plan.columns import NO_WISHES
from tracker.plan.mapping import read_mapping
from tracker.plan.sheet import read_rows
from tracker.plan.sheet_table import read_table_of

AT = parse_instant("2031-05-04T14:15:00Z")
HUGE = int("9" * 310)
NAMES = ["EV1", "EV2", "IV", "*", "hinge", "latch", "home", "hinge.mate", "latch.wipe", "egress.hatch"]
NAMES += ["oxygen", "battery", "daylight", "elapsed", "EV1.oxygen", "*.battery", "home", "drop", "keep"]
TIMES = ["0:12", "9999:00", "-0:01", "2031-05-04T15:00:00Z", "9031-05-04T15:00:00Z"]
TIMES += ["0001-01-01T00:00:00+14:00"]
WICKED = ["", "\ud800", "\x1b[2J", "\u202e", "\x00", "x" * 20_000, {}, [], [[]], {"id": {}}, True, False]
NUMBERS = [None, 0, 1, -1, 2, 60, 510, HUGE, -HUGE, 10**15, 0.5, -0.0, 1e308, 5e-324, 1e45]
STEP_KEYS = ["id", "do", "crew", "time", "count", "effort", "use", "window", "within", "needs", "site"]
STEP_KEYS += ["hold_point", "opens", "closes", "work", "fixed", "whole", "cautions", "numbers"]
STEP_KEYS += ["takes", "leaves", "brings"]

scalars = st.sampled_from([*NAMES, *TIMES, *WICKED, *NUMBERS])
parts = scalars | st.lists(scalars, max_size=2) | st.dictionaries(st.sampled_from(NAMES), scalars, max_size=2)
steps = st.lists(st.dictionaries(st.sampled_from(STEP_KEYS), parts, max_size=6), max_size=2)
tasks = st.fixed_dictionaries(
    {"title": st.sampled_from(["Look again", {}, HUGE]) | scalars},
    optional={
        "id": st.sampled_from(["extra", "hinge"]) | scalars,
        "priority": st.sampled_from(["should", "get-ahead"]) | scalars,
        "value": scalars,
        "needs": parts,
        "steps": steps | scalars,
    },
)
values = parts | tasks


@st.composite
def lines(draw: st.DrawFn) -> dict[str, Any]:
    """An event of any kind, its own keys mostly there, and anything in them."""
    kind = draw(st.sampled_from(sorted(MODELS)))
    keys = [*MODELS[kind].model_fields, "at", "seat", "kin"]
    picked = draw(st.lists(st.sampled_from(keys), unique=True, max_size=5))
    return {"kind": kind, **{key: draw(values) for key in picked}}


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journal]:
    """A journal a little way into its excursion."""
    with closing(journal_in(tmp_path_factory.mktemp("lines"))) as made:
        made.record(ZERO)
        made.record({"kind": "done", "step": "egress.hatch", "at": 300})
        yield made


@pytest.mark.parametrize("row", ["²", "9" * 5000, "0", "5001"], ids=["²", "digits", "0", "5001"])
def test_a_row_of_a_mapping_that_is_no_number_is_refused_in_words(row: str) -> None:
    with pytest.raises(PlanError, match="is no row; write a whole number from 1"):
        read_mapping(f'header_row: "{row}"\n', "m.yaml")


@given(event=lines())
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_event_is_recorded_or_refused_in_words(journal: Journal, event: dict[str, Any]) -> None:
    before = journal.number
    try:
        number = journal.record(event)
    except EventError as error:
        assert journal.number == before
        assert all("\n" not in line and "Traceback" not in line for line in error.lines)
        json.dumps(error.lines, ensure_ascii=False).encode()
    else:
        assert number == before + 1
        journal.record({"kind": "withdrawn", "event": number})


BAD = [
    b'{"kind":"dropped","task":{}}',
    b'{"kind":"dropped","task":[]}',
    b'{"kind":"chose","task":{},"choice":"drop"}',
    b'{"kind":"chose","task":[],"choice":{}}',
    b'{"kind":[],"task":"latch"}',
    b'{"kind":{},"task":"latch"}',
    f'{{"kind":"counted","step":"hinge.release","count":{HUGE},"at":900}}'.encode(),
    f'{{"kind":"reading","crew":"EV1","consumable":"oxygen","value":{HUGE},"at":900}}'.encode(),
    f'{{"kind":"held","until":{HUGE},"at":900}}'.encode(),
    f'{{"kind":"noted","text":"x","at":{HUGE}}}'.encode(),
    f'{{"kind":"retimed","step":"hinge.mate","time":{HUGE},"at":900}}'.encode(),
    b'{"kind":"noted","text":"x","at":' + b"9" * 5000 + b"}",
    b'{"kind":"noted","text":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    b'{"kind":"added","task":' + b'{"a":' * 500 + b"1" + b"}" * 500 + b',"at":9}',
    b'{"kind":"noted","text":"\\ud800","at":900}',
    b'{"kind":"noted","text":"x","seat":"\\udc00","at":900}',
    b'{"kind":"added","task":{"title":"\\ud800","steps":[{"do":"x","crew":["EV1"],"time":"0:01"}]},"at":900}',
    b'{"kind":"chose","task":"latch","choice":"keep","figures":{"a":"\\ud800"},"at":900}',
    b'{"kind":"reading","crew":"EV1","consumable":"oxygen","value":NaN,"at":900}',
    b'{"kind":"reading","crew":"EV1","consumable":"oxygen","value":1e999,"at":900}',
    b'{"kind":"noted","text":"x","at":1e999}',
    b'{"kind":"noted","text":"x","\\ud800":1}',
    b'{"kind":"added","task":{"title":3,"priority":"q","steps":[{"do":4,"crew":"ZZ","time":"x"}]},"at":900}',
    b"\xff\xfe",
    b"nonsense",
]


@pytest.mark.parametrize("bad", BAD, ids=[bad[:34].decode("latin-1") for bad in BAD])
def test_a_bad_line_is_told_by_its_number_and_the_rest_goes_on(
    bad: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    stream = b"\n".join([json.dumps(ZERO).encode(), bad, b'{"kind":"noted","text":"goes on","at":900}', b""])
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(stream)))
    with closing(journal_in(tmp_path)) as journal:
        assert record._stream(journal) == 1
    said = capsys.readouterr()
    assert said.out == "1\n2\n"
    assert said.err.startswith("line 2: ")
    assert said.err.count("\n") == 1
    said.err.encode()


DIGITS = ["9", "1 9", "-9", "9:00", "1 9 of 4", "t 1 9", "t 1 of 9", "limit elapsed 9", "9Z", "= 9 x", "+ 9"]


@pytest.mark.parametrize("text", [*DIGITS, "- 9 9"])
def test_thousands_of_digits_are_refused_wherever_they_are_typed(text: str, journal: Journal) -> None:
    with pytest.raises(EventError):
        parse_entry(text.replace("9", "9" * 5000), journal.progress(), now=900.0, utc_now=AT, seat="op")


def test_thousands_of_digits_in_settings_are_a_fault_of_theirs() -> None:
    with pytest.raises(
        TrackerError,
        match="s: is not TOML: a number is too long, or too much nested; write lines such as theme",
    ):
        read_settings(f"bell = {'9' * 5000}", "s")


@pytest.mark.parametrize("other", ["0:05", "5", "5 min"])
def test_a_time_in_a_sheet_of_hundreds_of_digits_is_a_fault_of_its_row(other: str) -> None:
    rows = ["Task;Step;Who;Time", f"Hatch;Open it;EV1;{other}", f"Hatch;Look;EV1;{'9' * 310}"]
    with pytest.raises(PlanError, match=r"s:3:.*column D \(Time\): 9+"):
        read_rows(read_table_of("\n".join(rows).encode(), "s", NO_WISHES), "s")


@pytest.mark.parametrize("verb", ["check", "record", "estimate"])
def test_a_pace_file_without_an_end_is_no_file(
    verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "p.yaml"
    plan.write_text(PLAN)
    with closing(journal_in(tmp_path, ZERO)) as made:
        words = {
            "check": [str(plan)],
            "record": [str(tmp_path / "x.sqlite"), "--plan", str(plan), "zero"],
            "estimate": [str(made.path)],
        }
        assert main([verb, *words[verb], "--pace", "/dev/zero"]) == 1
    assert capsys.readouterr().err == "/dev/zero: is not a file; give the path of a pace file\n"

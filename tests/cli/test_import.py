"""`tracker import`: a sheet in, a plan out that `tracker check` passes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tracker.cli.main import main

SHEET = "Task;Step;Who;Duration;Remarks\r\nEgress;Open the hatch;EV1, EV2;8 min;\r\n;Watch it;IV;0:05;x\r\n"


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "walk.csv"
    path.write_bytes(b"\xef\xbb\xbf" + SHEET.encode())
    return path


def test_what_it_writes_passes_check(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = sheet.with_name("walk.yaml")
    assert main(["import", str(sheet), "--out", str(out)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "column A (Task) is read as task",
        "column B (Step) is read as do",
        "column C (Who) is read as crew",
        "column D (Duration) is read as time: 0:05 to 0:08, 0:13 in all",
        "not read: Remarks",
        "headings in row 1, below them 2 steps, 0 totals, 0 blank rows",
        "taken to be inside: IV",
        "on paper everybody is inside at 0:08",
        f"{out}: 2 steps; `tracker check {out}` looks it over",
    ]
    assert main(["check", str(out)]) == 0
    assert capsys.readouterr().err == ""
    assert "excursion: walk\n" in out.read_text()
    assert main(["import", str(sheet), "--out", "-"]) == 0
    said = capsys.readouterr()
    assert said.out == out.read_text() and said.err.count("is read as") == 4
    assert main(["new", "-", "--limit", "3:00"]) == 0 and "elapsed: 3:00" in capsys.readouterr().out


def test_name_and_limit_may_be_given(sheet: Path) -> None:
    out = sheet.with_name("walk.yaml")
    given = ["--excursion", "Walk: one", "--limit", "2:30"]
    assert main(["import", str(sheet), "--out", str(out), *given]) == 0
    assert 'excursion: "Walk: one"\nlimits: {elapsed: 2:30}\n' in out.read_text()


def test_an_existing_file_stays_as_it_is(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = sheet.with_name("walk.yaml")
    out.write_text("mine")
    assert main(["import", str(sheet), "--out", str(out)]) == 1
    assert capsys.readouterr().err == (
        f"{out}: is already there and stays as it is; give another name, or move the file away\n"
    )
    assert out.read_text() == "mine"


def test_a_faulty_sheet_writes_nothing(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = sheet.with_name("walk.yaml")
    sheet.write_text(SHEET.replace(";8 min;", ";eight;"))
    assert main(["import", str(sheet), "--out", str(out)]) == 1
    captured = capsys.readouterr()
    assert captured.err.startswith(
        f"{sheet}:2:4: row 2, column D (Duration): 'eight' is not a duration; write"
    )
    assert not out.exists()


@pytest.mark.parametrize("limit", ["390", "0:00", "-1:00", "999:00"])
def test_a_bad_limit_is_wrong_usage(sheet: Path, limit: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["import", str(sheet), "--out", str(sheet.with_name("o.yaml")), f"--limit={limit}"]) == 2
    assert "--limit" in capsys.readouterr().err


def test_where_nothing_can_be_written(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = sheet.parent / "none" / "o.yaml"
    assert main(["import", str(sheet), "--out", str(out)]) == 1
    assert f"{out}: cannot be written: No such file or directory" in capsys.readouterr().err
    assert main(["import", "none.csv", "--out", str(out)]) == 1
    assert "none.csv: cannot be read: No such file or directory" in capsys.readouterr().err


def test_how_the_file_was_read_is_said(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = "A title\r\n\r\nTask\tStep\tWho\tDuration\r\nGo\tOut\tAnn Berg\t8\r\nTotal\t\t\t8\r\n"
    sheet.write_bytes(text.encode("utf-16"))
    out = sheet.with_name("walk.yaml")
    assert main(["import", str(sheet), "--out", str(out)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "the file is read as UTF-16"
    assert "row 5 is a total: not read" in lines
    assert "Ann Berg is crew member Ann-Berg" in lines
    assert main(["check", str(out)]) == 0


def test_a_workbook_that_is_cut_off(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet.write_bytes(b"PK\x03\x04\x14\x00\x06\x00")
    assert main(["import", str(sheet), "--out", str(sheet.with_name("walk.yaml"))]) == 1
    assert capsys.readouterr().err == f"{sheet}: is damaged, or cut off; save it again as .xlsx\n"

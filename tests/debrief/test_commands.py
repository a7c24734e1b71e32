"""`tracker debrief` and `tracker learn` from the command line: what they write, and what they refuse."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest

from tests.seasons import plan
from tracker.cli.main import main
from tracker.debrief.records import COLUMNS
from tracker.forecast.pace_file import DEFAULT_PRIOR, read_pace
from tracker.foundation.text import ADVISORY
from tracker.journal.journal import Journal


def _run(*arguments: object) -> int:
    return main([str(argument) for argument in arguments])


def test_all_exports_at_once(files: list[Path], tmp_path: Path) -> None:
    out = {name: tmp_path / f"out.{name}" for name in ("csv", "json", "html", "markdown")}
    options = [word for name, path in out.items() for word in (f"--{name}", path)]
    before = files[0].read_bytes()
    assert _run("debrief", files[0], *options) == 0
    assert files[0].read_bytes() == before
    for path in out.values():
        assert ADVISORY in path.read_text(encoding="utf-8")
    with out["csv"].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 14
    assert tuple(rows[0]) == COLUMNS
    assert json.loads(out["json"].read_text())["excursions"][0]["journal"] == files[0].name


def test_several_are_pooled_with_a_row_each(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run("debrief", *files, "--json", tmp_path / "all.json") == 0
    found = json.loads((tmp_path / "all.json").read_text())
    assert [one["journal"] for one in found["excursions"]] == [path.name for path in files]
    assert found["pooled"]["excursions"] == 3
    assert sum(group["done"] for group in found["pooled"]["work"]) == 42
    assert _run("debrief", *files) == 0
    shown = capsys.readouterr().out
    assert all(path.name in shown for path in files)


def test_journals_named_alike_are_told_apart(files: list[Path], tmp_path: Path) -> None:
    for folder, journal in zip(("mon", "tue"), files, strict=False):
        (tmp_path / folder).mkdir()
        shutil.copy(journal, tmp_path / folder / "one.sqlite")
    paths = [tmp_path / "mon" / "one.sqlite", tmp_path / "tue" / "one.sqlite"]
    assert _run("debrief", *paths, files[2], "--csv", tmp_path / "all.csv") == 0
    with (tmp_path / "all.csv").open(newline="") as file:
        names = {row["journal"] for row in csv.DictReader(file)}
    assert names == {*map(str, paths), files[2].name}


def test_dash_is_standard_output(files: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert _run("debrief", files[0], "--csv", "-") == 0
    assert capsys.readouterr().out.startswith("journal,excursion,task,")


def test_export_replaces_an_older_one(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "out.csv"
    target.write_text("old")
    target.chmod(0o640)
    assert _run("debrief", files[0], "--csv", target) == 0
    assert target.read_text().startswith("journal,")
    assert capsys.readouterr().err == f"{target}: written\n{target}-metadata.json: written\n"
    assert target.stat().st_mode & 0o777 == 0o640
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def _one_line(capsys: pytest.CaptureFixture[str]) -> str:
    lines = [line for line in capsys.readouterr().err.splitlines() if not line.endswith(": written")]
    assert len(lines) == 1
    return lines[0]


def test_never_over_a_journal(files: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    before = files[1].read_bytes()
    assert _run("debrief", files[0], "--csv", files[1]) == 1
    assert "journal" in _one_line(capsys)
    assert _run("learn", files[0], "--out", files[1]) == 1
    assert files[1].read_bytes() == before


def test_two_exports_need_two_places(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run("debrief", files[0], "--csv", tmp_path / "a", "--json", tmp_path / "a") == 2
    assert "same place" in _one_line(capsys)


def test_place_that_is_not_there(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run("debrief", files[0], "--csv", tmp_path / "nowhere" / "a.csv") == 1
    assert "nowhere" in _one_line(capsys)
    assert _run("debrief", files[0], "--csv", tmp_path) == 1
    assert "folder" in _one_line(capsys)


def test_every_bad_journal_is_named(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.sqlite"
    bad.write_text("not a database")
    assert _run("debrief", files[0], bad, tmp_path / "absent.sqlite", "--csv", tmp_path / "a.csv") == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert "bad.sqlite" in lines[0]
    assert "absent.sqlite" in lines[1]
    assert not (tmp_path / "a.csv").exists()


def test_the_same_excursion_counts_once(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    twin = tmp_path / "twin.sqlite"
    shutil.copy(files[0], twin)
    assert _run("debrief", files[0], twin, "--json", tmp_path / "a.json") == 0
    assert "twin.sqlite" in _one_line(capsys)
    assert len(json.loads((tmp_path / "a.json").read_text())["excursions"]) == 1


def test_learn_leaves_rehearsals_out(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "pace.yaml"
    assert _run("learn", *files, "--out", out) == 0
    assert "excursion-2.sqlite" in _one_line(capsys)
    prior = read_pace(out.read_text(), "pace.yaml")
    assert [entry["journal"] for entry in prior.learned_from] == ["excursion-0.sqlite", "excursion-1.sqlite"]
    assert [entry["steps"] for entry in prior.learned_from] == [14, 14]
    assert prior.median != DEFAULT_PRIOR.median
    assert _run("learn", *files, "--rehearsals", "--anyway", "--out", out) == 0
    assert len(read_pace(out.read_text(), "pace.yaml").learned_from) == 3


def test_learned_pace_can_be_supposed(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "pace.yaml"
    assert _run("learn", *files[:2], "--out", out) == 0
    assert "EV1" in capsys.readouterr().out
    assert _run("estimate", files[2], "--at", "20:00", "--pace", out, "--json") == 0
    assert json.loads(capsys.readouterr().out)["pace_file"]


def test_a_learned_pace_is_written_for_people(files: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "pace.yaml"
    assert main(["learn", *map(str, files[:2]), "--out", str(out)]) == 0
    text = out.read_text()
    assert not re.search(r"\d\.\d{5}", text)
    prior = read_pace(text, str(out))
    assert 0.5 < prior.median < 2 and sum(prior.processes.values()) == pytest.approx(1)


def test_nothing_to_learn_from(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "new.sqlite"
    Journal.create(path, plan(14)).close()
    assert _run("learn", path, "--out", tmp_path / "pace.yaml") == 1
    assert "no journal to learn from" in capsys.readouterr().err
    assert not (tmp_path / "pace.yaml").exists()

"""A season: journals added once each, two histories refused, tables that any SQLite tool reads."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.seasons import Truth, events, plan
from tracker.cli.main import main
from tracker.debrief.records import json_chunks
from tracker.debrief.season import Season
from tracker.debrief.season_tables import VIEWS
from tracker.debrief.wanted import Wanted
from tracker.journal.journal import Journal
from tracker.plan.read import parse_plan

TOP = Path(__file__).resolve().parents[2]
NOW = datetime(2032, 1, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with ten journals, the last two rehearsals, one of them with words."""
    folder = tmp_path_factory.mktemp("flown")
    for seed in range(10):
        made = plan(14, seed=seed % 2)
        if seed == 3:
            rounds = "rounds: [{id: all, every: 0:30, ask: [suit, oxygen]}]"
            text = made.source.replace("tasks:", f"{rounds}\ntasks:", 1)
            made = parse_plan(text, file="season.yaml", name=made.name)
        with Journal.create(folder / f"{seed}.sqlite", made, rehearsal=seed > 7) as journal:
            journal.record_all(events(journal.plan, Truth(), seed=seed))
            if seed == 3:
                journal.record({"kind": "noted", "text": "Ölfilm on the visor", "at": 100})
                ask = {"kind": "raised", "what": "question", "text": "Whose rag?", "to": "lead", "at": 110}
                number = journal.record(ask)
                journal.record({"kind": "settled", "event": number, "text": "the spare one", "at": 130})
                answers = {"suit": "not ok: cold feet", "oxygen": 1.9}
                said = {"round": "all", "crew": "EV1", "answers": answers}
                journal.record({"kind": "checked", **said, "at": 150})
    return folder


@pytest.fixture
def journals(flown: Path, tmp_path: Path) -> list[Path]:
    """Return copies of these journals."""
    return [Path(shutil.copy(path, tmp_path)) for path in sorted(flown.iterdir())]


@pytest.fixture(scope="module")
def filled(flown: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a season with all of them, which no test changes."""
    path = tmp_path_factory.mktemp("filled") / "season.db"
    with Season.open(path, create=True) as found:
        assert found.add(sorted(flown.iterdir()), rehearsals=True, utc_now=NOW).added == 10
    return path


@pytest.fixture
def season(filled: Path, tmp_path: Path) -> Iterator[Season]:
    """Return a season of one's own with all of them."""
    with Season.open(Path(shutil.copy(filled, tmp_path))) as found:
        yield found


def _dump(path: Path) -> list[str]:
    database = sqlite3.connect(path)
    try:
        return list(database.iterdump())
    finally:
        database.close()


def _run(*arguments: object) -> int:
    return main([str(argument) for argument in arguments])


def test_adding_twice_changes_nothing(
    journals: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "season.db"
    assert _run("season", "add", file, *journals[8:]) == 0
    assert capsys.readouterr().out == "2 journals: nothing to add\n"
    assert not file.exists(), "nor is an empty season left"
    assert _run("season", "add", file, *journals) == 0
    out, error = capsys.readouterr()
    assert out == "10 journals: 8 added\n"
    assert error.count("a rehearsal; left out") == 2
    assert _run("season", "add", file, *journals, "--rehearsals") == 0
    assert capsys.readouterr().out == "10 journals: 8 unchanged, 2 added\n"
    before = _dump(file)
    assert _run("season", "add", file, *journals, "--rehearsals") == 0
    assert capsys.readouterr().out == "10 journals: 10 unchanged\n"
    assert _dump(file) == before
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("season")] == ["season.db"]


def test_a_journal_that_has_grown_replaces_what_was_there(
    journals: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, copy = tmp_path / "season.db", tmp_path / "before.sqlite"
    shutil.copy(journals[0], copy)
    assert _run("season", "add", file, *journals[:2]) == 0
    with Journal.open(journals[0]) as journal:
        last = journal.number
        for i in range(5):
            journal.record({"kind": "noted", "text": f"afterthought {i}", "at": 50})
    capsys.readouterr()
    assert _run("season", "add", file, *journals[:2]) == 0
    assert capsys.readouterr().out == f"2 journals: 1 unchanged, 1 grown ({last} -> {last + 5} events)\n"
    # An older copy of it says nothing else, and is left as it is.
    assert _run("season", "add", file, copy) == 0
    assert capsys.readouterr().out == "1 journal: 1 unchanged\n"
    with Season.open(file) as season:
        assert len(season.find("afterthought")) == 5
        assert len(season.entries()) == 2


def test_two_histories_of_one_excursion_are_refused(
    journals: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, other = tmp_path / "season.db", tmp_path / "other.sqlite"
    shutil.copy(journals[0], other)
    for path, text in ((journals[0], "one"), (other, "another")):
        with Journal.open(path) as journal:
            journal.record({"kind": "noted", "text": text, "at": 50})
    assert _run("season", "add", file, journals[0]) == 0
    before = _dump(file)
    assert _run("season", "add", file, other, journals[1]) == 1
    out, error = capsys.readouterr()
    assert f"{other}: two histories of one excursion; the other is {journals[0]}" in error
    assert out.endswith("2 journals: 1 added, 1 refused\n")
    assert len(_dump(file)) > len(before)


def test_a_broken_journal_is_a_line_and_the_rest_goes_on(
    journals: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.sqlite"
    bad.write_bytes(journals[0].read_bytes()[:5000])
    assert _run("season", "add", tmp_path / "season.db", *journals[:4], bad, *journals[4:8]) == 1
    out, error = capsys.readouterr()
    assert out == "9 journals: 8 added, 1 refused\n"
    assert [line.split(":")[0] for line in error.splitlines()] == [str(bad)]


def test_it_gives_back_what_was_taken_in(season: Season, journals: list[Path], tmp_path: Path) -> None:
    from tracker.debrief.excursion import Scoring
    from tracker.debrief.journals import debriefs

    alone = debriefs(journals, lambda path: path.name, Scoring(instants=0, scenarios=500))
    ours = season.excursions()
    assert {one.uuid for one in ours} == {one.uuid for one in alone}
    by_uuid = {one.uuid: one for one in alone}
    theirs = [by_uuid[one.uuid] for one in ours]
    written = ["".join(json_chunks(every)).split('"pooled"')[0] for every in (ours, theirs)]
    assert written[0] == written[1]


def test_work_waiting_holds_and_idleness_add_up_in_the_tables(season: Season) -> None:
    _, rows = season.rows("SELECT sum(finish_s - start_s), max(finish_s) FROM as_spent GROUP BY uuid, crew")
    assert len(rows) == 20
    assert all(total == pytest.approx(end, abs=1e-6) for total, end in rows)


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_can_be_asked(season: Season, view: str) -> None:
    names, rows = season.rows(f"SELECT * FROM {view}")
    assert names
    assert rows or view in ("last_calls", "broken")


def test_filters_choose_the_same_with_and_without_a_season(season: Season, journals: list[Path]) -> None:
    from tracker.debrief.journals import debriefs

    every = debriefs(journals, lambda path: path.name, None)
    sha = every[0].plan_sha256
    for wanted in (
        Wanted(excursion=every[0].excursion.upper()),
        Wanted(plan=sha[:10]),
        Wanted(rehearsals=True),
        Wanted(rehearsals=False),
        Wanted(since="2031-05-02"),
        Wanted(until="2031-05-02"),
        Wanted(since="2031-05-01", until="2031-05-01"),
        Wanted(crew="EV1"),
        Wanted(work=every[0].steps[0].work),
        Wanted(step=every[1].steps[0].step, plan=sha[:10]),
    ):
        chosen = {one.uuid for one in every if wanted.holds(one)}
        assert {entry.uuid for entry in season.entries(wanted)} == chosen, wanted


def test_only_the_steps_that_are_asked_for_are_summed(season: Season) -> None:
    work = season.excursions()[0].steps[0].work
    for one in season.excursions(Wanted(work=work)):
        assert {row.work for row in one.steps} == {work}
        assert [group.name for group in one.totals.work] == [work]


def test_words_are_found_without_their_accents(season: Season) -> None:
    assert [row[-1] for row in season.find("olfilm")] == ["Ölfilm on the visor"]
    assert [row[-1] for row in season.find("ÖLF* the")] == ["Ölfilm on the visor"]
    assert season.find('"visor on"') == season.find('NEAR("') == season.find("* **") == []
    assert season.find("visor", Wanted(rehearsals=True)) == []


def test_rounds_are_there_and_found_also_in_a_season_made_without_them(season: Season) -> None:
    rounds = "SELECT at_s, round, crew, not_ok, after_s, every_s FROM rounds"
    there = [(150.0, "all", "EV1", "suit", 150.0, 1800.0)]
    assert season.rows(rounds)[1] == there
    assert len(season.find("spare one")) == len(season.find("whose rag")) == 1
    (found,) = season.find("cold")
    assert found[3:] == ("not ok", "EV1 all", "oxygen 1.9 kg, suit not ok: cold feet")
    season.close()
    with closing(sqlite3.connect(season.path)) as database, database:
        database.execute("DROP TABLE rounds")
        database.execute("ALTER TABLE decisions DROP COLUMN words")
        database.execute("DELETE FROM _sqlite_migrations WHERE name IN ('3', '4')")
    with Season.open(season.path) as again:
        assert again.rows(rounds)[1] == there
        assert again.rows("SELECT count(*) FROM decisions WHERE words = event")[1] == [(0,)]


def test_an_excursion_is_dropped_whole(season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    gone = season.entries()[0].uuid
    assert _run("season", "drop", season.path, gone[:12]) == 0
    assert f"dropped {gone}" in capsys.readouterr().out
    database = sqlite3.connect(season.path)
    tables = [name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    for table in tables:
        names = [row[1] for row in database.execute(f'PRAGMA table_info("{table}")')]
        if "uuid" in names:
            assert not database.execute(f'SELECT count(*) FROM "{table}" WHERE uuid = ?', [gone]).fetchone()[
                0
            ]
    database.close()
    assert _run("season", "drop", season.path, "") == 1
    assert _run("season", "drop", season.path, "zzz") == 1
    assert _run("season", "drop", season.path) == 2
    assert _run("season", "list", season.path, "more") == 2
    assert _run("season", "verify", season.path, "--excursion", "X") == 2


def test_verify_holds_it_against_the_journals(
    journals: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "season.db"
    assert _run("season", "add", file, *journals[:4]) == 0
    assert _run("season", "verify", file) == 0
    with Journal.open(journals[1]) as journal:
        journal.record({"kind": "noted", "text": "later", "at": 50})
    journals[2].unlink()
    capsys.readouterr()
    assert _run("season", "verify", file) == 1
    error = capsys.readouterr().err
    assert "has grown" in error
    assert str(journals[2].name) in error
    assert len(error.splitlines()) == 2


def test_debrief_and_learn_read_a_season(
    season: Season, journals: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written = {name: tmp_path / f"out.{name}" for name in ("csv", "json", "html", "markdown")}
    options = [part for name, path in written.items() for part in (f"--{name}", path)]
    assert (
        _run("debrief", "--season", season.path, "--excursion", season.entries()[0].excursion, *options) == 0
    )
    assert all(path.stat().st_size > 1000 for path in written.values())
    assert _run("debrief", "--season", season.path, "--json", tmp_path / "out.json") == 0
    found = json.loads((tmp_path / "out.json").read_text())
    assert found["pooled"]["excursions"] == 10
    assert _run("debrief", "--season", season.path, "--no-rehearsals") == 0
    assert "8 excursions" in capsys.readouterr().out
    two = [one.path for one in season.entries(Wanted(rehearsals=False))][:2]
    until = ["--to", str(season.excursions(Wanted(rehearsals=False))[1].zero)[:10]]
    assert (
        _run("learn", "--season", season.path, *until, "--crew", "ev1", "--out", tmp_path / "season.yaml")
        == 0
    )
    assert _run("learn", *two, "--out", tmp_path / "journals.yaml") == 0
    ours, theirs = ((tmp_path / f"{name}.yaml").read_text() for name in ("season", "journals"))
    assert [line for line in ours.splitlines() if "journal" not in line] == [
        line for line in theirs.splitlines() if "journal" not in line
    ]
    assert _run("learn", *two, *until, "--out", tmp_path / "none.yaml") == 2
    assert _run("debrief", "--season", season.path, journals[0]) == 2
    assert _run("debrief", "--season", season.path, "--excursion", "West") == 1
    assert _run("debrief", "--season", season.path, "--json", season.path) == 1


def test_list_and_show_say_it_in_words(season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    assert _run("season", "list", season.path) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[-1] == "10 excursions"
    assert all(f" {seed}.sqlite " in out for seed in range(10)), "by the name of its journal"
    assert "~" not in out and "..." not in out, "and the verdict is whole"
    assert _run("season", "show", season.path, "--excursion", "elsewhere") == 1
    assert "of 10, 2 of them rehearsals; " in capsys.readouterr().err
    first = season.entries()[0]
    for asked in (first.excursion[:4].lower(), first.excursion[:-1] + "xy"):
        for source in (("season", "show", season.path), ("debrief", first.path)):
            assert _run(*source, "--excursion", asked) == 1
            assert "did you mean Season " in capsys.readouterr().err
        for asking in (("list", season.path), ("find", season.path, "visor")):
            assert _run("season", *asking, "--excursion", asked) == 0
            assert "; did you mean Season " in capsys.readouterr().out
    assert _run("season", "show", season.path, "--rehearsals") == 0
    out = capsys.readouterr().out
    assert out.startswith("10 excursions, 10 over; in ")
    assert re.search(r"trend: the last five \d\.\d\d; over ten excursions [+-]\d\.\d\d \(", out)
    assert _run("season", "show", season.path, "--only-rehearsals") == 0
    assert "trend: too few to say" in capsys.readouterr().out


def test_what_is_no_season_is_refused(tmp_path: Path, journals: list[Path]) -> None:
    (tmp_path / "text").write_text("no database, " * 100)
    for path in (tmp_path / "none", tmp_path / "text", journals[0]):
        before = path.read_bytes() if path.exists() else None
        assert _run("season", "list", path) == 1
        assert (path.read_bytes() if path.exists() else None) == before


def test_a_place_that_takes_no_season_is_told_in_words(
    tmp_path: Path, journals: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path, said in (
        (tmp_path / "pipe", "is not a file, so it is no season; give another name"),
        (tmp_path, "is not a file, so it is no season; give another name"),
        (tmp_path / "none" / "s.db", "cannot be made: No such file or directory; give another name"),
    ):
        assert _run("season", "add", path, journals[0]) == 1
        assert capsys.readouterr().err == f"{path}: {said}\n"


def test_a_damaged_or_locked_season_is_told_in_words(
    filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = Path(shutil.copy(filled, tmp_path))
    with closing(sqlite3.connect(path)) as db:
        db.execute("BEGIN EXCLUSIVE")
        connect = sqlite3.connect
        monkeypatch.setattr(sqlite3, "connect", lambda place, timeout: connect(place, timeout=0.0))
        assert _run("season", "list", path) == 1
    assert capsys.readouterr().err.startswith(f"{path}: is locked by ")
    monkeypatch.undo()
    data = bytearray(path.read_bytes())
    with closing(sqlite3.connect(path)) as db:
        roots = [
            page for (page,) in db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'excursions'")
        ]
    for page in roots:
        data[(page - 1) * 4096 : page * 4096] = bytes(4096)
    path.write_bytes(data)
    assert _run("season", "list", path) == 1
    assert capsys.readouterr().err == f"{path}: is a damaged season\n"


def test_documented_questions_to_a_season_have_answers(season: Season) -> None:
    text = (TOP / "plans" / "SEASON.md").read_text(encoding="utf-8")
    questions = [
        one for block in re.findall(r"```sql\n(.*?)```", text, re.DOTALL) for one in block.split("\n\n")
    ]
    assert len(questions) >= 5
    for question in questions:
        names, rows = season.rows(question)
        assert names
        assert rows or "broken" in question or "decisions" in question, question

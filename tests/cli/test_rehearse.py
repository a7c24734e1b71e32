"""`tracker rehearse`: a journal in seconds, the same for a seed; and what it says when it cannot."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.flat import FLAT_FILE
from tests.journals import PLAN
from tests.terminal import BOUNCE_S, Terminal
from tracker.cli import rehearse
from tracker.cli.main import main
from tracker.journal.journal import Journal
from tracker.journal.verify import verify

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "sallow.yaml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, list[str], list[str]]:
    try:
        status = main(["rehearse", *map(str, arguments)])
    except SystemExit as left:
        status = int(str(left.code))
    out, err = capsys.readouterr()
    return status, out.splitlines(), err.splitlines()


def events(path: Path) -> list[tuple[Any, ...]]:
    with Journal.open(path, read_only=True) as journal:
        return [(e.kind, e.at, e.stated, e.recorded, e.seat, e.body) for e in journal.fold.recorded]


def test_a_full_journal_without_a_screen(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "new" / "one.sqlite"
    status, out, err = run(capsys, plan, "--headless", "--seed", 7, "--journal", path)
    assert (status, err) == (0, [])
    assert out[0] == f"journal: {path}"
    assert re.match(r"inside at \d:\d\d, elapsed limit at 3:00, .*; seed 7$", out[1])
    assert len(out) == 2
    with Journal.open(path, read_only=True) as journal:
        progress = journal.progress()
        assert progress.rehearsal
        assert progress.closed is not None
        assert progress.zero is not None
        for event in journal.fold.recorded:
            assert event.recorded >= progress.zero + timedelta(seconds=event.at)
    assert verify(path).fault is None


def test_the_same_seed_writes_the_same(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [tmp_path / f"{n}.sqlite" for n in range(3)]
    for path, seed in zip(paths, (7, 7, 8), strict=True):
        assert run(capsys, plan, "--headless", "--seed", seed, "--journal", path)[0] == 0
    assert events(paths[0]) == events(paths[1])
    assert events(paths[0]) != events(paths[2])


def test_what_it_writes_serves_the_other_commands(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "one.sqlite"
    run(capsys, plan, "--headless", "--seed", 3, "--journal", path)
    assert main(["verify", str(path)]) == 0
    assert main(["debrief", str(path), "--csv", str(tmp_path / "one.csv")]) == 0
    assert main(["learn", str(path), "--rehearsals", "--out", str(tmp_path / "pace.yaml")]) == 0
    assert main(["estimate", str(path), "--at", "0:30", "--json"]) == 0
    capsys.readouterr()
    assert (tmp_path / "one.csv").read_text(encoding="utf-8").count("\n") >= 10


def test_the_recorded_example_is_a_sound_rehearsal() -> None:
    path = TOP / "logs" / "example.sqlite"
    assert verify(path).fault is None
    assert path.stat().st_size < 1_000_000
    with Journal.open(path, read_only=True) as journal:
        progress = journal.progress()
        assert progress.rehearsal
        assert progress.closed is not None
        assert progress.plan.excursion == "Larkspur drive-controller swap"
        assert {event.seat for event in journal.fold.recorded} == {"rehearsal"}


def test_surprises_on_request(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.sqlite"
    wanted = ["--surprise", "hold", "--surprise", "stuck", "--surprise", "leak"]
    _, out, _ = run(capsys, plan, "--headless", "--seed", 1, "--journal", path, *wanted)
    assert "hinge.release stuck" in out[1]
    assert "hold of" in out[1]
    assert "leak of" in out[1]
    _, out, _ = run(
        capsys, plan, "--headless", "--seed", 1, "--journal", tmp_path / "2", "--surprise", "none"
    )
    assert "surprises: none" in out[1]


def test_a_pace_file_makes_the_crew(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pace, path = tmp_path / "flat.yaml", tmp_path / "one.sqlite"
    pace.write_text(FLAT_FILE, encoding="utf-8")
    options = ["--headless", "--seed", 1, "--pace", pace, "--surprise", "none", "--journal", path]
    assert run(capsys, plan, *options)[0] == 0
    with Journal.open(path, read_only=True) as journal:
        assert journal.progress().pace_name == "flat.yaml"
        hatch = journal.progress().steps["egress.hatch"]
        assert 300 <= (hatch.done or 0) <= 300 + 240


def test_without_a_plan_it_plays_the_demo_from_anywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, _ = run(capsys, "--headless", "--seed", 7, "--no-advice")
    assert status == 0
    assert re.match(r"journal: logs/larkspur-\d{8}T\d{6}Z\.sqlite$", out[0])
    assert "of 53 steps done" in out[1] or "of 54 steps done" in out[1]


def test_the_demo_here_comes_first_and_an_installed_one_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(TOP)
    assert rehearse.demo_plan() == Path("plans/larkspur.yaml")
    monkeypatch.chdir(tmp_path)
    assert rehearse.demo_plan() == TOP / "plans" / "larkspur.yaml"
    monkeypatch.setattr(rehearse, "__file__", str(tmp_path / "lib" / "tracker" / "cli" / "rehearse.py"))
    monkeypatch.setattr("sysconfig.get_path", lambda name: str(tmp_path / name))
    installed = tmp_path / "data" / "share" / "tracker" / "plans" / "larkspur.yaml"
    installed.parent.mkdir(parents=True)
    installed.write_text("format: 1\n", encoding="utf-8")
    assert rehearse.demo_plan() == installed


def test_where_there_is_no_demo_it_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(rehearse, "DEMO", Path("plans") / "nowhere.yaml")
    monkeypatch.chdir(tmp_path)
    status, out, err = run(capsys, "--headless")
    assert (status, out, len(err)) == (1, [], 1)
    assert "name a plan" in err[0]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--headless", "--practice"], "--practice is for the desk"),
        (["--headless", "--surprise", "none", "--surprise", "leak"], "goes with no other"),
        (["--headless", "--speed", "0"], "write a number from 0.1 to 1000"),
        (["--headless", "--speed", "nan"], "write a number from 0.1 to 1000"),
        (["--headless", "--seed", "x"], "write a whole number"),
        (["--headless", "--surprise", "fire"], "invalid choice"),
        ([], "needs a terminal; --headless"),
    ],
)
def test_wrong_usage_is_said(
    plan: Path, options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, plan, *options)
    assert (status, out) == (2, [])
    assert words in " ".join(err)


def test_faults_of_the_input(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there = tmp_path / "there.sqlite"
    there.write_bytes(b"mine")
    for arguments in (
        [tmp_path / "none.yaml", "--headless"],
        [plan, "--headless", "--journal", there],
        [plan, "--headless", "--journal", there / "in" / "a-file.sqlite"],
        [plan, "--headless", "--pace", tmp_path / "none.yaml", "--journal", tmp_path / "new.sqlite"],
    ):
        status, out, err = run(capsys, *arguments)
        assert (status, out, len(err)) == (1, [], 1), arguments
    assert there.read_bytes() == b"mine"


def test_on_the_desk_the_crew_plays_while_it_is_watched(plan: Path, tmp_path: Path) -> None:
    path = tmp_path / "live.sqlite"
    words = f"rehearse {plan} --seed 2 --speed 1000 --surprise none --journal {path}".split()
    with Terminal(*words, size=(120, 36)) as desk:
        desk.until("REHEARSAL", lambda: _closed(path))
        desk.press_s("q", "q again")
        desk.rest(BOUNCE_S)
        desk.send("q")
        assert re.search(r"inside at \d:\d\d", desk.end()[0].rpartition("\x1b[?1049l")[2])


def _closed(path: Path) -> bool:
    if not path.exists():
        return False
    with Journal.open(path, read_only=True) as journal:
        return journal.progress().closed is not None

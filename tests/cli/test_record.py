"""`tracker record`: a printed number is a promise, and a wrong line harms nothing but itself."""

from __future__ import annotations

import io
import json
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.journals import MORNING, PLAN, ZERO, done, journal
from tracker.cli.main import main
from tracker.journal.journal import Journal
from tracker.journal.stream import MOST_BYTES
from tracker.journal.verify import verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    journal(tmp_path, *MORNING[:4]).close()
    return tmp_path / "one.sqlite"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, list[str], list[str]]:
    status = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out.splitlines(), err.splitlines()


def stream(monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(content)))


def test_one_event_prints_its_number(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "record", path, "done", "step=trays.walk", "--at", "0:13") == (0, ["5"], [])
    assert run(capsys, "record", path, "--at", "0:14:10", "noted", "text=a = b", "--seat", "lead@b") == (
        0,
        ["6"],
        [],
    )
    with Journal.open(path, read_only=True) as one:
        tick, note = one.fold.recorded[4:]
        assert (tick.kind, tick.at, tick.body) == ("done", 780, {"step": "trays.walk"})
        assert (note.at, note.seat, note.body) == (850, "lead@b", {"text": "a = b"})


def test_an_entry_of_the_desk_is_taken_too(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "record", path, "1", ">unplug", "--at", "0:30") == (0, ["5", "6"], [])
    assert run(capsys, "record", path, "undo") == (0, ["7", "8"], [])
    with Journal.open(path, read_only=True) as one:
        assert one.progress().steps["hinge.release"].ended is None


def test_what_is_unusual_is_warned_about_and_recorded(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "record", path, "done", "step=hinge.power", "--at", "0:13")
    assert (status, out) == (0, ["5"])
    assert err and all(line.startswith("warning: event 5: ") for line in err)


@pytest.mark.parametrize(
    "words",
    [
        ["frob"],
        ["done"],
        ["done", "step=nowhere", "--at", "0:13"],
        ["done", "step=egress.hatch", "--at", "0:13"],
        ["done", "step=trays.walk"],
        ["done", "step=trays.walk", "--at", "soon"],
        ["done", "step=trays.walk", "--at=-3"],
        ["done", "step=trays.walk", "--at", "-3:30"],
        ["done", "step=trays.walk", "--at", "99:00"],
        ["done", "step=trays.walk", "colour=red", "--at", "0:13"],
        ["noted", "text=\ud800", "--at", "0:13"],
        ["dropped", "task=home", "--at", "0:13"],
        [""],
    ],
)
def test_a_refused_event_is_one_line_and_status_one(
    path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    before = path.read_bytes()
    status, out, err = run(capsys, "record", path, *words)
    assert (status, out) == (1, []) and len(err) == 1 and "Traceback" not in err[0]
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "words", [[], ["done", "--stdin"], ["--stdin", "--at", "0:13"], ["noted", "text=x", "--rehearsal"]]
)
def test_wrong_usage_is_status_two(path: Path, capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    status, out, err = run(capsys, "record", path, *words)
    assert (status, out, len(err)) == (2, [], 1)


def test_a_missing_journal_says_how_to_make_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "record", tmp_path / "none.sqlite", "zero")
    assert (status, out, len(err)) == (1, [], 1)
    assert "tracker run PLAN --journal" in err[0] and "--plan PLAN" in err[0]
    assert list(tmp_path.iterdir()) == []


def test_a_plan_makes_a_missing_journal_and_must_be_that_of_one_that_exists(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, path = tmp_path / "sallow.yaml", tmp_path / "one.sqlite"
    plan.write_text(PLAN, encoding="utf-8")
    assert run(capsys, "record", path, "--plan", plan, "zero", "utc=2031-05-04T14:00:00Z") == (0, ["1"], [])
    assert run(capsys, "record", path, "--plan", plan, "1", "--at", "0:05") == (0, ["2"], [])
    plan.write_text(PLAN.replace("hinge", "gasket"), encoding="utf-8")
    status, out, err = run(capsys, "record", path, "--plan", plan, "1", "--at", "0:15")
    assert (status, out, len(err)) == (1, [], 1) and "another plan" in err[0]
    with Journal.open(path) as one:
        assert one.number == 2 and one.plan.name == "sallow"


def test_a_plan_with_faults_makes_no_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "sallow.yaml"
    plan.write_text(PLAN.replace("crew: [IV]", "crew: [IW]"), encoding="utf-8")
    status, out, err = run(capsys, "record", tmp_path / "one.sqlite", "--plan", plan, "zero")
    assert (status, out) == (1, []) and "sallow.yaml:" in err[0]
    assert [entry.name for entry in tmp_path.iterdir()] == ["sallow.yaml"]


def test_a_stream_goes_on_after_a_refused_line(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines: list[tuple[bytes, str | None]] = [
        (b"\xef\xbb\xbf" + json.dumps(done("trays.walk", 700)).encode(), None),
        (b"", None),
        (b"   \t\r", None),
        (b"{oops}", "not JSON"),
        (b'{"kind": "noted", "text": "\xff", "at": 1}', "not UTF-8"),
        (b"[1, 2]", "not a JSON object"),
        (b"null", "not a JSON object"),
        (b'{"kind": "noted", "text": "a", "text": "b", "at": 1}', "'text' twice"),
        (b'{"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": NaN, "at": 1}', "NaN"),
        (b'{"kind": "noted", "text": "' + b"x" * MOST_BYTES + b'", "at": 1}', "longer than"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"kind": "noted", "text": "' + b"9" * 20_000 + b'", "at": 1}', "longer than"),
        (b'{"kind": "noted", "text": "a", "at": ' + b"9" * 5_000 + b"}", "not JSON"),
        (b'{"kind": "noted", "text": "\\ud800", "at": 1}', "half of a character"),
        (b"\x00\x01\x02", "not JSON"),
        (json.dumps(done("trays.walk", 800)).encode(), "trays.walk"),
        (json.dumps(done("trays.take", 800)).encode(), None),
        (b'{"kind": "noted", "text": "no line feed at the end", "at": 1}', None),
    ]
    stream(monkeypatch, b"\n".join(line for line, _ in lines))
    status, out, err = run(capsys, "record", path, "--stdin", "--seat", "feed")
    assert status == 1
    assert out == ["5", "6", "7"]
    wanted = [(number, said) for number, (_, said) in enumerate(lines, 1) if said is not None]
    assert len(err) == len(wanted)
    for line, (number, said) in zip(err, wanted, strict=True):
        assert line.startswith(f"line {number}: ") and said in line and len(line) < 500
    with Journal.open(path, read_only=True) as one:
        assert [event.seat for event in one.fold.recorded[4:]] == ["feed"] * 3


def test_a_stream_without_fault_is_status_zero(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stream(monkeypatch, b"".join(json.dumps(event).encode() + b"\r\n" for event in MORNING[4:]))
    assert run(capsys, "record", path, "--stdin") == (0, [str(n) for n in range(5, 13)], [])


def test_a_decision_in_a_stream_stands_beside_the_line_that_does_it(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    chose = {"kind": "chose", "task": "latch", "at": 700}
    moved = {"kind": "moved", "task": "latch", "last": True, "at": 700}
    dropped = {"kind": "dropped", "task": "latch", "at": 710}
    lines = [
        {**chose, "choice": "later"},
        moved,
        {"kind": "moved", "task": "latch", "before": "trays", "at": 705},
        {**chose, "choice": "later"},
        {"kind": "noted", "text": "it is not moved", "at": 706},
        dropped,
        {**chose, "choice": "drop", "at": 710},
        {"kind": "restored", "task": "latch", "at": 720},
        {**chose, "choice": "drop", "at": 730},
    ]
    stream(monkeypatch, "\n".join(map(json.dumps, lines)).encode())
    status, out, err = run(capsys, "record", path, "--stdin")
    assert (status, out) == (1, [str(n) for n in range(5, 12)])
    assert [line.split(":")[0] for line in err] == ["line 4", "line 9"]
    with Journal.open(path, read_only=True) as one:
        kinds = [event.kind for event in one.fold.recorded[4:]]
    assert kinds == ["chose", "moved", "moved", "noted", "dropped", "chose", "restored"]


def test_a_number_is_printed_only_after_the_event_is_on_disk(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Reader(io.StringIO):
        """Looks, at the moment a number is printed, whether another connection sees its event."""

        seen: list[tuple[int, int]]

        def write(self, text: str) -> int:
            if text.strip():
                other = sqlite3.connect(path)
                (last,) = other.execute("SELECT max(number) FROM events").fetchone()
                other.close()
                self.seen.append((int(text), last))
            return len(text)

    out = Reader()
    out.seen = []
    monkeypatch.setattr("sys.stdout", out)
    stream(monkeypatch, b"".join(json.dumps(event).encode() + b"\n" for event in MORNING[4:]))
    assert main(["record", str(path), "--stdin"]) == 0
    assert out.seen == [(n, n) for n in range(5, 13)]


def test_what_is_no_journal_is_told_and_unharmed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN, encoding="utf-8")
    status, out, err = run(capsys, "record", path, "noted", "text=x", "--at", "0:01")
    assert (status, out, len(err)) == (1, [], 1) and "is not a journal" in err[0]
    assert path.read_text(encoding="utf-8") == PLAN and len(list(tmp_path.iterdir())) == 1


COMMAND = [sys.executable, "-m", "tracker", "record"]


@pytest.mark.parametrize("seed", range(5))
def test_every_number_printed_before_a_kill_is_on_record(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "one.sqlite"
    journal(tmp_path, ZERO).close()
    lines = "".join(
        json.dumps({"kind": "noted", "text": f"note {n} " + "x" * (n % 700), "at": n}) + "\n"
        for n in range(5_000)
    )
    feed = tmp_path / "feed"
    feed.write_text(lines, encoding="utf-8")
    with feed.open("rb") as stdin:
        process = subprocess.Popen([*COMMAND, str(path), "--stdin"], stdin=stdin, stdout=subprocess.PIPE)
        assert process.stdout is not None
        printed = [process.stdout.readline()]
        time.sleep(random.Random(seed).uniform(0, 0.15))
        process.kill()
        printed += process.stdout.readlines()
        process.stdout.close()
        process.wait()
    # A number cut off in the middle was not printed.
    promised = [int(line) for line in printed if line.endswith(b"\n")]
    assert promised == list(range(2, len(promised) + 2))
    assert len(promised) < 5_000, "the stream ended before it was killed"
    verdict = verify(path)
    assert verdict.fault is None
    assert verdict.events >= promised[-1]
    with Journal.open(path) as one:
        for number, event in enumerate(one.fold.recorded[1:]):
            assert event.at == number and event.body["text"].startswith(f"note {number} ")
        assert one.record({"kind": "noted", "text": "goes on", "at": 1}) == verdict.events + 1


def test_two_processes_write_one_journal_and_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "one.sqlite"
    journal(tmp_path, ZERO).close()

    def feed(name: str) -> subprocess.Popen[bytes]:
        lines = "".join(
            json.dumps({"kind": "noted", "text": f"{name} {n}", "at": n}) + "\n" for n in range(120)
        )
        (tmp_path / name).write_text(lines, encoding="utf-8")
        with (tmp_path / name).open("rb") as stdin:
            return subprocess.Popen(
                [*COMMAND, str(path), "--stdin", "--seat", name], stdin=stdin, stdout=subprocess.PIPE
            )

    processes = [feed("a"), feed("b")]
    printed = [[int(line) for line in process.communicate()[0].split()] for process in processes]
    assert all(process.returncode == 0 for process in processes)
    assert sorted(printed[0] + printed[1]) == list(range(2, 242))
    assert verify(path).fault is None
    with Journal.open(path, read_only=True) as one:
        for name, numbers in zip("ab", printed, strict=True):
            said = [one.fold.recorded[number - 1] for number in numbers]
            assert [event.body["text"] for event in said] == [f"{name} {n}" for n in range(120)]
            assert {event.seat for event in said} == {name}


def test_a_closed_output_ends_quietly(path: Path) -> None:
    lines = "".join(json.dumps({"kind": "noted", "text": "x", "at": n}) + "\n" for n in range(400))
    script = f"{sys.executable} -m tracker record {path} --stdin | head -1"
    done = subprocess.run(["sh", "-c", script], input=lines.encode(), capture_output=True)
    assert done.stdout == b"5\n" and done.stderr == b""
    assert verify(path).fault is None

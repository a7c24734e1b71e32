from __future__ import annotations

import json
import re
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.flat import FLAT_FILE
from tests.journals import MORNING, done, journal
from tracker.cli.main import main
from tracker.forecast import orders
from tracker.forecast.estimate import estimate
from tracker.foundation.text import ADVISORY
from tracker.journal.journal import Journal
from tracker.journal.verify import parse_expected
from tracker.plan.read import parse_plan


@pytest.fixture
def morning(tmp_path: Path) -> Path:
    with journal(tmp_path, *MORNING, done("trays.walk", 1500)) as made:
        return made.path


def said(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main(["estimate", *map(str, words)])
    out = capsys.readouterr()
    return status, out.out, out.err


def found(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    status, out, err = said(capsys, *words, "--json")
    assert (status, err) == (0, "")
    read: dict[str, Any] = json.loads(out)
    return read


def test_json_is_the_estimate_of_the_last_event_and_twice_the_same(
    morning: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracker import Journal

    first, second = found(capsys, morning), found(capsys, morning)
    assert first == second
    with Journal.open(morning, read_only=True) as made:
        last = {"last_event": made.number, "last_hash": made.hash}
        assert first == json.loads(json.dumps(estimate(made.progress(), 1500).as_json())) | last


def test_at_takes_what_had_happened_by_then(morning: Path, capsys: pytest.CaptureFixture[str]) -> None:
    then = found(capsys, morning, "--at", "0:12")
    assert then["at"] == 720
    status = {s["step"]: s["status"] for s in then["steps"]}
    assert status["egress.2"] == "done" and status["hinge.release"] == "current"
    assert found(capsys, morning, "--at", "0:20")["tasks"] != then["tasks"]


def test_known_takes_only_what_was_recorded_by_then(
    morning: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """This journal was written long before its zero, so everything was on record from the start."""
    assert found(capsys, morning, "--at", "0:12", "--known") == found(capsys, morning, "--at", "0:12")


def test_an_event_entered_late_is_not_known_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from datetime import UTC, datetime

    with journal(tmp_path) as made:
        start = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
        made.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, utc_now=start)
        made.record(done("egress.hatch", 300), utc_now=datetime(2031, 5, 4, 14, 30, tzinfo=UTC))
    known = found(capsys, made.path, "--at", "0:10", "--known")
    told = found(capsys, made.path, "--at", "0:10")
    assert {s["step"]: s["status"] for s in known["steps"]}["egress.hatch"] == "current"
    assert {s["step"]: s["status"] for s in told["steps"]}["egress.hatch"] == "done"


def test_if_supposes_and_says_what_it_changes(morning: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = morning.read_bytes()
    drop, longer = (
        '{"kind": "dropped", "task": "trays"}',
        '{"kind": "retimed", "step": "home.back", "time": "1:10"}',
    )
    plain = found(capsys, morning)
    supposed = found(capsys, morning, "--if", drop, "--if", longer)
    assert [e["kind"] for e in supposed["supposed"]["events"]] == ["dropped", "retimed"]
    assert supposed["as_it_stands"]["inside"] == plain["inside"]
    assert supposed["inside"]["p50"] > plain["inside"]["p50"] + 2000
    assert {t["task"]: t["status"] for t in supposed["tasks"]}["trays"] == "dropped"
    status, out, _ = said(capsys, morning, "--if", drop)
    assert status == 0 and "as it stands" in out and "supposed" in out
    assert morning.read_bytes() == before


def test_what_is_supposed_is_typed_and_told_in_times_of_day(
    morning: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold = '{"kind": "held", "crew": ["EV1"], "at": "0:40", "until": "1:10"}'
    limit = '{"kind": "limited", "limit": "elapsed", "value": 21600, "at": 2400}'
    status, out, _ = said(capsys, morning, "--at", "0:40", "--if", hold, "--if", limit)
    assert status == 0
    assert "supposing held EV1 until 1:10:00 at 0:40:00" in out
    assert "supposing limit elapsed = 6:00 at 0:40:00" in out
    status, _, error = said(capsys, morning, "--if", '{"kind": "noted", "text": "x", "at": "40"}')
    assert (status, error.split(";")[0]) == (1, "--if 1: at: '40' is not a time")


def test_pace_supposes_another_file_and_says_so(
    morning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pace = tmp_path / "steady.yaml"
    pace.write_text(FLAT_FILE)
    made = found(capsys, morning, "--pace", pace)
    assert (made["pace_file"], made["supposed"]["pace_file"]) == ("steady.yaml", "steady.yaml")
    assert made["inside"]["p10"] == made["inside"]["p90"]
    assert "supposing the pace file steady.yaml" in said(capsys, morning, "--pace", pace)[1]


def test_since_adds_causes_that_add_up(morning: Path, capsys: pytest.CaptureFixture[str]) -> None:
    then, now = found(capsys, morning, "--at", "0:11"), found(capsys, morning, "--since", "0:11")
    total = sum(cause["seconds"] for cause in now["moved"])
    assert total == pytest.approx(now["inside"]["p50"] - then["inside"]["p50"], abs=0.05)
    assert "since 0:11" in said(capsys, morning, "--since", "0:11")[1]


def test_a_handover_says_what_came_about_since_the_desk_was_taken(
    morning: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, _, error = said(capsys, morning, "--brief", "--since", "taken")
    assert (status, error) == (1, "--since taken: the desk was not handed over; give a PET\n")
    with Journal.open(morning) as made:
        made.record({"kind": "taken", "by": "Kim", "at": 1550})
        made.record({"kind": "dropped", "task": "latch", "at": 1560, "by": "lead"})
    status, out, _ = said(capsys, morning, "--brief", "--since", "taken")
    assert status == 0 and "moved by" not in out
    assert "since 0:25, taken by Kim:\n  INSIDE " in out and "\n  0:26 dropped latch by lead\n" in out
    assert found(capsys, morning, "--since", "taken")["moved"] is not None


UNEVEN = """
format: 1
excursion: One has all the work
zero: Go
limits: {elapsed: 4:00}
crew: [{id: EV1, name: Lead}, {id: EV2, name: Second}]
tasks:
  - {id: a, title: Long, steps: [{do: First, crew: [EV1], time: 1:00}, {do: Second, crew: [EV1], time: 0:40}]}
  - {id: b, title: Short, steps: [{do: Only, crew: [EV2], time: 0:30}]}
  - {id: home, title: Home, closeout: true, steps: [{do: In, crew: [EV1, EV2], time: 0:40}]}
"""


def test_orders_are_suggested_only_when_asked_for_and_gain_what_they_say(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "uneven.sqlite"
    with Journal.create(path, parse_plan(UNEVEN, file="uneven.yaml", name="uneven")) as made:
        made.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    plain = found(capsys, path)
    assert "suggestions" not in plain
    best = found(capsys, path, "--orders")["suggestions"][0]
    assert best["gain"] >= 120
    supposed = found(capsys, path, "--if", json.dumps(best["event"]))
    assert plain["inside"]["p90"] - supposed["inside"]["p90"] == pytest.approx(best["gain"], abs=1.0)
    assert supposed["safe"] == pytest.approx(best["safe"])
    out = said(capsys, path, "--orders")[1]
    assert best["text"] in out and json.dumps(best["event"]) in out
    assert "better orders" not in said(capsys, path)[1]


def test_brief_fits_one_screen(morning: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, morning, "--brief")
    lines = out.splitlines()
    assert status == 0 and len(lines) <= 24 and max(map(len, lines)) <= 80
    assert "Sallow hinge" in lines[0] and "INSIDE " in out and "latch" in out
    assert ADVISORY in " ".join(lines)


def test_print_names_the_event_and_its_hash_and_lists_every_remaining_step(
    morning: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracker import Journal

    with Journal.open(morning, read_only=True) as made:
        digest, number = made.hash, made.number
        left = [s for s, state in made.progress().steps.items() if state.ended is None]
    out = said(capsys, morning, "--print")[1]
    assert f"event {number}:{digest}" in out
    assert f"\nevent {number}:{digest}\n" in said(capsys, morning, "--brief")[1]
    assert parse_expected(out.partition("\nevent ")[2].splitlines()[0]) == (number, digest)
    figures = json.loads(said(capsys, morning, "--json")[1])
    assert (figures["last_event"], figures["last_hash"]) == (number, digest)
    assert len(out.splitlines()) <= 62 and max(map(len, out.splitlines())) <= 96
    assert all(step in out for step in left)
    assert ADVISORY in out


def test_words_carry_limits_stores_and_the_advisory(
    morning: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = said(capsys, morning)[1]
    for part in ("EV1 oxygen", "EV2 battery", "need 90 %", "hinge.unplug", " at 0:18"):
        assert part in out
    assert out.rstrip().endswith(ADVISORY)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--at", "12"], "--at: '12' is not a time; write H:MM or H:MM:SS, 0:12 or 0:00:12"),
        (["--since", "9:00"], "--since: 9:00 lies after the instant of the estimate, 0:25"),
        (["--if", "{"], "--if 1: is not JSON"),
        (["--if", "[]"], "--if 1: is not an event"),
        (["--if", '{"kind": "done", "step": "nowhere"}'], "there is no step nowhere"),
        (["--if", '{"kind": "noted", "text": "x", "at": 9000}'], "after the instant of the estimate"),
        (["--pace", "nowhere.yaml"], "nowhere.yaml"),
    ],
)
def test_bad_input_is_one_line(
    morning: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    status, out, err = said(capsys, morning, *words)
    assert (status, out) == (1, "")
    assert err.count("\n") == 1 and message in err


def test_a_journal_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = said(capsys, tmp_path / "none.sqlite")
    assert (status, out, err.count("\n")) == (1, "", 1)


def test_hostile_text_stays_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from tests.journals import ZERO, on_record

    with journal(tmp_path, ZERO) as made:
        pass
    on_record(made.path, "noted", 60, text="\x1b[31mred\x1b[0m\r\n\u202eback")
    for form in ([], ["--brief"], ["--print"]):
        out = said(capsys, made.path, *form)[1]
        assert "\x1b" not in out and "\u202e" not in out and "\r" not in out


def test_before_zero_is_pet_0(morning: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = found(capsys, morning, "--at=-0:10")
    assert made["at"] == 0 and {s["status"] for s in made["steps"]} == {"open"}


def test_live_is_now(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import UTC, datetime

    from tests.journals import ZERO
    from tracker.foundation import clock

    with journal(tmp_path, ZERO) as made:
        pass
    monkeypatch.setattr(clock, "utc_now", lambda: datetime(2031, 5, 4, 14, 7, tzinfo=UTC))
    assert found(capsys, made.path)["at"] == 420
    monkeypatch.setattr(clock, "utc_now", lambda: datetime(2041, 5, 4, 14, 7, tzinfo=UTC))
    assert found(capsys, made.path)["at"] == 0


def test_instants_before_zero_are_times_like_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before zero `latch` is dropped; as of ten minutes before it has not been, and `--since` says so."""
    dropped = {"kind": "dropped", "task": "latch", "at": -300}
    with journal(tmp_path, dropped, *MORNING) as made:
        path = made.path
    before, after = (found(capsys, path, "--at", at) for at in ("-0:10", "-0:01:30"))
    assert [task["status"] for task in before["tasks"] if task["task"] == "latch"] == ["open"]
    assert [task["status"] for task in after["tasks"] if task["task"] == "latch"] == ["dropped"]
    assert before["at"] == after["at"] == 0
    since = found(capsys, path, "--since", "-0:10", "--at", "-0:01:30")
    change = after["inside"]["p50"] - before["inside"]["p50"]
    assert sum(part["seconds"] for part in since["moved"]) == pytest.approx(change, abs=0.01)
    whole = found(capsys, path, "--since", "-0:10")
    change = whole["inside"]["p50"] - before["inside"]["p50"]
    assert sum(part["seconds"] for part in whole["moved"]) == pytest.approx(change, abs=0.01)
    assert "dropped work" in [part["cause"] for part in whole["moved"]]
    assert "--at: '-5' is not a time" in said(capsys, path, "--at", "-5")[2]


def test_once_everybody_is_inside_the_report_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    came_in = [{"kind": "entered", "crew": crew, "at": 5000} for crew in ("EV1", "EV2")]
    with journal(tmp_path, *MORNING, *came_in) as made:
        path = made.path
    for shape in ("--brief", "--print"):
        out = said(capsys, path, shape)[1]
        assert "everybody is inside" in out and "if called now" not in out


def test_a_search_broken_off_says_how_far_it_came(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "uneven.sqlite"
    with Journal.create(path, parse_plan(UNEVEN, file="uneven.yaml", name="uneven")) as made:
        made.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    whole, tried = orders.better_orders, 0

    def pressed_at_the_fourth(*args: Any, heed: Callable[[float], bool], **more: Any) -> Any:
        def heeded(share: float) -> bool:
            nonlocal tried
            tried += 1
            if tried == 4:
                signal.raise_signal(signal.SIGINT)
            return heed(share)

        return whole(*args, heed=heeded, **more)

    monkeypatch.setattr(orders, "better_orders", pressed_at_the_fourth)
    before = signal.getsignal(signal.SIGINT)
    status, out, err = said(capsys, path, "--orders")
    assert status == 130 and tried == 4 and signal.getsignal(signal.SIGINT) is before
    assert "better orders: none was found so far" in out and ADVISORY in " ".join(out.split())
    assert re.fullmatch(r"broken off after \d+ % of the search for better orders\n", err)

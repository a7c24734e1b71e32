"""Promise: no mistyped year or hour is taken, at any door, and an old journal that holds one still opens."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.journals import PLAN, ZERO
from tests.journals import journal as journal_in
from tests.promises.test_desk_keeps import begun, until
from tracker.cli.main import main
from tracker.console.writer import Job, Told, Written
from tracker.forecast.estimate import estimate
from tracker.foundation.errors import EventError, PlanError
from tracker.foundation.times import format_instant, instant_of, parse_instant
from tracker.journal.fold import Fold
from tracker.journal.journal import Journal
from tracker.journal.progress import Recorded
from tracker.journal.store import seal
from tracker.plan.paper import on_paper
from tracker.plan.read import parse_plan

ORBIT = PLAN.replace(
    "{id: daylight, open: [[0:00, 0:47], [1:32, 3:19]]}",
    "{id: daylight, orbit: {altitude: 400, beta: 20, first_sunrise: 0:10}}",
).replace("zero: Both", "zero_planned: 2031-05-04T14:00:00Z\nzero: Both")
FAR = "9031-05-04T15:00:00Z"

EVENTS: list[dict[str, Any]] = [
    {"kind": "limited", "limit": "elapsed", "value": FAR},
    {"kind": "limited", "limit": "elapsed", "value": "9999:00"},
    {"kind": "limited", "limit": "elapsed", "value": 1e9},
    {"kind": "held", "until": "9999:00"},
    {"kind": "held", "until": 9_000_000},
    {"kind": "noted", "text": "x", "at": 9_000_000},
    {"kind": "amended", "event": 2, "at": 9_000_000},
    {"kind": "amended", "event": 1, "utc": "1031-05-04T14:00:00Z"},
]


@pytest.mark.parametrize("event", EVENTS, ids=[json.dumps(event)[9:50] for event in EVENTS])
def test_an_event_beyond_four_times_the_limit_is_refused_by_its_instant(
    event: dict[str, Any], tmp_path: Path
) -> None:
    with journal_in(tmp_path, ZERO) as journal:
        journal.record(
            {"kind": "done", "step": "egress.hatch"}, utc_now=parse_instant("2031-05-04T14:05:00Z")
        )
        with pytest.raises(EventError, match=r"is beyond 12:00:00, four times the elapsed limit"):
            journal.record({"at": 600, **event} if event["kind"] != "amended" else event)
        if event["kind"] != "amended":
            with pytest.raises(EventError, match="is beyond 12:00:00"):
                journal.progress().suppose(event)
        assert journal.number == 2


def test_a_zero_that_is_amended_to_another_year_takes_no_note_with_it(tmp_path: Path) -> None:
    with journal_in(tmp_path, ZERO) as journal:
        journal.record({"kind": "noted", "text": "x"}, utc_now=parse_instant("2031-05-04T14:05:00Z"))
        with pytest.raises(EventError, match=r"amended: 61360728:55:00 is beyond 12:00:00, .* puts an event"):
            journal.record({"kind": "amended", "event": 1, "utc": FAR})


@pytest.mark.parametrize("instant", ["9999-12-31T23:59:59.000Z", "0001-01-01T00:00:00.000Z"])
def test_nothing_starts_where_the_calendar_ends_and_a_journal_that_does_has_figures(instant: str) -> None:
    wrong = f"{instant} is at the end of the calendar"
    start = Fold.start(parse_plan(PLAN, file="p", name="p"), uuid="1")
    for event in ({"kind": "zero", "utc": instant}, {"kind": "amended", "event": 1, "utc": instant}):
        with pytest.raises(EventError, match=f"{event['kind']}: {wrong}; check its year"):
            start.suppose([ZERO, event] if event["kind"] == "amended" else [event])
    with pytest.raises(PlanError, match=rf"p:\d+:\d+: zero_planned: {wrong}; check its year"):
        parse_plan(f"zero_planned: {instant}\n{PLAN}", file="p", name="p")
    at = parse_instant(instant)
    held = start.add_all([Recorded(1, "zero", 0.0, True, at, "op", {"utc": instant})])
    assert estimate(held.progress(), now=600, scenarios=100).at == 600
    assert [format_instant(instant_of(pet, at))[:4] for pet in (-1e12, 1e12)] == ["0001", "9999"]


def test_figures_stop_where_no_excursion_goes_and_are_made_all_the_same() -> None:
    running = Fold.start(parse_plan(PLAN, file="p", name="p"), uuid="1").suppose([ZERO])
    found = estimate(running, now=13 * 3600, scenarios=100, choices=True)
    assert found.at == 12 * 3600 and found.choices
    noted = Recorded(
        2, "noted", 13 * 3600.0, False, parse_instant("2031-05-05T03:00:00Z"), "op", {"text": "x"}
    )
    late = running.fold.add(noted).progress()
    assert estimate(late, now=14 * 3600, scenarios=100, choices=True).at == 13 * 3600


def test_nothing_is_taken_beyond_200_hours_whatever_the_limits_say(tmp_path: Path) -> None:
    long = PLAN.replace("elapsed: 3:00", "elapsed: 90:00")
    with Journal.create(tmp_path / "long.sqlite", parse_plan(long, file="long.yaml", name="long")) as journal:
        journal.record(ZERO)
        journal.record({"kind": "noted", "text": "x", "at": 200 * 3600})
        with pytest.raises(EventError, match="200:00:01 is beyond 200:00:00, the longest excursion there is"):
            journal.record({"kind": "noted", "text": "x", "at": 200 * 3600 + 1})


@pytest.mark.parametrize(
    "limits", [f"{{elapsed: {FAR}}}", f"{{elapsed: 3:00, boat: {FAR}}}", "{elapsed: 3:00, boat: 12:01}"]
)
def test_a_plan_whose_limit_is_mistyped_is_refused_at_its_place(limits: str) -> None:
    with pytest.raises(PlanError, match=r"p\.yaml:5:\d+: limits\.\w+(\.at)?: .* is beyond \d+:00:00"):
        parse_plan(ORBIT.replace("{elapsed: 3:00}", limits), file="p.yaml", name="p")


def test_windows_beyond_are_cut_off_with_a_warning() -> None:
    opens = f"[2031-05-04T14:00:00Z, 2031-05-04T14:47:00Z], [2031-05-04T15:32:00Z, {FAR}]"
    text = PLAN.replace("[0:00, 0:47], [1:32, 3:19]", opens)
    text = text.replace("zero: Both", "zero_planned: 2031-05-04T14:00:00Z\nzero: Both")
    paper = on_paper(parse_plan(text, file="p", name="p"))
    assert paper.windows["daylight"][-1] == (92 * 60, 12 * 3600)
    (said,) = [str(fault) for fault in paper.warnings if "cut off" in str(fault)]
    assert "9031-05-04T15:00:00.000Z is beyond 12:00:00" in said


def test_a_journal_that_holds_a_mistyped_limit_says_so_once_wherever_it_is_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with journal_in(tmp_path, ZERO) as made:
        path, when = made.path, made.fold.recorded[0].recorded
        far = seal(
            Recorded(2, "limited", 600.0, True, when, "old", {"limit": "elapsed", "value": FAR}), made.hash
        )
        with made._store.writing():
            made._store.append(far)
    words = "event 2: 9031-05-04T15:00:00.000Z is beyond 200:00:00, the longest excursion there is; "
    words += "figures stop there"
    assert main(["estimate", str(path), "--at", "0:20", "--brief"]) == 0
    assert capsys.readouterr().err == f"warning: {words}\n"
    writer, heard = begun(path, tmp_path / "out")
    assert until(heard, Told).words == words
    note = {"kind": "noted", "text": "x", "at": 1400}
    writer.submit(Job(1, (note,), when))
    assert isinstance(heard.get(timeout=60), Written) and writer.stop() == ()


def test_a_journal_that_holds_a_mistyped_limit_opens_and_its_figures_stop_there() -> None:
    text = ORBIT.replace("{elapsed: 3:00}", f"{{elapsed: 3:00, boat: {FAR}}}")
    plan = parse_plan(text, file="p", name="p", kept=True)
    fold = Fold.start(plan, uuid="1")
    utc = parse_instant("2031-05-04T14:00:00Z")
    events: list[tuple[str, dict[str, Any]]] = [
        ("zero", {"utc": "2031-05-04T14:00:00.000Z"}),
        ("limited", {"limit": "elapsed", "value": FAR}),
        ("held", {"crew": ["EV1"], "until": 9_000_000}),
    ]
    for number, (kind, body) in enumerate(events, 1):
        fold = fold.add(Recorded(number, kind, 0.0, True, utc, "old", body))
    progress = fold.progress()
    assert progress.limits == {"elapsed": 200 * 3600, "boat": 200 * 3600}
    assert progress.holds["EV1"].until == 200 * 3600
    assert 100 < len(progress.openings["daylight"]) < 150
    assert [number for number, words in progress.warnings if "figures stop there" in words] == [1, 2, 3]
    assert estimate(progress, now=60, scenarios=200).limit == 200 * 3600


_SPENT = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (3_000_000_000, 3_000_000_000))
from tracker.cli.main import main
status = main(sys.argv[1:])
print(status, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
"""


def test_a_mistyped_year_costs_a_command_no_memory(tmp_path: Path) -> None:
    def mib(text: str) -> tuple[str, float]:
        path = tmp_path / "plan.yaml"
        path.write_text(text)
        command = [sys.executable, "-c", _SPENT, "check", str(path)]
        ran = subprocess.run(command, capture_output=True, text=True, timeout=60)
        status, kib = ran.stderr.splitlines()[-1].split()
        return status, int(kib) / 1024

    good, plain = mib(ORBIT)
    bad, mistyped = mib(ORBIT.replace("{elapsed: 3:00}", f"{{elapsed: {FAR}}}"))
    assert (good, bad) == ("0", "1")
    assert mistyped - plain < 300

"""Promise: while the line to the server is cut the desk goes on; what waits is sent, or decided on."""

from __future__ import annotations

import queue
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from tests.cut_line import Proxy, wide_plan
from tests.promises.test_desk_keeps import _session, until
from tests.servers import Server
from tracker.cli.main import main
from tracker.console.key_events import EventBatch
from tracker.console.lead_analysis import NoJournal
from tracker.console.lead_session import LeadRuntime
from tracker.console.pending import PendingWrite
from tracker.console.refused import Refusals
from tracker.console.session import DeskRuntime
from tracker.console.view.alerts import standing_alerts
from tracker.console.view.head import disk_spans
from tracker.console.writer import (
    Away,
    Job,
    Opened,
    OthersWrote,
    Refused,
    Report,
    TakenBack,
    Undecided,
    Unsaved,
    Writer,
    Written,
)
from tracker.foundation.clock import monotonic_s
from tracker.foundation.errors import EventError
from tracker.foundation.times import parse_instant
from tracker.journal import postgres_link
from tracker.journal.follow import Follower
from tracker.journal.journal import Journal, open_again
from tracker.journal.kept_press import undo_name
from tracker.journal.place import place_of

PRESSED = parse_instant("2031-05-04T14:30:00.250Z")


class Line:
    """The line between a desk and the server: up, or cut."""

    def __init__(self, server: Server) -> None:
        from random import Random

        self.server, self._random = server, Random(1)
        self._proxy = Proxy(server.port, self._random, 0.0)
        self.port = self._proxy.port

    def cut(self) -> None:
        self._proxy.block(True)

    def mend(self) -> None:
        self._proxy.block(False)


@pytest.fixture
def line(server: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[Line]:
    monkeypatch.setattr(postgres_link, "DEADLINE_S", 1.0)
    monkeypatch.setattr("tracker.console.writer.RETRY_S", 0.1)
    made = Line(server)
    yield made
    made.mend()


@pytest.fixture
def direct(server: Server) -> str:
    """A journal that runs, as its server's neighbours name it."""
    place = server.address(f"line-{uuid4()}")
    with Journal.create(place, wide_plan(4)) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    return place


@pytest.fixture
def through(line: Line, direct: str, server: Server) -> str:
    """The same journal by the line."""
    return direct.replace(f":{server.port}/", f":{line.port}/")


def desk(place: str, folder: Path) -> tuple[Writer, queue.Queue[Report]]:
    heard: queue.Queue[Report] = queue.Queue()
    writer = Writer(lambda: Journal.open(place), "op@desk", heard.put, folder)
    writer.start()
    return writer, heard


def done(step: str, at: int) -> dict[str, Any]:
    return {"kind": "done", "step": step, "at": at}


def test_what_is_pressed_meanwhile_is_sent_in_order_and_what_cannot_be_is_decided_on(
    line: Line, direct: str, through: str, tmp_path: Path
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    opened = until(heard, Opened)
    session = _session()
    session.take(opened, 0.0)
    line.cut()
    presses = [done("t0.1", 600), done("t1.1", 660), {"kind": "noted", "text": "glare", "at": 700}]
    for token, event in enumerate(presses, 1):
        job = Job(token, (event,), PRESSED)
        session._queue.jobs[token] = PendingWrite(job, str(event["kind"]), (), 0.0)
        writer.submit(job)
    tokens: set[int] = set()
    while tokens != {1, 2, 3}:
        report = until(heard, Unsaved)
        session.take(report, 1.0)
        tokens.add(report.token)
        assert report.kept
    scene = session.scene(PRESSED, 1.0)
    assert scene.disk.kept == 3 and scene.progress.steps["t0.1"].done == 600
    assert "".join(span.text for span in disk_spans(scene)) == "entry 1 saved, 3 kept here since 0:30"
    assert "the server does not answer" in standing_alerts(scene)[0].text
    with Journal.open(direct) as other:
        other.record(done("t1.1", 640), seat="lead@b")
    line.mend()
    assert until(heard, Written).numbers == (3,)
    refused = until(heard, Refused)
    session.take(refused, 2.0)
    session.refusals.presses = until(heard, Undecided).presses
    assert until(heard, Written).numbers == (4,)
    scene = session.scene(PRESSED, 2.0)
    assert "1 refused" in "".join(span.text for span in disk_spans(scene))
    (said,) = (alert.text for alert in standing_alerts(scene) if alert.id.startswith("refused"))
    assert "pressed 2031-05-04T14:30:00.250Z by op@desk, refused since: done step=t1.1 at=660: " in said
    assert "`leave`" in said and "`change EVENT`" in said and "`later`" in said
    writer.stop()

    # The next desk at this seat asks again, and does what is decided.
    writer, heard = desk(direct, tmp_path / "out")
    refusals = Refusals(until(heard, Undecided).presses)
    later = refusals.decision("later")
    assert later is not None and refusals.decision("leave it") is None
    refusals.put_off(later.press)
    assert refusals.told == () and len(refusals.presses) == 1
    decided = refusals.decision("change done t1.2 0:12")
    assert decided is not None and decided.rest == "done t1.2 0:12"
    writer.submit(Job(9, (done("t1.2", 720),), PRESSED, settles=decided.settles))
    assert until(heard, Written).numbers == (5,)
    assert until(heard, Undecided).presses == ()
    assert writer.stop() == ()
    with Journal.open(direct, read_only=True) as journal:
        assert [event.kind for event in journal.fold.recorded] == ["zero", "done", "done", "noted", "done"]


def test_a_restart_while_the_line_is_cut_goes_on_with_what_this_machine_knew(
    line: Line, direct: str, through: str, tmp_path: Path
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    until(heard, Opened)
    writer.submit(Job(1, (done("t0.1", 600),), PRESSED))
    until(heard, Written)
    line.cut()
    for token in (2, 3):
        writer.submit(Job(token, (done(f"t0.{token}", 600 + token),), PRESSED))
    while until(heard, Unsaved).token != 3:
        pass
    assert len(writer.stop()) == 2

    reports: queue.Queue[Any] = queue.Queue()
    runtime = DeskRuntime(
        lambda: open_again(place_of(through), tmp_path / "out"), "op@desk", outbox=tmp_path / "out"
    )
    runtime.start(reports.put)
    while runtime.session.kept < 2 or runtime.session.away.words == "":
        runtime.take(reports.get(timeout=60))
    scene = runtime.session.scene(PRESSED, runtime.monotonic_s())
    assert scene.disk.number == 2 and scene.disk.kept == 2
    assert [scene.progress.steps[f"t0.{n}"].done for n in (1, 2, 3)] == [600, 602, 603]
    line.mend()
    while runtime.session.number < 4:
        runtime.take(reports.get(timeout=60))
    assert runtime.session.kept == 0 and runtime.stop() == ()
    with Journal.open(direct, read_only=True) as journal:
        assert [event.body.get("step") for event in journal.fold.recorded] == [None, "t0.1", "t0.2", "t0.3"]


def test_a_desk_that_only_waits_says_that_the_server_is_away_until_it_is_back(
    line: Line, through: str, tmp_path: Path
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    session = _session()
    session.take(until(heard, Opened), 0.0)
    for away, wanted in ((True, ["away since"]), (False, [])):
        line._proxy.block(away)
        session.take(until(heard, Away), 1.0)
        told = [alert.text for alert in standing_alerts(session.scene(PRESSED, 1.0))]
        assert [" ".join(text.split()[:2]) for text in told] == wanted
    writer.submit(Job(1, (done("t0.1", 600),), PRESSED))
    assert until(heard, Written).numbers == (2,) and writer.stop() == ()


def test_what_was_sent_without_an_answer_is_taken_back_only_once_it_is_there(
    line: Line, direct: str, through: str, tmp_path: Path
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    until(heard, Opened)
    line.cut()
    for token in (1, 2):
        writer.submit(Job(token, (done(f"t0.{token}", 600 + token),), PRESSED))
    while until(heard, Unsaved).token != 2:
        pass
    for token in (1, 2):
        writer.cancel(token)
    line.mend()
    # The first may be there; the second was never sent.
    assert until(heard, Written).token == 1
    assert writer.stop() == ()
    with Journal.open(direct, read_only=True) as journal:
        assert [event.body.get("event") for event in journal.fold.recorded] == [None, None, 2]


def test_a_desk_that_is_killed_while_no_answer_comes_leaves_presses_and_undo_to_the_next(
    line: Line, direct: str, through: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    until(heard, Opened)
    # What is written reaches the server, and every answer is lost on its way.
    monkeypatch.setattr("tests.cut_line.WAYS", ("hole",))
    line._proxy.share = 1.0
    for token in (1, 2):
        writer.submit(Job(token, (done(f"t0.{token}", 600 + token),), PRESSED))
    began = monotonic_s()
    while not line._proxy.cuts:
        assert monotonic_s() - began < 5
    # The first is there and nobody was told; the second waits behind it.
    writer.cancel(1)
    kept: list[str] = []
    while len(kept) < 3:
        assert monotonic_s() - began < 5
        with closing(sqlite3.connect(next((tmp_path / "out").glob("*.sqlite")))) as db:
            kept = [state for (state,) in db.execute("SELECT state FROM jobs")]
    assert kept == ["waiting"] * 3
    shutil.copytree(tmp_path / "out", tmp_path / "killed")

    with Journal.open(direct, outbox=tmp_path / "killed") as journal:
        events = [(event.kind, event.body.get("event")) for event in journal.fold.recorded[1:]]
        assert events == [("done", None), ("done", None), ("withdrawn", 2)]
        assert [journal.progress().steps[f"t0.{n}"].done for n in (1, 2)] == [None, 602]
    line._proxy.share = 0.0
    assert writer.stop() == ()


def test_an_undo_that_crosses_the_answer_is_sent_under_the_name_that_the_writer_would_have_given_it(
    direct: str, tmp_path: Path
) -> None:
    writer, heard = desk(direct, tmp_path / "out")
    session, sent = _session(), list[Job]()
    session.take(until(heard, Opened), 0.0)
    session.submit, session.cancel = sent.append, writer.cancel
    assert session.perform(EventBatch((done("t0.1", 600),), "press"), PRESSED, 1.0)
    writer.submit(sent[0])
    answer = until(heard, Written)
    # The key is pressed before the answer is taken in: the writer has nothing to leave out any more.
    assert session.take_back(redo="U") is None and answer.undo is None
    session.take(answer, 1.0)
    assert [job.id for job in sent[1:]] == [undo_name(sent[0].id)]
    writer.submit(sent[1])
    session.take(until(heard, Written), 1.0)
    assert session.said == "took back 2: press" and session.progress.steps["t0.1"].done is None
    assert writer.stop() == ()


def test_an_undo_of_what_has_no_number_yet_waits_behind_it_on_disk(
    line: Line, direct: str, through: str, tmp_path: Path
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    session = _session()
    session.take(until(heard, Opened), 0.0)
    session.submit, session.cancel = writer.submit, writer.cancel
    line.cut()
    for token, event in enumerate((done("t0.1", 600), done("t1.1", 660)), 1):
        assert session.perform(EventBatch((event,), f"press {token}"), PRESSED, 1.0)
        while not session._queue.jobs[token].unsaved:
            session.take(until(heard, Unsaved), 1.0)
    # The second was never sent: it is left out. The first may be there.
    assert session.take_back(redo="U") is None
    session.take(until(heard, TakenBack), 1.0)
    while not session._queue.jobs[1].sent:
        session.take(until(heard, Unsaved), 1.0)
    batch = session.take_back(redo="U")
    assert batch is not None and session.perform(batch, PRESSED, 1.0)
    assert session.ahead.steps["t0.1"].done is None and session._queue.newest() is None
    assert len(writer.stop()) == 2

    # The next desk sends both, wherever the first got to.
    writer, heard = desk(direct, tmp_path / "out")
    assert until(heard, Opened).progress.steps["t0.1"].done is None
    assert writer.stop() == ()
    with Journal.open(direct, read_only=True) as journal:
        assert [event.body.get("event") for event in journal.fold.recorded] == [None, None, 2]


def test_what_was_taken_back_and_has_become_impossible_is_not_to_be_decided_on(
    line: Line, direct: str, through: str, tmp_path: Path
) -> None:
    writer, heard = desk(through, tmp_path / "out")
    until(heard, Opened)
    line.cut()
    press = Job(1, (done("t0.1", 600),), PRESSED)
    back = Job(2, ({"kind": "withdrawn", "job": press.id},), PRESSED)
    for job in (press, back):
        writer.submit(job)
        until(heard, Unsaved)
    with Journal.open(direct) as other:
        other.record(done("t0.1", 640), seat="lead@b")
        with pytest.raises(EventError, match=r"no press .* is on record here"):
            other.record(back.events[0])
    line.mend()
    assert [until(heard, TakenBack).token for _ in range(2)] == [1, 2]
    assert writer.stop() == ()
    with Journal.open(direct, outbox=tmp_path / "out") as journal:
        assert journal.number == 2 and journal.sitting.refused() == ()


def test_a_watcher_keeps_what_it_knows_and_says_that_no_answer_comes(
    line: Line, direct: str, through: str
) -> None:
    through = through.replace("lead@", "watcher@")
    follower = Follower(place_of(through))
    with follower, Journal.open(direct) as writes:
        writes.record(done("t0.1", 600))
        follower.wait(5.0)
        assert [event.kind for event in follower.look()] == ["done"]
        line.cut()
        writes.record(done("t0.2", 660))
        while follower.trouble is None:
            follower.wait(0.1)
            follower.look()
        assert "the server does not answer" in follower.trouble and follower.number == 2
        line.mend()
        while follower.trouble is not None:
            follower.wait(0.1)
            follower.look()
        assert follower.number == 3


def test_a_view_that_is_opened_while_no_answer_comes_says_so_and_goes_on(
    line: Line,
    through: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("tracker.console.lead_analysis.AGAIN_S", 0.1)
    place = place_of(through.replace("lead@", "watcher@"))
    heard: queue.Queue[Any] = queue.Queue()
    line.cut()
    # Nothing but the terminal is missing.
    assert main(["watch", str(place)]) == 2 and "needs a terminal" in capsys.readouterr().err
    runtime = LeadRuntime(place)
    runtime.start(heard.put)
    try:
        for _ in range(2):
            runtime.take(report := heard.get(timeout=60))
            assert isinstance(report, NoJournal) and "the server does not answer" in report.lines[0]
        assert runtime.failed == () and runtime.session.snapshot is None
        line.mend()
        while runtime.session.snapshot is None:
            runtime.take(heard.get(timeout=60))
        line.cut()
        while not (trouble := runtime.scene().trouble):
            runtime.take(heard.get(timeout=60))
        assert re.fullmatch(r"as of [0-9:]{8}Z, \d+ s ago; the server does not answer", trouble)
    finally:
        runtime.stop()


@pytest.fixture
def estranged(server: Server, direct: str, tmp_path: Path) -> tuple[Writer, queue.Queue[Report]]:
    """A desk that wrote three ticks, and then a note beside another history on its server from event 3 on."""
    writer, heard = desk(direct, tmp_path / "out")
    until(heard, Opened)
    for n in range(3):
        writer.submit(Job(n, (done(f"t0.{n + 1}", 60 * n + 60),), PRESSED))
        until(heard, Written)
    switch = "ALTER TABLE tracker.events {} TRIGGER refuse"
    own = "(SELECT id FROM tracker.journals WHERE name = %s)"
    server.admin(switch.format("DISABLE"), database="excursions")
    name = (direct.split("#")[1],)
    server.admin(f"DELETE FROM tracker.events WHERE number > 2 AND journal = {own}", name, "excursions")
    server.admin(switch.format("ENABLE"), database="excursions")
    with Journal.open(direct) as other:
        other.record({"kind": "noted", "text": "another history", "at": 500})
    writer.submit(Job(8, ({"kind": "noted", "text": "mine", "at": 400},), PRESSED))
    report, said = until(heard, Unsaved), until(heard, Away)
    assert report.kept and "another history from event 3 on" in report.words
    assert said.forked and "`elsewhere PATH` goes on there" in said.words
    return writer, heard


def test_a_desk_goes_on_beside_a_server_that_holds_another_history(
    estranged: tuple[Writer, queue.Queue[Report]], direct: str, tmp_path: Path
) -> None:
    writer, heard = estranged
    writer.go_elsewhere(str(tmp_path / "beside.sqlite"))
    assert until(heard, Opened).path == str(tmp_path / "beside.sqlite")
    assert until(heard, Written).token == 8 and writer.stop() == ()
    with Journal.open(tmp_path / "beside.sqlite", read_only=True) as own:
        assert [event.kind for event in own.fold.recorded] == ["zero", *["done"] * 3, "noted", "noted"]
        assert "another history from event 3 on" in own.fold.recorded[4].body["text"]
    with Journal.open(direct, read_only=True) as theirs:
        assert [event.kind for event in theirs.fold.recorded] == ["zero", "done", "noted"]


def test_a_desk_whose_server_holds_another_history_stops_and_keeps_everything(
    estranged: tuple[Writer, queue.Queue[Report]], direct: str, tmp_path: Path
) -> None:
    writer, _ = estranged
    assert [job.token for job in writer.stop()] == [8]
    with Journal.open(direct, read_only=True) as journal:
        assert journal.number == 3
    # Their own history goes beside it, and what waits after it.
    from tracker.journal.rescue import rescue

    own_place = tmp_path / "own.sqlite"
    found = rescue(place_of(direct), own_place, [tmp_path / "out"])
    assert (found.verdict.events, found.missing) == (4, ())
    with Journal.open(own_place, outbox=tmp_path / "out") as journal:
        assert [event.kind for event in journal.fold.recorded] == ["zero", "done", "done", "done", "noted"]


def test_others_are_told_of_while_the_line_stands(direct: str, tmp_path: Path) -> None:
    writer, heard = desk(direct, tmp_path / "out")
    until(heard, Opened)
    with Journal.open(direct) as other:
        other.record(done("t3.1", 600), seat="lead@b")
    assert until(heard, OthersWrote).progress.number == 2
    writer.stop()

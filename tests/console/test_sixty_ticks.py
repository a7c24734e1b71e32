"""An excursion of 60 ticks typed in a real terminal: every one on disk, the screen right at the end."""

from __future__ import annotations

import base64
import os
import re
import sys
import time
from datetime import timedelta
from pathlib import Path

import pexpect
import pytest

from tracker.foundation.clock import utc_now
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan

PAUSE_S = 0.34
"""Between two keys: more than what is taken for a bounce of the same one."""


def plan_of_60(folder: Path) -> Path:
    """Return a plan with 30 steps for each of two, and the way home."""
    tasks = ""
    for crew in ("EV1", "EV2"):
        steps = "".join(
            f"\n      - {{do: Post {n} of {crew}, crew: [{crew}], time: 0:02}}" for n in range(1, 31)
        )
        tasks += f"\n  - id: posts-{crew}\n    steps:{steps}"
    path = folder / "posts.yaml"
    path.write_text(
        "format: 1\nexcursion: Sixty posts\nlimits: {elapsed: 4:00}\ncrew: [{id: EV1}, {id: EV2}]\n"
        f"tasks:{tasks}\n  - id: home\n    closeout: true\n"
        "    steps: [{do: Go in, crew: [EV1, EV2], time: 0:05}]\n",
        encoding="utf-8",
    )
    return path


def begun(folder: Path) -> Path:
    """Return a journal whose clock was started an hour ago."""
    path = folder / "one.sqlite"
    with Journal.create(path, read_plan(plan_of_60(folder))) as journal:
        start = format_instant(utc_now() - timedelta(hours=1))
        journal.record({"kind": "zero", "utc": start}, utc_now=utc_now())
    return path


def opened(path: Path) -> pexpect.spawn[bytes]:
    child: pexpect.spawn[bytes] = pexpect.spawn(
        sys.executable,
        ["-m", "tracker", "run", path.name, "--seat", "here"],
        dimensions=(24, 80),
        env={**os.environ, "TERM": "xterm-256color"},
        cwd=str(path.parent),
        timeout=30,
    )
    child.delaybeforesend = None
    child.expect_exact("Post 1 of EV1")
    return child


def listen(child: pexpect.spawn[bytes], seconds: float) -> bytes:
    heard, end = b"", time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        try:
            heard += child.read_nonblocking(1 << 16, timeout=left)
        except pexpect.TIMEOUT:
            break
    return heard


def words_of(heard: bytes) -> str:
    """Return what was written to a terminal without its escape sequences."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", " ", heard.decode("utf-8", "replace"))


def test_sixty_ticks_of_which_twelve_are_late_and_three_taken_back(tmp_path: Path) -> None:
    path = begun(tmp_path)
    child = opened(path)
    listen(child, 2.0)
    late, keys = 0, 0
    for n in range(60):
        crew = "12"[n % 2]
        # A late tick lies before the tick before it here, and is asked about: its last key twice.
        presses = f"-{crew}11" if n % 5 == 4 else crew
        late += presses != crew
        presses += f"u{crew}" if n in (10, 30, 50) else ""
        keys += len(presses)
        for press in presses:
            child.send(press)
            listen(child, PAUSE_S)
    # Another size, so that all of the screen is written once more.
    child.setwinsize(30, 100)
    shown = " ".join(words_of(listen(child, 2.0)).split())
    child.send("q")
    listen(child, PAUSE_S)
    child.send("q")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    with Journal.open(path, read_only=True) as journal:
        progress = journal.progress()
        kinds = [event.kind for event in journal.fold.recorded]
    done = [id for id, state in progress.steps.items() if state.ended == "done"]
    assert len(done) == 60 and not any(id.startswith("home") for id in done)
    assert (kinds.count("done"), kinds.count("withdrawn"), late) == (63, 3, 12)
    assert sum(event.stated for event in progress.events if event.kind == "done") == 12
    assert keys / 60 <= 1.8
    assert "way home" in shown and "Go in" in shown and f"entry {len(kinds)} saved" in shown


def test_a_line_goes_to_the_clipboard_of_the_terminal(tmp_path: Path) -> None:
    """As xterm's control sequences have it: OSC 52 ; c ; text in base64."""
    child = opened(begun(tmp_path))
    listen(child, 1.0)
    child.send("1")
    listen(child, 1.0)
    child.send("Y")
    heard = listen(child, 1.0)
    child.close(force=True)
    found = re.search(rb"\x1b\]52;c;([A-Za-z0-9+/=]+)", heard)
    assert found is not None
    assert (
        base64.b64decode(found.group(1)).decode()
        == "entry 2 saved: EV1 done Post 1 of EV1; next Post 2 of EV1   u takes it back"
    )


@pytest.mark.parametrize("burst", ["z1", "z12"])
def test_what_is_typed_in_one_burst_is_all_on_disk(tmp_path: Path, burst: str) -> None:
    plan_of_60(tmp_path)
    command = ["-m", "tracker", "run", "posts.yaml", "--journal", "one.sqlite"]
    env = {**os.environ, "TERM": "xterm-256color"}
    child: pexpect.spawn[bytes] = pexpect.spawn(
        sys.executable, command, dimensions=(24, 80), env=env, cwd=str(tmp_path), timeout=30
    )
    child.delaybeforesend = None
    child.expect_exact("Post 1 of EV1")
    listen(child, 1.0)
    child.send(burst)
    listen(child, PAUSE_S)
    child.send("1")
    listen(child, 1.5)
    child.close(force=True)
    with Journal.open(tmp_path / "one.sqlite", read_only=True) as journal:
        steps = [event.body.get("step") for event in journal.fold.recorded]
    assert steps == [None, "posts-EV1.1", *(["posts-EV2.1"] if "2" in burst else []), "posts-EV1.2"]

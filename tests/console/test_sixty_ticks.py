"""An excursion of 60 ticks typed in a real terminal: every one on disk, the screen right at the end."""

from __future__ import annotations

import base64
import re
from datetime import timedelta
from pathlib import Path

import pytest

from tests.terminal import BOUNCE_S, Terminal
from tracker.foundation.clock import utc_now
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan


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


BOUNCED = "came twice within"


def opened(*words: str, cwd: Path) -> Terminal:
    desk = Terminal("run", *words, "--seat", "here", cwd=cwd)
    desk.until("Post 1 of EV1")
    return desk


def heard(desk: Terminal, press: str, words: str) -> None:
    """Wait for the words that a press brings; pressed again where it is said to be a bounce.

    A machine that stood still reads two keys at once.
    """
    desk.until(lambda: words in desk.text or BOUNCED in desk.text)
    if words not in desk.text:
        desk.rest(BOUNCE_S)
        desk.send(press)
        desk.until(lambda: words in desk.text and BOUNCED not in desk.text)


def test_sixty_ticks_of_which_twelve_are_late_and_three_taken_back(tmp_path: Path) -> None:
    path = begun(tmp_path)
    late, keys, written = 0, 0, 1
    with opened(path.name, cwd=tmp_path) as desk:
        desk.until("entry 1 saved")
        for n in range(60):
            crew = "12"[n % 2]
            # A late tick lies before the tick before it here, and is asked about: its last key twice.
            presses = [f"-{crew}1", "1"] if n % 5 == 4 else [crew]
            late += len(presses) - 1
            presses += ["u", crew] if n in (10, 30, 50) else []
            keys += sum(map(len, presses))
            for press in presses:
                desk.send(press)
                if press.startswith("-"):
                    desk.until("lies before the tick")
                    desk.rest(BOUNCE_S)
                else:
                    # A digit after its own, with one other between them.
                    desk.rest(BOUNCE_S / 2)
                    written += 1
                    words = f"took back {written - 1}" if press == "u" else f"entry {written} saved"
                    heard(desk, press, words)
        desk.until("way home")
        shown = " ".join(desk.text.split())
        desk.press_s("q", "q again")
        desk.rest(BOUNCE_S)
        desk.send("q")
        assert desk.end()[1] == 0
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
    with opened(begun(tmp_path).name, cwd=tmp_path) as desk:
        desk.press_s("1", "entry 2 saved")
        desk.press_s("Y", lambda: b"\x1b]52;c;" in desk.raw)
        desk.rest(0.2)
    found = re.search(rb"\x1b\]52;c;([A-Za-z0-9+/=]+)", desk.raw)
    assert found is not None
    assert (
        base64.b64decode(found.group(1)).decode()
        == "entry 2 saved: EV1 done Post 1 of EV1; next Post 2 of EV1   u takes it back"
    )


@pytest.mark.parametrize("burst", ["z1", "z12"])
def test_what_is_typed_in_one_burst_is_all_on_disk(tmp_path: Path, burst: str) -> None:
    plan_of_60(tmp_path)
    with opened("posts.yaml", "--journal", "one.sqlite", cwd=tmp_path) as desk:
        desk.until("z starts the clock")
        desk.press_s(burst, f"entry {len(burst)} saved")
        desk.rest(BOUNCE_S)
        desk.press_s("1", f"entry {len(burst) + 1} saved")
    with Journal.open(tmp_path / "one.sqlite", read_only=True) as journal:
        steps = [event.body.get("step") for event in journal.fold.recorded]
    assert steps == [None, "posts-EV1.1", *(["posts-EV2.1"] if "2" in burst else []), "posts-EV1.2"]

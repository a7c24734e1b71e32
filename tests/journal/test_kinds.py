"""The table of event kinds: whole, and all that a new kind asks for."""

from __future__ import annotations

import filecmp
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tracker.journal import events
from tracker.journal.fold import EFFECTS
from tracker.journal.kinds import BY_NAME, BY_WORD, KINDS, EventKind

TOP = Path(__file__).resolve().parents[2]


def test_names_and_words_are_each_there_once() -> None:
    assert len(BY_NAME) == len(KINDS)
    assert len(BY_WORD) == sum(len(kind.every_word) for kind in KINDS)


@pytest.mark.parametrize("kind", KINDS, ids=[kind.name for kind in KINDS])
def test_every_row_is_whole(kind: EventKind) -> None:
    keys = {argument.key for argument in kind.arguments} | {"text", "by"}
    assert keys == set(events.MODELS[kind.name].model_fields)
    assert (kind.name in EFFECTS) != kind.about_events


def test_no_model_of_a_body_is_without_a_kind() -> None:
    models = {
        name
        for name, one in vars(events).items()
        if isinstance(one, type) and issubclass(one, events.Body) and not name.startswith("_")
    }
    assert models - {"Body"} == {kind.body for kind in KINDS}


NEW = {
    "events.py": (
        "class Counted(OneStep):",
        """class Rested(Body):
    \"\"\"One crew member, and how many breaths they took.\"\"\"

    crew: Member
    breaths: Whole


""",
    ),
    "folding/conditions.py": (
        "def called(",
        """def rested(state: State, event: Recorded, at: float) -> None:
    \"\"\"Somebody caught their breath: what they are at says nothing of their pace.\"\"\"
    for c in the_crew(state, event):
        _no_evidence(state, c, at)


""",
    ),
    "kinds.py": (
        "    EventKind(\n        name=\"held\"",
        """    EventKind(
        name="rested", body="Rested", effect="conditions.rested", words=("rest",),
        arguments=(_CREW, Argument("breaths", "count"), _TEXT),
        meaning="somebody caught their breath", example="rest EV1 12", verb="rested",
        cause="rests", listed="change",
    ),
""",
    ),
}  # fmt: skip
"""Per program file what a new kind adds to it, and before which line."""

USED = """
import sys
from datetime import UTC, datetime
from pathlib import Path

import tracker
from tracker.cli.main import main
from tracker.console.key_events import undo
from tracker.debrief.excursion import changes
from tracker.forecast.changed import moved
from tracker.journal.journal import Journal
from tracker.journal.typed import parse_entry
from tracker.journal.wording import event_words
from tracker.plan.read import read_plan

assert Path(tracker.__file__).is_relative_to(Path.cwd()), tracker.__file__
EARLIER, NOW = (datetime(2031, 5, 4, 14, minute, tzinfo=UTC) for minute in (39, 40))
plan = read_plan(Path(sys.argv[1]))
with Journal.create("one.sqlite", plan) as journal:
    journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, seat="op", utc_now=EARLIER)
    before = journal.progress()
    step = before.current["EV1"]
    typed = parse_entry("rest ev1 12 -3 out of breath", before, now=2400, utc_now=NOW, seat="op")
    assert typed == [
        {"kind": "rested", "crew": "EV1", "breaths": 12, "at": 2220, "text": "out of breath"}
    ], typed
    journal.record_all(typed, seat="op", utc_now=NOW)
    after = journal.progress()
    assert before.steps[step].evidence and not after.steps[step].evidence
    last = after.events[-1]
    print(event_words(after, last.kind, last.body))
    print(changes(after)[-1].what)
    print(undo(after, "op").words)
    assert moved(before, after, then=0, now=2400, scenarios=50)
    journal.record_all(parse_entry("undo", after, now=2400, utc_now=NOW, seat="op"), seat="op", utc_now=NOW)
    assert journal.progress().steps[step].evidence
assert main(["verify", "one.sqlite"]) == 0
assert main(["record", "one.sqlite", "rested", "crew=EV1", "breaths=3", "--at", "0:41"]) == 0
main(["record", "--help"])
"""


def test_a_new_kind_of_event_touches_three_program_files(tmp_path: Path) -> None:
    shutil.copytree(TOP / "tracker", tmp_path / "tracker", ignore=shutil.ignore_patterns("__pycache__"))
    for name, (before, lines) in NEW.items():
        path = tmp_path / "tracker" / "journal" / name
        text = path.read_text(encoding="utf-8")
        assert text.count(before) == 1, name
        path.write_text(text.replace(before, lines + before), encoding="utf-8")
    names = [path.relative_to(TOP) for path in sorted((TOP / "tracker").rglob("*.py"))]
    assert sum(not filecmp.cmp(TOP / name, tmp_path / name, shallow=False) for name in names) == 3

    plan = TOP / "plans" / "larkspur.yaml"
    ran = subprocess.run(
        [sys.executable, "-c", USED, str(plan)], cwd=tmp_path, capture_output=True, text=True, timeout=120
    )
    assert ran.returncode == 0, ran.stderr
    told = ran.stdout.splitlines()
    assert told[0] == "rested EV1 12 (out of breath)"
    assert told[1] == "crew EV1, breaths 12"
    assert told[2].startswith("took back 2: rested EV1 12 (out of breath) at 0:37:00")
    assert any(line.split()[:1] == ["rested"] and "caught their breath" in line for line in told)

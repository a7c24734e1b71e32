"""A small plan for tests of the journal, and journals of it; everything in it is invented."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tracker.foundation import clock
from tracker.journal.journal import Journal
from tracker.journal.progress import Recorded
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import seal
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

PLAN = """\
format: 1
excursion: Sallow hinge
zero: Both suits on battery power
limits: {elapsed: 3:00}
crew:
  - {id: EV1, name: Anouk}
  - {id: EV2, name: Bryn}
  - {id: IV, name: Cai, outside: false}
consumables:
  - {id: oxygen, unit: kg, start: 0.75, reserve: 0.10, per_hour: 0.005, per_megajoule: 0.0695}
  - {id: battery, unit: Wh, start: 600, reserve: 60, per_hour: 70}
sites: {truss-4: {home: 0:12}}
rounds: [{id: status, every: 0:30, ask: [suit, oxygen, gloves]}]
hardware: [{id: wrench, title: Torque wrench}]
windows:
  - {id: daylight, open: [[0:00, 0:47], [1:32, 3:19]]}
tasks:
  - id: egress
    title: Leave the lock
    steps:
      - {id: hatch, do: Open the outer hatch, crew: [EV1], time: 0:05}
      - {do: Look one another over, crew: [EV1, EV2], time: 0:04}
  - id: hinge
    title: Replace the hinge
    needs: [egress]
    steps:
      - {id: release, do: Release the four captive fasteners, crew: [EV1], time: 0:12, count: 4}
      - {id: unplug, do: Unplug the cable, crew: [EV1], time: 0:03}
      - {id: mate, do: Mate the new connector, crew: [EV1], time: 0:10}
      - {id: power, do: Power it on, crew: [IV], time: 0:02, hold_point: ask the lead, needs: [hinge.mate]}
  - id: trays
    title: Collect the trays
    steps:
      - {id: walk, do: Walk to the rack, crew: [EV2], time: 0:06}
      - {id: take, do: Take the tray out, crew: [EV2], time: 0:08}
  - id: latch
    title: Grease the latch
    priority: get-ahead
    steps:
      - {id: wipe, do: Wipe the latch, crew: [EV2], time: 0:06}
      - {id: grease, do: Grease it, crew: [EV2], time: 0:06}
  - id: home
    title: Go home
    closeout: true
    steps:
      - {id: back, do: Go back in, crew: [EV1, EV2], time: 0:10}
"""

ZERO: dict[str, Any] = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}


def plan() -> Plan:
    """Return the plan, read afresh."""
    return parse_plan(PLAN, file="sallow.yaml", name="sallow")


def done(step: str, at: int) -> dict[str, Any]:
    """Return a tick."""
    return {"kind": "done", "step": step, "at": at}


MORNING: tuple[dict[str, Any], ...] = (
    {"kind": "noted", "text": "suits checked"},
    ZERO,
    done("egress.hatch", 320),
    done("egress.2", 600),
    {"kind": "held", "crew": ["EV2"], "text": "glove check", "at": 700},
    {"kind": "counted", "step": "hinge.release", "count": 3, "at": 900},
    {"kind": "resumed", "crew": ["EV2"], "at": 1000},
    {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.7, "at": 1100},
    done("hinge.release", 1300),
    {"kind": "dropped", "task": "latch", "at": 1310},
    {"kind": "withdrawn", "event": 10},
    {"kind": "amended", "event": 9, "at": 1290},
)
"""The first events of an excursion, one of most sorts."""


LONG_BEFORE = datetime(2026, 11, 27, tzinfo=UTC)
"""When events are written down, years before the zero of `MORNING`, on whatever day the tests run."""


def journal(folder: Path, *events: dict[str, Any], name: str = "one.sqlite") -> Journal:
    """Return a new journal of the plan with some events."""
    made = Journal.create(folder / name, plan())
    made.record_all(events, seat="op@desk", utc_now=LONG_BEFORE)
    return made


def on_record(path: Path, kind: str, at: float, **body: Any) -> None:
    """Put an event into a journal as it would stand there if nothing had been asked of it."""
    with closing(SqliteStore.open(path)) as store:
        rows = store.rows()
        before = rows[-1].hash if rows else store.genesis.hash
        event = Recorded(len(rows) + 1, kind, at, True, clock.utc_now(), "op@desk", body)
        with store.writing():
            store.append(seal(event, before))

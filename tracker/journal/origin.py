"""Where a journal comes from: what it is created with, and how its fold is made again from what is stored."""

from __future__ import annotations

import getpass
import os
import socket
import uuid
from collections.abc import Iterable
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from tracker.foundation import clock
from tracker.foundation.errors import EventError, JournalError, PlanError
from tracker.foundation.text import plain
from tracker.foundation.times import format_instant
from tracker.journal.fold import Fold
from tracker.journal.progress import Recorded
from tracker.journal.store import Genesis, Row, unseal
from tracker.plan.model import Plan

# A chain may be whole and still hold what no program of ours wrote, such as an event without its keys.
_UNFIT = (EventError, LookupError, TypeError, ValueError, AttributeError, ArithmeticError, AssertionError)


def start_fold(genesis: Genesis, name: str, plan: Plan | None = None) -> Fold:
    """Return the fold of a journal before its first event; JournalError when its plan cannot be used."""
    try:
        plan = plan or _read_again(genesis.plan, genesis.plan_name)
    except PlanError as error:
        lines = (f"{name}: {line}" for line in error.lines)
        raise JournalError(f"{name}: this program finds faults in the journal's plan", *lines) from error
    return Fold.start(
        plan,
        uuid=genesis.uuid,
        pace_text=genesis.pace,
        pace_name=genesis.pace_name,
        rehearsal=genesis.rehearsal,
    )


@lru_cache(maxsize=64)
def _read_again(text: str, name: str) -> Plan:
    """Return the plan in a journal; the journals of a season often hold the same one."""
    from tracker.plan.read import parse_plan

    return parse_plan(text, file="plan", name=name)


def replay(fold: Fold, digest: str, rows: Iterable[Row], name: str) -> tuple[Fold, str]:
    """Return the fold and the hash after some more rows; JournalError names the first unsound one."""
    events = []
    for number, row in enumerate(rows, fold.number + 1):
        if row.number != number:
            raise JournalError(f"{name}: event {number} is missing")
        if not row.sealed_after(digest):
            raise JournalError(f"{name}: event {number} was changed, or one before it: its hash does not fit")
        try:
            events.append(unseal(row))
        except ValueError as error:
            raise JournalError(f"{name}: event {number} cannot be read: {error}") from error
        digest = row.hash
    try:
        return fold.add_all(events), digest
    except _UNFIT:
        raise _first_impossible(fold, events, name) from None


def _first_impossible(fold: Fold, events: Iterable[Recorded], name: str) -> JournalError:
    """Return the error that names the first event that does not fit what came before."""
    for event in events:
        try:
            fold = fold.add(event)
        except _UNFIT as error:
            why = error.lines[0] if isinstance(error, EventError) else f"{type(error).__name__}: {error}"
            return JournalError(f"{name}: event {event.number} cannot be replayed: {plain(why, most=200)}")
    return JournalError(f"{name}: the events cannot be replayed")


def new_genesis(plan: Plan, *, pace: str | Path | None = None, rehearsal: bool = False) -> Genesis:
    """Return what a new journal starts from: a fresh UUID, the plan and the pace file as read."""
    if not plan.source.strip():
        raise JournalError("the plan has no text to put into a journal; read it with read_plan")
    pace_name, pace_text = _named_pace(pace)
    created = format_instant(clock.utc_now())
    return Genesis(str(uuid.uuid4()), created, rehearsal, plan.name, plan.source, pace_name, pace_text)


def default_path(plan: Plan, utc_now: datetime) -> Path:
    """Return where a journal goes when nobody says where: `logs/`, the plan's name, UTC date and time."""
    return Path("logs") / f"{plan.name}-{utc_now:%Y%m%dT%H%M%SZ}.sqlite"


def default_seat() -> str:
    """Return `user@host`, the name of a seat that was not named."""
    try:
        user = getpass.getuser()
    except (KeyError, ImportError, OSError):
        user = str(os.getuid())
    return plain(f"{user}@{socket.gethostname()}", most=80)


def _named_pace(pace: str | Path | None) -> tuple[str | None, str | None]:
    """Return name and text of a pace file given by path or by text."""
    if pace is None:
        return None, None
    if isinstance(pace, str) and "\n" in pace:
        return "pace", pace
    return Path(pace).name, read_pace_text(Path(pace))


def read_pace_text(path: Path) -> str:
    """Return the text of a pace file; JournalError when there is none."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{path}: the pace file cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise JournalError(f"{path}: the pace file is not UTF-8 text") from error

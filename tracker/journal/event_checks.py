"""What may be recorded, and when: an event as it comes in becomes an event on record, or is refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, TypeVar

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_instant, format_pet_s, whole_milliseconds
from tracker.journal.events import Parsed, parse_event
from tracker.journal.fold import check_bounds, completed, stamp
from tracker.journal.kinds import ABOUT_EVENTS, AFTER_CLOSED, BEFORE_ZERO, is_partner, partner_of
from tracker.journal.progress import Folded, Recorded, pet_if_live

F = TypeVar("F", bound=Folded)

AHEAD_S = 5
"""How far ahead of the clock an event may be where the journal is live."""


def is_live(fold: Folded, utc_now: datetime) -> bool:
    """Whether the journal is live at a seat with this clock: 0 to 7 days after zero."""
    return pet_if_live(fold.zero, utc_now) is not None


def admit(
    fold: F,
    event: Mapping[str, Any] | Parsed,
    *,
    utc_now: datetime,
    seat: str,
    sent: datetime | None = None,
) -> tuple[Recorded, F, tuple[str, ...]]:
    """Return an event as recorded, the fold with it, and what is unusual about it.

    `event` is as it travels, or as its body was read already. `utc_now` is the seat's clock at the press,
    `sent` as it goes on record, where that is later; `seat` its name where the event gives none. Raises
    EventError, naming what the event contradicts; nothing is changed then.
    """
    now = whole_milliseconds(utc_now)
    parsed = event if isinstance(event, Parsed) else parse_event(event)
    if parsed.kind == "withdrawn" and "job" in parsed.body:
        raise EventError("withdrawn: `job` names a press where it is recorded; give the `event`, its number")
    at, stated = _when(fold, parsed, now)
    recorded = Recorded(
        number=fold.number + 1,
        kind=parsed.kind,
        at=float(at),
        stated=stated,
        recorded=now if sent is None else max(now, whole_milliseconds(sent)),
        seat=parsed.seat or seat,
        body=completed(fold, parsed, now),
    )
    after = fold.add(recorded)
    if parsed.kind == "amended" and (wrong := _beyond(after)) and not _beyond(fold):
        raise EventError(f"amended: {wrong}: that is where it puts an event; check the day and year")
    return recorded, after, _new_warnings(fold, after)


def _beyond(fold: Folded) -> str | None:
    """What is said of the event in force that is farthest from zero, where that is too far."""
    return fold.beyond(max((abs(one.at) for one in fold.progress().events), default=0.0))


def check_together(fold: Folded, events: Sequence[Parsed]) -> None:
    """Refuse a decision that comes without the event which does it, in this transaction or before it."""
    told = [{"kind": one.kind, **one.body} for one in events]
    for event in told:
        wanted = partner_of(event)
        if wanted is None or any(is_partner(one, wanted) for one in told) or _stands(fold, wanted):
            continue
        name, kind = plain(event.get("task"), most=60), wanted["kind"]
        does = f"`{kind}` of {name}" + (" with `last: true`" if "last" in wanted else "")
        what = f"chose {name} {event['choice']}: comes with {does}, both or neither"
        raise EventError(f"{what}; record `{kind}` first")


def _stands(fold: Folded, wanted: Mapping[str, Any]) -> bool:
    """Whether what a decision wants beside it is in force already."""
    progress, task = fold.progress(), wanted["task"]
    if wanted["kind"] == "dropped":
        state = progress.tasks.get(str(task))
        return state is not None and state.status == "dropped"
    moves = [one for one in progress.events if one.kind == "moved" and one.body.get("task") == task]
    return bool(moves) and is_partner({"kind": "moved", **moves[-1].body}, wanted)


def _when(fold: Folded, parsed: Parsed, now: datetime) -> tuple[float, bool]:
    """Return the PET of an event, and whether it was stated."""
    check_bounds(fold, parsed)
    if parsed.kind == "zero":
        return _at_zero(parsed)
    if parsed.kind == "amended" and parsed.at is None:
        return 0.0, True
    at = parsed.at
    live = is_live(fold, now)
    if at is None:
        return _unstated(fold, parsed, now, live), False
    if fold.zero is None and at > 0 and parsed.kind in BEFORE_ZERO:
        raise _refused(parsed, at, "the clock has not started; before zero `at` is 0 or negative")
    if live and fold.zero is not None and at > stamp(now, fold.zero) + AHEAD_S:
        present = format_pet_s(stamp(now, fold.zero))
        raise _refused(parsed, at, f"that is in the future, now it is {present}")
    return float(at), True


def _at_zero(parsed: Parsed) -> tuple[float, bool]:
    if parsed.at:
        raise _refused(parsed, parsed.at, "zero is PET 0 by itself; give its `utc`")
    return 0.0, "utc" in parsed.body


def _unstated(fold: Folded, parsed: Parsed, now: datetime, live: bool) -> float:
    """Return the PET of an event that gives none."""
    if live:
        assert fold.zero is not None
        at = stamp(now, fold.zero)
        if parsed.kind not in AFTER_CLOSED and (wrong := fold.beyond(at)):
            right = "a later elapsed limit, said of an instant before that, moves it"
            raise EventError(f"{parsed.kind}: {wrong}; {right}")
        return at
    if parsed.kind in ABOUT_EVENTS:
        return fold.at
    if fold.zero is None:
        # Refused later on unless it is of a kind that counts as PET 0.
        return 0.0
    raise EventError(
        f"{parsed.kind}: `at` is missing, and this journal is not live at {format_instant(now)} "
        f"(zero is {format_instant(fold.zero)}); give the PET at which it happened"
    )


def _new_warnings(before: Folded, after: Folded) -> tuple[str, ...]:
    if after.warnings[: len(before.warnings)] == before.warnings:
        return tuple(text for _, text in after.warnings[len(before.warnings) :])
    old = set(before.warnings)
    return tuple(text for number, text in after.warnings if (number, text) not in old)


def _refused(parsed: Parsed, at: float, why: str) -> EventError:
    what = plain(f"{parsed.kind} {parsed.body.get('step') or parsed.body.get('task') or ''}", most=80).strip()
    return EventError(f"{what} at {format_pet_s(at)}: {why}")

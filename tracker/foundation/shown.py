"""How times are rounded and worded where a person reads them: instants, durations, what is to spare, shifts.

Rounding is against the crew: an ingress and other ends up; limits, reserves, last calls, turn-back,
countdowns and chances down; facts and the clock down; what is merely planned to the nearest minute. A
difference is taken of what is shown, so that figures add up as shown. What single precision takes off an
instant is no minute. Chances are worded by `foundation/text.percent`, by the same rule.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from tracker.foundation.times import format_pet

MINUTE_S = 60
"""Instants are shown to the minute."""
GRAIN_S = 0.01
"""What rounding in single precision may take from an instant of ten hours or so, or add to it."""
_EXACT_S = 600
"""Below so many seconds a duration that is on record has its seconds."""
LONG_MIN = 100
"""From so many minutes on a duration is told in hours and minutes."""


def up(seconds: float | None, now: float = -math.inf) -> int | None:
    """The end of the minute, in seconds: of an ingress, or of another end; None for what is no instant.

    Of what is on record at `now`, which is a fact, the begin of the minute.
    """
    if seconds is not None and seconds <= now + GRAIN_S:
        return down(seconds)
    return _of(seconds, lambda s: math.ceil((s - GRAIN_S) / MINUTE_S))


def down(seconds: float | None) -> int | None:
    """The begin of the minute, in seconds: of a limit, a last call, a fact; None for what is no instant."""
    return _of(seconds, lambda s: math.floor((s + GRAIN_S) / MINUTE_S))


def nearest(seconds: float | None) -> int | None:
    """The nearest minute, in seconds, halves up: of a planned begin, a shift; None for what is none."""
    return _of(seconds, lambda s: math.floor((s + GRAIN_S) / MINUTE_S + 0.5))


def _of(seconds: float | None, minutes: Callable[[float], int]) -> int | None:
    return None if seconds is None or not math.isfinite(seconds) else minutes(seconds) * MINUTE_S


def pet_up(seconds: float | None, now: float = -math.inf) -> str:
    """An ingress or another end as `H:MM`, of which one that is past at `now` is a fact; a dash for none."""
    return format_pet(up(seconds, now))


def pet_down(seconds: float | None) -> str:
    """A limit, a last call, a turn-back or a fact as `H:MM`; a dash for none."""
    return format_pet(down(seconds))


def pet_nearest(seconds: float | None) -> str:
    """A planned begin as `H:MM`; a dash for none."""
    return format_pet(nearest(seconds))


def duration(seconds: float | None) -> str:
    """A duration in whole minutes, the begun one left out: `67 min`, from 100 min on `2 h 17`.

    Of a negative one, its size; a dash for none.
    """
    if seconds is None or not math.isfinite(seconds):
        return "-"
    minutes = math.floor((abs(seconds) + GRAIN_S) / MINUTE_S)
    return f"{minutes} min" if minutes < LONG_MIN else f"{minutes // 60} h {minutes % 60:02d}"


def exact(seconds: float) -> str:
    """A duration that is on record: below ten minutes with its seconds where they count, `2:49 min`."""
    whole = math.floor(abs(seconds) + GRAIN_S)
    return f"{whole // 60}:{whole % 60:02d} min" if whole < _EXACT_S and whole % 60 else duration(seconds)


def spare(limit: float | None, ingress: float | None, now: float = -math.inf) -> int | None:
    """What is to spare, in seconds: the shown instant of a limit less the shown ingress; negative: SHORT."""
    at, inside = down(limit), up(ingress, now)
    return None if at is None or inside is None else at - inside


def spare_words(seconds: float | None) -> str:
    """What is to spare in words: `67 min to spare`, `38 min SHORT`; a dash for none."""
    if seconds is None:
        return "-"
    return f"{duration(seconds)} {'to spare' if seconds >= 0 else 'SHORT'}"


def left(instant: float | None, now: float) -> int | None:
    """The countdown to an instant that is shown rounded down, in seconds; negative once it is past."""
    shown = down(instant)
    return None if shown is None else down(shown - now)


def in_words(instant: float | None, now: float) -> str:
    """The countdown to an instant that is shown rounded down: `in 14 min`, `3 min ago`; empty for none."""
    shown = down(instant)
    if shown is None:
        return ""
    return f"in {duration(shown - now)}" if shown - now >= MINUTE_S else ago_words(now - shown)


def ago_words(seconds: float) -> str:
    """How long ago something was: `3 min ago`; `now` within the minute."""
    return "now" if abs(seconds) < MINUTE_S else f"{duration(seconds)} ago"


def running(worked_s: float, expected_s: float) -> str:
    """How long something runs, of how long it should: `5:44 of 5:00 min`."""
    return f"{minutes_seconds(worked_s)} of {minutes_seconds(expected_s)} min"


def minutes_seconds(seconds: float) -> str:
    """Minutes and seconds, also of more than an hour: `5:44`; the begun second left out."""
    whole = max(0, math.floor(seconds + GRAIN_S))
    return f"{whole // 60}:{whole % 60:02d}"


def change(seconds: float | None) -> str:
    """A shift or a lateness, bare, for a column headed so: `+36`, `-4`, `+0`, `+2 h 17`; empty for none."""
    whole = nearest(seconds)
    if whole is None:
        return ""
    return f"{'-' if whole < 0 else '+'}{duration(whole).removesuffix(' min')}"

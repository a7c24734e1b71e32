"""Ticks that came within seconds of one another: their common time is shared out by planned time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

TOGETHER_S = 15.0
"""Ticks of one crew member closer than this are one batch."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One `done`, with what is known about the time before it."""

    step: str
    number: int
    at: float
    begin: float
    """When its stretch of work began, were it alone."""
    worked_s: float
    """Work time from stretches before this one."""
    planned_s: float
    crew: tuple[str, ...]
    """Who was there."""
    free: Mapping[str, float]
    """Per member of `crew` since when their time is not accounted for."""
    cause: str | None
    """What was waited for before `begin`."""
    stated: bool
    """Whether its begin was stated; such a tick stays alone."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Ticks that share their time, in order."""

    ticks: tuple[Tick, ...]

    @property
    def crew(self) -> tuple[str, ...]:
        """Everybody in it."""
        return tuple(dict.fromkeys(c for tick in self.ticks for c in tick.crew))

    def last_of(self, crew: str) -> float:
        """Return when this crew member's last tick of it was."""
        return max(tick.at for tick in self.ticks if crew in tick.crew)


@dataclass(frozen=True, slots=True)
class Share:
    """What one tick of a batch comes to."""

    tick: Tick
    begin: float
    end: float
    worked_s: float
    """All its work time, earlier stretches included."""


def shares(batch: Batch) -> list[Share]:
    """Return each tick's part: all steps at one pace, which makes the last of them end at the last tick.

    For one crew member that is their common time, shared out by planned time. Joint steps begin when the
    last of their crew is through with their part before it.
    """
    ticks = batch.ticks
    if len(ticks) == 1:
        tick = ticks[0]
        return [Share(tick, tick.begin, tick.at, tick.worked_s + tick.at - tick.begin)]
    planned = _weights(ticks)
    end = max(tick.at for tick in ticks)
    first = min(tick.begin for tick in ticks)
    # Beyond this pace a single step would fill all the time; Newton's method on a convex function comes
    # down from there in finitely many steps.
    pace = (end - first + max(t.worked_s for t in ticks)) / min(d for d in planned if d > 0)
    for _ in range(100):
        played, late, slope = _play(ticks, planned, pace, end)
        if late <= 1e-9 or slope <= 0:
            break
        pace -= late / slope
    return [_share(tick, begin, through) for tick, (begin, through) in zip(ticks, played, strict=True)]


def _weights(ticks: Sequence[Tick]) -> list[float]:
    planned = [max(tick.planned_s, 0.0) for tick in ticks]
    return planned if any(planned) else [1.0] * len(ticks)


def _share(tick: Tick, begin: float, through: float) -> Share:
    begin = min(round(begin, 3), tick.at)
    through = max(round(through, 3), begin)
    return Share(tick, begin, through, tick.worked_s + through - begin)


def _play(
    ticks: Sequence[Tick], planned: Sequence[float], pace: float, end: float
) -> tuple[list[tuple[float, float]], float, float]:
    """Play the ticks at a pace: begins and ends, by how much the last end is late, and its slope in pace."""
    through: dict[str, tuple[float, float]] = {}
    played = []
    last = (end, 0.0)
    for tick, d in zip(ticks, planned, strict=True):
        before = [through[c] if c in through else (tick.free[c], 0.0) for c in tick.crew]
        alone = not any(c in through for c in tick.crew)
        begin, slope = (tick.begin, 0.0) if alone or not before else max(before)
        more = pace * d - tick.worked_s
        finish = (begin + more, slope + d) if more > 0 else (begin, slope)
        played.append((begin, finish[0]))
        through.update(dict.fromkeys(tick.crew, finish))
        last = max(last, finish)
    return played, last[0] - end, last[1]

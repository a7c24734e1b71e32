"""Each crew member's time: stretches of work, waiting, hold and idleness, closed without a gap.

Ticks that came within seconds of one another share their time by planned time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tracker.journal.folding.state import Batch, State, Tick
from tracker.journal.progress import StepState, Stretch

TOGETHER_S = 15.0
"""Ticks of one crew member closer than this are one batch."""


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


def planned_s(state: State, s: StepState) -> float:
    """Return the planned seconds of a step as its crew goes to it: on the way home, from their last site."""
    time = s.step.time
    if time.home:
        sites = [state.site[c] for c in s.crew if c in state.site]
        if sites:
            return float(max(state.plan.sites[site] for site in sites))
    return float(time.likely)


def account(state: State, crew: str, to: float) -> None:
    """Account for a crew member's time up to an instant, as what they were doing."""
    since = state.mark[crew]
    if to <= since:
        return
    for interval in stretch(state, crew, since, to):
        assert interval.end is not None
        _append(state, crew, interval.start, interval.end, interval)
    state.mark[crew] = to


def account_all(state: State, crews: Iterable[str], to: float) -> None:
    """Account for the time of several crew members up to an instant."""
    for crew in crews:
        account(state, crew, to)


def stretch(state: State, crew: str, since: float, to: float | None) -> list[Stretch]:
    """Return how a crew member spends the time since their mark; open-ended where `to` is None."""
    step = state.current[crew]
    if crew in state.holds:
        return [Stretch(since, to, "hold", step, state.holds[crew].text or "hold")]
    if step is None:
        return [Stretch(since, to, "idle", None, None)]
    if step in state.suspended:
        other = next((c for c in state.members(step) if c in state.holds), None)
        text = state.holds[other].text if other else ""
        return [Stretch(since, to, "hold", step, text or f"hold of {other}")]
    cause = state.cause.get(step)
    running = state.steps[step].running_since
    if running is None:
        return [Stretch(since, to, "wait", step, cause)]
    if running <= since:
        return [Stretch(since, to, "work", step, None)]
    if to is not None and to <= running:
        return [Stretch(since, to, "wait", step, cause)]
    return [Stretch(since, running, "wait", step, cause), Stretch(running, to, "work", step, None)]


def _append(state: State, crew: str, start: float, end: float, interval: Stretch) -> None:
    if crew in state.batches:
        settle(state, state.batches[crew])
    state.spent[crew] = state.spent[crew].add(interval)
    if interval.step is not None:
        if interval.kind == "hold":
            _count_once(state, state.held_to, "held_s", interval.step, start, end)
        elif interval.kind == "wait":
            _count_once(state, state.waited_to, "waited_s", interval.step, start, end)


def _count_once(state: State, to: dict[str, float], field: str, step: str, start: float, end: float) -> None:
    """Add a stretch to a step's own time; where several of its crew spend it together it counts once."""
    start = max(start, to.get(step, start))
    if end > start:
        state.change(step, **{field: getattr(state.steps[step], field) + end - start})
        to[step] = end


def stop(state: State, step: str, at: float) -> None:
    """Stop work on a step; its crew's time must be accounted for up to then.

    A step that nobody said was begun, and on which no time was spent, has not begun.
    """
    s = state.steps[step]
    state.firm.discard(step)
    state.suspended.discard(step)
    if s.running_since is None:
        return
    state.earliest[step] = at
    worked = s.worked_s + max(0.0, at - s.running_since)
    if worked > 0 or s.begin_kind == "stated":
        state.change(step, worked_s=worked, running_since=None)
    else:
        state.change(step, running_since=None, began=None, begin_kind=None)


def break_off(state: State, step: str, at: float) -> None:
    """Account for the time of everybody at a step and stop work on it."""
    account_all(state, state.members(step), at)
    stop(state, step, at)


def settle(state: State, batch: Batch) -> None:
    """Put a batch's time on record: each step's share, and everybody's stretches."""
    for crew in batch.crew:
        del state.batches[crew]
    parts = shares(batch)
    together = len(parts) > 1
    through: dict[str, float] = {}
    following = _following(parts)
    for part, later in zip(parts, following, strict=True):
        _settle_waiting(state, part, through)
        s = state.steps[part.tick.step]
        again = s.began is not None and part.tick.worked_s > 0
        state.change(
            part.tick.step,
            began=s.began if again or part.tick.stated else part.begin,
            begin_kind="batch" if together else s.begin_kind or "implied",
            worked_s=part.worked_s,
        )
        for crew in part.tick.crew:
            end = min(part.end, later[crew]) if crew in later else part.tick.at
            _work(state, crew, part.tick.step, max(part.begin, through[crew]), end)
            through[crew] = max(end, through[crew])


def _following(parts: Sequence[Share]) -> list[dict[str, float]]:
    """Return per part when each of its crew begins their next one of the batch."""
    begins: dict[str, float] = {}
    out = []
    for part in reversed(parts):
        out.append({crew: begins[crew] for crew in part.tick.crew if crew in begins})
        begins.update(dict.fromkeys(part.tick.crew, part.begin))
    return out[::-1]


def _settle_waiting(state: State, part: Share, through: dict[str, float]) -> None:
    tick = part.tick
    waited = 0.0
    for crew in tick.crew:
        since = through.setdefault(crew, tick.free[crew])
        if part.begin > since:
            interval = Stretch(since, part.begin, "wait", tick.step, tick.cause)
            state.spent[crew] = state.spent[crew].add(interval)
            through[crew] = part.begin
            waited = max(waited, part.begin - since)
    if waited:
        state.change(tick.step, waited_s=state.steps[tick.step].waited_s + waited)


def _work(state: State, crew: str, step: str, start: float, end: float) -> None:
    if end > start:
        state.spent[crew] = state.spent[crew].add(Stretch(start, end, "work", step, None))

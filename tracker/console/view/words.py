"""The words of the screen for times, states and names, and the limits of an estimate in their order."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from tracker.console.view.styled_text import Ink
from tracker.forecast.figures import ClockFigure, Estimate, LimitFigure
from tracker.forecast.news import News
from tracker.forecast.wording import chance_if_called, clock_chance, need_of
from tracker.foundation.shown import down, duration, nearest, pet_down, pet_up, running, spare_words, up
from tracker.foundation.text import percent, small
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, StepState, last_awaited, step_status


def pet(seconds: float | None) -> str:
    """Return a fact as `H:MM`, or a dash."""
    return pet_down(seconds)


def pet_s(seconds: float | None) -> str:
    """Return `H:MM:SS`, or a dash."""
    return format_pet(seconds, with_seconds=True)


def late(seconds: float | None) -> str:
    """Return `36 min late` or `4 min early`; nothing where on time."""
    whole = nearest(seconds)
    if not whole:
        return ""
    return f"{duration(whole)} {'late' if whole > 0 else 'early'}"


def spare_cell(seconds: float | None) -> str:
    """Return what is to spare under its head: `67 min`, `38 min SHORT`; a dash for none."""
    return spare_words(seconds).removesuffix(" to spare")


def crew_words(progress: Progress, crew: tuple[str, ...]) -> str:
    """Return who: by name, `all 6` where it is everybody outside and more than two; nobody."""
    outside = progress.plan.outside
    if len(crew) > 2 and set(crew) == set(outside):
        return f"all {len(outside)}"
    return " ".join(crew) or "nobody"


TOOK_BACK, AGAIN = "took back", "on record again"
"""What an undo did, and what a redo did: told apart at a glance, so only one of them says *back*."""


def redo_words(key: str) -> str:
    """Return what the key of a redo does, behind what was taken back."""
    return f"   {key} puts it {AGAIN}"


def took(state: StepState, now: float) -> str:
    """Return `5:44 of 5:00 min` for a step at work or done: the new time where it was retimed."""
    return running(state.elapsed_s(now), state.expected_s)


@dataclass(frozen=True, slots=True)
class StepStanding:
    """Where a crew member (or a step) stands, in a word and a reason."""

    word: str
    why: str = ""
    ink: Ink = ""
    until: float = 0.0
    """Projected end of the work that is waited for, as PET seconds; 0 where it is not known."""


def stand_of(progress: Progress, step: str, now: float, ends: Mapping[str, float]) -> StepStanding:
    """Return the state of a step: `done now next then go? held wait`, or how else it ended.

    `ends` has the projected end of steps: of what a step waits for, the last one is named.
    """
    crew = progress.steps[step].crew
    match step_status(progress, step, now):
        case "open":
            soon = any(step in (progress.current.get(c), following_step(progress, c)) for c in crew)
            return StepStanding("next" if soon else "then")
        case "held":
            held = next(progress.holds[c] for c in crew if c in progress.holds)
            return StepStanding("held", held.text or "no reason given")
        case "current":
            return StepStanding("now", ink="going")
        case "waiting":
            return _waiting(progress, step, now, ends) or StepStanding("now", ink="going")
        case ended:
            return StepStanding({"skipped": "skip", "dropped": "drop"}.get(ended, ended), ink="dim")


def _waiting(progress: Progress, step: str, now: float, ends: Mapping[str, float]) -> StepStanding | None:
    """Return what a current step waits for; None where it is only set aside."""
    state = progress.steps[step]
    if not state.gone:
        return StepStanding("go?", state.step.hold_point or "hold point")
    if (awaited := last_awaited(progress, step, ends)) is not None:
        what, end = awaited
        if what.startswith("crew "):
            return StepStanding("wait", f"for {' '.join(progress.missing(step))}", until=end)
        need = progress.steps[what.removeprefix("need ")]
        who = crew_words(progress, need.crew)
        return StepStanding("wait", f"for {who} to {small(need.step.do)}", until=end)
    opening = next_opening(progress, state.step.windows, now)
    if opening is not None:
        return StepStanding("wait", f"for {opening[0]}, from {pet(opening[1])}")
    if shut := shut_out(progress, state.step.windows, now):
        return StepStanding("wait", f"for {shut}, of which no more comes: shut out")
    if state.running_since is not None:
        return StepStanding("wait", f"until {pet(state.running_since)}")
    if state.began is None:
        return StepStanding("wait", f"for {state.waited_for}" if state.waited_for else "")
    return None


def next_opening(progress: Progress, windows: tuple[str, ...], now: float) -> tuple[str, float] | None:
    """Return the window among these that is shut now and opens last, with its opening."""
    found: tuple[str, float] | None = None
    for window in windows:
        spans = progress.openings.get(window, ())
        if any(start <= now < end for start, end in spans):
            continue
        starts = [start for start, _ in spans if start > now]
        if starts and (found is None or starts[0] > found[1]):
            found = (window, starts[0])
    return found


def shut_out(progress: Progress, windows: tuple[str, ...], now: float) -> str | None:
    """Return the first of these windows that no longer opens."""
    spans = {window: progress.openings.get(window, ()) for window in windows}
    return next((window for window, found in spans.items() if all(end <= now for _, end in found)), None)


def next_go(progress: Progress) -> tuple[str | None, bool]:
    """Return the step that a go is for: the first that waits for one or will next, else the first ahead.

    Whether it is still ahead of time; None where no hold point is left.
    """
    waits = [s for s, state in progress.steps.items() if not state.gone and state.ended is None]
    near = (s for order in progress.order.values() for s in order[:2] if s in waits)
    if (step := next(near, None)) is not None:
        return step, False
    return min(waits, key=lambda s: progress.planned.get(s, (math.inf,))[0] or 0.0, default=None), True


def following_step(progress: Progress, crew: str) -> str | None:
    """Return the step that a crew member does after the current one."""
    current = progress.current.get(crew)
    return next((s for s in progress.order.get(crew, ()) if s != current), None)


def next_windows(progress: Progress, now: float, *, left: bool = False) -> list[tuple[float, str]]:
    """Return the next change of every window with its PET, the first first: `link until 2:25`.

    `left`: with how long it is until then.
    """
    changes = []
    for name, spans in progress.openings.items():
        coming = ((end if start <= now else start, start) for start, end in spans if end > now)
        at, start = min(coming, default=(None, 0.0))
        if at is not None:
            until = f", {duration((down(at) or 0.0) - now)}" if left else ""
            changes.append((at, f"{name} {'until' if start <= now else 'from'} {pet(at)}{until}"))
    return sorted(changes)


def window_changes(progress: Progress, now: float, *, left: bool = False) -> list[str]:
    """Return the next change of every window in words, as `next_windows` has them."""
    return [words for _, words in next_windows(progress, now, left=left)]


def window_change(progress: Progress, now: float) -> str:
    """Return the next change of a window: `link until 2:25`; empty where there is none."""
    return next(iter(window_changes(progress, now)), "")


def inside_words(before: float | None, after: float | None) -> str:
    """Return `INSIDE 4:46 -> 4:49`, one instant where they are the same as shown."""
    if up(before) == up(after):
        return f"INSIDE {pet_up(after)}"
    return f"INSIDE {pet_up(before)} -> {pet_up(after)}"


def called_words(estimate: Estimate | None) -> str:
    """Return what a recall at this instant comes to, `: inside 3:02, >99 %`; empty where it is not known."""
    if estimate is None or estimate.turn_back.inside_if_now.p50 is None:
        return ""
    turn = estimate.turn_back
    if_called = chance_if_called(estimate)
    chance = "" if if_called is None else f", {percent(if_called, need_of(estimate)[2])}"
    return f": inside {pet_up(turn.inside_if_now.p50)}{chance}"


def reached_at(limit: LimitFigure) -> int | None:
    """The shown instant at which a limit is reached; None where there is none."""
    return None if limit.reached is None else down(limit.reached.p50)


def later(real: float | None, planned: float | None, *, fact: bool = False) -> int | None:
    """Seconds from the planned instant to the real one, as both are shown; a fact is rounded down."""
    one, other = down(real) if fact else nearest(real), nearest(planned)
    return None if one is None or other is None else one - other


def clock_words(progress: Progress, estimate: Estimate, clock: ClockFigure) -> str:
    """Return a hardware clock: by when its step has to be done, and the chance that it is."""
    step, of = progress.steps[clock.step].step, progress.steps[clock.of].step
    due = f"due by {pet_down(clock.due)}"
    if clock.due is None:
        within = 0 if step.within is None else step.within.time
        due = f"due {duration(within)} after {small(of.do)}"
    return f"{due}, {clock_chance(estimate, clock)}: {step.do}"


BEING_WORKED_OUT = "being worked out"


def turn_home_instead(progress: Progress, estimate: Estimate, news: News) -> str:
    """Return what stands in place of an instant by which they turn for home; empty where one is known."""
    if all(member in progress.entered for member in progress.plan.outside):
        return "all are inside"
    if estimate.called or estimate.turn_back.homebound:
        return "on the way home"
    return BEING_WORKED_OUT if news.turn_home else ""


def of_entry(estimate: Estimate) -> str:
    """Return of which entry the advice is, where the figures beside it count a later one."""
    made = estimate.advice.entry
    older = made is not None and estimate.entry is not None and made < estimate.entry
    return f" (entry {made})" if older else ""

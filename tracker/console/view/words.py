"""The words of the screen for times, states and names."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.console.view.styled_text import Ink
from tracker.foundation import text
from tracker.foundation.times import format_exact, format_pet
from tracker.journal.progress import Progress, StepState, step_status


def pet(seconds: float | None) -> str:
    """Return `H:MM`, or a dash."""
    return format_pet(seconds)


def pet_s(seconds: float | None) -> str:
    """Return `H:MM:SS`, or a dash."""
    return format_pet(seconds, with_seconds=True)


def difference(seconds: float | None) -> str:
    """Return `+16` in minutes, `+1:20` from an hour on; a point where on time."""
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if minutes == 0:
        return "."
    sign, size = ("+" if minutes > 0 else "-"), abs(minutes)
    return f"{sign}{size}" if size < 60 else f"{sign}{size // 60}:{size % 60:02d}"


def percent(share: float) -> str:
    """Return a chance in per cent, never said to be certain."""
    return text.percent(share)


def limit_name(name: str) -> str:
    """Return a limit's id as words: `EV2.oxygen` becomes `EV2 oxygen`."""
    if name == "elapsed":
        return "elapsed limit"
    return name.replace("window.", "window ").replace(".", " ").replace("*", "shared")


def title_of(progress: Progress, task: str) -> str:
    """Return a task's title, or its id where it has none."""
    state = progress.tasks.get(task)
    return state.task.title or task if state else task


def took(state: StepState, now: float) -> str:
    """Return `0:06:10 of 0:12` for a step at work or done."""
    return f"{pet_s(state.elapsed_s(now))} of {format_exact(state.step.time.likely)}"


@dataclass(frozen=True, slots=True)
class StepStanding:
    """Where a crew member (or a step) stands, in a word and a reason."""

    word: str
    why: str = ""
    ink: Ink = ""


def stand_of(progress: Progress, step: str, now: float) -> StepStanding:
    """Return the state of a step: `done now next then go? held wait`, or how else it ended."""
    crew = progress.steps[step].crew
    match step_status(progress, step, now):
        case "open":
            soon = any(step in (progress.current.get(c), _following(progress, c)) for c in crew)
            return StepStanding("next" if soon else "then")
        case "held":
            held = next(progress.holds[c] for c in crew if c in progress.holds)
            return StepStanding("held", held.text or "no reason given", "late")
        case "current":
            return StepStanding("now", ink="going")
        case "waiting":
            return _waiting(progress, step, now) or StepStanding("now", ink="going")
        case ended:
            return StepStanding({"skipped": "skip", "dropped": "drop"}.get(ended, ended), ink="dim")


def _waiting(progress: Progress, step: str, now: float) -> StepStanding | None:
    """Return what a current step waits for; None where it is only set aside."""
    state = progress.steps[step]
    if not state.gone:
        return StepStanding("go?", state.step.hold_point or "hold point", "late")
    if missing := progress.missing(step):
        return StepStanding("wait", f"for {' and '.join(missing)}", "late")
    if needs := progress.needs.get(step, ()):
        need = progress.steps[needs[0]].step
        return StepStanding("wait", f"for {need.do} ({' '.join(progress.steps[need.id].crew)})", "late")
    opening = next_opening(progress, state.step.windows, now)
    if opening is not None:
        return StepStanding("wait", f"for {opening[0]}, opens in {pet(opening[1] - now)}", "late")
    if shut := shut_out(progress, state.step.windows, now):
        return StepStanding("wait", f"for {shut}, which does not open again: shut out", "late")
    if state.running_since is not None:
        return StepStanding("wait", f"until {pet(state.running_since)}", "late")
    if state.began is None:
        return StepStanding("wait", f"for {state.waited_for}" if state.waited_for else "", "late")
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


def following_step(progress: Progress, crew: str) -> str | None:
    """Return the step that a crew member does after the current one."""
    return _following(progress, crew)


def _following(progress: Progress, crew: str) -> str | None:
    current = progress.current.get(crew)
    return next((s for s in progress.order.get(crew, ()) if s != current), None)


def window_change(progress: Progress, now: float) -> str:
    """Return the next change of a window: `daylight closes in 0:11`; empty where there is none."""
    changes = []
    for name, spans in progress.openings.items():
        for start, end in spans:
            if start <= now < end:
                changes.append((end, f"{name} closes in {pet(end - now)}"))
            elif start > now:
                changes.append((start, f"{name} opens in {pet(start - now)}"))
    return min(changes)[1] if changes else ""

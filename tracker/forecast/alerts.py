"""What wants a person: a function of progress, estimate and instant, with stable ids.

An alert is raised while its condition holds. The ones that rest on moving figures (last calls,
confidence, reserves, hardware clocks) stay raised, when the figures move on, until they are
acknowledged or an event settles them: the instants with news are looked at again from the journal, as
far back as `tracker.forecast.steady` walks. Each id is acknowledged once.

What alerts rest on at one instant, and the alerts that follow.

Worked out for earlier instants too, so that an alert stays raised when the figures that raised it have
moved on, and every seat sees the same.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from tracker.forecast.last_call import starts
from tracker.forecast.limits import demand, standings
from tracker.forecast.task_sets import Judge
from tracker.forecast.values import Alert, ClockFigure, Estimate, Raised, StepFigure
from tracker.foundation.text import percent, plain
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, StepState, homebound

SOON_S = (15 * 60, 5 * 60)
"""How long before a last call it is announced."""


@dataclass(frozen=True, slots=True)
class Facts:
    """The figures of one instant that alerts look at."""

    at: float
    """PET seconds."""
    calls: Mapping[str, float]
    """Last call per optional task that has not begun, PET; tasks that no start would fit are absent."""
    safe: float
    unmet: bool
    """What is kept does not hold."""
    wanted: str
    short: Mapping[str, float]
    """Chance per `CREW.consumable` that its reserve is not there at ingress."""
    most_short: float
    late: Mapping[str, float]
    """Chance per step with a hardware clock that it runs out."""
    running: frozenset[str]
    """Those of them whose clock runs already."""
    most_late: float
    early: bool
    """Before a tenth of the planned work is done nothing alarms on a low chance."""


def facts(progress: Progress, judge: Judge, kept: Collection[int]) -> Facts:
    """Return the figures of the instant for which the judge's world was made."""
    world = judge.world
    chosen = frozenset(kept)
    found = standings(world, world.present(chosen), judge.course(chosen))
    short = {standing.id: standing.chance for standing in found}
    accounts = {f"{account.crew}.{account.consumable}" for account in world.accounts}
    late = judge.outcome(chosen).clocks_late
    clocks = [(world.nodes[clock.node].step, clock) for clock in world.clocks]
    return Facts(
        at=world.now,
        calls=_calls(judge, chosen),
        safe=judge.outcome(chosen).share_safe,
        unmet=not demand(world).met(judge.outcome(chosen).failing),
        wanted=percent(world.confidence_elapsed, None),
        short={name: chance for name, chance in short.items() if name in accounts},
        most_short=1 - world.confidence_consumables,
        late={step: times / world.scenarios for (step, _), times in zip(clocks, late, strict=True)},
        running=frozenset(step for step, clock in clocks if clock.of is None),
        most_late=1 - world.confidence_elapsed,
        early=done_share(progress) < 0.1,
    )


def _calls(judge: Judge, kept: frozenset[int]) -> dict[str, float]:
    """Return the last calls worth announcing: of tasks that have not begun, and can still be reached."""
    world = judge.world
    out = {}
    for m, start in starts(judge, kept).items():
        task = world.optional[m]
        if start.last_call is not None and not task.begun and (m in kept or not start.hopeless(world)):
            out[task.task] = world.now + start.last_call
    return out


def done_share(progress: Progress) -> float:
    """Return the share of the planned work, in crew members' time, that is done."""
    done = planned = 0.0
    for state in progress.steps.values():
        seconds = state.step.time.likely * max(len(state.crew), 1)
        if state.ended in (None, "done"):
            planned += seconds
            done += seconds if state.ended == "done" else 0.0
    return done / planned if planned else 1.0


def raised(seen: Facts, until: float) -> list[Raised]:
    """Return the alerts that these figures raise at their instant, last calls also until PET `until`."""
    out = list(last_calls(seen.calls.items(), seen.at, until))
    if not seen.early:
        if seen.unmet:
            out.append(Raised("confidence", confidence_text(seen.safe, seen.wanted), seen.at))
        for name, chance in seen.short.items():
            if chance > seen.most_short + 1e-9:
                out.append(Raised(f"reserve:{name}", reserve_text(name, chance), seen.at))
    for step, chance in seen.late.items():
        if chance > seen.most_late + 1e-9 and (step in seen.running or not seen.early):
            out.append(Raised(f"clock:{step}", clock_text(step, chance), seen.at))
    return out


def last_calls(calls: Iterable[tuple[str, float]], at: float, until: float) -> Iterable[Raised]:
    """Announce each last call 15 and 5 minutes ahead, where that falls between two instants."""
    for task, call in calls:
        for soon in SOON_S:
            since = max(call - soon, at)
            if at <= call and since <= until:
                text = f"{task}: last call {format_pet(call)}"
                yield Raised(f"last-call:{task}:{soon // 60}", text, since)


def confidence_text(safe: float, wanted: str) -> str:
    """Say that the chance is below what the plan demands."""
    return f"chance to stay inside every limit {percent(safe, floor=True)}, {wanted} wanted"


def reserve_text(name: str, chance: float) -> str:
    """Say that a consumable may reach its reserve before ingress; `name` is `CREW.consumable`."""
    crew, _, consumable = name.partition(".")
    who = "shared" if crew == "*" else crew
    return (
        f"{who} {consumable}: reserve reached before ingress with a chance of {percent(chance, floor=True)}"
    )


def clock_text(step: str, chance: float, due: float | None = None) -> str:
    """Say that a hardware clock may run out."""
    by = "" if due is None else f" at {format_pet(due)}"
    return f"{step}: hardware clock runs out{by} with a chance of {percent(chance, floor=True)}"


SOON_CLOSING_S = 15 * 60.0
"""How long before a window closes, or a hold point is reached, it is announced."""
CUTTING_FINE_S = 5 * 60.0
"""A step whose projected start is closer than this to the close of its window may miss it."""


def alerts(progress: Progress, made: Estimate, *, now: float) -> tuple[Alert, ...]:
    """Return the alerts at `now` (PET seconds), the most pressing first.

    `made`: the estimate of that instant, its own alerts not needed. Nothing alarms on a low chance
    before a tenth of the planned work is done. Empty once the excursion is closed.
    """
    if progress.closed is not None:
        return ()
    found: dict[str, str] = {}
    for alert_id, text in _conditions(progress, made, now):
        found.setdefault(alert_id, text)
    for raised in made.advice.raised:
        if raised.id not in found and raised.id not in progress.acknowledged:
            if _clock_cleared(progress, made, raised) or _settled(progress, raised):
                continue
            found[raised.id] = f"{raised.text} (since {format_pet(raised.at)})"
    return tuple(
        Alert(alert_id, plain(text), alert_id in progress.acknowledged) for alert_id, text in found.items()
    )


def _conditions(progress: Progress, made: Estimate, now: float) -> Iterator[tuple[str, str]]:
    """Yield id and text of everything that is so at this instant."""
    yield from _recall(progress)
    yield from _owners(progress)
    early = done_share(progress) < 0.1
    yield from _hardware_clocks(progress, made, now, early=early)
    if not early:
        yield from _chances(progress, made)
    yield from _readings(made)
    yield from _open_items(progress, made)
    if progress.zero is not None:
        yield from _last_calls(made, now)
        yield from _windows(progress, made, now)
        yield from _hold_points(progress, made, now)


def _recall(progress: Progress) -> Iterator[tuple[str, str]]:
    if progress.recall:
        first = min(progress.recall.values(), key=lambda recall: recall.at)
        called = [c for c in progress.recall if c not in progress.entered]
        if called:
            who = ", ".join(called)
            yield "recall", f"recall, {first.call}: {who} called at {format_pet(first.at)}"


def _owners(progress: Progress) -> Iterator[tuple[str, str]]:
    for step, state in progress.steps.items():
        if state.ended is None and progress.entered.keys() >= set(state.crew):
            yield f"owner:{step}", f"{step}: nobody owns it; {_do(state)}"


def _do(state: StepState) -> str:
    return plain(state.step.do, most=60)


def _hardware_clocks(
    progress: Progress, made: Estimate, now: float, *, early: bool
) -> Iterator[tuple[str, str]]:
    """Clocks at risk: above 1 less the confidence; one raised before is cleared below half of that."""
    most = 1 - progress.plan.confidence.elapsed
    for clock in made.clocks:
        if clock.late > most + 1e-9 and not (early and clock.due is None):
            yield f"clock:{clock.step}", clock_text(clock.step, clock.late, clock.due) + _left(clock, now)


def _left(clock: ClockFigure, now: float) -> str:
    """Return how long a hardware clock still runs, or since when it has run out."""
    if clock.due is None:
        return ""
    if clock.due < now:
        return f", {format_pet(now - clock.due)} ago"
    return f", in {format_pet(clock.due - now)}"


def _clock_cleared(progress: Progress, made: Estimate, raised: Raised) -> bool:
    kind, _, step = raised.id.partition(":")
    if kind != "clock":
        return False
    half = (1 - progress.plan.confidence.elapsed) / 2
    now: ClockFigure | None = next((clock for clock in made.clocks if clock.step == step), None)
    return now is None or now.late < half


def _chances(progress: Progress, made: Estimate) -> Iterator[tuple[str, str]]:
    confidence = progress.plan.confidence
    below = made.safe < confidence.elapsed - 1e-9 if confidence.joint else bool(made.when_short)
    if below:
        yield "confidence", confidence_text(made.safe, percent(confidence.elapsed, None))
    for figure in made.consumables:
        if figure.short > 1 - confidence.consumables + 1e-9:
            name = f"{figure.crew}.{figure.consumable}"
            reached = figure.reserve_reached.p50
            by = "" if reached is None else f", at {format_pet(reached)}"
            yield f"reserve:{name}", reserve_text(name, figure.short) + by


def _readings(made: Estimate) -> Iterator[tuple[str, str]]:
    for figure in made.consumables:
        if figure.flagged:
            who = "shared" if figure.crew == "*" else figure.crew
            yield f"reading:{figure.crew}.{figure.consumable}", f"{who} {figure.consumable}: {figure.flagged}"


def _open_items(progress: Progress, made: Estimate) -> Iterator[tuple[str, str]]:
    """Items still open when closeout is under way or about to begin, or left open by a call at once."""
    if not made.open_items:
        return
    left = any(recall.call == "at once" for recall in progress.recall.values())
    if homebound(progress) or left or _closeout_next(progress):
        items = "; ".join(f"{item['item']} (closed by {item['closed_by']})" for item in made.open_items)
        yield "open-items", f"still open: {items}"


def _closeout_next(progress: Progress) -> bool:
    """Whether some crew member outside has nothing but closeout left."""
    for c in progress.plan.outside:
        order = progress.order.get(c, ())
        if order and all(progress.tasks[progress.steps[s].step.task].task.closeout for s in order):
            return True
    return False


def _last_calls(made: Estimate, now: float) -> Iterator[tuple[str, str]]:
    for figure in made.optional:
        if figure.last_call is None or figure.begun or figure.last_call < now:
            continue
        if figure.advice == "drop":
            continue
        left = figure.last_call - now
        for soon in SOON_S:
            if left <= soon:
                text = f"{figure.task}: last call {format_pet(figure.last_call)}, in {format_pet(left)}"
                yield f"last-call:{figure.task}:{soon // 60}", f"{text}; advice {figure.advice}"


def _windows(progress: Progress, made: Estimate, now: float) -> Iterator[tuple[str, str]]:
    """Windows that close soon on a step that is next for its crew and may not begin before."""
    figures = {figure.step: figure for figure in made.steps}
    near = {step for order in progress.order.values() for step in order[:2]}
    for step, figure in figures.items():
        state = progress.steps[step]
        if step not in near or state.ended is not None or (state.began is not None and state.began <= now):
            continue
        free = _free_from(progress, figures, step, now)
        for name in state.step.windows:
            close = next((to for since, to in progress.openings.get(name, ()) if since <= now < to), None)
            if close is None or close - now > SOON_CLOSING_S or abs(free - close) > SOON_CLOSING_S:
                continue
            if figure.status == "waiting" or free >= close - CUTTING_FINE_S:
                text = f"{step}: {name} closes at {format_pet(close)}, in {format_pet(close - now)}"
                yield f"window:{name}:{step}", f"{text}; could begin at {format_pet(free)}"


def _free_from(progress: Progress, figures: Mapping[str, StepFigure], step: str, now: float) -> float:
    """Return the projected PET at which nothing but its windows keeps a step from beginning."""
    before = set(progress.needs.get(step, ()))
    for order in progress.order.values():
        if step in order:
            before.update(order[: order.index(step)])
    finishes = [figures[other].finish.p50 for other in before if other in figures]
    return max([now, *(finish for finish in finishes if finish is not None)])


def _hold_points(progress: Progress, made: Estimate, now: float) -> Iterator[tuple[str, str]]:
    """Hold points not yet cleared that stop somebody, or soon will."""
    for figure in made.steps:
        state = progress.steps[figure.step]
        if state.ended is not None or state.step.hold_point is None or state.gone or state.begin_kind:
            continue
        start = figure.start.p50
        asks = plain(state.step.hold_point, most=80)
        if figure.waits_for == "go":
            yield f"go:{figure.step}", f"{figure.step}: go wanted now: {asks}"
        elif start is not None and start - now <= SOON_CLOSING_S:
            by = f"by {format_pet(start)}, in {format_pet(max(start - now, 0))}"
            yield f"go:{figure.step}", f"{figure.step}: go wanted {by}: {asks}"


def _settled(progress: Progress, raised: Raised) -> bool:
    """Whether an event since has made an alert of the past pointless."""
    kind, _, rest = raised.id.partition(":")
    if kind == "last-call":
        task = rest.rpartition(":")[0]
        state = progress.tasks.get(task)
        chosen = any(d.task == task and d.at >= raised.at and d.choice != "open" for d in progress.decisions)
        return state is None or not state.optional or state.status != "open" or chosen
    if kind == "reserve":
        return any(
            f"{reading.crew}.{reading.consumable}" == rest and reading.replaced and reading.at >= raised.at
            for reading in progress.readings
        )
    return False

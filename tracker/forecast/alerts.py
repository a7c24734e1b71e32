"""What wants a person: a function of progress, estimate and instant, with stable ids.

An alert is raised while its condition holds. The ones that rest on moving figures (last calls, confidence,
reserves, hardware clocks) stay raised, when the figures move on, until they are acknowledged or an event
settles them: what they rest on is worked out for the earlier instants with news too, from the journal, so
that every seat sees the same. Each id is acknowledged once.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from tracker.forecast.last_call import last_calls
from tracker.forecast.limits import ChanceConstraint, limit_results
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.values import Alert, ClockFigure, Estimate, Raised, StepFigure
from tracker.foundation.text import percent, percent_asked, plain
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, done_share

SOON_S = (15 * 60, 5 * 60)
"""How long before a last call it is announced."""
SOON_CLOSING_S = 15 * 60.0
"""How long before a window closes, or a hold point is reached, it is announced."""
CUTTING_FINE_S = 5 * 60.0
"""A step whose projected start is closer than this to the close of its window may miss it."""
EARLY = 0.1
"""Before this share of the planned work is done nothing alarms on a low chance."""


def alerts(progress: Progress, made: Estimate, *, now: float) -> tuple[Alert, ...]:
    """The alerts at `now` (PET seconds), the most pressing first.

    `made`: the estimate of that instant, its own alerts not needed. Empty once the excursion is closed.
    """
    if progress.closed is not None:
        return ()
    found: dict[str, str] = {}
    for alert_id, text in _conditions(progress, made, now):
        found.setdefault(alert_id, text)
    for past in made.advice.raised:
        if past.id not in progress.acknowledged and not _settled(progress, made, past):
            found.setdefault(past.id, f"{past.text} (since {format_pet(past.at)})")
    return tuple(
        Alert(alert_id, plain(text), alert_id in progress.acknowledged) for alert_id, text in found.items()
    )


def _conditions(progress: Progress, made: Estimate, now: float) -> Iterator[tuple[str, str]]:
    """Id and text of every condition that holds at this instant."""
    yield from _recall(progress)
    yield from _owners(progress)
    early = done_share(progress) < EARLY
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
            yield f"owner:{step}", f"{step}: nobody owns it; {plain(state.step.do, most=60)}"


def _hardware_clocks(
    progress: Progress, made: Estimate, now: float, *, early: bool
) -> Iterator[tuple[str, str]]:
    """Clocks at risk: above 1 less the confidence; one raised before is cleared below half of that."""
    most = 1 - progress.plan.confidence.elapsed
    for clock in made.clocks:
        if clock.late > most + 1e-9 and not (early and clock.due is None):
            yield f"clock:{clock.step}", _clock_text(clock.step, clock.late, clock.due) + _left(clock, now)


def _left(clock: ClockFigure, now: float) -> str:
    """The time that a hardware clock still runs, or since it ran out, in words."""
    if clock.due is None:
        return ""
    if clock.due < now:
        return f", {format_pet(now - clock.due)} ago"
    return f", in {format_pet(clock.due - now)}"


def _chances(progress: Progress, made: Estimate) -> Iterator[tuple[str, str]]:
    confidence = progress.plan.confidence
    below = made.safe < confidence.elapsed - 1e-9 if confidence.joint else bool(made.when_short)
    if below:
        yield "confidence", _confidence_text(made.safe, percent_asked(confidence.elapsed))
    for figure in made.consumables:
        if figure.short > 1 - confidence.consumables + 1e-9:
            name = f"{figure.crew}.{figure.consumable}"
            reached = figure.reserve_reached.p50
            by = "" if reached is None else f", at {format_pet(reached)}"
            yield f"reserve:{name}", _reserve_text(name, figure.short) + by


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
    if made.turn_back.homebound or left or _closeout_next(progress):
        items = "; ".join(f"{item['item']} (closed by {item['closed_by']})" for item in made.open_items)
        yield "open-items", f"still open: {items}"


def _closeout_next(progress: Progress) -> bool:
    """Whether some crew member outside has nothing but closeout left."""
    orders = (progress.order.get(c, ()) for c in progress.plan.outside)
    return any(
        order and all(progress.tasks[progress.steps[step].step.task].task.closeout for step in order)
        for order in orders
    )


def _last_calls(made: Estimate, now: float) -> Iterator[tuple[str, str]]:
    for figure in made.optional:
        if figure.last_call is None or figure.begun or figure.last_call < now or figure.advice == "drop":
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
    """The projected PET at which nothing but its windows keeps a step from beginning."""
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


def _settled(progress: Progress, made: Estimate, past: Raised) -> bool:
    """Whether an event or the figures since have made an alert of the past pointless."""
    kind, _, rest = past.id.partition(":")
    if kind == "last-call":
        task = rest.rpartition(":")[0]
        state = progress.tasks.get(task)
        chosen = any(d.task == task and d.at >= past.at and d.choice != "open" for d in progress.decisions)
        return state is None or not state.optional or state.status != "open" or chosen
    if kind == "reserve":
        return any(
            f"{reading.crew}.{reading.consumable}" == rest and reading.replaced and reading.at >= past.at
            for reading in progress.readings
        )
    if kind == "clock":
        now = next((clock for clock in made.clocks if clock.step == rest), None)
        return now is None or now.late < (1 - progress.plan.confidence.elapsed) / 2
    return False


@dataclass(frozen=True, slots=True)
class AlertInputs:
    """The figures of one instant that alerts rest on."""

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


def alert_inputs(progress: Progress, sets: TaskSets, kept: Collection[int]) -> AlertInputs:
    """The figures of the instant for which the world of these sets was made."""
    world, chosen = sets.world, frozenset(kept)
    found = limit_results(world, world.present(chosen), sets.course(chosen))
    accounts = {f"{account.crew}.{account.consumable}" for account in world.accounts}
    outcome = sets.outcome(chosen)
    clocks = [(world.nodes[clock.node].step, clock) for clock in world.clocks]
    return AlertInputs(
        at=world.now,
        calls=_calls(sets, chosen),
        safe=outcome.share_safe,
        unmet=not ChanceConstraint.of(world).met(outcome.failing),
        wanted=percent_asked(world.confidence_elapsed),
        short={limit.id: limit.chance for limit in found if limit.id in accounts},
        most_short=1 - world.confidence_consumables,
        late={
            step: times / world.scenarios
            for (step, _), times in zip(clocks, outcome.clocks_late, strict=True)
        },
        running=frozenset(step for step, clock in clocks if clock.of is None),
        most_late=1 - world.confidence_elapsed,
        early=done_share(progress) < EARLY,
    )


def _calls(sets: TaskSets, kept: frozenset[int]) -> dict[str, float]:
    """The last calls worth announcing: of tasks that have not begun, and can still be reached."""
    world = sets.world
    out = {}
    for m, start in last_calls(sets, kept).items():
        task = world.optional[m]
        if start.last_call is not None and not task.begun and (m in kept or not start.hopeless(world)):
            out[task.task] = world.now + start.last_call
    return out


def raised(seen: AlertInputs, until: float) -> Iterator[Raised]:
    """The alerts that these figures raise at their instant, last calls also until PET `until`."""
    for task, call in seen.calls.items():
        for soon in SOON_S:
            since = max(call - soon, seen.at)
            if seen.at <= call and since <= until:
                yield Raised(f"last-call:{task}:{soon // 60}", f"{task}: last call {format_pet(call)}", since)
    if not seen.early:
        if seen.unmet:
            yield Raised("confidence", _confidence_text(seen.safe, seen.wanted), seen.at)
        for name, chance in seen.short.items():
            if chance > seen.most_short + 1e-9:
                yield Raised(f"reserve:{name}", _reserve_text(name, chance), seen.at)
    for step, chance in seen.late.items():
        if chance > seen.most_late + 1e-9 and (step in seen.running or not seen.early):
            yield Raised(f"clock:{step}", _clock_text(step, chance), seen.at)


def _confidence_text(safe: float, wanted: str) -> str:
    """Say that the chance is below what the plan demands."""
    return f"chance to stay inside every limit {percent(safe)}, {wanted} wanted"


def _reserve_text(name: str, chance: float) -> str:
    """Say that a consumable may reach its reserve before ingress; `name` is `CREW.consumable`."""
    crew, _, consumable = name.partition(".")
    who = "shared" if crew == "*" else crew
    return f"{who} {consumable}: reserve reached before ingress with a chance of {percent(chance)}"


def _clock_text(step: str, chance: float, due: float | None = None) -> str:
    """Say that a hardware clock may run out."""
    by = "" if due is None else f" at {format_pet(due)}"
    return f"{step}: hardware clock runs out{by} with a chance of {percent(chance)}"

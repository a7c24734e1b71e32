"""The estimate of an excursion that is over: what happened, in the shape of an estimate."""

from __future__ import annotations

from tracker.forecast.accounts import accounts, waiting_rate
from tracker.forecast.durations import draw_durations
from tracker.forecast.listing import past, step_status, task_figures
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import NOTHING, fact
from tracker.forecast.rates import extra_rates
from tracker.forecast.summary import called, confidence_of, last_done, open_items
from tracker.forecast.values import (
    Advice,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    Range,
    StepFigure,
    TurnBack,
)
from tracker.forecast.world import Account
from tracker.journal.progress import Progress

NO_TURN_BACK = TurnBack(None, NOTHING)


def as_fact(progress: Progress, *, scenarios: int, pace_file: str | None, prior: PacePrior) -> Estimate:
    """Return the estimate of a closed excursion: no range has a width, nothing is optional any more."""
    assert progress.closed is not None
    ingress = {c: ingress_fact(progress, c) for c in progress.plan.outside}
    inside = max(ingress.values(), default=progress.closed)
    stores = _stores(progress, ingress, inside, prior)
    limits = (*_elapsed(progress, ingress), *(_store_limit(progress, s) for s in stores))
    safe = float(not any(limit.chance for limit in limits))
    limit = progress.limits["elapsed"]
    return Estimate(
        excursion=progress.plan.excursion,
        at=progress.closed,
        scenarios=scenarios,
        confidence=confidence_of(progress),
        pace_file=pace_file,
        inside=fact(inside),
        limit=limit,
        margin=fact(limit - inside),
        safe=safe,
        without_optional_inside=fact(inside),
        without_optional_safe=safe,
        limits=limits,
        binding=min(limits, key=_tightness, default=None),
        turn_back=NO_TURN_BACK,
        pace=draw_durations(progress, (), prior=prior, scenarios=1).pace,
        consumables=tuple(_consumable(progress, store) for store in stores),
        tasks=task_figures(progress, None, (), None),
        steps=_steps(progress),
        optional=(),
        clocks=(),
        open_items=open_items(progress, progress.closed or 0.0),
        called=called(progress),
        alerts=(),
        advice=Advice(progress.closed, frozenset(), (), NO_TURN_BACK),
        ingress={c: fact(at) for c, at in ingress.items()},
    )


def ingress_fact(progress: Progress, member: str) -> float:
    """Return when a crew member came in: `entered`, else the end of their last step, else the closing.

    Someone who left closeout work undone is only known to be in when the excursion is closed.
    """
    assert progress.closed is not None
    if member in progress.entered:
        return progress.entered[member]
    unfinished = any(
        state.ended in (None, "left")
        for state in progress.steps.values()
        if member in state.crew and progress.tasks[state.step.task].task.closeout
    )
    last = None if unfinished else last_done(progress, member)
    return progress.closed if last is None else last


def _stores(
    progress: Progress, ingress: dict[str, float], inside: float, prior: PacePrior
) -> tuple[Account, ...]:
    """Return every account as believed when it came to rest."""
    rest = {c: progress.entered.get(c, inside) for c in ingress}
    rates = extra_rates(progress, (), {}, rest)
    return accounts(progress, rates, now=max(inside, progress.at), prior=prior, scenarios=1, inside=rest)


def _elapsed(progress: Progress, ingress: dict[str, float]) -> list[LimitFigure]:
    out = []
    for name, at in progress.limits.items():
        inside = max(ingress[c] for c in progress.limit_crew[name])
        out.append(LimitFigure(name, at, float(inside > at), fact(at - inside)))
    return out


def _short(account: Account) -> float:
    return float(account.expected < account.reserve - 1e-9)


def _store_limit(progress: Progress, account: Account) -> LimitFigure:
    """Return a reserve as a limit: its margin is how long what is left beyond it would last at rest."""
    consumable = progress.plan.consumable[account.consumable]
    people = len(consumable.crew) if consumable.shared else 1
    rate = waiting_rate(consumable, progress.plan.rest_w, people) * account.expected_use
    margin = fact((account.expected - account.reserve) / rate) if rate > 0 else NOTHING
    return LimitFigure(f"{account.crew}.{account.consumable}", None, _short(account), margin)


def _consumable(progress: Progress, account: Account) -> ConsumableFigure:
    return ConsumableFigure(
        crew=account.crew,
        consumable=account.consumable,
        unit=progress.plan.consumable[account.consumable].unit,
        now=account.expected,
        at_inside=fact(account.expected),
        reserve=account.reserve,
        reserve_reached=NOTHING,
        short=_short(account),
        flagged=account.flagged,
        read_at=account.read_at,
    )


def _tightness(limit: LimitFigure) -> tuple[float, float]:
    margin: Range = limit.margin
    return -limit.chance, float("inf") if margin.p50 is None else margin.p50


def _steps(progress: Progress) -> tuple[StepFigure, ...]:
    assert progress.closed is not None
    out = []
    for state in progress.steps.values():
        start, finish = past(state, progress.closed)
        status = step_status(progress, state, progress.closed)
        out.append(StepFigure(state.step.id, status, state.crew, start, finish))
    return tuple(out)

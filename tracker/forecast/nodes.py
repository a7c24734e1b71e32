"""One node per remaining step, and what is asked about how long it takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tracker.forecast.ask import Ask
from tracker.forecast.network import Network
from tracker.forecast.openings import gaps as gaps_between
from tracker.forecast.world import Node
from tracker.journal.progress import Progress, StepState
from tracker.plan.model import Step
from tracker.plan.windows import Interval

Crews = Mapping[str, tuple[str, ...]]
"""Who does each open step now."""
NO_TIME_S = 60.0
"""What a way home without a time on paper is drawn for; the draw only serves as a factor."""


def begun(state: StepState, now: float) -> bool:
    """Whether work on the step has begun by now."""
    return state.began is not None and state.began <= now


Gaps = dict[tuple[tuple[str, ...], float | None], tuple[Interval, ...]]
"""Per windows and time that must fit the gaps in which a step cannot start, as far as known already."""


def make_node(
    progress: Progress, net: Network, crews: Crews, index: Mapping[str, int], i: int, now: float, shut: Gaps
) -> Node:
    """Return one node of a network at `now`; `index` gives each crew member's place, `i` the node's."""
    state = progress.steps[net.steps[i]]
    step, crew = state.step, crews[state.step.id]
    going = begun(state, now)
    gaps = () if going or not step.windows else gaps_of(progress, step, now, shut)
    home = step.time.home and not going
    return Node(
        step=step.id,
        task=step.task,
        crew=tuple([index[c] for c in crew]),
        needs=net.needs[i],
        groups=net.groups[i],
        running=going,
        just_begun=going and state.began == now,
        gaps=gaps,
        windows=step.windows if gaps else (),
        opens=step.opens,
        closes=step.closes,
        closeout=progress.tasks[step.task].task.closeout,
        home=_sites_before(progress, net.steps[:i], crews, crew) if home else None,
        home_from=_from_here(progress, crew, index, now) if home else {},
    )


def gaps_of(progress: Progress, step: Step, now: float, shut: Gaps) -> tuple[Interval, ...]:
    """Return the gaps in which a step with windows cannot start, relative to `now`; at least the last."""
    key = step.windows, float(step.time.likely) if step.whole else None
    if key not in shut:
        shut[key] = gaps_between([progress.openings[w] for w in step.windows], now, key[1])
    return shut[key]


def _sites_before(
    progress: Progress, earlier: Sequence[str], crews: Crews, crew: Sequence[str]
) -> dict[int, float]:
    """Return the way home in seconds from every earlier remaining step at a site, done by one of the crew."""
    sites, out = progress.plan.sites, {}
    for i, step in enumerate(earlier):
        site = progress.steps[step].step.site
        if site is not None and site in sites and not set(crew).isdisjoint(crews[step]):
            out[i] = float(sites[site])
    return out


def _from_here(
    progress: Progress, crew: Sequence[str], index: Mapping[str, int], now: float
) -> dict[int, float]:
    """Return the way home in seconds of those of the crew of whom it is known at which site they are."""
    return {index[c]: seconds for c in crew if (seconds := _home_s(progress, c, now)) is not None}


def _home_s(progress: Progress, member: str, now: float) -> float | None:
    """Return the way home from the last site at which this crew member was, None without one."""
    sites = progress.plan.sites
    last, seconds = _worked_at_site(progress, member, now)
    for state in progress.steps.values():
        # A step that took no time at all is in nobody's stretches of work.
        if state.ended != "done" or state.done is None or state.step.site is None or member not in state.crew:
            continue
        if state.done > last and state.step.site in sites:
            last, seconds = state.done, float(sites[state.step.site])
    return seconds


def _worked_at_site(progress: Progress, member: str, now: float) -> tuple[float, float | None]:
    """Return until when this crew member last worked at a site, and the way home from there.

    A step begun at this very instant does not count: who is called now has not gone there.
    """
    sites = progress.plan.sites
    for interval in reversed(progress.spent.get(member, ())):
        if interval.kind == "work" and interval.step is not None and interval.start < now:
            site = progress.steps[interval.step].step.site
            if site is not None and site in sites:
                return now if interval.end is None else interval.end, float(sites[site])
    return -1.0, None


def ask_for(progress: Progress, state: StepState, node: Node, crews: Crews, now: float) -> Ask:
    """Return what is asked about the duration of a remaining step."""
    step, crew = state.step, crews[state.step.id]
    planned = progress.planned.get(step.id)
    clock = now if planned is None else (planned[0] + planned[1]) / 2.0
    likely = float(step.time.likely)
    if step.time.home and node.home is None:
        ways = [s for c in crew if (s := _home_s(progress, c, now)) is not None]
        likely = max(ways, default=0.0)
    elif node.home is not None:
        likely = likely or NO_TIME_S
    return Ask(
        step=step.id,
        crew=crew,
        work=step.work,
        likely=likely,
        low=step.time.low,
        high=step.time.high,
        fixed=step.fixed,
        count=step.count,
        counted=state.counted,
        counted_worked_s=state.counted_worked_s,
        worked_s=state.elapsed_s(now),
        running=state.running_since is not None and state.running_since <= now,
        begun=node.running,
        evidence=state.evidence,
        silent=bool(progress.silent) and not progress.silent.keys().isdisjoint(crew),
        clock_s=clock,
        left_s=state.left_s,
        left_worked_s=state.left_worked_s,
    )

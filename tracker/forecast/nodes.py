"""One node per remaining step, and what is asked about how long it takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tracker.forecast.durations import Ask
from tracker.forecast.network import Network
from tracker.forecast.openings import gaps
from tracker.forecast.world import Node
from tracker.journal.progress import Progress, StepState
from tracker.plan.windows import Interval

Crews = Mapping[str, tuple[str, ...]]
"""Who does each open step now."""
NO_TIME_S = 60.0
"""What a way home without a time on paper is drawn for; the draw only serves as a factor."""


def begun(state: StepState, now: float) -> bool:
    """Whether work on the step has begun by now."""
    return state.began is not None and state.began <= now


def make_nodes(
    progress: Progress, net: Network, crews: Crews, index: Mapping[str, int], now: float
) -> tuple[Node, ...]:
    """Return the nodes of a network at `now`; `index` gives each crew member's place."""
    made: dict[tuple[tuple[str, ...], float | None], tuple[Interval, ...]] = {}
    states = [progress.steps[step] for step in net.steps]
    out = []
    for i, state in enumerate(states):
        step, crew = state.step, tuple(index[c] for c in crews[state.step.id])
        going = begun(state, now)
        shut: tuple[Interval, ...] = ()
        if step.windows and not going:
            key = (step.windows, float(step.time.likely) if step.whole else None)
            if key not in made:
                made[key] = gaps([progress.openings[w] for w in step.windows], now, key[1])
            shut = made[key]
        home = step.time.home and not going
        out.append(
            Node(
                step=step.id,
                task=step.task,
                crew=crew,
                needs=net.needs[i],
                groups=net.groups[i],
                running=going,
                just_begun=going and state.began == now,
                gaps=shut,
                windows=step.windows if shut else (),
                opens=step.opens,
                closes=step.closes,
                closeout=progress.tasks[step.task].task.closeout,
                home=_sites_before(progress, states[:i], crews, crews[step.id]) if home else None,
                home_now=float(step.time.likely),
                home_from=_from_here(progress, crews[step.id], index, now) if home else {},
            )
        )
    return tuple(out)


def _sites_before(
    progress: Progress, earlier: Sequence[StepState], crews: Crews, crew: Sequence[str]
) -> dict[int, float]:
    """Return the way home in seconds from every earlier remaining step at a site, done by one of the crew."""
    sites, out = progress.plan.sites, {}
    for i, state in enumerate(earlier):
        site = state.step.site
        if site is not None and site in sites and not set(crew).isdisjoint(crews[state.step.id]):
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
    last, seconds = -1.0, None
    for state in progress.steps.values():
        if state.step.site is None or member not in state.crew or state.step.site not in sites:
            continue
        at = _there_at(state, now)
        if at is not None and at >= last:
            last, seconds = at, float(sites[state.step.site])
    return seconds


def _there_at(state: StepState, now: float) -> float | None:
    """Return when the crew of a step was last known to be at its site; None if they never were."""
    if state.began is None or state.began > now:
        return None
    if state.ended == "done" and state.done is not None:
        return state.done
    if state.ended is None:
        return now
    # Given up: they were there if they did any of it.
    return state.began if state.worked_s > 0 else None


def ask_for(progress: Progress, state: StepState, node: Node, crews: Crews, now: float) -> Ask:
    """Return what is asked about the duration of a remaining step."""
    step, crew = state.step, crews[state.step.id]
    planned = progress.planned.get(step.id)
    clock = now if planned is None else (planned[0] + planned[1]) / 2.0
    likely = float(step.time.likely)
    if step.time.home and node.home is None:
        ways = [s for c in crew if (s := _home_s(progress, c, now)) is not None]
        likely = max(ways, default=likely)
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
        silent=any(c in progress.silent for c in crew),
        clock_s=clock,
        left_s=state.left_s,
        left_worked_s=state.left_worked_s,
    )

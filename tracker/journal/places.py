"""Where crew members are: questions asked of progress."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.journal.progress import Progress


@dataclass(frozen=True, slots=True)
class Place:
    """A site at which somebody is, or was last."""

    crew: str
    site: str
    since: float
    """PET at which that became known: the begin of a step there, or when somebody said so."""
    step: str | None
    """The step that took them there; None where somebody said so."""
    home_s: float
    """Seconds that the way home takes from there."""


def place_of(progress: Progress, crew: str, now: float) -> Place | None:
    """Where somebody is at PET `now`: the last site of their steps, or what was said since; None if unknown.

    What was said goes before a step in hand that began earlier; one that ends or begins later goes before it.
    Whoever is inside is at no site. A step begun at this very instant does not count: who is called now has
    not gone there.
    """
    if crew in progress.entered:
        return None
    worked = _worked(progress, crew, now)
    said = [e for e in progress.events if e.kind == "placed" and e.body["crew"] == crew and e.at <= now]
    if said and (worked is None or said[-1].at >= worked[0]):
        site, since, step = str(said[-1].body["site"]), max(0.0, said[-1].at), None
    elif worked is not None:
        _, site, since, step = worked
    else:
        return None
    return Place(crew, site, since, step, float(progress.plan.sites[site]))


def _worked(progress: Progress, crew: str, now: float) -> tuple[float, str, float, str | None] | None:
    """Of their last work at a site: from when on word goes before it, the site, since when, the step."""
    sites, last, found = progress.plan.sites, -1.0, None
    for spent in reversed(progress.spent.get(crew, ())):
        if spent.kind == "work" and spent.step is not None and spent.start < now:
            site = progress.steps[spent.step].step.site
            if site in sites:
                last = now if spent.end is None else spent.end
                found = spent.end or spent.start, str(site), spent.start, spent.step
                break
    for id, state in progress.steps.items():
        # A step that took no time at all is in nobody's stretches of work.
        done, site = state.done, state.step.site
        if (
            state.ended == "done"
            and done is not None
            and done > last
            and crew in state.crew
            and site in sites
        ):
            last, found = done, (done, str(site), done, id)
    return found

"""Where crew members are, as far as no step says it."""

from __future__ import annotations

from tracker.foundation.text import did_you_mean, near
from tracker.journal.folding.state import State, pet, refuse, the_crew
from tracker.journal.progress import Recorded


def placed(state: State, event: Recorded, at: float) -> None:
    """Somebody is at a site, and goes home from there until a step says otherwise."""
    (c,) = the_crew(state, event)
    site = event.body["site"]
    if site not in state.plan.sites:
        known = ", ".join(state.plan.sites) or "none in this plan"
        refuse(event, f"there is no site {site}{did_you_mean(near(site, state.plan.sites)) or f'; {known}'}")
    if c in state.entered:
        state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
    state.site[c] = site

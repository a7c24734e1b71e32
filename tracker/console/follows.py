"""What follows from what would be written: INSIDE and the chance before and after, as figures and in words.

From the choices that the estimate has worked out, where the events are one of them; else from an estimate of
what is supposed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tracker.forecast.values import Choice, Estimate
from tracker.forecast.wording import need_of
from tracker.foundation.shown import pet_up, up
from tracker.foundation.text import percent
from tracker.journal.kinds import partner_of

Event = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Follows:
    """What an entry comes to beside what stands."""

    before: float | None
    """INSIDE as it stands."""
    after: float | None
    safe: tuple[float, float]
    """The chance before and after."""
    need: float
    worse: bool
    """Whether it takes the chance below what is needed, or further below it."""

    @property
    def words(self) -> str:
        """`INSIDE 5:23 -> 6:12, 97 -> 78 %`, or that nothing changes."""
        before, after = (percent(share, self.need) for share in self.safe)
        if up(self.before) == up(self.after) and before == after:
            return f"INSIDE {pet_up(self.before)}, no change"
        chance = after if before == after else f"{before.removesuffix(' %')} -> {after}"
        return f"{inside_words(self.before, self.after)}, {chance}"


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
    chance = "" if turn.safe_if_now is None else f", {percent(turn.safe_if_now, need_of(estimate)[2])}"
    return f": inside {pet_up(turn.inside_if_now.p50)}{chance}"


def of_choices(events: Sequence[Event], estimate: Estimate | None) -> Follows | None:
    """Return what events come to where they are one of the choices that are worked out; else None."""
    wanted = _deeds(events)
    for choice in (estimate.choices or ()) if estimate is not None else ():
        if choice.events and _deeds(choice.events) == wanted:
            assert estimate is not None
            return _of_choice(choice, estimate)
    return None


def _of_choice(choice: Choice, estimate: Estimate) -> Follows:
    safe = (estimate.safe, choice.safe)
    worse = not choice.meets and choice.safe < estimate.safe
    return Follows(estimate.inside.p50, choice.inside.p50, safe, need_of(estimate)[2], worse)


def of_estimates(stands: Estimate, supposed: Estimate) -> Follows:
    """Return what is supposed beside what stands; of two confidences by the one further from being met."""
    _, before, _ = need_of(stands)
    _, after, need = need_of(supposed)
    worse = after < need and after < before
    return Follows(stands.inside.p50, supposed.inside.p50, (before, after), need, worse)


_SAID = ("kind", "task", "step", "choice", "call", "crew", "last", "before")


def _deeds(events: Iterable[Event]) -> frozenset[tuple[tuple[str, str], ...]]:
    """Return what events do, whoever wrote them and whenever; a decision to drop is the drop."""
    return frozenset(
        tuple((key, str(event[key])) for key in _SAID if key in event)
        for event in events
        if (partner_of(event) or {}).get("kind") != "dropped"
    )

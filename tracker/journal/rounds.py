"""Rounds: what somebody answered, which round is due, and whose answer is missing; asked of progress."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tracker.journal.kinds import NOT_OK
from tracker.journal.progress import Progress
from tracker.plan.model import Round


@dataclass(frozen=True, slots=True)
class Check:
    """One person's answers in a round."""

    number: int
    """Number of its event."""
    at: float
    round: str
    crew: str
    answers: Mapping[str, str | float]
    """By what was asked: `ok`, `not ok: why`, or what was read."""

    @property
    def wrong(self) -> tuple[str, ...]:
        """What is not ok."""
        return tuple(item for item, said in self.answers.items() if str(said).startswith(NOT_OK))


@dataclass(frozen=True, slots=True)
class RoundState:
    """A round as it stands at an instant."""

    round: Round
    due: float
    """The PET at which it is due next, or was."""
    missing: tuple[str, ...]
    """Who has still to answer, in the order of the crew; empty before it is due."""
    asked: tuple[str, ...]
    """Who is asked: everybody outside, in the same order."""
    last: Mapping[str, Check]
    """The last answers of everybody asked who gave any."""

    def late_s(self, now: float) -> float:
        """How long it has been due, in seconds; 0 before."""
        return max(0.0, now - self.due) if self.missing else 0.0


def checks(progress: Progress, round: str | None = None) -> tuple[Check, ...]:
    """All answers to a round (None: to any), in the order of their time."""
    return tuple(
        Check(e.number, max(0.0, e.at), str(e.body["round"]), str(e.body["crew"]), e.body["answers"])
        for e in progress.events
        if e.kind == "checked" and round in (None, e.body["round"])
    )


def rounds_at(progress: Progress, now: float) -> tuple[RoundState, ...]:
    """The rounds of the plan at PET `now`, in its order; none before zero, once closed or with all inside.

    Asked is who is outside. A round is due as long after somebody's last answer, first after zero, as the
    plan says; then it is asked of all but those who answered within half of that time.
    """
    outside = [c for c in progress.plan.outside if c not in progress.entered]
    if progress.zero is None or progress.closed is not None or not outside:
        return ()
    states = []
    for one in progress.plan.rounds:
        last = {check.crew: check for check in checks(progress, one.id) if check.at <= now}
        since = {c: last[c].at if c in last else 0.0 for c in outside}
        due = min(since.values()) + one.every
        missing = [c for c in outside if now >= due and now - since[c] >= one.every / 2]
        known = {c: last[c] for c in outside if c in last}
        states.append(RoundState(one, due, tuple(missing), tuple(outside), known))
    return tuple(states)

"""One instant of an excursion, looked over for what wants a person; and what alerts have in common.

Hides how an alert is put together: its kind, whether it was seen, what an earlier instant raised, and the
words that several alerts share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.forecast.values import Alert, Choice, Estimate, Raised, Severity
from tracker.forecast.wording import slot
from tracker.journal.progress import Progress


@dataclass(frozen=True, slots=True)
class Look:
    """The excursion at one instant."""

    progress: Progress
    made: Estimate
    now: float

    def alert(
        self,
        id: str,
        form: str,
        *,
        severity: Severity = "look",
        subject: str | None = None,
        since: float | None = None,
        by: float | None = None,
        do: Sequence[str] = (),
        **figures: float | None,
    ) -> Alert:
        """One alert; texts of plans and journals in `form` are made plain by whoever writes them there."""
        return Alert(
            id=id,
            text="",
            acknowledged=id in self.progress.acknowledged,
            kind=id.partition(":")[0],
            severity=severity,
            since=since,
            subject=subject,
            figures=figures,
            do=tuple(do),
            form=form,
            by=by,
        )

    def past(self, id: str) -> Raised | None:
        """The alert as an earlier instant raised it."""
        return next((past for past in self.made.advice.raised if past.id == id), None)

    def choice(self, id: str) -> Choice | None:
        """A choice that was worked out."""
        return next((choice for choice in self.made.choices or () if choice.id == id), None)

    def seen_at(self, id: str) -> float | None:
        """The PET at which the alert was last seen."""
        seen = [e.at for e in self.progress.events if e.kind == "acknowledged" and e.body["alert"] == id]
        return seen[-1] if seen else None


def then_inside() -> str:
    """What a choice comes to."""
    return f"inside {slot('then_inside', 'up')}, {slot('then_safe', 'chance')}"


def from_to() -> str:
    """The chance as it is and as it would be."""
    return f"{slot('safe', 'chance')} -> {slot('then_safe', 'chance')}"


def when_raised(how: str, before: str = "") -> str:
    """What a figure was when the alert was raised."""
    return f" ({before}{slot('was', how)} when raised at {slot('raised', 'down')})"

"""When an estimate, the advice, its row on disk and the page for paper are due again. Reads no clock."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.console.view.scene import Picture

ESTIMATE_S, ADVICE_S = 10.0, 30.0
"""How often an estimate and the advice are renewed while nothing happens."""
KEEP_S = 60.0
"""At most one estimate in this time is kept on disk."""
PAGE_S = 900.0
"""How often the page for paper is written beside the journal."""

_NEVER = float("-inf")


@dataclass
class Renewal:
    """Remembers when what was renewed last; `mono` is a clock for spans, `now` is PET, both in seconds."""

    asked: float = _NEVER
    advised: float = _NEVER
    kept: float = _NEVER
    kept_number: int = -1
    paged: float = _NEVER
    due: float | None = None
    """PET at which the advice changes by itself."""

    def happened(self) -> None:
        """An event came: everything is due."""
        self.asked = self.advised = _NEVER

    def wanted(self, picture: Picture, now: float, mono: float) -> bool | None:
        """Return None where nothing is due; else whether the advice is wanted too."""
        passed = self.due is not None and now >= self.due
        advise = passed or mono - self.advised >= ADVICE_S
        if not advise and mono - self.asked < ESTIMATE_S:
            return None
        self.asked = mono
        if advise:
            self.advised = mono
            self.due = next_change(picture, now)
        return advise

    def keeps(self, number: int, mono: float) -> bool:
        """Return whether the estimate after this event goes to disk; if so, it is taken as kept."""
        if number <= max(0, self.kept_number) or mono - self.kept < KEEP_S:
            return False
        self.kept, self.kept_number = mono, number
        return True

    def pages(self, mono: float) -> bool:
        """Return whether the page for paper is due; if so, it is taken as written."""
        if mono - self.paged < PAGE_S:
            return False
        self.paged = mono
        return True


def next_change(picture: Picture, now: float) -> float | None:
    """Return the next PET at which advice changes by itself: a last call, a window's edge, a due time."""
    found = [edge for spans in picture.progress.openings.values() for span in spans for edge in span]
    estimate = picture.estimate
    if estimate is not None:
        found += [f.last_call for f in estimate.optional if f.last_call is not None]
        found += [c.due for c in estimate.clocks if c.due is not None]
    return min((at for at in found if at > now), default=None)

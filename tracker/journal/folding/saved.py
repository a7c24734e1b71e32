"""States kept on the way, so that a late or withdrawn event folds again only what came after it."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.journal.folding.state import State

EVERY = 32
"""A state is kept after so many events."""
_MOST = 24
"""Beyond this every other of the older half is let go."""


@dataclass(frozen=True, slots=True)
class Saved:
    """States by the number of events they had folded, ascending. Never changed, and neither are they."""

    states: tuple[tuple[int, State], ...] = ()

    def keep(self, events: int, state: State) -> Saved:
        """Return these and one more, where it is time for one."""
        if events % EVERY:
            return self
        states = (*self.states, (events, state.copy()))
        if len(states) > _MOST:
            half = len(states) // 2
            states = (*states[:half:2], *states[half:])
        return Saved(states)

    def until(self, events: int) -> Saved:
        """Return those that had folded at most so many events."""
        return Saved(tuple(one for one in self.states if one[0] <= events))

    @property
    def last(self) -> tuple[int, State] | None:
        """The one that had folded most; None without any."""
        return self.states[-1] if self.states else None

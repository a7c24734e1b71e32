"""What is supposed at the desk, beside what stands, and orders that would be better. Nothing here writes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from tracker.console.ordering import heeding
from tracker.console.supposing import chosen_events, parted, with_supposed
from tracker.forecast.values import Estimate
from tracker.foundation.errors import TrackerError
from tracker.journal.progress import Progress

RENEW_S = 60.0
"""After this time without an event both estimates are made again."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A better order, as far as it is shown and recorded."""

    event: Mapping[str, Any]
    text: str
    gain_s: float
    safe: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """Both estimates, for one instant and the same random numbers; None where there is none yet."""

    progress: Progress
    now: float
    stands: Estimate
    supposed: Estimate | None = None
    trouble: str = ""
    """Why what is supposed can no longer be."""
    suggestions: tuple[Suggestion, ...] | None = None
    sought: float | None = None
    """Share of the search for better orders that is done; None before it and after it."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The lines that are supposed, in the order in which they were typed, and what is known of them."""

    lines: tuple[str, ...] = ()
    weighed: Weighed | None = None

    @property
    def text(self) -> str:
        """All lines as one."""
        return "; ".join(self.lines)

    @property
    def suggestions(self) -> tuple[Suggestion, ...]:
        """Better orders, the greatest gain first; none while they are looked for."""
        return (self.weighed.suggestions or ()) if self.weighed else ()

    def rows(self) -> list[str]:
        """Return the names of the rows that can be chosen: `line 0`, `order 0`."""
        lines = [f"line {k}" for k in range(len(self.lines))]
        return lines + [f"order {k}" for k in range(len(self.suggestions))]

    def line_of(self, row: str | None) -> int | None:
        """Return the place of a chosen line."""
        return _place("line", row, len(self.lines))

    def order_of(self, row: str | None) -> Suggestion | None:
        """Return the chosen better order."""
        place = _place("order", row, len(self.suggestions))
        return None if place is None else self.suggestions[place]

    def more(self, text: str) -> WhatIf:
        """Return this with what was typed besides; estimates follow."""
        return self._with((*self.lines, *parted(text)))

    def less(self, place: int) -> WhatIf:
        """Return this without a line."""
        return self._with(self.lines[:place] + self.lines[place + 1 :])

    def _with(self, lines: tuple[str, ...]) -> WhatIf:
        weighed = replace(self.weighed, supposed=None, trouble="") if self.weighed else None
        return WhatIf(lines, weighed)

    def stale(self, progress: Progress, now: float) -> bool:
        """Return whether the estimates are for another progress, or older than a minute."""
        return self.weighed is None or self.weighed.progress is not progress or self.old(now)

    def old(self, now: float) -> bool:
        """Return whether the estimates are older than a minute."""
        return self.weighed is not None and now - self.weighed.now >= RENEW_S

    def events(self, progress: Progress, now: float, utc: datetime) -> list[dict[str, Any]]:
        """Return the events to be written once this is chosen; EventError where they cannot be."""
        return [dict(event) for event in chosen_events(self.text, progress, now, utc)]


def _place(kind: str, row: str | None, count: int) -> int | None:
    name, _, number = (row or "").partition(" ")
    return int(number) if name == kind and number.isdigit() and int(number) < count else None


def weigh(
    text: str,
    progress: Progress,
    now: float,
    utc: datetime,
    *,
    tell: Callable[[Weighed], None] = lambda found: None,
    wanted: Callable[[], bool] = lambda: True,
) -> Iterator[Weighed]:
    """Yield what is supposed beside what stands, then with better orders for what stands.

    Takes tenths of a second, and seconds with hundreds of steps: it belongs into a thread. `tell` hears how
    far the search for better orders is; once nobody has `wanted` it any more, there are none.
    """
    # Arrays are imported here, after the first frame is painted.
    from tracker.forecast.estimate import estimate
    from tracker.forecast.orders import better_orders

    now = max(now, progress.at)
    found = Weighed(progress, now, estimate(progress, now))
    if text:
        try:
            supposed, _ = with_supposed(text, progress, now, utc)
        except TrackerError as error:
            found = replace(found, trouble=error.lines[0])
        else:
            found = replace(found, supposed=estimate(supposed, max(now, supposed.at)))
    yield found
    heed = heeding(lambda share: tell(replace(found, sought=share)), wanted)
    orders = better_orders(progress, now=now, kept=found.stands.advice.kept, heed=heed)
    if not wanted():
        return
    told = tuple(Suggestion(order.event, order.text, order.gain_s, order.safe) for order in orders)
    yield replace(found, suggestions=told)

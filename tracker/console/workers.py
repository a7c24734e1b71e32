"""Works out estimates in a thread of its own; a newer request takes the place of one that still waits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.latest import Latest
from tracker.forecast.values import Advice, Estimate
from tracker.journal.progress import Progress

SETTLE_S = 0.25
"""How long the advice waits for further events after the quick figures are out."""


@dataclass(frozen=True)
class Wanted:
    """An estimate to be worked out."""

    progress: Progress
    now: float
    advise: bool
    """False: the advice of before still holds."""


@dataclass(frozen=True)
class Estimated:
    """An estimate, and what it was worked out from."""

    estimate: Estimate
    wanted: Wanted
    full: bool
    """Whether the advice in it was worked out anew."""


@dataclass(frozen=True)
class NotEstimated:
    """Why there is no estimate."""

    words: str
    wanted: Wanted


class Forecaster(Latest[Wanted]):
    """Takes what is wanted, reports estimates; the latest request wins.

    Where advice is wanted, figures by the advice that stands come first, unless somebody else tells them
    (`alone` is False).
    """

    def __init__(self, report: Callable[[Estimated | NotEstimated], None], *, alone: bool = True) -> None:
        super().__init__("forecaster")
        self._alone = alone
        self._report = report
        self._advice: Advice | None = None

    def ask(self, wanted: Wanted) -> None:
        """Want an estimate; an older request that still waits is forgotten, its wish for advice is not."""
        with self._changed:
            before = self._wanted
            if before is not None and before.advise and not wanted.advise:
                wanted = Wanted(wanted.progress, wanted.now, True)
            self._wanted = wanted
            self._changed.notify()

    def go_by(self, advice: Advice) -> None:
        """Take this advice for the estimates that follow, until one of them works it out anew."""
        self._advice = advice

    def run(self) -> None:
        """Work out what is wanted until stopped."""
        while (wanted := self._next()) is not None:
            if wanted.advise and self._advice is not None:
                if self._alone:
                    self._work(Wanted(wanted.progress, wanted.now, False))
                self._settle()
                if self._superseded(wanted):
                    continue
            self._work(wanted)

    def _settle(self) -> None:
        """Wait a moment for more events, which often come in twos and threes, before the long part."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wanted is not None, timeout=SETTLE_S)

    def _superseded(self, wanted: Wanted) -> bool:
        """Return whether a newer event waits; then the advice is wanted for that instead."""
        with self._changed:
            newer = self._wanted
            if newer is None or newer.progress.number == wanted.progress.number:
                return self._stopped
            self._wanted = Wanted(newer.progress, newer.now, True)
            return True

    def _work(self, wanted: Wanted) -> None:
        # Arrays are imported here, after the first frame is painted.
        from tracker.forecast.estimate import estimate

        reuse = None if wanted.advise else self._advice
        try:
            found = estimate(wanted.progress, now=wanted.now, advice=reuse)
        except Exception as error:
            # Whatever goes wrong in here, the operator goes on ticking, and is told.
            self._report(NotEstimated(f"{type(error).__name__}: {error}", wanted))
            return
        if reuse is None:
            # Advice that came from elsewhere meanwhile is newer than what these figures went by.
            self._advice = found.advice
        self._report(Estimated(found, wanted, full=reuse is None))

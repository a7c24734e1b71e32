"""Works out estimates in a thread of its own; a newer request takes the place of one that still waits.

A thread that works for whoever asked last: a newer wish takes the place of one that still waits.

Looks for better orders in a thread of its own: with hundreds of steps that takes seconds.

Estimates for a seat: quick figures never wait behind advice that is being worked out.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from tracker.console.view.scene import Orders
from tracker.forecast.values import Advice, Estimate
from tracker.journal.progress import Progress

T = TypeVar("T")


class Latest(threading.Thread, Generic[T]):
    """Holds what is wanted; whoever makes one of it says in `run` what is done with that."""

    def __init__(self, name: str) -> None:
        super().__init__(name=name, daemon=True)
        self._changed = threading.Condition()
        self._wanted: T | None = None
        self._stopped = False

    def ask(self, wanted: T) -> None:
        """Want this; what an older wish still wants is forgotten."""
        with self._changed:
            self._wanted = wanted
            self._changed.notify()

    def stop(self) -> None:
        """End after what is being worked out."""
        with self._changed:
            self._stopped = True
            self._changed.notify()

    def _next(self) -> T | None:
        """Take what is wanted, once something is; None once it is stopped."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wanted is not None)
            wanted, self._wanted = self._wanted, None
            return None if self._stopped else wanted

    def _overtaken(self) -> bool:
        """Return whether something newer is wanted, or nothing any more."""
        with self._changed:
            return self._stopped or self._wanted is not None


TOLD_SHARE = 0.02
"""How often it is told how far the search is."""


@dataclass(frozen=True)
class Sought:
    """For what better orders are looked for."""

    progress: Progress
    now: float
    kept: frozenset[str]
    """Optional tasks that are kept, before and after."""


@dataclass(frozen=True)
class Bettered:
    """How far the search is, and what it found."""

    sought: Sought
    share: float
    orders: Orders | None = None
    trouble: str = ""


def heeding(tell: Callable[[float], None], wanted: Callable[[], bool]) -> Callable[[float], bool]:
    """Return what a search is to heed: it tells how far it is, and goes on while it is wanted."""
    told = -1.0

    def heed(share: float) -> bool:
        nonlocal told
        if not wanted():
            return False
        if share - told >= TOLD_SHARE:
            told = share
            tell(share)
        return True

    return heed


class Ordering(Latest[Sought | None]):
    """Takes what is sought, reports what is found; something else sought, or nothing, ends a search."""

    def __init__(self, report: Callable[[Bettered], None]) -> None:
        super().__init__("ordering")
        self._report = report
        self._sought: Sought | None = None
        """What is being looked for; it is wanted as long as nothing else is."""

    def run(self) -> None:
        """Search until stopped."""
        while (sought := self._next()) is not None:
            try:
                self._search(sought)
            except Exception as error:
                # Whatever goes wrong in here, the figures are still shown, and the lead is told.
                self._report(Bettered(sought, 1.0, trouble=f"{type(error).__name__}: {error}"))

    def _next(self) -> Sought | None:
        """Return what is sought, once it is something else; it stays wanted while it is looked for."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wanted not in (None, self._sought))
            self._sought = self._wanted
            return None if self._stopped else self._sought

    def _search(self, sought: Sought) -> None:
        # Arrays are imported here, after the first frame is painted.
        from tracker.forecast.orders import better_orders

        heed = heeding(
            lambda share: self._report(Bettered(sought, share)),
            lambda: not self._stopped and self._wanted is sought,
        )
        found = better_orders(sought.progress, now=sought.now, kept=sought.kept, heed=heed)
        if self._wanted is sought:
            rows = tuple((order.text.partition(":")[0], order.gain_s, order.safe) for order in found)
            self._report(Bettered(sought, 1.0, Orders(sought.now, rows)))


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


Report = Callable[[Estimated | NotEstimated], None]


class Prompt:
    """Two forecasters: one for figures by the advice that stands, and one for the advice.

    The first takes some hundredths of a second; the other, with hundreds of steps, more than one.
    """

    def __init__(self, report: Report) -> None:
        self._report = report
        self._thorough = Forecaster(self._thoroughly, alone=False)
        self._quick = Forecaster(self._quickly)
        self._lock = threading.Lock()
        self._advice: Advice | None = None

    def start(self) -> None:
        """Begin to take what is wanted."""
        self._thorough.start()
        self._quick.start()

    def stop(self) -> None:
        """End after what is being worked out."""
        self._thorough.stop()
        self._quick.stop()

    def ask(self, wanted: Wanted) -> None:
        """Want an estimate; the quick figures come first, by the advice that stands."""
        with self._lock:
            standing = self._advice is not None
        if standing:
            self._quick.ask(Wanted(wanted.progress, wanted.now, False))
        if wanted.advise or not standing:
            self._thorough.ask(wanted)

    def _thoroughly(self, report: Estimated | NotEstimated) -> None:
        if isinstance(report, Estimated):
            with self._lock:
                self._advice = report.estimate.advice
                self._quick.go_by(self._advice)
        self._report(report)

    def _quickly(self, report: Estimated | NotEstimated) -> None:
        """Hand figures on, unless advice has come that is newer than what they go by."""
        if isinstance(report, Estimated):
            with self._lock:
                if report.estimate.advice is not self._advice:
                    return
        self._report(report)

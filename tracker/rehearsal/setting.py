"""A rehearsal from a plan, a seed and a journal, and how it went, in a line.

It is played at once, or along a clock that may run faster than time, in a thread beside the desk.
"""

from __future__ import annotations

import hashlib
import math
import threading
import uuid
from collections.abc import Callable, Collection, Sequence
from datetime import UTC, datetime, timedelta

from tracker.forecast.remaining import prior_of
from tracker.foundation import clock
from tracker.foundation.errors import TrackerError
from tracker.foundation.shown import pet_down, spare, spare_words
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet, pet_of
from tracker.journal.progress import Progress, inside_at
from tracker.plan.model import Plan, store_words
from tracker.rehearsal.crew import Crew
from tracker.rehearsal.nature import Chance, Nature, Stores
from tracker.rehearsal.play import Lead, Log, Play
from tracker.rehearsal.surprises import Surprise, surprises
from tracker.rehearsal.voice import Calling, Ticking

SOME_DAY = datetime(2030, 1, 1, 12, 0, tzinfo=UTC)
"""When a plan without `zero_planned` is rehearsed: any day will do, but always the same."""
OFTEN_S = 1800.0
"""Consumables are read, and the lead looks whether to turn back, every half hour; on a short excursion as
often as eight times until the limit."""
_SPACE = uuid.UUID("6f7e5a52-5a0f-4c0e-9d59-0b0f6a3c1e77")


def seed_of_scenarios(plan: Plan, seed: int) -> str:
    """Return the UUID of the journal: of plan and seed alone, so that advice comes out the same again."""
    digest = hashlib.sha256(plan.source.encode()).hexdigest()
    return str(uuid.uuid5(_SPACE, f"{digest} {seed}"))


def zero_of(plan: Plan) -> datetime:
    """Return the instant at which a rehearsal of this plan starts."""
    return plan.zero_planned or SOME_DAY


class Rehearsal:
    """A simulated crew at a journal, ready to play."""

    def __init__(
        self,
        log: Log,
        plan: Plan,
        seed: int,
        *,
        wanted: Collection[str] = ("random",),
        advised: bool = False,
        practice: bool = False,
    ) -> None:
        """Make ready.

        `wanted`: kinds of surprises, `random` for those that chance brings. `advised`: a simulated lead
        follows the advice. `practice`: the crew only speaks; whoever sits at the desk ticks.
        """
        chance = Chance(seed)
        prior = prior_of(log.progress())
        self.log, self.plan, self.seed = log, plan, seed
        self.surprises: Sequence[Surprise] = surprises(plan, chance, wanted)
        stuck = [one.step for one in self.surprises if one.kind == "stuck"]
        crew = Crew(plan, Nature(prior, chance, stuck=stuck), Stores(plan, prior, chance))
        voice = Calling() if practice else Ticking(chance)
        every_s = min(OFTEN_S, log.progress().limits["elapsed"] / 8)
        lead = Lead(every_s=every_s) if advised else None
        self.play = Play(
            log, crew, voice, self.surprises, lead=lead, read_every_s=every_s, closes=not practice
        )

    def start(self, utc_now: datetime) -> None:
        """Start the clock, where nobody else does."""
        self.log.record_all([{"kind": "zero"}], seat="rehearsal", utc_now=utc_now)

    def through(self, told: Callable[[float], None] | None = None) -> Progress:
        """Play all of it at once and return how it ended; `told` hears each PET on the way."""
        self.start(zero_of(self.plan))
        self.play.to(math.inf, told)
        return self.log.progress()

    def outcome(self) -> str:
        """Return in one line how it stands, or how it went."""
        return outcome(self.log.progress(), self.surprises, self.seed)


def outcome(progress: Progress, drawn: Sequence[Surprise], seed: int) -> str:
    """Return in one line how a rehearsal went; a surprise that has not come yet is not given away."""
    steps = progress.steps.values()
    came = [one for one in drawn if _has_come(progress, one)]
    done = sum(1 for state in steps if state.ended == "done")
    dropped = [name for name, task in progress.tasks.items() if task.status == "dropped"]
    left = [name for name, task in progress.tasks.items() if task.status == "left"]
    parts = [
        _inside(progress),
        f"{done} of {len(steps)} steps done",
        f"dropped {', '.join(dropped)}" if dropped else "nothing dropped",
        *([f"called home, left {', '.join(left)}"] if progress.recall else []),
        f"surprises: {', '.join(map(in_words, came)) or 'none'}",
        f"seed {seed}",
    ]
    return plain("; ".join(parts), most=400)


def _has_come(progress: Progress, one: Surprise) -> bool:
    if one.kind != "stuck":
        return one.at <= progress.at
    began = progress.steps[one.step].began
    return began is not None and began <= progress.at


def _inside(progress: Progress) -> str:
    limit = progress.limits["elapsed"]
    arrived = [inside_at(progress, c) for c in progress.plan.outside]
    known = [at for at in arrived if at is not None]
    if not known or len(known) < len(arrived):
        return f"at {pet_down(progress.at)}, not everyone inside; elapsed limit at {pet_down(limit)}"
    at = max(known)
    left = spare_words(spare(limit, at, at))
    return f"inside at {pet_down(at)}, elapsed limit at {pet_down(limit)}, {left}"


def in_words(one: Surprise) -> str:
    """Return a surprise in a few words."""
    who = " ".join(one.crew)
    match one.kind:
        case "stuck":
            return f"{one.step} stuck"
        case "leak":
            whose = "shared" if who == "*" else who
            return f"leak of {store_words(one.consumable)} {whose} at {format_pet(one.at)}"
        case "hold":
            return f"hold of {who} at {format_pet(one.at)}"
        case "silence":
            return f"no voice from {who} at {format_pet(one.at)}"
        case "not-ok":
            return f"{who} not ok: {one.words}"
        case "unseen":
            return f"something out of sight at {format_pet(one.at)}"
        case _:
            return f"unplanned work at {format_pet(one.at)}"


LOOK_S = 0.2
"""How often the crew goes on, seconds of real time."""


class FastClock:
    """A clock that stands at an instant until it is started, and then runs so many times as fast as time."""

    def __init__(
        self, base: datetime, speed: float, monotonic_s: Callable[[], float] = clock.monotonic_s
    ) -> None:
        self._base, self._speed, self._monotonic_s = base, speed, monotonic_s
        self._since: float | None = None

    def start(self) -> None:
        """Let it run; a second call does nothing."""
        if self._since is None:
            self._since = self._monotonic_s()

    def utc_now(self) -> datetime:
        """Return the instant that it shows."""
        passed = 0.0 if self._since is None else self._monotonic_s() - self._since
        return self._base + timedelta(seconds=passed * self._speed)


class Player(threading.Thread):
    """Plays a rehearsal by a clock until it is over or stopped.

    It has a journal of its own, which it opens in its thread: `make` returns the rehearsal and what closes
    its journal.
    """

    def __init__(
        self,
        make: Callable[[], tuple[Rehearsal, Callable[[], None]]],
        utc_now: Callable[[], datetime],
        *,
        starts: bool,
    ) -> None:
        """Make ready. `starts`: it starts the excursion's clock itself."""
        super().__init__(name="rehearsal", daemon=True)
        self._make, self._utc_now, self._starts = make, utc_now, starts
        self._stopped = threading.Event()
        self.fault: tuple[str, ...] = ()
        """Why it could not go on."""
        self.outcome = ""

    def stop(self, timeout_s: float = 5.0) -> None:
        """End soon."""
        self._stopped.set()
        if self.is_alive():
            self.join(timeout_s)

    def run(self) -> None:
        """Play until over or stopped; a fault ends it and stays to be told."""
        try:
            rehearsal, close = self._make()
            try:
                self._play(rehearsal)
                self.outcome = rehearsal.outcome()
            finally:
                close()
        except TrackerError as error:
            self.fault = error.lines
        except OSError as error:
            self.fault = (str(error),)

    def _play(self, rehearsal: Rehearsal) -> None:
        if self._starts:
            rehearsal.start(self._utc_now())
        while not self._stopped.wait(LOOK_S) and not rehearsal.play.over:
            rehearsal.log.refresh()
            zero = rehearsal.log.progress().zero
            if zero is not None:
                rehearsal.play.to(pet_of(self._utc_now(), zero))

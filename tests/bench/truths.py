"""Simulated excursions whose truth is known, most of them none that the forecast believes in.

Each kind differs from the plain one (lognormal noise, ticks in time) in one thing. A number is an excursion
of a kind: constants may be chosen on numbers below `FRESH`; figures are taken from there on.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tests.bench.excursions import CREW, Array, play, recorded
from tracker.foundation.times import format_exact
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

FRESH = 60_000
"""The first number that nothing was looked at with."""
PACE, SPREAD, CREW_SPREAD = 1.05, 0.15, 0.08
WORK = ("carry", "drive", "fasten", "general")
LEAST_S = 2
_SEED = 4711
_LOG_GAMMA_8 = sum(1.0 / k for k in range(1, 8)) - np.euler_gamma
"""Mean of the logarithm of a gamma variable of shape 8; like every noise, it scatters about the level."""

Noise = Callable[[np.random.Generator, int, Array], Array]
"""Log noise of every step, from their middles on the planned clock (hours)."""
Trend = Callable[[np.random.Generator, Array, float], Array]
"""Log pace of every step beside the level, from their middles and the end on the planned clock (hours)."""
Ticking = Callable[[np.random.Generator, Array], Array]
"""The instants that were ticked, from those at which the steps ended, in their order."""


@dataclass(frozen=True)
class Truth:
    """What is true of a kind."""

    noise: Noise
    trend: Trend = lambda rng, middle, end: np.zeros_like(middle)
    ticking: Ticking = lambda rng, finish: finish
    steps: int = 50
    length_s: float = 600.0
    crew_spread: float = CREW_SPREAD
    work_spread: float = 0.0
    typed: bool = False
    """Whether instants are stated, not stamped."""


@dataclass(frozen=True)
class Case:
    """One excursion: its steps in order, and everything that is true of it."""

    kind: str
    number: int
    crew: tuple[tuple[str, ...], ...]
    work: tuple[str, ...]
    likely: tuple[int, ...]
    """Per step, planned seconds."""
    duration: tuple[int, ...]
    """Per step, actual seconds."""
    ticks: tuple[float, ...]
    """Per step, the instant that was ticked."""
    typed: bool
    shift: Mapping[int, float] = field(default_factory=dict)
    """Seconds by which the ticks of single steps are moved, to see what one tick does."""

    @property
    def uuid(self) -> str:
        """The seed of the forecast's scenarios, of which the truth knows nothing."""
        return f"{self.kind}-{self.number}"

    @cached_property
    def actual(self) -> tuple[tuple[float, float], ...]:
        """Per step (start, finish), seconds."""
        return tuple((float(a), float(b)) for a, b in play(self.crew, self.duration))

    @property
    def end(self) -> float:
        """When everyone was inside, seconds."""
        return max(finish for _, finish in self.actual)

    @cached_property
    def middle_h(self) -> tuple[float, ...]:
        """Per step, the middle of it as planned, hours."""
        return tuple((a + b) / 7200.0 for a, b in play(self.crew, self.likely))

    @cached_property
    def planned_h(self) -> float:
        """End of the plan, hours."""
        return max(float(b) for _, b in play(self.crew, self.likely)) / 3600.0

    def at(self, i: int) -> float:
        """Return the instant that stands in the journal for step i."""
        return self.ticks[i] + self.shift.get(i, 0.0)

    def done(self, t: float) -> list[int]:
        """Return the steps ticked by t."""
        return [i for i in range(len(self.likely)) if self.at(i) <= t]

    def left(self, t: float) -> list[int]:
        """Return the steps not ticked by t."""
        return [i for i in range(len(self.likely)) if self.at(i) > t]

    def free(self, t: float) -> dict[str, float]:
        """Return since when each crew member is free by the ticks so far."""
        out = dict.fromkeys(CREW, 0.0)
        for i in self.done(t):
            for c in self.crew[i]:
                out[c] = max(out[c], self.at(i))
        return out

    def running(self, t: float) -> dict[int, float]:
        """Return the steps at work at t by the ticks so far, each with its begin."""
        free, seen, out = self.free(t), set[str](), {}
        for i in self.left(t):
            if seen.isdisjoint(self.crew[i]):
                out[i] = max(free[c] for c in self.crew[i])
            seen.update(self.crew[i])
        return out

    @cached_property
    def plan(self) -> Plan:
        """The plan, read as any other."""
        steps = [
            {"do": f"Step {i + 1}", "crew": list(crew), "time": format_exact(likely), "work": work}
            for i, (crew, likely, work) in enumerate(zip(self.crew, self.likely, self.work, strict=True))
        ]
        plan = {
            "format": 1,
            "excursion": self.uuid,
            "zero": "Out of the lock",
            "limits": {"elapsed": "9:00"},
            "crew": [{"id": c, "name": c} for c in CREW],
            "tasks": [{"id": "t", "title": "All of it", "steps": steps}],
        }
        return parse_plan(json.dumps(plan), file="bench.json", name="bench")

    @cached_property
    def whole(self) -> Fold:
        """The journal's fold after the last tick."""
        ticks = sorted((self.at(i), i) for i in range(len(self.likely)))
        events = [recorded(1, "zero", 0.0, {"utc": "2031-05-04T14:00:00Z"})]
        for n, (at, i) in enumerate(ticks, start=2):
            event = recorded(n, "done", at, {"step": f"t.{i + 1}"})
            events.append(replace(event, stated=self.typed))
        return Fold.start(self.plan, uuid=self.uuid).add_all(events)

    def progress(self, t: float) -> Progress:
        """Return what the journal showed at t."""
        return self.whole.until(at=t).progress()


def lognormal(sigma: float = 0.33) -> Noise:
    """Return normal noise of the logarithm."""
    return lambda rng, n, middle: rng.normal(0.0, sigma, n)


def _heavy(rng: np.random.Generator, n: int, middle: Array) -> Array:
    return np.asarray(np.clip(rng.standard_t(4.0, n), -8.0, 8.0) * 0.25)


def _surprise(rng: np.random.Generator, n: int, middle: Array) -> Array:
    out = rng.normal(0.0, 0.33, n)
    out[int(rng.integers(n))] += math.log(rng.uniform(4.0, 6.0))
    return out


def _gamma(rng: np.random.Generator, n: int, middle: Array) -> Array:
    return np.log(rng.gamma(8.0, 1.0, n)) - _LOG_GAMMA_8


def _weibull(rng: np.random.Generator, n: int, middle: Array) -> Array:
    return np.asarray(np.log(rng.weibull(3.0, n)) + np.euler_gamma / 3.0)


def _correlated(rng: np.random.Generator, n: int, middle: Array) -> Array:
    out, rho = rng.normal(0.0, 0.33, n), 0.6
    for i in range(1, n):
        out[i] = rho * out[i - 1] + math.sqrt(1.0 - rho * rho) * out[i]
    return out


def _bimodal(rng: np.random.Generator, n: int, middle: Array) -> Array:
    slow = rng.random(n) < 0.15
    return np.asarray(rng.normal(0.0, 0.2, n) + slow * np.log(rng.uniform(2.0, 3.5, n)))


def slope(low: float, high: float) -> Trend:
    """Return a rise of so much an hour, about the middle of the plan."""
    return lambda rng, middle, end: rng.uniform(low, high) * (middle - end / 2.0)


def _tires_early(rng: np.random.Generator, middle: Array, end: float) -> Array:
    return rng.uniform(0.12, 0.20) * (np.minimum(middle, end / 3.0) - end / 6.0)


def _tires_late(rng: np.random.Generator, middle: Array, end: float) -> Array:
    return rng.uniform(0.12, 0.25) * np.maximum(middle - 0.6 * end, 0.0)


def _warms(rng: np.random.Generator, middle: Array, end: float) -> Array:
    return rng.uniform(0.2, 0.5) * np.exp(-middle / rng.uniform(0.4, 1.0))


def _step(rng: np.random.Generator, middle: Array, end: float) -> Array:
    up = 1.0 if rng.random() < 0.5 else -1.0
    return np.asarray(up * rng.uniform(0.2, 0.4) * (middle > rng.uniform(0.25, 0.6) * end), dtype=float)


def _six(rng: np.random.Generator, finish: Array) -> Array:
    order, out = np.argsort(finish, kind="stable"), finish.copy()
    for first in range(0, len(order), 6):
        batch = order[first : first + 6]
        out[batch] = finish[batch].max()
    return out


def _late(rng: np.random.Generator, finish: Array) -> Array:
    return np.rint(finish + rng.exponential(rng.uniform(20.0, 120.0), len(finish)))


def _late_rounded(rng: np.random.Generator, finish: Array) -> Array:
    unit = 60.0 if rng.random() < 0.3 else 300.0
    return np.ceil((finish + rng.exponential(60.0, len(finish))) / unit) * unit


TRUTHS: Mapping[str, Truth] = {
    "lognormal": Truth(lognormal()),
    "heavy": Truth(_heavy),
    "surprise": Truth(_surprise),
    "base": Truth(lognormal(), crew_spread=0.12, work_spread=0.12),
    "steady": Truth(lognormal(0.05)),
    "short": Truth(lognormal(), steps=300, length_s=110.0),
    "six": Truth(lognormal(), ticking=_six),
    "late-rounded": Truth(lognormal(), ticking=_late_rounded, typed=True),
    "late": Truth(lognormal(), ticking=_late),
    "gamma": Truth(_gamma),
    "weibull": Truth(_weibull),
    "warm-up": Truth(lognormal(0.25), _warms),
    "correlated": Truth(_correlated),
    "step-change": Truth(lognormal(), _step),
    "bimodal": Truth(_bimodal),
    "tiring": Truth(lognormal(), slope(0.04, 0.08)),
    "tiring-hard": Truth(lognormal(), slope(0.10, 0.16)),
    "tiring-early": Truth(lognormal(), _tires_early),
    "tiring-late": Truth(lognormal(), _tires_late),
}
"""By name."""
TIRING = tuple(name for name in TRUTHS if name.startswith("tiring"))
TRENDS = (*TIRING, "step-change", "warm-up", "correlated")


def make(kind: str, number: int) -> Case:
    """Return excursion `number` of a kind.

    Plan, level and crew of a number are the same in every kind, so that kinds can be compared.
    """
    truth = TRUTHS[kind]
    rng, noise, trend, ticking = (np.random.default_rng([_SEED, number, i]) for i in range(4))
    crew, likely = _steps(rng, truth)
    played = play(crew, likely)
    middle = np.array([(a + b) / 7200.0 for a, b in played])
    end_h = max(float(b) for _, b in played) / 3600.0
    work = tuple(WORK[int(i)] for i in rng.integers(len(WORK), size=len(crew)))
    own = dict(zip(CREW, rng.normal(0.0, truth.crew_spread, len(CREW)), strict=True))
    kinds = dict(zip(WORK, rng.normal(0.0, truth.work_spread, len(WORK)), strict=True))
    log = np.array([np.mean([own[c] for c in who]) for who in crew])
    log += math.log(PACE) + rng.normal(0.0, SPREAD)
    log = log + np.array([kinds[w] for w in work]) + truth.trend(trend, middle, end_h)
    log = log + truth.noise(noise, len(crew), middle)
    duration = np.maximum(np.rint(np.array(likely) * np.exp(log)), LEAST_S)
    seconds = tuple(int(d) for d in duration)
    finish = np.array([float(b) for _, b in play(crew, seconds)])
    ticks = _in_turn(crew, truth.ticking(ticking, finish))
    return Case(kind, number, crew, work, likely, seconds, ticks, truth.typed)


def _in_turn(crew: tuple[tuple[str, ...], ...], ticks: NDArray[np.float64]) -> tuple[float, ...]:
    """Return the ticks with no step of a crew member ticked before the one that comes before it."""
    last, out = dict.fromkeys(CREW, 0.0), []
    for who, at in zip(crew, ticks, strict=True):
        at = max(float(at), *(last[c] for c in who))
        last.update(dict.fromkeys(who, at))
        out.append(at)
    return tuple(out)


def _steps(rng: np.random.Generator, truth: Truth) -> tuple[tuple[tuple[str, ...], ...], tuple[int, ...]]:
    crew, likely = [], []
    for i in range(truth.steps):
        joint = i >= truth.steps - 3 or rng.random() < 0.2
        crew.append(CREW if joint else (CREW[int(rng.integers(2))],))
        seconds = np.exp(rng.normal(math.log(truth.length_s), 0.5))
        likely.append(int(np.clip(seconds, 0.2 * truth.length_s, 3.0 * truth.length_s)))
    return tuple(crew), tuple(likely)

"""What somebody with a spreadsheet would do: simple forecasts of the end, each with a range.

Each takes a case and an instant and sees what the journal shows: ticks. The time that a step in progress has
taken is never more than what is left of it at the present pace, at least a quarter of it remains.
"""

from __future__ import annotations

import math

import numpy as np

from tests.bench.excursions import Array, play
from tests.bench.truths import PACE, SPREAD, Case

SIGMA = 0.33
BELIEF_S = 3600.0
"""Planned time of belief in the usual pace."""
SAMPLES = 1000
LEAST_S = 15.0
"""Nothing is believed to have taken less."""
LEAST_LEFT = 0.25


def paper(case: Case, t: float) -> Array:
    """The end by a paper timeline: now, and the planned time left."""
    return np.array([t + _planned_left(case, t, 1.0)])


def pro_rata(case: Case, t: float) -> Array:
    """The end by planned time left times actual over planned time of what is done."""
    actual, planned = _so_far(case, t)
    pace = actual / planned if planned else 1.0
    return np.array([t + _planned_left(case, t, pace)])


def shrunk(case: Case, t: float) -> Array:
    """Pro rata, with an hour of planned time at the usual pace added, and a range as wide as that leaves."""
    actual, planned = _so_far(case, t)
    pace = (actual + BELIEF_S * PACE) / (planned + BELIEF_S)
    left = np.array([case.likely[i] for i in case.left(t)], dtype=float)
    noise = SIGMA * math.sqrt(float((left**2).sum())) / max(float(left.sum()), 1.0)
    spread = math.hypot(SPREAD * math.sqrt(BELIEF_S / (planned + BELIEF_S)), noise)
    z = np.random.default_rng([1, case.number]).standard_normal(SAMPLES)
    return np.asarray(t + _planned_left(case, t, pace) * np.exp(spread * z))


def conjugate(case: Case, t: float) -> Array:
    """Log ratios as normals of unknown mean and variance: normal-inverse-gamma, then step by step."""
    ratio = np.log(_ratios(case, t))
    worth, shape = (SIGMA / SPREAD) ** 2, 3.0
    n = len(ratio)
    centre = (worth * math.log(PACE) + ratio.sum()) / (worth + n)
    apart = float(((ratio - ratio.mean()) ** 2).sum()) if n else 0.0
    apart += worth * n / (worth + n) * (float(ratio.mean()) - math.log(PACE)) ** 2 if n else 0.0
    rng = np.random.default_rng([2, case.number])
    variance = (shape * SIGMA**2 + apart / 2.0) / rng.gamma(shape + n / 2.0, 1.0, SAMPLES)
    level = centre + np.sqrt(variance / (worth + n)) * rng.standard_normal(SAMPLES)
    return _played(
        case,
        t,
        lambda size: np.exp(
            level[:, None] + np.sqrt(variance)[:, None] * rng.standard_normal((SAMPLES, size))
        ),
    )


def bootstrap(case: Case, t: float) -> Array:
    """Ratios seen so far drawn again, with weights drawn as well, beside five that were believed before."""
    believed = PACE * np.exp(0.36 * np.array([-1.28, -0.52, 0.0, 0.52, 1.28]))
    ratio = np.concatenate([believed, _ratios(case, t)])
    rng = np.random.default_rng([3, case.number])
    weight = rng.dirichlet(np.ones(len(ratio)), SAMPLES).cumsum(axis=1)

    def draw(size: int) -> Array:
        u = rng.random((SAMPLES, size))
        place = (u[:, :, None] > weight[:, None, :]).sum(axis=2)
        return np.asarray(ratio[np.minimum(place, len(ratio) - 1)])

    return _played(case, t, draw)


RIVALS = {"shrunk": shrunk, "nig": conjugate, "bootstrap": bootstrap}


def _so_far(case: Case, t: float) -> tuple[float, float]:
    """Return crew time taken and planned by what is ticked."""
    took = _took(case, t)
    actual = sum(s * len(case.crew[i]) for i, s in took.items())
    planned = sum(case.likely[i] * len(case.crew[i]) for i in took)
    return float(actual), float(planned)


def _took(case: Case, t: float) -> dict[int, float]:
    """Return what each ticked step took by the ticks: from the latest tick of its crew before."""
    free: dict[str, float] = {}
    out = {}
    for i in sorted(case.done(t), key=lambda i: (case.at(i), i)):
        start = max(free.get(c, 0.0) for c in case.crew[i])
        out[i] = case.at(i) - start
        free.update(dict.fromkeys(case.crew[i], case.at(i)))
    return out


def _ratios(case: Case, t: float) -> Array:
    return np.array([max(s, LEAST_S) / case.likely[i] for i, s in _took(case, t).items()])


def _planned_left(case: Case, t: float, pace: float) -> float:
    """Return the time left at a pace: what is under way is credited with the time it has taken."""
    left, running = case.left(t), case.running(t)
    rest = [max(pace * case.likely[i] - (t - running[i] if i in running else 0.0), 0.0) for i in left]
    return float(max(finish for _, finish in play([case.crew[i] for i in left], rest)))


def _played(case: Case, t: float, draw: object) -> Array:
    """Return the end with a drawn ratio for every step left, those under way beyond the time they have."""
    left, running = case.left(t), case.running(t)
    drawn = draw(len(left))  # type: ignore[operator]
    rows = []
    for column, i in enumerate(left):
        row = case.likely[i] * drawn[:, column]
        if i in running:
            spent = t - running[i]
            longer = row[row > spent]
            row = np.resize(longer, SAMPLES) if len(longer) > 20 else spent + LEAST_LEFT * row
            row = row - spent
        rows.append(row)
    ends = play([case.crew[i] for i in left], rows, t)
    return np.asarray(np.maximum.reduce([finish for _, finish in ends]))

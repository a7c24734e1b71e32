"""The random numbers of an excursion: fixed per journal and key, so that estimates can be compared.

Every row is drawn once from its own stream (Philox, keyed by the SHA-256 of the journal's UUID and
the key) and kept for the excursion. A key is a step, a crew member, a kind of work; a step keeps its
numbers whatever else is dropped, moved or added. The first n numbers of a longer row are those of a
shorter one.

The normal distribution on arrays, with relative accuracy far into the tail.

Sources: W. J. Cody, Rational Chebyshev approximation for the error function, Mathematics of
Computation 23 (1969) 631-637; M. J. Wichura, Algorithm AS 241: the percentage points of the normal
distribution, Applied Statistics 37 (1988) 477-484.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.random import Generator, Philox
from numpy.typing import NDArray

from tracker.forecast.memory import Memory

Array = NDArray[np.float64]

_ERF_P = (
    1.85777706184603153e-1,
    3.16112374387056560,
    1.13864154151050156e2,
    3.77485237685302021e2,
    3.20937758913846947e3,
)
_ERF_Q = (1.0, 2.36012909523441209e1, 2.44024637934444173e2, 1.28261652607737228e3, 2.84423683343917062e3)
_MID_P = (
    2.15311535474403846e-8,
    5.64188496988670089e-1,
    8.88314979438837594,
    6.61191906371416295e1,
    2.98635138197400131e2,
    8.81952221241769090e2,
    1.71204761263407058e3,
    2.05107837782607147e3,
    1.23033935479799725e3,
)
_MID_Q = (
    1.0,
    1.57449261107098347e1,
    1.17693950891312499e2,
    5.37181101862009858e2,
    1.62138957456669019e3,
    3.29079923573345963e3,
    4.36261909014324716e3,
    3.43936767414372164e3,
    1.23033935480374942e3,
)
_FAR_P = (
    1.63153871373020978e-2,
    3.05326634961232344e-1,
    3.60344899949804439e-1,
    1.25781726111229246e-1,
    1.60837851487422766e-2,
    6.58749161529837803e-4,
)
_FAR_Q = (
    1.0,
    2.56852019228982242,
    1.87295284992346725,
    5.27905102951428412e-1,
    6.05183413124413191e-2,
    2.33520497626869185e-3,
)
_INV_A = (
    2.5090809287301226727e3,
    3.3430575583588128105e4,
    6.7265770927008700853e4,
    4.5921953931549871457e4,
    1.3731693765509461125e4,
    1.9715909503065514427e3,
    1.3314166789178437745e2,
    3.3871328727963666080,
)
_INV_B = (
    5.2264952788528545610e3,
    2.8729085735721942674e4,
    3.9307895800092710610e4,
    2.1213794301586595867e4,
    5.3941960214247511077e3,
    6.8718700749205790830e2,
    4.2313330701600911252e1,
    1.0,
)
_INV_C = (
    7.74545014278341407640e-4,
    2.27238449892691845833e-2,
    2.41780725177450611770e-1,
    1.27045825245236838258,
    3.64784832476320460504,
    5.76949722146069140550,
    4.63033784615654529590,
    1.42343711074968357734,
)
_INV_D = (
    1.05075007164441684324e-9,
    5.47593808499534494600e-4,
    1.51986665636164571966e-2,
    1.48103976427480074590e-1,
    6.89767334985100004550e-1,
    1.67638483018380384940,
    2.05319162663775882187,
    1.0,
)
_INV_E = (
    2.01033439929228813265e-7,
    2.71155556874348757815e-5,
    1.24266094738807843860e-3,
    2.65321895265761230930e-2,
    2.96560571828504891230e-1,
    1.78482653991729133580,
    5.46378491116411436990,
    6.65790464350110377720,
)
_INV_F = (
    2.04426310338993978564e-15,
    1.42151175831644588870e-7,
    1.84631831751005468180e-5,
    7.86869131145613259100e-4,
    1.48753612908506148525e-2,
    1.36929880922735805310e-1,
    5.99832206555887937690e-1,
    1.0,
)


def _poly(coefficients: Sequence[float], x: Array) -> Array:
    """Evaluate a polynomial, highest power first."""
    out = np.full_like(x, coefficients[0])
    for c in coefficients[1:]:
        out *= x
        out += c
    return out


def upper_tail(x: Array) -> Array:
    """Return P(Z > x) of a standard normal Z, with relative accuracy up to x of about 37."""
    x = np.asarray(x, dtype=np.float64)
    y = np.abs(x) / np.sqrt(2.0)
    half = np.empty_like(y)
    near, far = y <= 0.46875, y > 4.0
    mid = ~(near | far)
    if near.any():
        v = y[near]
        half[near] = 0.5 - 0.5 * v * _poly(_ERF_P, v * v) / _poly(_ERF_Q, v * v)
    if mid.any():
        v = y[mid]
        half[mid] = 0.5 * np.exp(-v * v) * _poly(_MID_P, v) / _poly(_MID_Q, v)
    if far.any():
        v = np.minimum(y[far], 26.5)
        s = 1.0 / (v * v)
        ratio = 1.0 / np.sqrt(np.pi) - s * _poly(_FAR_P, s) / _poly(_FAR_Q, s)
        half[far] = 0.5 * np.exp(-v * v) * ratio / v
    out: Array = np.where(x >= 0, half, 1.0 - half)
    return out


def from_upper_tail(p: Array) -> Array:
    """Return the z with P(Z > z) = p, for p in (0, 1), with relative accuracy for small p."""
    p = np.asarray(p, dtype=np.float64)
    q = p - 0.5
    out = np.empty_like(p)
    central = np.abs(q) <= 0.425
    if central.any():
        v = q[central]
        r = 0.180625 - v * v
        out[central] = -v * _poly(_INV_A, r) / _poly(_INV_B, r)
    tail = ~central
    if tail.any():
        v = p[tail]
        upper = v < 0.5
        r = np.sqrt(-np.log(np.maximum(np.where(upper, v, 1.0 - v), 1e-300)))
        z = _tail_point(r)
        out[tail] = np.where(upper, z, -z)
    return out


def _tail_point(r: Array) -> Array:
    """Return z for r = sqrt(-log p), p below 0.075."""
    inner, outer = r - 1.6, r - 5.0
    z: Array = _poly(_INV_C, inner) / _poly(_INV_D, inner)
    deep = outer > 0
    if deep.any():
        v = outer[deep]
        z[deep] = _poly(_INV_E, v) / _poly(_INV_F, v)
    return z


def hazard(x: Array) -> Array:
    """Return the density of a standard normal over its upper tail at x."""
    x = np.asarray(x, dtype=np.float64)
    inside = np.minimum(x, 30.0)
    ratio = np.exp(-0.5 * inside * inside) / np.sqrt(2.0 * np.pi) / upper_tail(inside)
    return np.where(x > 30.0, x + 1.0 / np.maximum(x, 1.0), ratio)


Row = NDArray[np.float32]

FAR = 30.0
"""Beyond so many standard deviations a normal's tail is taken by its leading term."""
LATE = 0.75
"""Where a step in progress is late, in standard deviations; between one in four and one in five is."""
_LATE_SHARE = upper_tail(np.array([LATE]))[0]
_LATE_HAZARD = hazard(np.array([LATE]))[0]
"""The chance to end that a standard normal has there, per standard deviation."""
NEWTON = 6
"""Steps after which the point of a mixture of two exponentials is exact to rounding."""


def stream(uuid: str, key: str) -> Generator:
    """Return the random stream of a key; the same on every machine and in every process."""
    digest = hashlib.sha256(f"{uuid}\0{key}".encode()).digest()
    return Generator(Philox(key=int.from_bytes(digest[:16], "little")))


_MOST = 3
"""Sizes of which the draws are kept."""


class _Drawn(dict[tuple[str, int], "Normals"]):
    """What was drawn for an excursion, by its UUID and the number of scenarios; the last used comes last."""


FASTEST = 0.1
"""Of the scenarios: in so large a part every store goes at the fastest of its rates."""
KNOTS, REACH = 512, 4.5
"""An inverse distribution is tabulated at so many standard normals, from -REACH to REACH."""


class Places(NamedTuple):
    """Where fixed standard normals fall in the table of an inverse distribution: (scenarios,) each."""

    knot: NDArray[np.intp]
    beyond: Row
    """Part of the way to the next knot."""

    def between(self, values: Array) -> Row:
        """Return what a table (knots,) has at these places."""
        row = values.astype(np.float32)
        step = np.append(np.diff(row), np.float32(0))
        out = step.take(self.knot)
        out *= self.beyond
        out += row.take(self.knot)
        return out


NORMAL_SHARES = 1.0 - upper_tail(np.linspace(-REACH, REACH, KNOTS))
"""The share of a normal below each knot."""


class Normals:
    """The standard normals of one excursion, n a key, for whoever asks for many keys."""

    def __init__(self, uuid: str, n: int) -> None:
        self.uuid, self.n = uuid, n
        self._rows: dict[str, Row] = {}
        self._above: dict[str, NDArray[np.float64]] = {}
        self._places: dict[tuple[str, str], Places] = {}

    @staticmethod
    def of(memory: Memory, uuid: str, n: int) -> Normals:
        """Return those of an excursion as far as they are drawn already."""
        drawn = memory.of(_Drawn)
        found = drawn.pop((uuid, n), None) or Normals(uuid, n)
        for past in list(drawn)[: len(drawn) - _MOST + 1]:
            del drawn[past]
        drawn[uuid, n] = found
        return found

    def __call__(self, key: str) -> Row:
        """Return n standard normals of this key as a read-only float32 row."""
        row = self._rows.get(key)
        if row is None:
            row = stream(self.uuid, key).standard_normal(self.n, dtype=np.float32)
            row.setflags(write=False)
            self._rows[key] = row
        return row

    def above(self, key: str) -> NDArray[np.float64]:
        """Return, for each normal of this key, the share of a normal that lies above it."""
        row = self._above.get(key)
        if row is None:
            row = upper_tail(self(key).astype(np.float64))
            row.setflags(write=False)
            self._above[key] = row
        return row

    def places(self, key: str, common: str) -> Places:
        """Where the normals of a key fall, given those of a key that all stores have in common.

        The fastest tenth falls into the same scenarios for every store, since a crew that uses more of one
        thing uses more of the others. Otherwise eight stores, each suspected at one in twenty, would be short
        of something in one scenario of three.
        """
        if (key, common) not in self._places:
            slower, fast = self.above(key), self(common) > from_upper_tail(np.array([FASTEST]))[0]
            z = from_upper_tail(np.where(fast, FASTEST * slower, FASTEST + (1.0 - FASTEST) * slower))
            at = np.clip((z + REACH) * ((KNOTS - 1) / (2 * REACH)), 0, KNOTS - 1.001)
            knot = at.astype(np.intp)
            self._places[key, common] = Places(knot, (at - knot).astype(np.float32))
        return self._places[key, common]


def truncated(lower: NDArray[np.float64], above: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return standard normals known to exceed `lower`, made from fixed normals.

    With F the share of a normal below `lower` and u a fixed normal's own place, `above` 1 - u, it is the
    point with F + (1 - F) u below it. Both arrays have shape (N,).
    """
    near = np.clip(lower, -37.0, FAR)
    out = np.maximum(from_upper_tail(upper_tail(near) * above), near)
    far = lower > FAR
    if far.any():
        # There the tail beyond x is as good as exp(-x² / 2) / x, and x hardly changes.
        out[far] = np.sqrt(lower[far] ** 2 - 2.0 * np.log(above[far]))
    return out


HELD_UP = 0.176
"""Of the steps that are late so many are held up for a reason of their own: one step in twenty-five."""


def running_on(
    lower: NDArray[np.float64], above: NDArray[np.float64], fading: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return what `truncated` does, with heavier tails the later the step is.

    A normal that runs on is ever surer to end soon; what holds a step up need not be. So beyond `LATE`
    the chance to end stays what it is there: the tail is exponential. Of the late steps `HELD_UP` have a
    slower one, which loses `fading` a standard deviation: the longer a step runs on, the surer it is one of
    them. A step that is not late yet has the normal's tail, and in between the one goes over into the other,
    so that no figure jumps as time passes.
    """
    usual = truncated(lower, above)
    late = lower > 0.0
    slow = np.broadcast_to(fading, lower.shape)[late]
    held_up = _held_up(lower[late], above[late], np.minimum(slow, _LATE_HAZARD))
    usual[late] += np.minimum(lower[late] / LATE, 1.0) * (held_up - usual[late])
    return usual


def _held_up(lower: Array, above: Array, slow: Array) -> Array:
    """Return what `truncated` does for a tail that is normal up to `LATE`, and beyond it two exponentials."""
    late = lower > LATE
    share = upper_tail(np.where(late, LATE, lower)) * above
    tail = late | (share < _LATE_SHARE)
    out = np.maximum(from_upper_tail(np.where(tail, 0.5, share)), lower)
    passed = np.where(late, lower - LATE, 0.0)
    usual, held = (1.0 - HELD_UP) * np.exp(-_LATE_HAZARD * passed), HELD_UP * np.exp(-slow * passed)
    share_held = np.where(late, held / (usual + held), HELD_UP)
    beyond = np.where(late, above, share / _LATE_SHARE)
    out[tail] = (LATE + passed + _further(beyond, share_held, slow))[tail]
    return out


def _further(above: Array, held: Array, slow: Array) -> Array:
    """Return by how much two exponentials are passed with a chance of `above`; `held` is the slower's share.

    The logarithm of their sum is convex, so Newton's steps from below never pass the root.
    """
    log = np.log(above)
    with np.errstate(divide="ignore"):
        usual, late = np.log1p(-held), np.log(held)
    out: Array = np.maximum(np.maximum((usual - log) / _LATE_HAZARD, (late - log) / slow), 0.0)
    for _ in range(NEWTON):
        a, b = usual - _LATE_HAZARD * out, late - slow * out
        both = np.logaddexp(a, b)
        steep = _LATE_HAZARD * np.exp(a - both) + slow * np.exp(b - both)
        out += np.maximum(both - log, 0.0) / steep
    return out

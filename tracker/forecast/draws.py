"""The random numbers of an excursion: fixed per journal and key, so that estimates can be compared.

Every row is drawn once from its own stream (Philox, keyed by the SHA-256 of the journal's UUID and
the key) and kept for the excursion. A key is a step, a crew member, a kind of work; a step keeps its
numbers whatever else is dropped, moved or added. The first n numbers of a longer row are those of a
shorter one.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from dataclasses import dataclass, field
from threading import Lock

import numpy as np
from numpy.random import Generator, Philox
from numpy.typing import NDArray

from tracker.forecast.normal import from_upper_tail, hazard, upper_tail

Row = NDArray[np.float32]

FAR = 30.0
"""Beyond so many standard deviations a normal's tail is taken by its leading term."""
LATE = 0.75
"""Where a step in progress is late, in standard deviations; between one in four and one in five is."""
_LATE_SHARE = upper_tail(np.array([LATE]))[0]
_LATE_HAZARD = hazard(np.array([LATE]))[0]
"""The chance to end that a standard normal has there, per standard deviation."""


@dataclass(frozen=True, slots=True)
class _Drawn:
    """The rows drawn so far for an excursion, by key."""

    normals: dict[str, Row] = field(default_factory=dict)
    uniforms: dict[str, Row] = field(default_factory=dict)
    above: dict[str, NDArray[np.float64]] = field(default_factory=dict)


_EXCURSIONS_KEPT = 3
_kept: OrderedDict[tuple[str, int], _Drawn] = OrderedDict()
_lock = Lock()


def _drawn(uuid: str, n: int) -> _Drawn:
    """Return the rows drawn so far for this excursion; forget the excursion unused for longest."""
    with _lock:
        rows = _kept.setdefault((uuid, n), _Drawn())
        _kept.move_to_end((uuid, n))
        while len(_kept) > _EXCURSIONS_KEPT:
            _kept.popitem(last=False)
        return rows


def stream(uuid: str, key: str) -> Generator:
    """Return the random stream of a key; the same on every machine and in every process."""
    digest = hashlib.sha256(f"{uuid}\0{key}".encode()).digest()
    return Generator(Philox(key=int.from_bytes(digest[:16], "little")))


class Normals:
    """The standard normals of one excursion, n a key, for whoever asks for many keys."""

    def __init__(self, uuid: str, n: int) -> None:
        self._uuid, self._n = uuid, n
        drawn = _drawn(uuid, n)
        self._rows, self._above = drawn.normals, drawn.above

    def __call__(self, key: str) -> Row:
        """Return n standard normals of this key as a read-only float32 row."""
        row = self._rows.get(key)
        if row is None:
            row = stream(self._uuid, key).standard_normal(self._n, dtype=np.float32)
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


def normals(uuid: str, key: str, n: int) -> Row:
    """Return n standard normals of this key as a read-only float32 row."""
    return Normals(uuid, n)(key)


def uniforms(uuid: str, key: str, n: int) -> Row:
    """Return n uniforms in (0, 1) of this key as a read-only float32 row.

    They are the normals of the same key seen through their distribution, so a large normal is a
    large uniform.
    """
    rows = _drawn(uuid, n).uniforms
    row = rows.get(key)
    if row is None:
        below = 1.0 - upper_tail(normals(uuid, key, n).astype(np.float64))
        row = np.clip(below, 1e-7, 1.0 - 1e-7).astype(np.float32)
        row.setflags(write=False)
        rows[key] = row
    return row


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


def running_on(lower: NDArray[np.float64], above: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what `truncated` does, with a heavier tail the later the step is.

    A normal that runs on is ever surer to end soon; what holds a step up need not be. So beyond `LATE`
    the chance to end stays what it is there: the tail is exponential. A step that is not late yet has the
    normal's tail, and in between the one goes over into the other, so that no figure jumps as time passes.
    """
    usual = truncated(lower, above)
    late = lower > 0.0
    usual[late] += np.minimum(lower[late] / LATE, 1.0) * (_held_up(lower[late], above[late]) - usual[late])
    return usual


def _held_up(lower: NDArray[np.float64], above: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what `truncated` does for a tail that is normal up to `LATE` and exponential beyond."""
    late = lower > LATE
    share = upper_tail(np.where(late, LATE, lower)) * above
    tail = late | (share < _LATE_SHARE)
    out = np.maximum(from_upper_tail(np.where(tail, 0.5, share)), lower)
    beyond = np.where(late, above, share / _LATE_SHARE)[tail]
    out[tail] = np.where(late, lower, LATE)[tail] - np.log(beyond) / _LATE_HAZARD
    return out

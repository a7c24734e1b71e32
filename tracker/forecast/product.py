"""What the steps take from every account: one large product, as small as it can be made."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SAME = 1e-6
"""Rates are alike when they differ by no more than this share of the greatest: float32 rounding."""
FEW = 2
"""Steps are summed by their rates where that leaves fewer than one in so many of them."""

Matrix = NDArray[np.float32]


def product(rates: Matrix, rows: Matrix) -> Matrix:
    """Return rates @ rows: (accounts, steps) times (steps, N).

    Steps of one crew and effort mostly take the same from every account: their rows are summed first.
    Without BLAS: shared out between threads, so little work waits for cores that are busy elsewhere, ten
    times as long as it takes.
    """
    groups = alike_steps(rates)
    takers = sorted(i for steps in groups for i in steps)
    if len(groups) * FEW > len(takers):
        few = len(takers) * FEW < len(rows)
        return by_account(rates[:, takers], rows[takers]) if few else by_account(rates, rows)
    sums = np.empty((len(groups), rows.shape[1]), dtype=np.float32)
    for row, (first, *others) in zip(sums, groups, strict=True):
        row[:] = rows[first]
        for i in others:
            np.add(row, rows[i], out=row)
    return by_account(rates[:, [steps[0] for steps in groups]], sums)


def alike_steps(rates: Matrix) -> list[list[int]]:
    """Return the steps that take anything, those together that take the same from every account."""
    places = np.flatnonzero(rates.any(axis=0))
    alike: dict[bytes, list[int]] = {}
    for i, column in zip(places.tolist(), np.ascontiguousarray(rates[:, places].T), strict=True):
        alike.setdefault(column.tobytes(), []).append(i)
    return list(alike.values())


def by_account(rates: Matrix, rows: Matrix) -> Matrix:
    """Return rates @ rows.

    Accounts of one crew member mostly differ by a factor alone, since all follow the same effort: such
    rows are multiplied out once.
    """
    out = np.empty((len(rates), rows.shape[1]), dtype=np.float32)
    if not rates.size:
        out[:] = 0
        return out
    greatest = rates[np.arange(len(rates)), np.abs(rates).argmax(axis=1)]
    shapes = rates / np.where(greatest == 0, np.float32(1), greatest)[:, None]
    done: list[int] = []
    for k, shape in enumerate(shapes):
        apart = np.abs(shapes[done] - shape).max(axis=1)
        if not greatest[k]:
            out[k] = 0
        elif (apart > SAME).all():
            np.einsum("i,ij->j", rates[k], rows, out=out[k])
            done.append(k)
        else:
            first = done[int(apart.argmin())]
            np.multiply(out[first], greatest[k] / greatest[first], out=out[k])
    return out

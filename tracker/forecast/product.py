"""What the steps take from every account: one large product, as small as it can be made."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SAME = 1e-6
"""Rates are alike when they differ by no more than this share of the greatest: float32 rounding."""


def product(rates: NDArray[np.float32], rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return rates @ rows: (accounts, steps) times (steps, N).

    Accounts of one crew member mostly differ by a factor alone, since all follow the same effort: such
    rows are multiplied out once. Without BLAS: shared out between threads, so little work waits for cores
    that are busy elsewhere, ten times as long as it takes.
    """
    out = np.empty((len(rates), rows.shape[1]), dtype=np.float32)
    done: list[int] = []
    for k, rate in enumerate(rates):
        factors = ((j, _factor(rate, rates[j])) for j in done)
        alike = next(((j, factor) for j, factor in factors if factor is not None), None)
        if alike is None:
            np.einsum("i,ij->j", rate, rows, out=out[k])
            done.append(k)
        else:
            np.multiply(out[alike[0]], alike[1], out=out[k])
    return out


def _factor(rate: NDArray[np.float32], other: NDArray[np.float32]) -> np.float32 | None:
    """Return the factor by which a rate is another one, None where there is none."""
    at = int(np.argmax(np.abs(rate))) if rate.size else 0
    if not rate.size or other[at] == 0:
        return None
    factor = np.float32(rate[at] / other[at])
    apart = float(np.abs(rate - factor * other).max())
    return factor if apart <= SAME * abs(float(rate[at])) else None

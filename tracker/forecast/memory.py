"""Memory for large arrays, used again once nobody holds it."""

from __future__ import annotations

import sys
from threading import Lock

import numpy as np
from numpy.typing import NDArray

_MOST = 8
"""Blocks held at most; those in use beyond that are freed by whoever holds them."""

_pool: list[NDArray[np.float32]] = []
_pool_lock = Lock()


def take(shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return a float32 array of this shape, from memory that nobody holds any more where possible."""
    size = shape[0] * shape[1]
    with _pool_lock:
        for block in _pool:
            if block.size >= size and sys.getrefcount(block) == 3:
                return block[:size].reshape(shape)
        if len(_pool) >= _MOST:
            _pool.pop(0)
        block = np.empty(size, dtype=np.float32)
        _pool.append(block)
        return block[:size].reshape(shape)

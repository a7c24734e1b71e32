"""What simulated excursions share: their crew, events as a journal holds them, steps played in order."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.journal.progress import Recorded

Array = NDArray[np.float64]

CREW = ("EV1", "EV2")
_ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


def recorded(number: int, kind: str, at: float, body: dict[str, Any]) -> Recorded:
    """Return an event as a journal holds it, recorded at once."""
    return Recorded(number, kind, at, True, _ZERO + timedelta(seconds=at), "bench", body)


def play(
    crew: Sequence[tuple[str, ...]], duration: Sequence[Any], ready: float = 0.0
) -> list[tuple[Any, Any]]:
    """Return (start, finish) of steps played in order; a joint step waits for the last of its crew.

    Durations may be numbers or arrays of scenarios.
    """
    free: dict[str, Any] = dict.fromkeys(CREW, ready)
    out = []
    for who, took in zip(crew, duration, strict=True):
        start = free[who[0]]
        for c in who[1:]:
            start = np.maximum(start, free[c])
        free.update(dict.fromkeys(who, start + took))
        out.append((start, start + took))
    return out

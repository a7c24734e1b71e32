"""Judging forecasts of the end: pinball, coverage, bias, said against happened, against simple rivals."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.bench.excursions import Array
from tests.bench.truths import Case, make

SHARES = (0.10, 0.25, 0.50, 0.75)
LEVELS = (0.10, 0.50, 0.90)
SAID = (0.90, 0.925, 0.95)
Forecast = Callable[[Case, float], Array]


def pinball(samples: Array, truth: float) -> float:
    """Return the mean pinball loss of the quantiles at 10, 50 and 90 %."""
    q = np.quantile(samples, LEVELS)
    level = np.array(LEVELS)
    return float(np.mean(np.where(truth >= q, level * (truth - q), (1.0 - level) * (q - truth))))


@dataclass
class Scores:
    """What one model did on one kind: an (excursions, shares) table a measure."""

    loss: list[list[float]] = field(default_factory=list)
    hit: list[list[float]] = field(default_factory=list)
    bias: list[list[float]] = field(default_factory=list)
    """Median less truth, seconds: negative is early, the dangerous side."""
    said: list[list[float]] = field(default_factory=list)
    """Share of the instants said with 90 to 95 % that held."""

    def add(self, samples: Sequence[Array], end: float) -> None:
        """Add one excursion: a forecast a share of the time."""
        self.loss.append([pinball(s, end) for s in samples])
        edges = [np.quantile(s, [0.1, 0.5, 0.9]) for s in samples]
        self.hit.append([float(low <= end <= high) for low, _, high in edges])
        self.bias.append([float(mid - end) for _, mid, _ in edges])
        self.said.append([float(np.mean(end <= np.quantile(s, SAID))) for s in samples])


def judge(models: Mapping[str, Forecast], kind: str, numbers: Sequence[int]) -> dict[str, Scores]:
    """Return every model's scores on these excursions of a kind."""
    out = {name: Scores() for name in models}
    for number in numbers:
        case = make(kind, number)
        for name, forecast in models.items():
            out[name].add([forecast(case, share * case.end) for share in SHARES], case.end)
    return out


def ratio(ours: Scores, other: Scores) -> tuple[float, float]:
    """Return the ratio of mean losses, and its standard error over excursions."""
    a, b = np.array(ours.loss).mean(axis=1), np.array(other.loss).mean(axis=1)
    r = a.mean() / b.mean()
    return float(r), float(np.std(a - r * b) / np.sqrt(len(a)) / b.mean())

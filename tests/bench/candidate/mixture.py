"""How often crews tire, wander, tick late: weights learned over many excursions, by expectation maximisation.

One excursion cannot tell whether its crew tires: at half time the two halves differ by less than the noise of
their difference. Many together can.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

BELIEF = 6.0
"""How many excursions' worth of belief stand behind the weights before."""
ROUNDS = 500


def learned_weights(
    before: Mapping[str, float],
    evidence: Sequence[Mapping[str, float]],
    *,
    power: float = 1.0,
    belief: float = BELIEF,
) -> dict[str, float]:
    """The weights that these excursions teach; they add up to 1.

    `evidence` holds an excursion's log evidence by name, up to a constant of its own; `power` tempers it.
    Each excursion counts as much as each of the `belief` that stand behind `before`. The mode of a Dirichlet
    posterior of mixture weights: the likelihood never falls from round to round.
    """
    total = sum(before.values())
    prior = {name: weight / total for name, weight in before.items()}
    weights = dict(prior)
    for _ in range(ROUNDS):
        counts = {name: belief * weight for name, weight in prior.items()}
        for one in evidence:
            for name, share in _responsible(weights, one, power).items():
                counts[name] += share
        fresh = {name: count / (belief + len(evidence)) for name, count in counts.items()}
        done = max(abs(fresh[name] - weights[name]) for name in fresh) < 1e-9
        weights = fresh
        if done:
            break
    return weights


def _responsible(weights: Mapping[str, float], one: Mapping[str, float], power: float) -> dict[str, float]:
    """Return the probability of each name for one excursion."""
    log = {name: math.log(w) + power * one[name] for name, w in weights.items() if w > 0 and name in one}
    top = max(log.values(), default=0.0)
    raw = {name: math.exp(value - top) for name, value in log.items()}
    total = sum(raw.values())
    return {name: value / total for name, value in raw.items()}

"""The pace file: what is believed about pace before the excursion, read and written."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from tracker.forecast.prior import Effect, PaceFile, validate
from tracker.foundation.errors import Fault, PlanError
from tracker.foundation.text import ADVISORY
from tracker.plan.yaml_tree import Tree, check_size, read_tree


def _nothing() -> Mapping[str, tuple[float, float]]:
    return MappingProxyType({})


@dataclass(frozen=True)
class PacePrior:
    """What is believed before the excursion; spreads are standard deviations of logarithms."""

    median: float = 1.05
    """Pace of an average crew: actual over planned time."""
    spread: float = 0.15
    drifts: tuple[float, ...] = (0.0, 0.06, 0.15)
    """Random walk of the logarithm of pace, per square root of an hour: one a process."""
    weights: tuple[float, ...] = (0.60, 0.25, 0.15)
    """Prior probability of each drift; they add up to 1."""
    sigma: float = 0.33
    """Step-to-step noise, log."""
    sigma_weight: float = 6.0
    """How many steps' worth of belief stand behind `sigma`."""
    crew_spread: float = 0.08
    crew: Mapping[str, tuple[float, float]] = field(default_factory=_nothing)
    """Per crew member (median, spread) of their own effect on pace."""
    work_spread: float = 0.10
    work: Mapping[str, tuple[float, float]] = field(default_factory=_nothing)
    """Per kind of work (median, spread)."""
    use_spread: float = 0.15
    """Spread of the use factor of consumables."""
    name: str | None = None
    """The file's name, None for the built-in belief."""
    learned_from: tuple[Mapping[str, Any], ...] = ()


DEFAULT_PRIOR = PacePrior()

_EMPTY = re.compile(r"(\s|#[^\n]*|---)*")


def read_pace(text: str, name: str) -> PacePrior:
    """Read a pace file's text; what it does not say stays as in `DEFAULT_PRIOR`.

    Raises PlanError (a TrackerError) with every fault as `file:line:column: path: what; right`.
    """
    check_size(text, name)
    if _EMPTY.fullmatch(text):
        return PacePrior(name=name)
    try:
        tree = read_tree(text, name)
    except PlanError as error:
        raise PlanError([_of_pace(fault) for fault in error.faults]) from None
    found = validate(tree)
    drifts, weights = _processes(found, tree)
    tree.finish()
    default = DEFAULT_PRIOR
    return PacePrior(
        median=_or(found.pace.median, default.median),
        spread=_or(found.pace.spread, default.spread),
        drifts=drifts,
        weights=weights,
        sigma=_or(found.noise.sigma, default.sigma),
        sigma_weight=_or(found.noise.weight, default.sigma_weight),
        crew_spread=(crew_spread := _or(found.crew.spread, default.crew_spread)),
        crew=_effects(found.crew.own(), crew_spread),
        work_spread=(work_spread := _or(found.work.spread, default.work_spread)),
        work=_effects(found.work.own(), work_spread),
        use_spread=_or(found.use.spread, default.use_spread),
        name=name,
        learned_from=tuple(MappingProxyType(dict(entry)) for entry in found.learned_from),
    )


def _of_pace(fault: Fault) -> Fault:
    """Return a fault of the text in words of a pace file instead of a plan's."""
    if fault.what == "is not a plan":
        return Fault(fault.file, fault.line, fault.column, "", "is not a pace file", fault.right)
    return fault


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _effects(own: Mapping[str, Effect], spread: float) -> Mapping[str, tuple[float, float]]:
    return MappingProxyType({key: (_or(e.median, 1.0), _or(e.spread, spread)) for key, e in own.items()})


def _processes(found: PaceFile, tree: Tree) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return drifts and their probabilities; faults of the two together go to the tree."""
    given, weights = found.pace.drift, found.pace.weights
    drifts = DEFAULT_PRIOR.drifts if given is None else tuple(given)
    if weights is None:
        known = DEFAULT_PRIOR.weights if len(drifts) == len(DEFAULT_PRIOR.weights) else None
        return drifts, known or (1.0 / len(drifts),) * len(drifts)
    total = sum(weights)
    if len(weights) != len(drifts):
        what = f"has {len(weights)} weights for {len(drifts)} drifts"
        tree.report(("pace", "weights"), what, "give each drift one")
    elif abs(total - 1.0) > 0.01:
        tree.report(("pace", "weights"), f"adds up to {total:g}", "make the weights add up to 1")
    return drifts, tuple(weight / (total or 1.0) for weight in weights)


def write_pace(prior: PacePrior) -> str:
    """Return the text of a pace file; reading it gives the same numbers."""
    lines = [
        f"# {ADVISORY}",
        "format: 1",
        f"pace: {{median: {prior.median!r}, spread: {prior.spread!r}, "
        f"drift: {_list(prior.drifts)}, weights: {_list(prior.weights)}}}",
        f"noise: {{sigma: {prior.sigma!r}, weight: {prior.sigma_weight!r}}}",
        *_group("crew", prior.crew_spread, prior.crew),
        *_group("work", prior.work_spread, prior.work),
        f"use: {{spread: {prior.use_spread!r}}}",
    ]
    if prior.learned_from:
        lines.append("learned_from:")
        lines.extend(f"  - {json.dumps(dict(entry), ensure_ascii=True)}" for entry in prior.learned_from)
    return "\n".join(lines) + "\n"


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(repr(float(value)) for value in values) + "]"


def _group(name: str, spread: float, own: Mapping[str, tuple[float, float]]) -> list[str]:
    lines = [f"{name}:", f"  spread: {spread!r}"]
    for key, (median, own_spread) in own.items():
        lines.append(f"  {json.dumps(key)}: {{median: {median!r}, spread: {own_spread!r}}}")
    return lines

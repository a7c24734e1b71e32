"""The pace file: what is believed about pace before the excursion; read, checked and written."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from tracker.foundation.errors import Fault, PlanError
from tracker.foundation.text import ADVISORY, plain
from tracker.plan.yaml_tree import Loc, Node, Tree, check_size, read_tree

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")


def _number(value: object) -> object:
    """Leave numbers as they are; say of anything else that it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("is not a number")
    return float(value)


def _listed(value: object) -> object:
    return value if isinstance(value, list) else [value]


Number = Annotated[float, BeforeValidator(_number)]
Median = Annotated[Number, Field(ge=0.05, le=20.0)]
Spread = Annotated[Number, Field(ge=0.0, le=3.0)]
Weight = Annotated[Number, Field(ge=0.0, le=1.0)]
Drifts = Annotated[list[Spread], BeforeValidator(_listed), Field(min_length=1, max_length=12)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Pace(_Part):
    """The pace of an average crew, and how it drifts."""

    median: Median | None = None
    spread: Spread | None = None
    drift: Drifts | None = None
    weights: Annotated[list[Weight], Field(min_length=1, max_length=12)] | None = None


class Noise(_Part):
    """Step-to-step noise."""

    sigma: Spread | None = None
    weight: Annotated[Number, Field(ge=0.5, le=1e6)] | None = None


class Effect(_Part):
    """One crew member's or kind of work's own effect."""

    median: Median | None = None
    spread: Spread | None = None


class Effects(BaseModel):
    """A spread for all, and what is known of single ones."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, Effect] = Field(init=False)

    spread: Spread | None = None

    def own(self) -> Mapping[str, Effect]:
        """Return the single ones by id."""
        return self.__pydantic_extra__ or {}


class Use(_Part):
    """How fast consumables are used, against what the plan's rates say."""

    spread: Spread | None = None
    walk: Spread | None = None


class Processes(_Part):
    """How likely each way is in which pace may change: weights that add up to 1."""

    level: Weight = 0.0
    """It stays as it is."""
    walk: Weight = 0.0
    """It wanders a little."""
    wander: Weight = 0.0
    """It wanders, and falls a little."""
    roam: Weight = 0.0
    """It wanders far."""
    tires: Weight = 0.0
    """The crew tires by some 6 % an hour."""
    tires2: Weight = 0.0
    """The crew tires by some 12 % an hour."""
    warms: Weight = 0.0
    """The crew is slow at first."""
    streaks: Weight = 0.0
    """It goes well or badly for half an hour or so."""
    long: Weight = 0.0
    """It goes well or badly for an hour or so."""


class Lateness(_Part):
    """How likely each habit is in which ticks come late: weights that add up to 1."""

    prompt: Weight = 0.0
    """Within seconds."""
    slow: Weight = 0.0
    """Within a minute or so."""
    late: Weight = 0.0
    """Within minutes."""
    minutes: Weight = 0.0
    """Typed by the minute."""
    five_minutes: Weight = 0.0
    """Typed by five minutes."""


class PaceFile(_Part):
    """A whole pace file."""

    format: Literal[1] = 1
    pace: Pace = Pace()
    noise: Noise = Noise()
    crew: Effects = Effects()
    work: Effects = Effects()
    use: Use = Use()
    processes: Processes | None = None
    lateness: Lateness | None = None
    learned_from: list[dict[str, Any]] = []


def validate(tree: Tree) -> PaceFile:
    """Return the file's content; its faults go to the tree, with defaults in their place."""
    try:
        return PaceFile.model_validate(_data(tree.root))
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=True):
            _report(tree, tuple(fault["loc"]), fault["type"], fault.get("ctx", {}))
        return PaceFile()


def _data(node: Node) -> Any:
    """Return a value as plain data; words stay words, numbers become numbers."""
    if node.kind == "map":
        return {key: _data(value) for key, value in node.entries.items() if not value.null}
    if node.kind == "list":
        return [_data(item) for item in node.items]
    if not node.quoted and _NUMBER.fullmatch(node.text):
        return (
            int(node.text) if node.text.lstrip("+-").isdigit() and len(node.text) < 18 else float(node.text)
        )
    return node.text


def _report(tree: Tree, loc: Loc, kind: str, context: Mapping[str, Any]) -> None:
    """Note one fault of the schema in words."""
    if kind == "extra_forbidden":
        known = _keys(loc[:-1])
        tree.report_key(
            loc, "is not a key of a pace file", f"known here: {', '.join(known)}" if known else ""
        )
        return
    words = {
        "value_error": ("is not a number", "write a number such as 0.15"),
        "finite_number": ("is not a finite number", "write a number such as 0.15"),
        "greater_than_equal": ("is too small", f"at least {context.get('ge')}"),
        "less_than_equal": ("is too large", f"at most {context.get('le')}"),
        "literal_error": ("is not a format this program knows", "write format: 1"),
        "too_short": ("is empty", "give at least one number"),
        "too_long": ("is too long", f"at most {context.get('max_length')} numbers"),
        "list_type": ("is not a list", "write [a, b, c]"),
        "dict_type": (
            "is not a mapping",
            "write {journal: NAME, uuid: UUID, number: NUMBER, hash: HASH, steps: NUMBER}",
        ),
    }
    what, right = words.get(kind, ("is not a mapping", "write {median: 1.05, spread: 0.15}"))
    tree.report(loc, what, right)


def _keys(loc: Sequence[str | int]) -> list[str]:
    """Return the keys that a pace file knows at a place."""
    models: dict[str, type[BaseModel]] = {
        "pace": Pace,
        "noise": Noise,
        "use": Use,
        "crew": Effect,
        "work": Effect,
        "processes": Processes,
        "lateness": Lateness,
    }
    return list(models.get(str(loc[0]) if loc else "", PaceFile).model_fields)


def _nothing() -> Mapping[str, tuple[float, float]]:
    return MappingProxyType({})


def _nothing_weighed() -> Mapping[str, float]:
    return MappingProxyType({})


USUAL_DRIFTS, USUAL_WEIGHTS = (0.0, 0.06, 0.15), (0.60, 0.25, 0.15)
"""The drifts that a pace file means with weights alone, and the weights of three drifts without any."""


@dataclass(frozen=True)
class PacePrior:
    """What is believed before the excursion; spreads are standard deviations of logarithms."""

    median: float = 1.05
    """Pace of an average crew: actual over planned time."""
    spread: float = 0.15
    drifts: tuple[float, ...] = ()
    """Random walk of the logarithm of pace, per square root of an hour; empty: none is said."""
    weights: tuple[float, ...] = ()
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
    """How far consumables are used faster or slower than the plan's rates say, before anything is read."""
    use_walk: float = 0.15
    """How far that may have wandered before a reading, per square root of an hour; 0: it never changes."""
    processes: Mapping[str, float] = field(default_factory=_nothing_weighed)
    """Prior weights of the processes of pace by name; they win over drifts. Empty: none are said."""
    lateness: Mapping[str, float] = field(default_factory=_nothing_weighed)
    """Prior weights of the habits of ticking by name; empty: the built-in ones."""
    name: str | None = None
    """The file's name, None for the built-in belief."""
    learned_from: tuple[Mapping[str, Any], ...] = ()

    @property
    def certain(self) -> bool:
        """Whether nothing is left open: every spread is 0, and the forecast one course."""
        spreads = (self.spread, self.sigma, self.crew_spread, self.work_spread, self.use_spread)
        single = [spread for _, spread in (*self.crew.values(), *self.work.values())]
        return not any((*spreads, *self.drifts, *single))


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
    drifts, weights = _drifts(found, tree)
    processes, lateness = (
        _weighed(found.processes, "processes", tree),
        _weighed(found.lateness, "lateness", tree),
    )
    tree.finish()
    default = DEFAULT_PRIOR
    return PacePrior(
        median=_or(found.pace.median, default.median),
        spread=_or(found.pace.spread, default.spread),
        drifts=drifts,
        weights=weights,
        processes=processes,
        lateness=lateness,
        sigma=_or(found.noise.sigma, default.sigma),
        sigma_weight=_or(found.noise.weight, default.sigma_weight),
        crew_spread=(crew_spread := _or(found.crew.spread, default.crew_spread)),
        crew=_effects(found.crew.own(), crew_spread),
        work_spread=(work_spread := _or(found.work.spread, default.work_spread)),
        work=_effects(found.work.own(), work_spread),
        use_spread=_or(found.use.spread, default.use_spread),
        use_walk=_or(found.use.walk, default.use_walk),
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


def _drifts(found: PaceFile, tree: Tree) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return drifts and their probabilities; faults of the two together go to the tree."""
    given, weights = found.pace.drift, found.pace.weights
    if given is None and weights is None:
        return (), ()
    drifts = USUAL_DRIFTS if given is None else tuple(given)
    if weights is None:
        known = USUAL_WEIGHTS if len(drifts) == len(USUAL_WEIGHTS) else None
        return drifts, known or (1.0 / len(drifts),) * len(drifts)
    total = sum(weights)
    if len(weights) != len(drifts):
        what = f"has {len(weights)} weights for {len(drifts)} drifts"
        tree.report(("pace", "weights"), what, "give each drift one")
    elif abs(total - 1.0) > 0.01:
        _off(("pace", "weights"), total, tree)
    return drifts, tuple(weight / (total or 1.0) for weight in weights)


def _weighed(found: BaseModel | None, key: str, tree: Tree) -> Mapping[str, float]:
    """Return weights by name, those without any left out; what they add up to may be a fault."""
    if found is None:
        return MappingProxyType({})
    weights: dict[str, float] = {name: weight for name, weight in found.model_dump().items() if weight > 0}
    total = sum(weights.values())
    if abs(total - 1.0) > 0.01:
        _off((key,), total, tree)
    return MappingProxyType({name: weight / total for name, weight in weights.items()})


def _off(loc: Loc, total: float, tree: Tree) -> None:
    tree.report(loc, f"adds up to {total:g}", "make the weights add up to 1")


def write_pace(prior: PacePrior, said: Sequence[str] = ()) -> str:
    """Return the text of a pace file with what is said of it; reading it gives the same numbers."""
    lines = [
        f"# {ADVISORY}",
        *(f"# {plain(line)}" for line in said),
        "format: 1",
        f"pace: {{median: {prior.median!r}, spread: {prior.spread!r}{_written_drifts(prior)}}}",
        f"noise: {{sigma: {prior.sigma!r}, weight: {prior.sigma_weight!r}}}",
        *_group("crew", prior.crew_spread, prior.crew),
        *_group("work", prior.work_spread, prior.work),
        f"use: {{spread: {prior.use_spread!r}, walk: {prior.use_walk!r}}}",
        *_written_weights("processes", prior.processes),
        *_written_weights("lateness", prior.lateness),
    ]
    if prior.learned_from:
        lines.append("learned_from:")
        lines.extend(f"  - {json.dumps(dict(entry), ensure_ascii=True)}" for entry in prior.learned_from)
    return "\n".join(lines) + "\n"


def _written_drifts(prior: PacePrior) -> str:
    if not prior.drifts:
        return ""
    return f", drift: {_list(prior.drifts)}, weights: {_list(prior.weights)}"


def _written_weights(name: str, weights: Mapping[str, float]) -> list[str]:
    if not weights:
        return []
    return [f"{name}: {{{', '.join(f'{key}: {weight!r}' for key, weight in weights.items())}}}"]


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(repr(float(value)) for value in values) + "]"


def _group(name: str, spread: float, own: Mapping[str, tuple[float, float]]) -> list[str]:
    lines = [f"{name}:", f"  spread: {spread!r}"]
    for key, (median, own_spread) in own.items():
        lines.append(f"  {json.dumps(key)}: {{median: {median!r}, spread: {own_spread!r}}}")
    return lines

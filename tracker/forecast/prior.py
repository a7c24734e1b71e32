"""The shape of a pace file, and its faults in words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from tracker.plan.yaml_tree import Loc, Node, Tree

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
    """The use factor of consumables."""

    spread: Spread | None = None


class PaceFile(_Part):
    """A whole pace file."""

    format: Literal[1] = 1
    pace: Pace = Pace()
    noise: Noise = Noise()
    crew: Effects = Effects()
    work: Effects = Effects()
    use: Use = Use()
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
        "dict_type": ("is not a mapping", "write {journal: NAME, sha256: HASH, steps: NUMBER}"),
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
    }
    return list(models.get(str(loc[0]) if loc else "", PaceFile).model_fields)

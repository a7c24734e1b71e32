"""How values become JSON: times to the millisecond, amounts to six significant digits, ranges by quantiles.

The type of a field says how it is written: `Annotated` with a writer, else as any value of its kind.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import lru_cache
from types import NoneType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

SECOND_DIGITS = 3
"""Decimals of times: below that float32 has nothing to say."""
AMOUNT_DIGITS = 6
"""Significant digits of amounts."""

Writer = Callable[[Any], Any]
"""A value of a field to what JSON has for it."""


def seconds(value: float | None) -> float | None:
    """A time to the millisecond, None where there is none."""
    return None if value is None or not math.isfinite(value) else round(value, SECOND_DIGITS) + 0.0


def instant(value: float | None) -> float | None:
    """An instant that the plan, an event or the caller gave: a whole number where it is whole."""
    rounded = seconds(value)
    return int(rounded) if rounded is not None and rounded.is_integer() else rounded


def amount(value: float | None) -> float | None:
    """An amount to six significant digits, None where there is none."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{AMOUNT_DIGITS}g}") + 0.0


def share(value: float | None) -> float | None:
    """A share of scenarios to six decimals, None where there is none."""
    return None if value is None or not math.isfinite(value) else round(value, 6)


def by_kind(chances: Mapping[str, float] | None) -> dict[str, float | None] | None:
    """The chance of each kind of limit, None where there is one for all."""
    return None if chances is None else {kind: share(chance) for kind, chance in chances.items()}


def figure(value: float | None) -> float | None:
    """A time, a share or an amount to six decimals, None where there is none."""
    return instant(value) if value is None or not math.isfinite(value) else round(value, 6) + 0.0


def quantiles_of(*names: str, write: Writer = seconds) -> Writer:
    """A writer of these quantiles of a range, each by `write`."""

    def writer(figure: Any) -> Any:
        return None if figure is None else {name: write(getattr(figure, name)) for name in names}

    return writer


def each(write: Writer) -> Writer:
    """A writer of a mapping whose every value goes by `write`."""
    return lambda values: {name: write(value) for name, value in values.items()}


UNSAID = None
"""In place of a writer: a field without a key."""


def as_json(value: Any) -> Any:
    """A figure, or the value of a field, as plain dictionaries, lists, numbers, texts and None."""
    if isinstance(value, _PLAIN):
        return value
    if isinstance(value, tuple):
        return [as_json(item) for item in value]
    if not hasattr(value, "__dataclass_fields__"):
        return {key: as_json(item) for key, item in value.items()}
    return {name: write(getattr(value, name)) for name, write in _writers(value.__class__)}


_PLAIN = (str, int, float, NoneType)


@lru_cache(maxsize=32)
def _writers(figure: Any) -> tuple[tuple[str, Writer], ...]:
    """Per field with a key its writer: that of its type, else the one for any value."""
    hints = get_type_hints(figure, include_extras=True)
    found = ((one.name, _writer(hints[one.name])) for one in fields(figure))
    return tuple((name, write) for name, write in found if write is not UNSAID)


def _writer(hint: Any) -> Writer | None:
    # `Instant | None` is a union with an annotated part.
    for part in (hint, *get_args(hint)):
        if get_origin(part) is Annotated:
            return part.__metadata__[0]  # type: ignore[no-any-return]
    return as_json

"""A sequence that only grows and is shared between the values that hold parts of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Generic, TypeVar

T = TypeVar("T")


class Trail(Generic[T]):
    """The first `n` items of a list. Adding gives a new trail in constant time; this one stays as it is."""

    __slots__ = ("_items", "_n", "_tuple")

    def __init__(self, items: Iterable[T] = ()) -> None:
        self._items = list(items)
        self._n = len(self._items)
        self._tuple: tuple[T, ...] | None = None

    def add(self, item: T) -> Trail[T]:
        """Return a trail with one more item at its end."""
        items, n = self._items, self._n
        if len(items) != n:
            items = items[:n]
        items.append(item)
        # Another thread may have added to the same list first; then its item stands in our place.
        if items[n] is not item:
            items = [*items[:n], item]
        longer: Trail[T] = Trail.__new__(Trail)
        longer._items, longer._n, longer._tuple = items, n + 1, None
        return longer

    @property
    def last(self) -> T | None:
        """The item at the end; None when there is none."""
        return self._items[self._n - 1] if self._n else None

    def as_tuple(self) -> tuple[T, ...]:
        """Return the items."""
        if self._tuple is None:
            self._tuple = tuple(self._items[: self._n])
        return self._tuple

    def __len__(self) -> int:
        return self._n

    def __iter__(self) -> Iterator[T]:
        return iter(self.as_tuple())

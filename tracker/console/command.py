"""What a command is: its keys, its words, its action, and when it can be done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from tracker.journal.progress import Progress

Can = Callable[[Progress], bool]


def always(progress: Progress) -> bool:
    """Return True."""
    return True


def before_zero(progress: Progress) -> bool:
    """Return whether the clock has not been started."""
    return progress.zero is None


def under_way(progress: Progress) -> bool:
    """Return whether the clock runs."""
    return progress.zero is not None and progress.closed is None


def still_open(progress: Progress) -> bool:
    """Return whether the excursion is not over."""
    return progress.closed is None


def somebody_held(progress: Progress) -> bool:
    """Return whether somebody is held."""
    return bool(progress.holds)


def go_wanted(progress: Progress) -> bool:
    """Return whether somebody stands at a hold point without its go."""
    return any(step and not progress.steps[step].gone for step in progress.current.values())


def beyond_digits(progress: Progress) -> bool:
    """Return whether the crew has more members than there are digits."""
    return len(progress.plan.crew) > 9


@dataclass(frozen=True, slots=True)
class Command:
    """One thing that a person can do at the desk."""

    id: str
    keys: tuple[str, ...]
    """As the screen library names them; the first is the one that is shown."""
    shown: str
    """The key as a person reads it."""
    words: str
    """A word or two, for the footer."""
    help: str
    """A sentence, for the help page and the palette."""
    group: str
    action: str
    """Name of the desk's action, with its arguments."""
    foot: int = 0
    """Place in the footer, the smallest first; 0: not there."""
    can: Can = always
    """When it can be done."""
    palette: bool = True
    wanted: Can = always
    """When it has its place in the footer."""


def group(name: str, *commands: Command) -> tuple[Command, ...]:
    """Return commands as members of a group."""
    return tuple(replace(command, group=name) for command in commands)


def act(
    id: str,
    keys: str,
    words: str,
    help: str,
    action: str,
    foot: int = 0,
    *,
    can: Can = always,
    shown: str = "",
    palette: bool = True,
    wanted: Can = always,
) -> Command:
    """Return a command of some keys, separated by blanks."""
    every = tuple(keys.split())
    return Command(id, every, shown or every[0], words, help, "", action, foot, can, palette, wanted)


def typed(
    id: str, key: str, words: str, help: str, start: str, foot: int = 0, *, can: Can = still_open
) -> Command:
    """Return a command that opens the entry line with the beginning of an event."""
    return act(id, key, words, help, f"fill({start!r})", foot, can=can)

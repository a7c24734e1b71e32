"""What a person sets once for their seat: theme, time, bell and keys; how keys are written and shown."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tracker.foundation.text import near, plain


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings in force."""

    theme: str = "dark"
    """`dark`, `light`, `contrast` or `safe`."""
    local_time: bool = False
    """Show this machine's time beside UTC."""
    bell: bool = False
    """Ring the terminal's bell once for every new alert."""
    keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Keys by id of a command, as the screen library names them; they replace all keys of the command."""
    lead_keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The same for the commands of the lead's view."""

    @property
    def theme_name(self) -> str:
        """The theme's name in the table of themes."""
        return f"tracker-{self.theme}"


_NAMES = {
    "solidus": "slash",
    "reverse_solidus": "backslash",
    "commercial_at": "at",
    "hyphen_minus": "minus",
    "plus_sign": "plus",
    "low_line": "underscore",
}
"""Names of characters for which the screen library has shorter ones."""

_SHOWN = {
    "minus": "-", "plus": "+", "slash": "/", "backslash": "\\", "at": "@", "underscore": "_",
    "space": "Space", "question_mark": "?", "full_stop": ".", "comma": ",", "semicolon": ";", "colon": ":",
    "exclamation_mark": "!", "pageup": "PgUp", "pagedown": "PgDn", "escape": "Esc",
}  # fmt: skip

_NAMED = frozenset(
    {"enter", "space", "backspace", "delete", "insert", "home", "end", "pageup", "pagedown", "tab"}
    | {"up", "down", "left", "right", "shift+tab", "shift+up", "shift+down", "shift+left", "shift+right"}
    | {f"f{n}" for n in range(1, 13)}
    | {f"ctrl+{letter}" for letter in "abcdefghijklmnopqrstuvwxyz"}
)
_EATEN = {
    "ctrl+i": "is Tab to a terminal",
    "ctrl+m": "is Enter to a terminal",
    "ctrl+j": "is Enter to a terminal",
    "ctrl+h": "is Backspace to a terminal",
    "ctrl+s": "stops a terminal",
    "ctrl+z": "stops a program",
    "ctrl+c": "always leaves the desk",
    "escape": "always goes back",
}
_FIXED = frozenset({"back", *(f"tick-{digit}" for digit in range(1, 10))})
"""Commands whose keys stay: digits tick and Esc goes back, at every desk."""


def named(key: str) -> str:
    """Return a key as the screen library names it: `/` becomes `slash`."""
    if len(key) != 1 or key.isalnum():
        return key
    try:
        name = unicodedata.name(key).lower().replace("-", "_").replace(" ", "_")
    except ValueError:
        return key
    return _NAMES.get(name, name)


def shown(key: str) -> str:
    """Return a key as a person reads it."""
    if len(key) == 1:
        return key
    if key in _SHOWN:
        return _SHOWN[key]
    try:
        found = unicodedata.lookup(key.replace("_", " "))
    except KeyError:
        found = ""
    # Names such as tab and backspace are also those of control characters, which nobody can read.
    return found if found.isprintable() and found else "+".join(map(str.capitalize, key.split("+")))


def keys_of(given: Mapping[str, Sequence[str]]) -> dict[str, tuple[str, ...]]:
    """Return the keys of commands as the screen library names them; Ctrl+C goes on leaving the desk."""
    found = {id: tuple(named(key) for key in keys) for id, keys in given.items()}
    if "quit" in found:
        found["quit"] = (*found["quit"], "ctrl+c")
    return found


def key_faults(given: Mapping[str, Sequence[str]], table: Mapping[str, Sequence[str]]) -> list[str]:
    """Return all that is wrong with a person's keys, each as `id: what; what would be right`.

    `table`: the commands' own keys by id.
    """
    faults: list[str] = []
    sound: dict[str, Sequence[str]] = {}
    for id, keys in given.items():
        before = len(faults)
        if id not in table:
            likely = near(id, table, 1)
            better = f"perhaps {likely[0]}" if likely else "the README lists them"
            faults.append(f"{plain(id, most=40)}: there is no such command; {better}")
        elif id in _FIXED:
            faults.append(f"{id}: keeps its key, at every desk; leave it out")
        elif not keys:
            faults.append(f'{id}: has no key; write one, as {id} = "Z", or leave it out')
        else:
            faults += [f"{id}: {fault}" for key in keys if (fault := _fault(key))]
        if len(faults) == before:
            sound[id] = keys
    return faults + _twice(sound, table)


def _fault(key: str) -> str:
    """Return what is wrong with a key; empty where nothing is."""
    said, name = plain(key, most=30) or "nothing", named(key)
    if name in _EATEN:
        return f"{said} {_EATEN[name]}; take another key"
    if len(key) == 1 and key.isdigit():
        return f"{said} is a digit, and digits tick; take another key"
    if len(key) == 1 and key.isprintable() and key != " " and key.isascii():
        return ""
    if key in _NAMED or name in _NAMED or (key in _SHOWN and key != "escape"):
        return ""
    if key.startswith("shift+") and len(key) == 7:
        return f"{said}: a terminal sends the capital; write {plain(key[-1].upper())}"
    return f"{said} is not a key; write a character, or a name such as pageup, f5 or ctrl+y"


def _twice(given: Mapping[str, Sequence[str]], table: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the keys that two commands would have."""
    owner: dict[str, str] = {}
    faults = []
    for id, keys in {**table, **keys_of(given)}.items():
        for key in keys:
            before = owner.setdefault(key, id)
            if before != id:
                changed = id if id in given else before
                other = before if changed == id else id
                faults.append(f"{changed}: {shown(key)} is the key of {other}; give one of them another key")
    return faults

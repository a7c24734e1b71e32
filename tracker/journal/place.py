"""Where a journal lives: a file, or a name in a PostgreSQL database, as `postgresql://HOST/DB#NAME`.

An address never holds a password, and what was given as one is never repeated: neither a message nor a list
of processes is a place for it. What stands in an address is checked here, in our own words, before anybody
else reads it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from tracker.foundation.errors import WrongUsage
from tracker.foundation.output import state_folder
from tracker.foundation.text import spelled

_SCHEME = re.compile(r"postgres(?:ql)?://", re.IGNORECASE)
_USER = r"[A-Za-z0-9._%+-]+"
_HOST = r"(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::\d{1,5})?"
_WORD = r"[A-Za-z0-9._%+-]+"
_ADDRESS = re.compile(
    rf"(?:(?P<user>{_USER})@)?(?P<hosts>{_HOST}(?:,{_HOST})*)?(?:/(?P<database>{_WORD})?)?(?:\?(?P<settings>.*))?"
)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}", re.ASCII)
_FILE = re.compile(r"[^@?#&=:\s]+")
_SETTINGS = {
    "sslmode": re.compile("disable|allow|prefer|require|verify-ca|verify-full"),
    "target_session_attrs": re.compile("any|read-write|read-only|primary|standby|prefer-standby"),
    "service": re.compile(_WORD),
    "user": re.compile(_USER),
    **dict.fromkeys(("sslrootcert", "sslcert", "sslkey", "sslcrl", "passfile"), _FILE),
}
"""What an address may say besides, and how its value looks; nothing of it can be a password."""

_SECRETS = re.compile(r"[?&](?:password|sslpassword|passwd|pwd)=", re.IGNORECASE)
_NO_PASSWORD = (
    "a password never stands in an address, where every list of processes shows it; put it into ~/.pgpass "
    "(mode 0600), or where PGPASSFILE says"
)
_RIGHT = "write postgresql://HOST[:PORT]/DATABASE#JOURNAL, or postgresql:///?service=NAME#JOURNAL"


@dataclass(frozen=True, slots=True)
class Address:
    """A journal in a PostgreSQL database; without `name` the database itself."""

    hosts: str
    """As HOST:PORT, several parted by commas; empty where libpq's own sources say it."""
    database: str
    name: str
    user: str = ""
    settings: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        """The address as it is typed: it holds no secret."""
        return self._text(f"{self.user}@" if self.user else "", self.settings)

    @property
    def plainly(self) -> str:
        """Host, port, database and journal alone, the same for everybody who means it."""
        return self._text("", tuple(one for one in self.settings if one[0] == "service"))

    def _text(self, user: str, settings: tuple[tuple[str, str], ...]) -> str:
        more = "?" + "&".join("=".join(one) for one in settings) if settings else ""
        name = f"#{self.name}" if self.name else ""
        return f"postgresql://{user}{self.hosts}/{self.database}{more}{name}"

    def absolute(self) -> Address:
        """Itself: it means the same in every folder."""
        return self

    def parameters(self) -> dict[str, str]:
        """What libpq is told, by its own keys."""
        found = {key: unquote(value) for key, value in self.settings}
        hosts = [re.fullmatch(r"(.*?)(?::(\d+))?", one) for one in self.hosts.split(",") if one]
        if hosts:
            found["host"] = ",".join(one[1].strip("[]") for one in hosts if one)
            found["port"] = ",".join(one[2] or "" for one in hosts if one)
        found |= {"dbname": unquote(self.database)} if self.database else {}
        return found | ({"user": unquote(self.user)} if self.user else {})


Place = Path | Address
"""Where a journal lives."""


def place_of(text: str | Place) -> Place:
    """The place that a text names; WrongUsage, which repeats nothing of it, for an address that is none."""
    if not isinstance(text, str):
        return text
    return _address(text) if _SCHEME.match(text) else Path(text)


def refuse_secrets(arguments: list[str]) -> None:
    """Raise WrongUsage where an argument holds an address with a password, before anybody can repeat it."""
    for argument in arguments:
        if found := _SCHEME.search(argument):
            _check_secret(argument[found.end() :])


def _check_secret(rest: str) -> None:
    before = rest.rpartition("@")[0]
    if ":" in before or "/" in before or _SECRETS.search(rest):
        raise WrongUsage(_NO_PASSWORD)


def _address(text: str) -> Address:
    scheme = _SCHEME.match(text)
    assert scheme is not None
    rest, hash_sign, name = text[scheme.end() :].rpartition("#")
    rest, name = (rest, name) if hash_sign else (name, "")
    _check_secret(text[scheme.end() :])
    found = _ADDRESS.fullmatch(rest)
    if found is None:
        raise WrongUsage(f"the address of a journal in PostgreSQL cannot be read; {_RIGHT}")
    if name and not _NAME.fullmatch(name):
        raise WrongUsage(
            "the name of a journal in PostgreSQL is letters, digits, `.`, `_` and `-`, at most 100 of them"
        )
    settings = tuple(_setting(part) for part in (found["settings"] or "").split("&") if part)
    return Address(found["hosts"] or "", found["database"] or "", name, found["user"] or "", settings)


def _setting(part: str) -> tuple[str, str]:
    key, _, value = part.partition("=")
    pattern = _SETTINGS.get(key)
    if pattern is None:
        known = ", ".join(sorted(_SETTINGS))
        raise WrongUsage(
            f"an address may say {known}; what else libpq takes goes into a service file or its environment"
        )
    if not pattern.fullmatch(value):
        raise WrongUsage(f"the address says no {key} that can be: {_RIGHT}")
    return key, value


def journal_place(text: str) -> Place:
    """The place of a journal, for a command line; WrongUsage for a database without the journal's name."""
    place = place_of(text)
    if isinstance(place, Address) and not place.name:
        raise WrongUsage(f"the address names no journal; {_RIGHT}; `tracker journals` lists what is there")
    return place


def beside(place: Place, ending: str) -> Path:
    """Where a file goes that belongs to a journal: beside its file, or in this user's folder of pages."""
    if isinstance(place, Path):
        return place.with_suffix(ending)
    return state_folder() / "pages" / f"{place.database}-{place.name}{ending}"


def resolved(place: Place) -> str:
    """The place as it is called whatever folder one is in, and whoever asks."""
    return place.plainly if isinstance(place, Address) else spelled(place.resolve())

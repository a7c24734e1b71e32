"""A typed entry as words that know where they stood, and the times among them: `-3` (ago), a PET, or UTC."""

from __future__ import annotations

import json
import re
from collections.abc import Container, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from tracker.foundation.errors import EventError
from tracker.foundation.times import format_pet_s, instant_of, parse_instant, parse_pet, pet_of

_WORD = re.compile(r'(?:[A-Za-z_][\w.*-]*=)?"(?:[^"\\]|\\.)*"(?=\s|$)|\S+')
_KEYED = re.compile(r"([A-Za-z_*][\w.*-]*)=(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Token:
    """One word of an entry."""

    text: str
    start: int
    quoted: bool = False
    """Whether it came whole: in quotes, or from a shell."""

    @property
    def keyed(self) -> tuple[str, str] | None:
        """The key and the value of KEY=VALUE, else None."""
        found = _KEYED.fullmatch(self.text)
        return None if found is None else (found.group(1), found.group(2))


class Entry:
    """The words of an entry that have not been understood yet."""

    def __init__(self, text: str, tokens: Iterable[Token], *, split: bool = False) -> None:
        self.text = text
        self.tokens = list(tokens)
        self._split = split
        """Whether a shell split it, so that quotes are gone."""

    @classmethod
    def of_line(cls, text: str) -> Entry:
        """Split a typed line at spaces; quotes hold a word or a value together."""
        return cls(text, (_token(found) for found in _WORD.finditer(text)))

    @classmethod
    def of_words(cls, words: Iterable[str]) -> Entry:
        """Take the words as a shell has split them."""
        tokens, start = [], 0
        for word in words:
            tokens.append(Token(word, start, quoted=True))
            start += len(word) + 1
        return cls(" ".join(token.text for token in tokens), tokens, split=True)

    def __bool__(self) -> bool:
        return bool(self.tokens)

    @property
    def head(self) -> str:
        """The next word, empty at the end."""
        return self.tokens[0].text if self.tokens else ""

    def take(self) -> str:
        """Take the next word away; EventError at the end."""
        if not self.tokens:
            raise EventError("the entry ends too early")
        return self.tokens.pop(0).text

    @property
    def _end(self) -> int:
        """Where `at=`, `seat=` or `by=` begins."""
        ends = [n for n, token in enumerate(self.tokens) if (token.keyed or ("",))[0] in ("at", "seat", "by")]
        return ends[0] if ends else len(self.tokens)

    @property
    def last(self) -> Token | None:
        """The last word of what `take_rest` takes, of several; None where quotes hold it together."""
        end = self._end
        return self.tokens[end - 1] if end > 1 and (self._split or not self.tokens[end - 1].quoted) else None

    def take_rest(self, but: Token | None = None) -> str:
        """Take all that is left up to `at=`, `seat=` or `by=`, as typed; `but` its last word."""
        end = self._end
        taken, self.tokens = self.tokens[:end], self.tokens[end:]
        stop = but.start if but else self.tokens[0].start if self.tokens else len(self.text)
        if len(taken) == 1 and taken[0].quoted:
            return taken[0].text
        return self.text[taken[0].start : stop].strip() if taken else ""

    def take_keyed(self, known: Container[str]) -> tuple[str, str]:
        """Take KEY=VALUE; text without quotes goes on to the next KEY= that is known."""
        first = self.tokens.pop(0)
        keyed = first.keyed
        assert keyed is not None
        key, value = keyed
        end = first.start + len(first.text)
        while key == "text" and not first.quoted and self.tokens:
            following = self.tokens[0]
            if following.keyed is not None and following.keyed[0] in known:
                break
            self.tokens.pop(0)
            end = following.start + len(following.text)
            value = self.text[first.start + len("text=") : end]
        return key, value

    def take_json(self, offset: int = 0) -> Any:
        """Take one JSON value that begins `offset` characters into the next word."""
        start = self.tokens[0].start + offset
        try:
            value, length = json.JSONDecoder().raw_decode(self.text[start:])
        except (ValueError, RecursionError) as error:
            raise EventError(f"{self.text[start : start + 40]!r} is not JSON: {error}") from error
        self.tokens = [token for token in self.tokens if token.start >= start + length]
        return value


def _token(found: re.Match[str]) -> Token:
    text = found.group()
    key, quote, value = text.partition('"')
    if quote and value.endswith('"') and (not key or key.endswith("=")):
        inner = re.sub(r"\\(.)", r"\1", value[:-1])
        return Token(key + inner, found.start(), quoted=True)
    return Token(text, found.start())


_LATE = re.compile(r"-(\d{1,4})(?::([0-5]\d))?", re.ASCII)
_PET = re.compile(r"[+-]?\d{1,4}:[0-5]\d(:[0-5]\d)?", re.ASCII)
_UTC = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?[Zz]", re.ASCII)
_DATED = re.compile(r"\d{4}-\d\d-\d\d[Tt].*", re.ASCII)
_MOST_LATE_S = 30 * 60


@dataclass(frozen=True, slots=True)
class TimeReference:
    """What typed times are counted from."""

    zero: datetime | None
    """Instant of PET 0; None before the clock was started."""
    now: float | None
    """PET now; None where the journal is not live, so that nothing is ago."""
    reference: datetime
    """The instant to which a time of day is the nearest."""


def is_time(token: str) -> bool:
    """Whether a word is a time in any of the notations."""
    return any(pattern.fullmatch(token) for pattern in (_LATE, _PET, _UTC, _DATED))


def is_ago(token: str) -> bool:
    """Whether a word is a time counted back from now."""
    return _LATE.fullmatch(token) is not None


def read_pet(token: str, times: TimeReference) -> int:
    """Return the PET in whole seconds that a typed time means; EventError says what would be right."""
    late = _LATE.fullmatch(token)
    if late is not None and not (times.zero is None and ":" in token):
        return round(_now(token, times) - _ago_s(late, times))
    if _UTC.fullmatch(token) or _DATED.fullmatch(token):
        if times.zero is None:
            raise EventError(
                f"{token}: the clock has not started, so UTC is no PET yet; `zero {token}` starts it"
            )
        return round(pet_of(read_instant(token, times), times.zero))
    try:
        return parse_pet(token)
    except ValueError as error:
        raise EventError(f"{error}; or -3 (minutes ago), or 14:22Z") from error


def read_instant(token: str, times: TimeReference) -> datetime:
    """Return the instant that a typed time means; EventError says what would be right."""
    late, day_time = _LATE.fullmatch(token), _UTC.fullmatch(token)
    if late is not None:
        return times.reference - timedelta(seconds=_ago_s(late, times))
    if day_time is not None:
        return _nearest(*(int(part or 0) for part in day_time.groups()), reference=times.reference)
    if _PET.fullmatch(token) and times.zero is not None:
        return instant_of(parse_pet(token), times.zero)
    try:
        return parse_instant(token)
    except ValueError as error:
        raise EventError(f"{error}, or 14:22Z, or -3 (minutes ago)") from error


def _nearest(hour: int, minute: int, second: int, *, reference: datetime) -> datetime:
    today = reference.replace(hour=hour, minute=minute, second=second, microsecond=0)
    days = (today + timedelta(days=day) for day in (-1, 0, 1))
    return min(days, key=lambda instant: abs(instant - reference))


def _ago_s(late: re.Match[str], times: TimeReference) -> int:
    ago = int(late.group(1)) * 60 + int(late.group(2) or 0)
    if ago > _MOST_LATE_S:
        meant = "" if times.now is None else f", here {format_pet_s(times.now - ago)}"
        raise EventError(f"{late.group()}: more than 30 minutes ago wants a PET{meant}")
    return ago


def _now(token: str, times: TimeReference) -> float:
    if times.zero is None:
        raise EventError(f"{token}: the clock has not started; `zero {token}` starts it then")
    if times.now is None:
        raise EventError(
            f"{token} is counted from now, and this journal is not live; write a PET, H:MM or H:MM:SS"
        )
    return times.now

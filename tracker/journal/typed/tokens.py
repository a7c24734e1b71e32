"""A typed entry as words that know where they stood, so that free text keeps its own spacing."""

from __future__ import annotations

import json
import re
from collections.abc import Container, Iterable
from dataclasses import dataclass
from typing import Any

from tracker.foundation.errors import EventError

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

    def __init__(self, text: str, tokens: Iterable[Token]) -> None:
        self.text = text
        self.tokens = list(tokens)

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
        return cls(" ".join(token.text for token in tokens), tokens)

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

    def take_rest(self) -> str:
        """Take all that is left up to `at=` or `seat=`, as typed."""
        ends = [n for n, token in enumerate(self.tokens) if (token.keyed or ("",))[0] in ("at", "seat")]
        end = ends[0] if ends else len(self.tokens)
        taken, self.tokens = self.tokens[:end], self.tokens[end:]
        stop = self.tokens[0].start if self.tokens else len(self.text)
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

"""What a YAML parser complains of, in words for the person who wrote the file."""

from __future__ import annotations

_WORDS = (
    (r"'\t'", "a tab stands where the line is indented", "indent with spaces"),
    (
        "mapping values are not allowed",
        "a colon stands where no key can be",
        "put text with `: ` in quotes, or indent the key like its neighbours",
    ),
    (
        "could not find expected ':'",
        "a key has no colon",
        "write KEY: VALUE, with a space after the colon",
    ),
    ("unexpected end of stream", "a quote is opened and never closed", "close it"),
    ("expected ',' or ']'", "a list in brackets is not closed", "write [a, b, c]"),
    ("expected ',' or '}'", "a mapping in braces is not closed", "write {key: value, key: value}"),
    ("expected <block end>", "the indentation does not fit the lines above", "align it with its neighbours"),
    ("did not find expected", "the indentation does not fit the lines above", "align it with its neighbours"),
    ("cannot start any token", "a character here starts no value", "put the text in quotes"),
    ("sequence entries are not allowed", "a list item stands where none can be", "start it on a new line"),
    ("block sequence", "a list item stands where none can be", "start it on a new line"),
    (
        "unknown escape",
        "an escape in double quotes is not known",
        "use single quotes, or write two backslashes",
    ),
    ("expected the node content", "a value is missing, or a bracket stands alone", "write KEY: VALUE"),
    ("expected alphabetic", "`&`, `*` or `!` starts a value", "put the text in quotes"),
    ("chomping", "`|` or `>` starts a value", "put the text in quotes"),
    ("comment or a line break", "something follows where the line should end", "put the text in quotes"),
    ("duplicate anchor", "an anchor is set twice", "write the value out"),
    ("undefined tag handle", "a tag is not allowed", "leave it out"),
)
"""(part of the parser's words, what is wrong, what would be right)."""


def stands_open(problem: str) -> bool:
    """Whether a complaint is best placed where something was opened that nothing closes."""
    return problem.startswith(("expected ',' or", "found unexpected end of stream"))


def in_words(problem: str) -> tuple[str, str]:
    """Return what is wrong and what would be right for a parser's complaint."""
    for part, what, right in _WORDS:
        if part in problem:
            return f"is not YAML: {what}", right
    return f"is not YAML: {problem or 'it cannot be read'}", "write KEY: VALUE lines indented with spaces"

"""Short forms: a digit for a crew member, a letter for an optional task, a bare number for minutes.

For a step a digit stands for what that crew member is at. Whom first, then minutes, everywhere. What is
written out, an id or a name, goes before a letter.
"""

from __future__ import annotations

import re

from tracker.foundation.errors import EventError
from tracker.foundation.times import format_exact
from tracker.journal.kinds import BY_KEY, Argument
from tracker.journal.progress import Progress, letters
from tracker.journal.typed.match import crew_or_none, current_step, find_crew
from tracker.journal.typed.tokens import Entry, TimeReference, Token

_MINUTES = re.compile(r"\d{1,3}", re.ASCII)
MOST_LATE_MIN = 99


def spelled_out(entry: Entry, progress: Progress) -> None:
    """Put the word in the place of a key that stands, with a blank behind it, at the start of an entry."""
    first = entry.tokens[0] if entry else None
    if first is None or first.text not in BY_KEY or crew_or_none(progress, first.text) is not None:
        return
    if len(entry.tokens) > 1 or entry.text.endswith(" "):
        entry.tokens[0] = Token(BY_KEY[first.text], first.start)


def word_of(argument: Argument, text: str, progress: Progress) -> str | None:
    """Return what a digit or a letter stands for; None where it is to be read as it is written."""
    if argument.type in ("task", "subject") and text not in progress.tasks:
        named = {letter: task for task, letter in letters(progress).items()}.get(text.lower())
        if named is not None:
            return named
        if argument.type == "task" and len(text) == 1 and text.isalpha():
            listed = ", ".join(f"{letter} {task}" for task, letter in letters(progress).items())
            there = listed or f"none, a task goes by its id: {', '.join(progress.tasks)}"
            raise EventError(f"no optional task has the letter {text}; there are {there}")
    if argument.type == "step" and text.isascii() and text.isdigit():
        member = crew_or_none(progress, text)
        return None if member is None else current_step(progress, member)
    return None


def minutes(text: str) -> int | None:
    """Return the minutes that a bare number means; None for anything else."""
    return int(text) if _MINUTES.fullmatch(text) and int(text) > 0 else None


def span_of(text: str) -> str:
    """Return a planned time as it is written, minutes as H:MM."""
    found = minutes(text)
    return text if found is None else format_exact(60 * found)


def pet_of_minutes(text: str, times: TimeReference) -> int | None:
    """Return the PET that lies a bare number of minutes ahead; None for anything else."""
    found = minutes(text)
    return None if found is None or times.now is None else from_now(found, times)


def from_now(found: int, times: TimeReference) -> int:
    """Return the PET so many minutes ahead; EventError where the journal has no present."""
    if times.now is None:
        raise EventError(f"{found} minutes ahead is counted from now, and there is no present; give a PET")
    return round(times.now) + 60 * found


def late(entry: Entry, progress: Progress, times: TimeReference) -> tuple[str, int | None]:
    """Take `- 1 3`: whom, and when: so many minutes ago. Each further `-` is ten minutes more."""
    tens = -1
    while entry and entry.head == "-":
        entry.take()
        tens += 1
    crew = find_crew(progress, entry.take()) if entry else ""
    text = "".join(entry.take() for _ in entry.tokens[:1])
    found = int(text) if re.fullmatch(r"\d{1,2}", text, re.ASCII) else None
    if not crew or crew == "*" or found is None or 10 * tens + found > MOST_LATE_MIN:
        raise EventError("late: whose, then how many minutes ago, as in `- 1 3`; `- - 1 5` is fifteen")
    if times.now is None:
        raise EventError(f"{found} minutes ago is counted from now, and this journal is not live; give a PET")
    return crew, round(times.now) - 60 * (10 * tens + found)


def call(entry: Entry, progress: Progress) -> dict[str, str]:
    """Take which recall it is by the keys that ask for it, `c c` and `c n`; home where whom stands first."""
    if entry and crew_or_none(progress, entry.head) is not None:
        return {"call": "home"}
    if entry and entry.head.lower() in _CALLS:
        return {"call": _CALLS[entry.take().lower()]}
    return {}


_CALLS = {"c": "home", "n": "at once"}


def unlike_crew(progress: Progress, text: str) -> str:
    """Return why a bare number cannot be whom an entry is about; empty where it is none."""
    if not (text.isascii() and text.isdigit()) or crew_or_none(progress, text) is not None:
        return ""
    there = ", ".join(f"{n} {member.id}" for n, member in enumerate(progress.plan.crew, 1))
    return f"there is no crew member {text}; there are {there}; a text that begins with a number is quoted"

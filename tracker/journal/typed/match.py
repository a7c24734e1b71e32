"""Finds what a typed word names: a crew member, a step, a task; or says what it could have meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.journal.progress import Progress
from tracker.journal.words import BY_WORD, Word

Named = tuple[str, str]
"""An id, and the words that describe it."""


def find_word(text: str) -> Word:
    """Return the table's entry that a word begins; EventError offers near ones."""
    found = BY_WORD.get(text.lower())
    if found is None:
        offer = meant(text.lower(), BY_WORD) or "; `tracker record --help` lists the words"
        raise EventError(f"{plain(text, most=40)!r} begins no entry{offer}")
    return found


def find_crew(progress: Progress, text: str) -> str:
    """Return the crew member meant by an id, a name, or the digit of their place; `*` for a shared store."""
    found = crew_or_none(progress, text)
    if found is None:
        crew = ", ".join(f"{n} {member.id}" for n, member in enumerate(progress.plan.crew, 1))
        raise EventError(f"there is no crew member {text!r}; there are {crew}")
    return found


def crew_or_none(progress: Progress, text: str) -> str | None:
    """Return the crew member meant, or None."""
    crew = progress.plan.crew
    if text.isascii() and text.isdigit():
        place = int(text)
        return crew[place - 1].id if 1 <= place <= len(crew) else None
    if text == "*":
        return "*"
    wanted = text.casefold()
    exact = [member.id for member in crew if member.id == text]
    near = [member.id for member in crew if wanted in (member.id.casefold(), member.name.casefold())]
    return next(iter(exact or near), None)


def current_step(progress: Progress, crew: str) -> str:
    """Return the current step of a crew member; EventError when there is none."""
    step = progress.current.get(crew)
    if step is None:
        ahead = next(iter(progress.order.get(crew, ())), None)
        after = f"; {ahead} comes next" if ahead else "; nothing is left for them"
        raise EventError(f"{crew} has no current step{after}")
    return step


def names_step(progress: Progress, text: str) -> bool:
    """Whether a word is a step's id or its part, and no other word."""
    wanted = text.casefold()
    return any(wanted in (id.casefold(), id.casefold().rpartition(".")[2]) for id in progress.steps)


def find_step(progress: Progress, text: str, among: Sequence[str] | None = None) -> str:
    """Return the step meant by an id, a part, a beginning or words.

    `among` names the steps in question, of which the first that fits is taken; without it the fit has to be
    the only one among open steps, or among all where no open one fits.
    """
    if among is not None:
        return _first(text, _steps(progress, among), "step")
    still_open = [id for id, state in progress.steps.items() if state.ended is None]
    return _only(text, _steps(progress, still_open), _steps(progress, progress.steps), "step")


def find_task(progress: Progress, text: str) -> str:
    """Return the task meant by an id, a beginning or words of its title."""
    named = [(id, state.task.title) for id, state in progress.tasks.items()]
    return _only(text, named, named, "task")


def find_id(ids: Iterable[str], text: str, what: str) -> str:
    """Return the id meant by itself or its beginning; `what` says what sort of thing it is."""
    named = [(id, "") for id in ids]
    return _only(text, named, named, what)


def meant(text: str, known: Iterable[str]) -> str:
    """Return `; did you mean …?` with what is near, or nothing."""
    near = difflib.get_close_matches(text, list(known), n=3, cutoff=0.6)
    return f"; did you mean {' or '.join(near)}?" if near else ""


def _steps(progress: Progress, ids: Iterable[str]) -> list[Named]:
    return [(id, progress.steps[id].step.do) for id in ids]


def _first(text: str, named: Sequence[Named], what: str) -> str:
    found = _best(text, named)
    if not found:
        raise _nothing(text, named, what)
    return found[0]


def _only(text: str, named: Sequence[Named], rest: Sequence[Named], what: str) -> str:
    found = _best(text, named) or _best(text, rest)
    if not found:
        raise _nothing(text, rest, what)
    if len(found) > 1:
        shown = ", ".join(found[:4]) + (", …" if len(found) > 4 else "")
        raise EventError(f"{text!r} fits {len(found)} {what}s: {shown}; write more of it")
    return found[0]


def _nothing(text: str, named: Sequence[Named], what: str) -> EventError:
    words = {id.rpartition(".")[2]: id for id, _ in named} | {id: id for id, _ in named}
    near = difflib.get_close_matches(text, list(words), n=3, cutoff=0.6)
    known = list(dict.fromkeys(words[word] for word in near))
    if not known and len(named) <= 8:
        listed = ", ".join(id for id, _ in named)
        return EventError(f"there is no {what} {text!r}" + (f"; there is {listed}" if listed else ""))
    offer = f"; did you mean {' or '.join(known)}?" if known else ""
    return EventError(f"there is no {what} {text!r}{offer}")


def _best(text: str, named: Sequence[Named]) -> list[str]:
    """Return the ids that fit best: as written, then as a part, a beginning, words."""
    ranks: dict[int, list[str]] = {}
    for id, words in named:
        rank = _rank(text.casefold(), id.casefold(), words.casefold())
        if id == text:
            return [id]
        if rank is not None:
            ranks.setdefault(rank, []).append(id)
    return ranks[min(ranks)] if ranks else []


def _rank(text: str, id: str, words: str) -> int | None:
    part = id.rpartition(".")[2]
    for rank, fits in enumerate((id == text, part == text, id.startswith(text), part.startswith(text))):
        if fits:
            return rank
    return 4 if text and all(word in words or word in id for word in text.split()) else None

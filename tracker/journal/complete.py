"""Completes a half-typed entry from the table of words and the excursion as it stands."""

from __future__ import annotations

from collections.abc import Iterable

from tracker.journal.progress import Progress
from tracker.journal.value import limit_names
from tracker.journal.words import BY_WORD, WORDS, Argument, Word

_MOST = 12


def complete(text: str, progress: Progress) -> list[str]:
    """Return whole lines that go on from what is typed, the likeliest first; at most twelve."""
    before, _, last = text.rpartition(" ")
    found = [one for one in _choices(before.split(), last, progress) if one.lower().startswith(last.lower())]
    lines = [f"{before} {one}" if before else one for one in dict.fromkeys(found)]
    return [line for line in lines if line != text][:_MOST]


def _choices(before: list[str], last: str, progress: Progress) -> Iterable[str]:
    """Return what the last word may become."""
    crew = {str(n): member.id for n, member in enumerate(progress.plan.crew, 1)}
    crew |= {member.id: member.id for member in progress.plan.crew}
    if not before:
        return [*_plain_words(), *progress.plan.consumable, *crew]
    first = before[0]
    if first in crew and len(before) == 1:
        ahead = progress.order.get(crew[first], ())
        return [f">{step}" for step in ahead] if last.startswith(">") else _plain_words()
    verb = before[1] if first in crew else first
    word = BY_WORD.get(verb.lower())
    if word is None:
        return []
    taken = before[2:] if first in crew else before[1:]
    return _arguments(word, taken, progress)


def _plain_words() -> list[str]:
    return [word.words[0] if word.words else word.kind for word in WORDS] + [word.kind for word in WORDS]


def _arguments(word: Word, taken: list[str], progress: Progress) -> list[str]:
    """Return what may follow the words already there: a value by place, markers, flags and keys."""
    for argument in word.arguments:
        if taken and taken[-1].lower() == argument.marker:
            return _values(argument, progress)
    places = [one for one in word.arguments if not one.keyed and one.type not in ("flag", "text")]
    place = min(len(taken), len(places) - 1)
    found = (
        _values(places[place], progress)
        if places and (len(taken) < len(places) or places[-1].type == "crews")
        else []
    )
    markers = [one.marker for one in word.arguments if one.marker is not None and one.marker not in taken]
    flags = [one.key for one in word.arguments if one.type == "flag" and one.key not in taken]
    keys = [f"{one.key}=" for one in word.arguments if one.type not in ("flag",)]
    return [*found, *(markers + flags if taken else []), *keys, "at="]


def _values(argument: Argument, progress: Progress) -> list[str]:
    plan = progress.plan
    match argument.type:
        case "step":
            return _steps(progress)
        case "task":
            return [id for id, state in progress.tasks.items() if state.status != "done"]
        case "crew" | "crews":
            return [member.id for member in plan.crew]
        case "window":
            return list(plan.window)
        case "consumable":
            return list(plan.consumable)
        case "limit":
            return limit_names(progress)
        case "choice":
            return list(argument.choices)
        case "event":
            return [str(event.number) for event in sorted(progress.events, key=lambda one: -one.number)]
        case _:
            return []


def _steps(progress: Progress) -> list[str]:
    """Return current steps, then open ones in their order, by id and by part."""
    current = [step for step in progress.current.values() if step is not None]
    ahead = [step for steps in progress.order.values() for step in steps]
    ids = list(dict.fromkeys([*current, *ahead]))
    return [*ids, *(id.rpartition(".")[2] for id in ids)]

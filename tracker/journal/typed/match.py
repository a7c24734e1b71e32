"""What a typed word names, or could have meant, and what a half-typed entry may go on with."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence, Sized

from tracker.foundation.errors import EventError
from tracker.foundation.text import did_you_mean, near, plain
from tracker.journal.kinds import BY_WORD, KINDS, Argument, EventKind
from tracker.journal.progress import Progress, letters
from tracker.plan.model import LOCK

Named = tuple[str, str]
"""An id, and the words that describe it."""


LISTED = "`tracker record --help` lists the words"
"""Where a command line lists the words; a screen has its own examples."""


def find_word(text: str, hardware: Iterable[str] = ()) -> EventKind:
    """Return the table's entry that a word begins; EventError offers near ones, or hardware's."""
    found = BY_WORD.get(text.lower())
    if found is None:
        of = [f"`put {one} SITE lost`: where it stays; `took {one} EV1`: who has it" for one in hardware]
        offer = f"; {of[0]}" if of else meant(text.lower(), BY_WORD) or f"; {LISTED}"
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
    """Return the crew member meant, or None: a number with a naught before it is minutes."""
    crew = progress.plan.crew
    if text.isascii() and text.isdigit() and not text.startswith("0"):
        place = int(text) if len(text) < 4 else 0
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


NO_GO = "no hold point is left: nothing waits for a go"
"""Said where a go is asked for and none is wanted."""
_NOT_IN_PLAN = {
    "site": "sites; `at lock EV2` says who is back in the lock, `note TEXT` where somebody is",
    "window": "windows; `note TEXT` says what was seen",
    "consumable": "consumables; `note TEXT` says what was read",
    "round": "rounds; `note TEXT` says what somebody answers",
    "hardware": "hardware; `note TEXT` says who has something, or where it lies",
    "optional": "optional tasks to keep or to put off; `drop TASK` gives must work up",
}
"""What is said of a type of which a plan has nothing: its name, and what would be right."""


def check_there(type: str, progress: Progress) -> None:
    """Raise EventError where the plan has nothing of a type of argument; it says what would be right."""
    plan = progress.plan
    there: Mapping[str, Sized] = {
        "site": plan.sites,
        "window": plan.window,
        "consumable": plan.consumable,
        "round": plan.rounds,
        "hardware": plan.hardware,
        "optional": letters(progress),
    }
    if type in there and not len(there[type]):
        raise EventError(f"the plan has no {_NOT_IN_PLAN[type]}")


def names_step(progress: Progress, text: str) -> bool:
    """Whether a word is a step's id or its part, and no other word."""
    wanted = text.casefold()
    return any(wanted in (id.casefold(), id.casefold().rpartition(".")[2]) for id in progress.steps)


def find_step(progress: Progress, text: str, among: Sequence[str] | None = None) -> str:
    """Return the step meant by an id, a part, a beginning or words.

    `among` names the steps in question, of which the first that fits is taken, by a beginning of its id or
    of words of what is done alike; without it the fit has to be the only one among open steps, or among all
    where no open one fits. What is written as a whole id means no other step.
    """
    if text in progress.steps and among is None:
        return text
    if text in progress.steps and among is not None and text not in among:
        ended = progress.steps[text].ended
        raise EventError(f"{text} has ended, {ended}" if ended else f"{text} is not ahead of them")
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


def find_subject(progress: Progress, text: str) -> str:
    """Return what something can be about: a task, a step, a crew member or a limit, as `find_id` does."""
    crew = crew_or_none(progress, text)
    if crew is not None and crew != "*":
        return crew
    ids = (*progress.tasks, *progress.steps, *limit_names(progress))
    return find_id(dict.fromkeys(ids), text.rstrip(":?,"), "task, step, limit or crew member")


def meant(text: str, known: Iterable[str]) -> str:
    """Return `; did you mean …?` with what is near, or nothing."""
    return did_you_mean(near(text, known))


def _steps(progress: Progress, ids: Iterable[str]) -> list[Named]:
    return [(id, progress.steps[id].step.do) for id in ids]


def _first(text: str, named: Sequence[Named], what: str) -> str:
    """Return the first id that fits: as written, else by a beginning, else by what stands anywhere in it."""
    for fits in (_whole, _begins):
        if found := [id for id, words in named if fits(text.casefold(), id.casefold(), words.casefold())]:
            return found[0]
    if found := _best(text, named):
        return found[0]
    raise _nothing(text, named, what)


def _whole(text: str, id: str, words: str) -> bool:
    """Whether a text is a whole id, or its part: what somebody writes who knows the step by it."""
    return text in (id, id.rpartition(".")[2])


def _begins(text: str, id: str, words: str) -> bool:
    """Whether a text is the beginning of an id, or each of its words that of one in the id or the deed."""
    known = re.findall(r"[^\W_]+", f"{id} {words}")
    asked = re.findall(r"[^\W_]+", text)
    return bool(asked) and (
        id.startswith(text) or all(any(one.startswith(word) for one in known) for word in asked)
    )


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
    known = list(dict.fromkeys(words[word] for word in near(text, words)))
    if not known and len(named) <= 8:
        listed = ", ".join(id for id, _ in named)
        return EventError(f"there is no {what} {text!r}; there is {listed or 'none'}")
    return EventError(f"there is no {what} {text!r}{did_you_mean(known)}")


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


def limit_names(progress: Progress) -> list[str]:
    """Return every limit that can be changed: elapsed limits by name, reserves as `CREW.consumable`."""
    reserves = [f"{crew}.{consumable}" for crew, consumable in progress.reserves]
    shared = [f"*.{consumable}" for consumable in progress.plan.consumable]
    return list(dict.fromkeys([*progress.limits, *reserves, *shared]))


_MOST = 12


def complete(text: str, progress: Progress) -> list[str]:
    """Return whole lines that go on from what is typed, the likeliest first; at most twelve.

    A name that is whole has a blank behind it, so that the next word can be typed at once.
    """
    before, _, last = text.rpartition(" ")
    found = [one for one in _choices(before.split(), last, progress) if one.lower().startswith(last.lower())]
    lines = [f"{before} {one}" if before else one for one in dict.fromkeys(found)]
    return [line if line.endswith("=") else f"{line} " for line in lines if line != text][:_MOST]


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
    kind = BY_WORD.get(verb.lower())
    if kind is None:
        return []
    taken = before[2:] if first in crew else before[1:]
    return _arguments(kind, taken, progress)


def _plain_words() -> list[str]:
    first = [kind.words[0] if kind.words else kind.name for kind in KINDS]
    return [*first, *(word for kind in KINDS for word in kind.means), *(kind.name for kind in KINDS)]


def _arguments(kind: EventKind, taken: list[str], progress: Progress) -> list[str]:
    """Return what may follow the words already there: a value by place, markers, flags and keys."""
    for argument in kind.arguments:
        if taken and taken[-1].lower() == argument.marker:
            return _values(argument, progress)
    places = [one for one in kind.arguments if not one.keyed and one.type not in ("flag", "text")]
    place = min(len(taken), len(places) - 1)
    found = (
        _values(places[place], progress)
        if places and (len(taken) < len(places) or places[-1].type == "crews")
        else []
    )
    markers = [one.marker for one in kind.arguments if one.marker is not None and one.marker not in taken]
    flags = [one.key for one in kind.arguments if one.type == "flag" and one.key not in taken]
    keys = [f"{one.key}=" for one in kind.arguments if one.type not in ("flag",)]
    return [*found, *(markers + flags if taken else []), *keys, "at="]


def _values(argument: Argument, progress: Progress) -> list[str]:
    plan = progress.plan
    match argument.type:
        case "step":
            return _step_words(progress)
        case "task":
            return [id for id, state in progress.tasks.items() if state.status != "done"]
        case "crew" | "crews":
            return [member.id for member in plan.crew]
        case "subject":
            return [*progress.tasks, *(member.id for member in plan.crew), *limit_names(progress)]
        case "window":
            return list(plan.window)
        case "site":
            return [*plan.sites, LOCK]
        case "round":
            return [one.id for one in plan.rounds]
        case "hardware":
            return [one.id for one in plan.hardware]
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


def _step_words(progress: Progress) -> list[str]:
    """Return current steps, then open ones in their order, by id and by part."""
    current = [step for step in progress.current.values() if step is not None]
    ahead = [step for steps in progress.order.values() for step in steps]
    ids = list(dict.fromkeys([*current, *ahead]))
    return [*ids, *(id.rpartition(".")[2] for id in ids)]

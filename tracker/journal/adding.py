"""Unplanned work in one typed line: who, how long, what."""

from __future__ import annotations

import json

from tracker.foundation.errors import EventError
from tracker.foundation.times import parse_pet
from tracker.journal.typed.match import crew_or_none, find_crew
from tracker.journal.typed.tokens import Entry, Token
from tracker.journal.value import Setting
from tracker.journal.when import is_time

AS_IN = "as in `add EV1 0:10 Inspect the hinge`"

_PRIORITIES = ("must", "should", "get-ahead")


def expand_added(entry: Entry, setting: Setting) -> None:
    """Turn `add EV1 0:10 before mast Inspect the hinge` into the task that it describes, in place."""
    if not entry or entry.head.startswith("{") or any(token.keyed is not None for token in entry.tokens):
        return
    crew_at = next((n for n, token in enumerate(entry.tokens) if _is_crew(token, setting)), None)
    priority = entry.head.lower() if crew_at == 1 else "must"
    if crew_at is None or crew_at > 1 or len(entry.tokens) < crew_at + 3 or priority not in _PRIORITIES:
        raise EventError(f"add: who, how long, and what is to be done, {AS_IN}")
    del entry.tokens[:crew_at]
    crew = [find_crew(setting.progress, one) for one in entry.take().split(",")]
    time = entry.take()
    try:
        parse_pet(time)
    except ValueError as error:
        raise EventError(f"add: {error}, {AS_IN}") from error
    place = _place(entry)
    title = entry.take_rest()
    if not title:
        raise EventError(f"add: what is to be done? {AS_IN}")
    step = {"do": title, "crew": crew, "time": time}
    task = {"title": title, "priority": priority, "steps": [step]}
    again = Entry.of_words([*place, "task=" + json.dumps(task, ensure_ascii=False)])
    entry.text, entry.tokens = again.text, again.tokens


def _place(entry: Entry) -> list[str]:
    if entry.head.lower() == "last":
        return [entry.take()]
    if entry.head.lower() == "before" and len(entry.tokens) > 1:
        return [entry.take(), entry.take()]
    if is_time(entry.head):
        return [entry.take(), *_place(entry)]
    return []


def _is_crew(token: Token, setting: Setting) -> bool:
    return all(crew_or_none(setting.progress, one) for one in token.text.split(","))

"""How an alert is worded: a form with places for figures and for what can be typed, filled in at an instant.

Figures are counted down to the instant at which it is said; what can be typed stands in full, as the keys
that come to the same, or, for who only looks on, not at all.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace

from tracker.forecast.figures import Alert
from tracker.foundation.shown import (
    duration,
    in_words,
    minutes_seconds,
    nearest,
    pet_down,
    pet_up,
    spare_words,
)
from tracker.foundation.text import percent

DOUBT, GRAVE = "confidence", "confidence:act"
"""The alert of the chance as it is raised at an earlier instant, and that it is to be acted upon."""
EARLY = 0.1
"""Before this share of the planned work is done nothing alarms on a low chance."""

HEARD_RECALL = "the crew has heard the recall: tell them to go on"
"""What is said of a recall that is taken back."""

_MARK = "\x1f"
"""Around a figure that is left open; texts of plans and journals never hold it."""
Keys = Callable[[str], str]
"""What can be typed in full, as the keys that come to the same."""


def slot(name: str, how: str) -> str:
    """A place for a figure in a text: `how` says how it is rounded and worded (`HOW`)."""
    return f"{_MARK}{name}:{how}{_MARK}"


def deed(verb: str = "") -> str:
    """A place for what can be typed; where it stands as keys a verb says what they do."""
    return f"{_MARK}{verb}:do{_MARK}"


def alert_words(alert: Alert, now: float, keys: Keys | None = None) -> str:
    """An alert in words at an instant: what it says is counted down to PET `now`, what can be done is keys.

    Without `keys` what can be done is written as it is typed in full.
    """
    parts = alert.form.split(_MARK)
    if len(parts) == 1:
        return alert.text or alert.form
    lines, said, figures = iter(alert.do), [], {"since": alert.since, **alert.figures}
    for place, part in enumerate(parts):
        if place % 2 == 0:
            said.append(part)
            continue
        name, _, how = part.rpartition(":")
        if how == "do":
            line = next(lines, "")
            said.append(line if keys is None else " ".join(filter(None, (keys(line), name))))
        else:
            said.append(HOW[how](figures.get(name), now, figures.get("need")))
    return "".join(said)


_DEED = rf"{_MARK}([^{_MARK}]*):do{_MARK}"
_DEEDS = re.compile(rf"([.,;:?]?) ?((?:{_DEED}(?:(?:,|;| and) (?={_DEED}))?)+)")
_COMES_TO = re.compile(r"(?: \([^)]*\))?(?:, together)?:")


def matter_words(alert: Alert, now: float) -> str:
    """An alert for who only looks on: without what is pressed for it, but with what that comes to."""
    found, end = [], 0
    for deeds in _DEEDS.finditer(alert.form):
        found.append(alert.form[end : deeds.start()])
        end = deeds.end()
        verbs = re.findall(_DEED, deeds[2])
        if _COMES_TO.match(alert.form, end):
            # A deed that is weighed, in words that nobody takes for one that is done.
            found.append(f"{deeds[1]} if the desk {' and '.join(verbs)}".replace(". i", ". I"))
        elif alert.form[end : end + 1] not in (";", ".") or deeds[1] == "?":
            found.append(deeds[1].rstrip(",;:"))
            end += alert.form[end : end + 1] == "."
    form = "".join((*found, alert.form[end:])).rstrip(". ")
    return alert_words(replace(alert, form=form, text=alert.text if form == alert.form else form), now)


def _costs(shift: float | None) -> str:
    """A shift of INSIDE said aloud: `costs 49 min`, `wins 4 min`, `costs nothing`."""
    whole = nearest(shift)
    if not whole:
        return "" if whole is None else "costs nothing"
    return f"{'costs' if whole > 0 else 'wins'} {duration(whole)}"


HOW: Mapping[str, Callable[[float | None, float, float | None], str]] = {
    "up": lambda value, now, need: pet_up(value),
    "down": lambda value, now, need: pet_down(value),
    "in": lambda value, now, need: in_words(value, now),
    "for": lambda value, now, need: duration(None if value is None else now - value),
    "min": lambda value, now, need: duration(value),
    "clock": lambda value, now, need: minutes_seconds(now - (value or 0.0)),
    "clocked": lambda value, now, need: minutes_seconds(value or 0.0),
    "spare": lambda value, now, need: spare_words(value),
    "shift": lambda value, now, need: _costs(value),
    "chance": lambda value, now, need: "-" if value is None else percent(value, need),
}
"""How a figure is worded: an end rounded up, a limit or a fact down, a countdown, a time since, a duration,
a running clock and what it should take, what is to spare, a shift, a chance with the decimals of its need."""

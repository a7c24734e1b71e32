"""What wants a person, and what was just said: both in full, in as many rows as they need.

Severities are told apart by glyph and word, then by reverse and bold, then by colour; where nothing wants
anybody it is said what will next. What is chosen is told in full where messages stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import lru_cache
from itertools import takewhile

from tracker.console.view.events import last_heard
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import (
    Ink,
    Line,
    Span,
    blank,
    block,
    crop,
    fit,
    fitted,
    parted,
    put,
    say,
    sides,
    tall,
    wrapped,
)
from tracker.console.view.words import following_step, next_go, pet, pet_s, stand_of
from tracker.forecast.alert_words import (
    EARLY,
    alert_words,
    matter_words,
)
from tracker.forecast.due import due, due_words, next_due
from tracker.forecast.figures import Alert, Due, Estimate, Severity
from tracker.forecast.wording import (
    chance_words,
    need_of,
    verdict_words,
)
from tracker.foundation.shown import exact, pet_down
from tracker.foundation.text import count, plain, small
from tracker.journal.progress import Progress, StepState, done_share
from tracker.journal.wording import clock_mark, event_words

MOST = 1500
"""Characters; a note longer than that ends in three points."""


def detail(scene: Scene) -> str:
    """Return everything about what is chosen; nothing without a choice."""
    progress, chosen = scene.progress, scene.chosen
    if chosen is None:
        return ""
    if chosen in progress.steps:
        return _step(scene, chosen)
    if chosen in progress.plan.member:
        return _crew(scene, chosen)
    return _event(scene, int(chosen)) if chosen.isdigit() else ""


def _step(scene: Scene, step: str) -> str:
    progress = scene.progress
    state = progress.steps[step]
    stand = stand_of(progress, step, scene.now, scene.snapshot.ends)
    joined = ", " if stand.word in ("held", "go?") else " "
    word = f"{stand.word}{joined}{stand.why}" if stand.why else stand.word
    who = " ".join(state.crew) or "nobody"
    counted = f", {state.counted} of {state.step.count}" if state.step.count > 1 else ""
    first = f"{step}  {who}  {state.step.do}{counted}"
    out = _left_out(scene, step)
    return "; ".join([first, word, *([out] if out else []), *_times(scene, step), *_bonds(progress, state)])


def _times(scene: Scene, step: str) -> list[str]:
    """Return when it was planned, and when it happened or is projected."""
    state = scene.progress.steps[step]
    planned = scene.progress.planned.get(step)
    parts = [f"takes {exact(state.step.time.likely)}"]
    if planned is not None:
        parts.append(f"planned {pet(planned[0])} until {pet(planned[1])}")
    real = scene.snapshot.course.get(step)
    if real is not None:
        word = "was" if state.ended else "projected"
        parts.append(f"{word} {pet(real[0])} until {pet(real[1])}")
    return parts


def _bonds(progress: Progress, state: StepState) -> list[str]:
    """Return what ties the step to a place, a go, a window, other steps."""
    step = state.step
    needs = progress.needs.get(step.id, ())
    found = {
        "at": step.site or "",
        "hold point": step.hold_point or "",
        "only in": " and ".join(step.windows),
        "after": _needed(progress, needs),
        "opens": ", ".join(step.opens),
        "closes": ", ".join(step.closes),
    }
    parts = [f"{word} {what}" for word, what in found.items() if what]
    if step.within is not None:
        of = progress.steps[step.within.of].step.do
        parts.append(f"done within {exact(step.within.time)} after {small(of)}")
    return parts


def _needed(progress: Progress, needs: Sequence[str]) -> str:
    """Return what is not done yet of what a step needs, as the list names it."""
    ahead = [progress.steps[need].step.do for need in needs if progress.steps[need].ended is None]
    more = f" and {count(len(ahead) - 2, 'more step')}" if len(ahead) > 2 else ""
    return f"{', '.join(map(small, ahead[:2]))}{more}"


def _crew(scene: Scene, crew: str) -> str:
    progress = scene.progress
    name = progress.plan.member[crew].name
    known = f"{crew} ({name})" if name and name != crew else crew
    parts = [_stands(scene, crew), *(["voice lost"] if crew in progress.silent else [])]
    left = len(progress.order.get(crew, ()))
    parts += _coming(scene, crew) if crew not in progress.entered else []
    return f"{known}: {'; '.join(parts)}; {count(left, 'step')} left"


def _stands(scene: Scene, crew: str) -> str:
    progress = scene.progress
    if crew in progress.entered:
        return f"inside since {pet(progress.entered[crew])}"
    step = progress.current.get(crew)
    do = f"{progress.steps[step].step.do} ({step})" if step else "no step"
    if crew in progress.holds:
        hold = progress.holds[crew]
        return f"held since {pet_s(hold.since)}, {hold.text or 'no reason given'}; at {do}"
    if step is None:
        return "nothing at hand"
    stand = stand_of(progress, step, scene.now, scene.snapshot.ends)
    joined = ", " if stand.word == "go?" else " "
    return f"{stand.word}{joined}{stand.why}; at {do}" if stand.why else f"{stand.word} {do}"


def _coming(scene: Scene, crew: str) -> list[str]:
    step = following_step(scene.progress, crew)
    if step is None:
        return []
    others = [c for c in scene.progress.steps[step].crew if c != crew]
    joint = f" with {' '.join(others)}" if others else ""
    coming = f"next {scene.progress.steps[step].step.do} ({step}){joint}"
    if why := _left_out(scene, step):
        return [coming, why]
    return [f"{coming} at {pet(scene.snapshot.course.get(step, (None, None))[0])}"]


def _left_out(scene: Scene, step: str) -> str:
    """Return that the figures leave a step out, though it is still in its place, and the keys that decide."""
    task = scene.progress.steps[step].step.task
    if task not in scene.snapshot.passed_over:
        return ""
    keys = f"{scene.key('drop')} drops it, {scene.key('keep')} keeps it"
    advice = verdict_words(scene.snapshot.advised[task])
    return f"the figures leave {task} out (advice: {advice}), nobody has decided: {keys}"


def _event(scene: Scene, number: int) -> str:
    progress = scene.progress
    event = next((e for e in progress.fold.recorded if e.number == number), None)
    if event is None:
        return ""
    zero = progress.zero
    utc = f" = {zero + timedelta(seconds=event.at):%H:%M:%S} UTC" if zero is not None else ""
    how = "stated" if event.stated else "by the clock"
    words = event_words(progress, event.kind, event.body, most=MOST)
    force = {e.number for e in progress.events}
    back = "" if number in force or event.kind == "withdrawn" else " (taken back or corrected)"
    mark = clock_mark(progress, number)
    written = f"written {event.recorded:%H:%M:%S} UTC by {event.seat}{f'; {mark}' if mark else ''}"
    return f"{number} at {pet_s(event.at)}{utc}, {how}{back}: {words}; {written}"


def waiting_alerts(scene: Scene) -> list[Alert]:
    """Return the alerts that nobody has marked as seen yet."""
    return [a for a in scene.snapshot.news.alerts if not _seen(scene, a)]


def first_waiting(scene: Scene) -> list[Alert]:
    """Return the first alert that nobody has marked as seen, and those that share its row."""
    waiting = waiting_alerts(scene)
    shared = [a for a in waiting if a.kind == waiting[0].kind == "last-call"]
    return shared or waiting[:1]


def standing_alerts(scene: Scene) -> list[Alert]:
    """Return what has a row: what was not seen, what is to be acted upon; clock and disk go first."""
    every = scene.snapshot.news.alerts
    waiting = [a for a in every if not _seen(scene, a)]
    first = sorted([*_of_seat(scene), *waiting], key=lambda a: a.severity != "act")
    return [*first, *(a for a in every if a.severity == "act" and _seen(scene, a))]


def _of_seat(scene: Scene) -> list[Alert]:
    """Return that a clock is in doubt, the journal's place away, a line left open: none can be marked."""
    disk = scene.disk
    found = [Alert("clock", scene.clock.words, False, "clock", "act")] if scene.clock else []
    found += [Alert(f"refused-{n}", said, False, "disk", "look") for n, said in enumerate(disk.refused_words)]
    found += [Alert("entry", scene.line.alert, False, "entry")] if scene.line and scene.line.alert else []
    if not disk.unsaved and not disk.kept and not disk.fault:
        return found
    kept, away = ("" if t is None else f" since {pet(t)}" for t in (disk.kept_since, disk.fault_since))
    told = [f"{count(disk.kept, 'entry', 'entries')} kept here{kept}"] if disk.kept else []
    told += [f"{count(disk.unsaved, 'entry', 'entries')} not saved"] if disk.unsaved else []
    words = f"{', '.join(told) or f'away{away}'}: {disk.fault or 'not written yet'}. Keys go on"
    return [*found, Alert("disk", words, False, "disk", "act" if disk.unsaved or disk.forked else "look")]


def _seen(scene: Scene, alert: Alert) -> bool:
    # The estimate may be older than the key that marked it; what asks again says so in the estimate.
    estimate, progress = scene.snapshot.latest, scene.progress
    known = estimate.at if estimate else 0.0
    since = takewhile(lambda event: event.at >= known, reversed(progress.events))
    return alert.acknowledged or any(e.kind == "acknowledged" and e.body["alert"] == alert.id for e in since)


MARKS: Mapping[Severity, tuple[str, Ink]] = {"act": (" !! ACT ", "alarm"), "look": (" !  LOOK ", "late")}
"""Before an alert, by its severity: glyph, word, ink."""
_PLAIN: Ink = ""
INDENT = 10
"""Columns before the words of an alert."""


def alert_rows(scene: Scene, width: int) -> tuple[int, int]:
    """Return how many rows the first alert takes, and all of them."""
    rows = [len(one) for one in _blocks(scene, _told(scene), width)]
    return (rows[0], sum(rows)) if rows else (0, 0)


def alert_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the alerts that fit, in full, the first with the key that marks it; else that all is calm."""
    told = _told(scene)
    if not told:
        words = fitted(width - INDENT - 1, [calm_words(scene)])
        return tall([crop((put(" calm", INDENT), *words), width)], width, height)
    blocks = _blocks(scene, told, width)
    shown, left = blocks[:1], height
    for place, rows in enumerate(blocks[1:], 1):
        left -= len(shown[-1])
        if left < 1:
            break
        # The first is told in full; of the others each has a row before one of them has two.
        room = max(1, left - (len(told) - 1 - place))
        shown.append(_cut(rows, room))
    shown[0] = _cut(shown[0], height)
    lines = [row for rows in shown for row in rows][:height]
    unseen = sum(one.alerts for one in told[len(shown) :])
    right = (say(_hint(scene, told, unseen, width), "dim"),)
    lines = [sides(width, row, () if place else right) for place, row in enumerate(lines)]
    return tall(lines, width, height)


def _cut(rows: list[Line], room: int) -> list[Line]:
    """Return so many rows of an alert, with a mark at the end where there are more."""
    return [*rows[: room - 1], (*rows[room - 1], say(" ~", "dim"))] if len(rows) > room else rows


@dataclass(frozen=True, slots=True)
class _Told:
    """One alert as it is told, or several that have a row together."""

    severity: Severity
    words: str
    key: bool = True
    """Whether a key marks it as seen."""
    alerts: int = 1


def _told(scene: Scene) -> list[_Told]:
    """Return what is told, the most pressing first; last calls share a row."""
    out, calls = [], []
    for alert in standing_alerts(scene):
        seen = _seen(scene, alert)
        words = f"{said_of(scene, alert)}{f' (seen {pet(_seen_at(scene, alert))})' if seen else ''}"
        if alert.kind == "last-call":
            calls.append(alert)
            if len(calls) > 1:
                continue
        out.append(_Told(alert.severity, words, not seen and alert.kind not in ("clock", "disk", "entry")))
    if len(calls) > 1:
        more = ", ".join(f"{call.subject} by {pet_down(call.by)}" for call in calls[1:])
        place = next(k for k, one in enumerate(out) if one.words == said_of(scene, calls[0]))
        out[place] = replace(out[place], words=f"{out[place].words}; also {more}", alerts=len(calls))
    return out


def said_of(scene: Scene, alert: Alert) -> str:
    """Return an alert in words, as of this instant, with keys for what can be done."""
    return plain(alert_words(alert, scene.now, lambda line: keys_for(scene, line).replace(" ", _TOGETHER)))


def told_of(scene: Scene, alert: Alert) -> str:
    """Return an alert in words for who can only look on: the matter, the keys are the desk's."""
    return plain(matter_words(alert, scene.now))


_TOGETHER = "\N{NO-BREAK SPACE}"
"""Between keys that are pressed one after the other, so that no row ends among them."""


def _seen_at(scene: Scene, alert: Alert) -> float | None:
    events = (e for e in reversed(scene.progress.events) if e.kind == "acknowledged")
    return next((e.at for e in events if e.body["alert"] == alert.id), None)


_COMMANDS = {
    "heard": "silent",
    "later": "put-off",
    "settle": "answer",
    "enter": "entered",
    "call": "recall",
    "check": "round",
}
"""The command whose key stands for a typed word, where it has another name."""


def keys_for(scene: Scene, line: str) -> str:
    """Return the keys that come to the same as a typed line: `k c` for `keep photos`.

    Where no key does, the line behind the key that opens the entry line.
    """
    verb, *rest = line.split()
    if verb == "go":
        step, ahead = next_go(scene.progress)
        key = scene.key(verb)
        return (f"{key} {key}" if ahead else key) if step == rest[0] else f"{scene.key('entry')} {line}"
    command = _COMMANDS.get(verb, verb)
    if line == "call at once":
        return f"{scene.key('recall')} n"
    if verb in ("call", "close"):
        return f"{scene.key(command)} {scene.key(command)}"
    if verb == "done":
        progress = scene.progress
        crew = progress.steps[rest[0]].crew
        if not (who := _digits(scene, [c for c in crew if progress.current.get(c) == rest[0]][:1])):
            return f"{scene.key('entry')} {line}"
        return who if len(rest) == 1 else f"{scene.key('late')} {who} {rest[1].removeprefix('-')}"
    if verb == "ack":
        marks = any(one.id == rest[0] for one in first_waiting(scene))
        return scene.key("acknowledge") if marks else f"{scene.key('entry')} {line}"
    if verb == "reading":
        return f"{scene.key(command)} {_digits(scene, rest)}"
    if verb in scene.progress.plan.member:
        who = _digits(scene, [verb])
        return f"{scene.key('late')} {who} {rest[0].removeprefix('-')}" if rest else who
    if verb in ("add", "hand", "check"):
        return scene.key(command)
    if verb in ("keep", "drop", "later"):
        return f"{scene.key(command)} {scene.snapshot.letters.get(rest[0], rest[0])}"
    if verb in ("silent", "heard", "resume", "enter"):
        return f"{scene.key(command)} {_digits(scene, rest)}"
    return f"{scene.key('answer')} {rest[0]}" if command == "answer" else f"{scene.key('entry')} {line}"


def _digits(scene: Scene, crew: Sequence[str]) -> str:
    """Return the digits of crew members; an id where there is none."""
    places = {member.id: place for place, member in enumerate(scene.progress.plan.crew, 1)}
    return " ".join(str(places[c]) if places.get(c, 10) < 10 else c for c in crew)


def coming_due(scene: Scene) -> Sequence[Due]:
    """Return what comes due as of this instant; nothing while there is no estimate."""
    return _due_at(scene.snapshot, scene.now)


@lru_cache(maxsize=4)
def _due_at(snapshot: Snapshot, now: float) -> Sequence[Due]:
    """Gone through once for a scene: its places are given, and its rows drawn, by all steps ahead."""
    estimate = snapshot.estimate
    return () if estimate is None else due(snapshot.progress, estimate, now=now)


def calm_words(scene: Scene) -> list[str]:
    """Return what will want a person next, where nothing does, from the longest way to say it."""
    progress = scene.progress
    if progress.closed is not None:
        return ["closed. tracker debrief JOURNAL says which limits were kept"]
    if not scene.started:
        zero = f"{scene.key('zero')} starts the clock: {plain(progress.plan.zero)}"
        return [f"{zero}; {scene.key('help')} shows every key", zero]
    if scene.estimate is None:
        words = (
            "the way home is being worked out"
            if scene.snapshot.news.rerouted
            else "the first estimate is on its way"
        )
        return [f"{words}; digits tick meanwhile, {scene.key('help')} shows every key", words]
    every = coming_due(scene)
    deed = next((one for one in next_due(progress, every) if one.do), None)
    own = (
        [] if deed is None else [f"{keys_for(scene, deed.do[0]).replace(' ', _TOGETHER)}: {due_words(deed)}"]
    )
    # What else comes is told where it is not in sight beside somebody's name.
    others = (one for one in every if one.kind not in ("step", "reading") and one.at > scene.now)
    told = [*own, *(due_words(one) for one in others if one is not deed)]
    forms = ("; ".join(told[:most]) for most in (2, 1) if told)
    first = _low(progress, scene.estimate) or "nothing wants you"
    return [*(f"{first}.  next {form}" for form in forms), first]


def _low(progress: Progress, estimate: Estimate) -> str:
    """Return why nothing asks about a chance that is below what is needed; nothing of one that is not."""
    _, chance, need = need_of(estimate)
    if chance >= need - 1e-9:
        return ""
    early = done_share(progress) < EARLY
    return f"{chance_words(estimate)}: {'too early to act upon' if early else 'asked about if it stays so'}"


NARROW = 60
"""Below so many columns an alert's words have the room of the keys beside it."""


def _hint(scene: Scene, told: Sequence[_Told], more: int, width: int) -> str:
    """Return the key that marks the first as seen, and how many alerts have no room; that alone if narrow."""
    if width < NARROW:
        return f" +{more} " if more > 0 else " "
    others = f"  {more} more: {scene.key('alerts')}" if more > 0 else ""
    return f"{others}  {scene.key('acknowledge')} seen " if any(one.key for one in told) else f"{others} "


def _blocks(scene: Scene, told: Sequence[_Told], width: int) -> list[list[Line]]:
    """Return the rows of every alert; the first row of all leaves room for the keys beside it."""
    taken = len(_hint(scene, told, 9 if len(told) > 1 else 0, width))
    return [_rows(one, width, 0 if place else taken) for place, one in enumerate(told)]


def _rows(one: _Told, width: int, taken: int) -> list[Line]:
    """Return an alert in rows, of which the first leaves so much room."""
    (mark, ink), room = MARKS[one.severity], max(10, width - INDENT - 1)
    words: Ink = "late" if one.severity == "act" else ""
    first, rest = parted(one.words, max(10, room - taken), room)
    head = (say(mark, ink), Span(" " * (INDENT - len(mark))), say(first, words))
    return [head, *((Span(" " * INDENT), say(other, words)) for other in rest)]


def alerts_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return every alert of this instant in full, those seen after those that wait."""
    waiting = waiting_alerts(scene)
    title = f"{count(len(waiting), 'alert')}   {scene.key('acknowledge')} marks the first as seen"
    lines = [crop((put(" alerts", INDENT, "dim"), say(title if waiting else "no alert waits", "dim")), width)]
    every = [*_of_seat(scene), *scene.snapshot.news.alerts]
    for alert in sorted(every, key=lambda a: _seen(scene, a)):
        seen = _seen(scene, alert)
        mark, ink = (" seen", _PLAIN) if seen else MARKS[alert.severity]
        first, *others = [(say(row),) for row in wrapped(said_of(scene, alert), width - INDENT)]
        head = (say(mark, ink), Span(" " * (INDENT - len(mark))), *first)
        lines += [crop(row, width) for row in (head, *((Span(" " * INDENT), *row) for row in others))]
    return fit(lines, width, height)


HEARD = 3
"""Words of the crew that are kept in sight in a rehearsal."""


def message_line(scene: Scene, width: int) -> Line:
    """Return the line that says what a key just did, or why it did nothing."""
    return crop((Span(" "), say(scene.said, scene.said_ink)), width)


def message_rows(scene: Scene, width: int) -> int:
    """Return how many rows the message needs."""
    return len(message_lines(scene, width, 100, pad=False))


def message_lines(scene: Scene, width: int, height: int, *, pad: bool = True) -> list[Line]:
    """Return what a key just did, or why it did nothing; else what is chosen, in full.

    Above it in a rehearsal in which the crew only speaks: their last words.
    """
    words, ink = (scene.said, scene.said_ink) if scene.said else (detail(scene), "")
    last = last_heard(scene.progress, HEARD) if scene.heard else []
    heard = [block(text, width, "accent", indent=5) for text in last]
    newest = len(heard[-1]) if heard else 0
    lines = block(words, width, ink, most=max(1, height - newest)) if words else []
    for told in reversed(heard):
        if len(told) + len(lines) > height:
            break
        lines = [*told, *lines]
    return [*lines, *[blank(width)] * (height - len(lines))] if pad else lines

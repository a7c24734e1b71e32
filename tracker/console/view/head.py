"""The head, three rows that are the same at every size and on both screens.

The largest figure says when everyone is inside. Beside it: the instant, what that figure counts and how
sure it is, what is to spare to the limit that comes first, and by when they turn for home. Wider screens add
at the right.

Below the head of the desk a rule says what changed; below that of the lead's view stands what wants somebody.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from textwrap import wrap
from typing import Any

from rich.cells import cell_len

from tracker.console.view.alerts import INDENT, MARKS, message_line, told_of, waiting_alerts
from tracker.console.view.lead_3_work import last_tick
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.steps import home_on_course
from tracker.console.view.styled_text import (
    Form,
    Ink,
    Line,
    Span,
    blank,
    crop,
    fit,
    fitted,
    large,
    parted,
    rule,
    say,
    sides,
    tall,
    width_of,
)
from tracker.console.view.words import (
    BEING_WORKED_OUT,
    of_entry,
    pet,
    pet_s,
    reached_at,
    turn_home_instead,
    window_changes,
)
from tracker.forecast.change_words import changed_forms
from tracker.forecast.figures import Choice, Estimate
from tracker.forecast.report import had_words
from tracker.forecast.wording import (
    COUNTED,
    chance_words,
    choice_words,
    counted_as,
    counted_words,
    first_limit,
    least_sure_words,
    limit_at,
    limit_words,
    need_of,
    shown_chance,
    spare_at,
    tires_words,
    too_late_words,
    within_words,
)
from tracker.foundation.shown import ago_words, down, duration, pet_down, pet_nearest, pet_up, up
from tracker.foundation.text import ADVISORY, count, plain

TIRES_FROM = 150
"""From so many columns on the head says what it comes to if the crew tires."""
WIDE = 96
"""From so many columns on the head says how long it is until the instants that it names."""


def head(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the three rows of the desk's head."""
    return _rows(scene, width, height, clock_line)


def lead_head(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the three rows of the lead's head: the instant that is shown, and how fresh it is."""
    return _rows(scene, width, height, instant_line)


def _rows(scene: Scene, width: int, height: int, first: Callable[[Any, int], Line]) -> list[Line]:
    """Return the large figure, which the word INSIDE touches, with the first row as it is asked for.

    Only an estimate is large: what stands on paper is told in words until there is one.
    """
    estimate = scene.estimate
    figure = large("-:--" if estimate is None else pet(up(estimate.inside.p50, estimate.at)), "accent")
    room = width - width_of(figure[0]) - 1
    rows = [
        first(scene, room - len(_BESIDE)),
        basis_line(scene, room - len(_BESIDE)),
        limit_line(scene, room - len(_BESIDE)),
    ]
    lines = [crop((Span(" "), *figure[k], Span(_BESIDE), *rows[k]), width) for k in range(3)]
    return (lines + [blank(width)] * height)[:height]


_BESIDE = "  "
"""Between the large figure and the three rows, whose first words stand below one another."""


# What INSIDE counts, and how sure it is


def basis_line(scene: Scene, width: int) -> Line:
    """Return what INSIDE counts, between when and when it lies, and the chance of keeping every limit."""
    estimate = scene.estimate
    if scene.progress.closed is not None:
        return fitted(width, [[_strong("INSIDE, as it was")]])
    if estimate is None:
        ends = [end for end in scene.snapshot.ingress.values() if end is not None]
        why = ": way home being worked out" if scene.snapshot.news.rerouted else " not estimated yet"
        return fitted(width, [[_strong(f"INSIDE{why}")], [f"on paper {pet_up(max(ends, default=None))}", ""]])
    brief, full = (within_words(estimate.inside, by) for by in ("..", " and "))
    within = [f"8 in 10 between {full}", f"8 in 10: {brief}", ""] if brief else [""]
    basis = [_strong(f"INSIDE {words}" if words else "INSIDE~") for words in (*basis_words(scene), "")]
    parts: list[Sequence[Form]] = [basis, within, chance_forms(estimate)]
    if scene.snapshot.news.turned:
        # What is told before its figures are there is not what these are of.
        parts[1] = [f"as of {pet_s(estimate.at)}"]
    parts += [[*_other_bases(estimate), ""]] if width >= WIDE else []
    if width >= TIRES_FROM and (tires := tires_words(estimate)) is not None:
        parts.append([tires, ""])
    # The range goes before the chance is cut, and what is counted is told briefly before either.
    return fitted(width, parts, (*range(len(parts) - 1, 2, -1), 1, 2, *(0 for _ in basis[2:]), 1, 2, 0))


def _strong(words: str) -> Span:
    return say(words, "strong")


def chance_forms(estimate: Estimate) -> list[Span]:
    """Return the chance with what is needed; an alarm where that is an alert which says to act."""
    words = chance_words(estimate)
    ink: Ink = "alarm" if _short(estimate) else ""
    brief = words.removeprefix("chance ")
    return [say(words, ink), say(brief, ink), say(brief.partition(", need")[0], ink)]


def _short(estimate: Estimate) -> bool:
    """Whether an alert about the chance says to act."""
    return any(a.severity == "act" and a.id in ("confidence", "turn-back") for a in estimate.alerts)


def basis_words(scene: Scene) -> list[str]:
    """Return what INSIDE counts, from the longest way to say it to the shortest."""
    progress, estimate = scene.progress, scene.estimate
    assert estimate is not None
    if estimate.called:
        return [counted_words(progress, estimate), f"called {estimate.called}"]
    optional = [t for t, state in progress.tasks.items() if state.task.optional and state.status in _AHEAD]
    counted = [t for t in optional if t not in scene.snapshot.passed_over]
    if not counted:
        return (
            ["with nothing optional", "without optional"] if optional else ["with musts alone", "must work"]
        )
    letters = scene.snapshot.letters
    named = [(counted_as(progress, estimate, task), task, letters[task]) for task in counted]
    groups = [(how, [(t, c) for h, t, c in named if h == how]) for how in COUNTED]
    groups = [(how, tasks) for how, tasks in groups if tasks]
    full = ", ".join(f"{', '.join(t for t, _ in tasks)} {how}" for how, tasks in groups)
    brief = ", ".join(f"{' '.join(c for _, c in tasks)} {how}" for how, tasks in groups)
    number, ids = f"{len(counted)} of {len(optional)} optional", " ".join(t for _, t, _ in named)
    least = number.removesuffix(" optional")
    ways = (full, full.replace(" as advised", " advised"), ids, brief, number, least)
    return [f"with {words}" for words in ways]


_AHEAD = ("open", "begun")


def _other_bases(estimate: Estimate) -> list[str]:
    """Return the other bases: what is committed, where that is more than the musts, and everything."""
    bases = {choice.id: choice for choice in estimate.choices or ()}
    musts, all_of_it = bases.get("must-only"), bases.get("everything")
    told = [c for c in (bases.get("committed"), all_of_it) if c is not None and not same_choice(c, musts)]
    words = [f"{choice_words(c)}: inside {pet_up(c.inside.p50)}, {shown_chance(c, estimate)}" for c in told]
    return ["  ".join(words), *words[-1:]] if len(words) > 1 else words


def same_choice(one: Choice, other: Choice | None) -> bool:
    """Return whether two choices come to the same."""
    return other is not None and _comes_to(one) == _comes_to(other)


def _comes_to(choice: Choice) -> tuple[object, ...]:
    return (choice.tasks, choice.given_up, choice.inside, choice.safe)


# What binds


def limit_line(scene: Scene, width: int) -> Line:
    """Return what is to spare to the limit that comes first, the musts alone, by when they turn for home."""
    estimate = scene.estimate
    if estimate is None or scene.progress.closed is not None:
        at = scene.progress.limits.get("elapsed")
        limit = f"elapsed limit at {pet_down(at)}" if at is not None else ""
        return fitted(width, [[say(plain(scene.progress.plan.excursion), "dim")], [limit]])
    parts: list[Sequence[Form]] = [
        spare_forms(estimate),
        musts_forms(scene, estimate),
        turn_home_forms(scene, estimate),
    ]
    return fitted(width, parts, (2, 2, 0, 2, 2, 0, 1))


def spare_forms(estimate: Estimate) -> list[Line]:
    """Return what is to spare to the limit that comes first."""
    first = first_limit(estimate.limits)
    if first is None:
        return [(say("no limit binds", "dim"),)]
    reached, left = reached_at(first), first.to_spare
    if left is None or reached is None:
        return [(say(spare_at(first)),)]
    begin, name = say(had_words(estimate, left), "alarm" if left < 0 else ""), limit_words(first.id)
    full = (begin, say(f": {limit_at(first)}"))
    brief = (begin, say(f": {name.removesuffix(' limit')} at {pet(reached)}"))
    return [full, brief, (begin, say(f": {name.removesuffix(' limit')}"))]


def musts_forms(scene: Scene, estimate: Estimate) -> list[Form]:
    """Return when they are inside with the musts alone; nothing once they are called home."""
    if estimate.called or estimate.turn_back.homebound or not scene.snapshot.letters:
        return [""]
    tasks = scene.progress.tasks.values()
    if any(t.task.optional and (t.committed or t.status == "begun") for t in tasks):
        bases = (choice.inside.p50 for choice in estimate.choices or () if choice.id == "must-only")
        musts = next(bases, None)
    else:
        musts = estimate.without_optional_inside.p50
    return [f"musts alone {pet_up(musts)}", ""] if musts is not None else [""]


def turn_home_forms(scene: Scene, estimate: Estimate) -> list[Form]:
    """Return by when they turn for home, how long that is from now, and when they do on this course."""
    turn = estimate.turn_back
    if estimate.called:
        return [""]
    if instead := turn_home_instead(scene.progress, estimate, scene.snapshot.news):
        return [f"turn home {instead}", "turn by -:--"] if instead == BEING_WORKED_OUT else [instead]
    if turn.latest is None:
        now, due = say("TURN HOME NOW", "alarm"), turn.missed
        return (
            [(now, say(f", was due by {pet_down(due)}")), now]
            if due is not None and due < scene.now
            else [now]
        )
    at = f"{pet_down(turn.latest)}{of_entry(estimate)}"
    course = home_on_course(scene)
    goes = f"; closeout begins {pet_nearest(course)}" if course is not None and course > scene.now else ""
    goes += too_late_words(course, turn.latest) if goes else ""
    left = f", in {duration((down(turn.latest) or 0.0) - scene.now)}"
    called = f"; if called now: inside {pet_up(turn.inside_if_now.p50)}"
    by = f"turn home by {at}"
    return [f"{by}{left}{goes}{called}", f"{by}{left}{goes}", f"{by}{goes}", by, f"turn by {at}"]


def turn_back_short(estimate: Estimate) -> str:
    """Return turn-back in a few words."""
    turn = estimate.turn_back
    if turn.homebound:
        return "on the way home"
    return f"turn home by {pet_down(turn.latest)}" if turn.latest is not None else "turn home now"


# The instant


def clock_text(scene: Scene) -> str:
    """Return PET as `H:MM:SS`; dashes before the clock is started."""
    return pet_s(scene.now) if scene.started else "-:--:--"


def clock_line(scene: Scene, width: int) -> Line:
    """Return PET, UTC, the next change of a window and how far the writing is, on one line."""
    clock = say(f"PET {clock_text(scene)}", "clock")
    end = _disk_beside(scene, width - cell_len(clock.text) - 1)
    left: list[Sequence[Form]] = [
        [clock],
        [say(f"{scene.utc_text} UTC", "strong"), ""],
    ]
    if scene.local_time:
        left.append([scene.local_text])
    return sides(width, fitted(width - width_of(end) - 1, [*left, _beside_clock(scene, width)]), end)


def _beside_clock(scene: Scene, width: int) -> list[Form]:
    """Return what stands beside the clock, from the longest; the message line has all of it."""
    progress = scene.progress
    if progress.closed is not None:
        return [f"closed at {pet(progress.closed)}"]
    if not scene.started:
        short = f"{scene.key('zero')} starts the clock"
        return [f"{short}: {plain(progress.plan.zero)}", short]
    if not scene.live:
        return ["the clock stands at the last event", "the clock stands"]
    return _windows(scene, width)


def _windows(scene: Scene, width: int) -> list[Form]:
    """Return the next changes of the windows, with how long it is until then where there is room."""
    brief, full = (window_changes(scene.progress, scene.now, left=left) for left in (False, True))
    if not brief:
        return [""]
    return [*(["; ".join(full), full[0]] if width >= WIDE - 20 else []), brief[0], ""]


def _disk_beside(scene: Scene, room: int) -> tuple[Span, ...]:
    """Return how far the writing is where PET leaves room: of what is not saved an alert tells as well."""
    forms = (disk_spans(scene), (say(f"entry {scene.disk.number}", "dim"),))
    return next(((*one, Span(" ")) for one in forms if width_of(one) < room), ())


def disk_spans(scene: Scene) -> tuple[Span, ...]:
    """Return `entry 66 saved`, and beside it what is not."""
    disk = scene.disk
    done = say(f"entry {disk.number} saved" if disk.number else "no entry yet", "dim")
    if disk.unsaved:
        return (say(f"unsaved {disk.unsaved}", "alarm"), Span("  "), done)
    if disk.refused:
        done = Span(f"{done.text}, {disk.refused} refused", "late")
    if disk.kept:
        return (done, say(f", {disk.kept} kept here since {pet(disk.kept_since or 0.0)}", "late"))
    return (say("saving  ", "strong"), done) if disk.saving else (done,)


def instant_line(scene: LeadScene, width: int) -> Line:
    """Return PET and UTC of what is shown, and how fresh it is; an earlier instant says so."""
    word = "AS OF" if scene.back else "PET"
    left: list[Sequence[Form]] = [
        [say(f"{word} {clock_text(scene)}", "typed" if scene.back else "clock")],
        [say(f"{scene.utc_text} UTC", "strong")],
        [scene.local_text] if scene.local_time else [""],
        _beside_lead_clock(scene, width),
    ]
    end = (*_fresh(scene, width), Span(" "))
    return sides(width, fitted(width - width_of(end) - 1, left), end)


def _beside_lead_clock(scene: LeadScene, width: int) -> list[Form]:
    progress = scene.progress
    if scene.back:
        return [f"{duration(scene.present - scene.now)} back"]
    if progress.closed is not None:
        return [f"closed at {pet(progress.closed)}"]
    if not scene.started:
        return ["the clock has not started", "not started"]
    if not scene.live:
        if not progress.rehearsal:
            return ["the clock stands"]
        short = f"rehearsal, as of {pet(scene.now)}"
        return [f"{short}, which its desk told last", short]
    return _windows(scene, width)


def _fresh(scene: LeadScene, width: int) -> tuple[Span, ...]:
    """Return the last event's number and the age of the last tick, or that nothing can be read."""
    if scene.trouble:
        return (say(f" not read since event {scene.disk.number} ", "alarm"),)
    tick = last_tick(scene)
    number = say(f"event {scene.progress.number}", "dim")
    if tick is None:
        return (number,)
    ago = say(f"tick {ago_words(max(0.0, scene.now - tick.at))}", "dim")
    return (ago,) if width <= 60 else (ago, Span("  "), number)


# Below the head

FRESH_S = 60.0
"""Figures of an instant this long ago say which."""


def older_words(scene: Scene) -> list[str]:
    """Return of which entry and instant the figures are, where more is on record or time has passed."""
    estimate, number = scene.estimate, scene.progress.number
    if estimate is None or scene.progress.closed is not None:
        return []
    at = pet(estimate.at)
    if estimate.entry is not None and estimate.entry < number:
        return [f"figures of entry {estimate.entry}, {at}; {number} on record"]
    return [f"figures of {at}"] if scene.now - estimate.at >= FRESH_S else []


def changed_rule(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the rule that says what changed, which limit is least sure to hold, and marks what this is.

    Which limit it is gives way to why something moved; what changed is left out before it is cut.
    """
    words, tail = _changed(scene, width)
    return [crop((*rule(width - width_of(tail), words), *tail), width)] * height


def unsure_beside(scene: Scene, width: int, title: str) -> str:
    """Return a rule's title, with the limit that is least sure where what changed left no room for it."""
    unsure = _unsure(scene)
    if not unsure or any(span.text == unsure for span in _changed(scene, width)[1]):
        return title
    both = f"{title}; {unsure}" if title else unsure
    return both if cell_len(both) <= width - 4 else unsure


def _unsure(scene: Scene) -> str:
    """Return which limit is least sure to hold; nothing where an alert names it with what can be done."""
    estimate = None if scene.progress.closed is not None else scene.estimate
    if estimate is None or estimate.binding is None:
        return ""
    named = {a.subject for a in scene.snapshot.news.alerts if a.kind in ("confidence", "turn-back")}
    return "" if estimate.binding.id in named else least_sure_words(estimate)


def _changed(scene: Scene, width: int) -> tuple[str, list[Span]]:
    """Return what changed, and what stands at the end of the same rule."""
    marked = [Span("READING ONLY", "strong")] if isinstance(scene, LeadScene) else []
    marked += [Span("REHEARSAL", "dim")] if scene.progress.rehearsal else []
    unsure = _unsure(scene)
    older = older_words(scene)
    said = [form for form in change_said(scene) if form]
    forms = [*(f"{words}; {form}" for words in older for form in said), *older] or said
    words, tail = _said_beside(forms, ([Span(unsure)] if unsure else []) + marked, width)
    if (older and not words) or (marked and width_of(tail) > width):
        words, tail = _said_beside(forms, marked, width)
    if ": " not in words and any(": " in form for form in forms):
        # Why it moved is worth more than which limit is least sure.
        brief, less = _said_beside(forms, marked, width)
        words, tail = (brief, less) if ": " in brief else (words, tail)
    return words, tail


def _said_beside(forms: Sequence[str], marks: Sequence[Span], width: int) -> tuple[str, list[Span]]:
    """Return the longest of these that leaves room for marks at the end of the rule, and those."""
    tail = _ends(marks)
    room = width - width_of(tail) - 4
    return next((form for form in forms if cell_len(form) <= room), ""), tail


def _ends(marks: Sequence[Span]) -> list[Span]:
    """Return marks at the end of a rule."""
    return [span for mark in marks for span in (Span(" "), mark, Span(" ──", "dim"))]


def change_said(scene: Scene) -> list[str]:
    """Return how INSIDE and the chance moved, when, and why, from the longest form; nothing if not known."""
    estimate = scene.estimate
    if estimate is None or estimate.changed is None or scene.progress.closed is not None:
        return [""]
    forms = changed_forms(estimate.changed, scene.now, need_of(estimate)[2], estimate.inside.p50, estimate)
    return [plain(form) for form in forms]


NOTICE_MOST = 4
"""Rows that what wants somebody takes on the lead's view at most."""


def notice_rows(scene: LeadScene, width: int) -> int:
    """Return how many rows what wants somebody takes; a message that goes again moves nothing."""
    return max(1, len(_notice(replace(scene, said=""), width)))


def notice(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return what wants somebody: trouble with the journal, else what was just said, else the first alert."""
    return tall(_notice(scene, width)[:height], width, height)


def _notice(scene: LeadScene, width: int) -> list[Line]:
    alerts = waiting_alerts(scene)
    if scene.trouble:
        return [crop((say(" ! ", "alarm"), say(f" {scene.trouble}", "late")), width)]
    if scene.said or not alerts:
        words = f"  {count(len(alerts), 'alert')}: {scene.key('whole')} "
        waiting = (say(words, "late"),) if alerts else ()
        return [sides(width, message_line(scene, width - width_of(waiting)), waiting)]
    (mark, ink), words = MARKS[alerts[0].severity], told_of(scene, alerts[0])
    more = f"  {count(len(alerts) - 1, 'more alert')}: {scene.key('whole')} " if len(alerts) > 1 else " "
    first, rest = parted(words, width - INDENT - len(more), width - INDENT - 1)
    begin = (say(mark, ink), Span(" " * (INDENT - len(mark))), say(first))
    lines = [
        sides(width, begin, (say(more, "dim"),)),
        *(crop((Span(" " * INDENT), say(r)), width) for r in rest),
    ]
    return fit(lines, width, min(len(lines), NOTICE_MOST), where=f": {scene.key('whole')}")


def advisory_rows(width: int) -> int:
    """Return how many rows the advisory sentence takes."""
    return len(wrap(ADVISORY, max(10, width - 2)))


def advisory(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the advisory sentence, which always stands on this view."""
    lines = [crop((say(f" {part}", "dim"),), width) for part in wrap(ADVISORY, max(10, width - 2))]
    return (lines + [blank(width)] * height)[:height]

"""The lead's second page: every choice beside what is advised, questions with their answers, and turn-back.

One table of choices, whose rows the first page takes its bases from; and what the first page says is to be
decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.steps import open_words
from tracker.console.view.styled_text import (
    Ink,
    Line,
    Span,
    crop,
    fitted,
    heading,
    put,
    region,
    remark,
    say,
    under,
)
from tracker.console.view.words import clock_words, of_entry, turn_home_instead
from tracker.forecast.figures import Choice, Estimate, OptionalFigure
from tracker.forecast.wording import (
    chance_if_called,
    chance_of,
    choice_words,
    limit_words,
    mover_words,
    need_of,
    reason_words,
    tires_words,
    verdict_words,
    within_words,
)
from tracker.foundation.shown import change, duration, in_words, pet_down, pet_up, spare_words
from tracker.foundation.text import amount, percent, percent_asked
from tracker.journal.matters import matter_words, outcome_words, unsettled
from tracker.journal.progress import letters as letters_of
from tracker.journal.raised import Raised


def choices(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the page: the table first, then what was asked, then by when they turn for home."""
    table, asked, turn = choice_table(scene, width), matters(scene, width), turn_home(scene, width)
    # The table goes before what is below it, of which each part keeps its first row.
    most = min(len(table), max(3, height - 2 - min(3, len(turn))))
    home = min(len(turn), max(3, height - most - len(asked)))
    key, rest = scene.key("whole"), max(2, height - most - home)
    return [
        *region(table[0], table[1:], width, most, key, "choice"),
        *region(asked[0], asked[1:], width, rest, key, "question"),
        *(region(turn[0], turn[1:], width, home, key) if turn else []),
    ][:height]


def choices_in_full(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return all rows of the page, one part below the other."""
    return [*choice_table(scene, width), *matters(scene, width), *turn_home(scene, width)][:height]


def choice_table(scene: LeadScene, width: int) -> list[Line]:
    """Return every choice with its value; those that come to the same as one before them are left out."""
    found = scene.choices
    of = f", as of {pet_down(found[0].at)}" if found else ""
    head = heading(f"choices{of}", width, "each beside as advised", "")
    if not found:
        closed = scene.progress.closed is not None
        return [head, remark("the excursion is closed" if closed else "being worked out", width)]
    lines = [head, choice_head("", width, value=True)]
    for choice in distinct(found):
        mark = "* " if choice.id == "as-advised" else "  "
        lines.append(choice_row(scene, choice, mark + named(scene, choice), width, value=True))
    estimate, notes = scene.estimate, ["shift: INSIDE against as advised"]
    if estimate is not None and not all(choice.meets for choice in found):
        whose, _, need = need_of(estimate)
        below = "what limits or stores need" if whose else f"the {percent_asked(need)} that are needed"
        notes.append(f"<: below {below}")
    notes.append("to spare: to the limit that comes first")
    tires = None if estimate is None else tires_words(estimate)
    return [
        *lines,
        *under("    ".join(notes), width, indent=1),
        *(under(tires, width, "", 1) if tires else []),
    ]


def distinct(found: Sequence[Choice]) -> list[Choice]:
    """Return choices without those that come to the same as one before them, or as what is advised."""
    kept: dict[object, Choice] = {}
    for choice in found:
        same = (choice.tasks, choice.given_up, choice.inside, choice.safe)
        if choice.id == "as-advised":
            kept.pop(same, None)
        kept.setdefault(same, choice)
    return list(kept.values())


SMALL = 20
"""In fewer rows than these the first page is brief."""
_SHIFT = 9


@dataclass(frozen=True, slots=True)
class _Columns:
    """Columns of a table of choices; the last takes what the others leave."""

    name: int
    between: int
    figure: int
    """Of INSIDE and of the chance."""
    spare: int
    value: int

    @staticmethod
    def of(width: int, *, value: bool) -> _Columns:
        """Return the columns of a table of this width."""
        between, figure, worth = (18, 8, 7 if value else 0) if width >= 96 else (12, 7, 6 if value else 0)
        rest = width - between - 2 * figure - _SHIFT - 2 - worth
        name = max(14, min(34, rest - 37 if width >= 110 else rest // 2 + (3 if value else 1)))
        return _Columns(name, between, figure, max(0, rest - name), worth)


def choice_head(name: str, width: int, *, value: bool = False) -> Line:
    """Return the head of a table of choices; it is the rule of its region where it has a name."""
    at = _Columns.of(width, value=value)
    begin = (Span("── ", "dim"), put(name, at.name - 3, "strong")) if name else (put("", at.name),)
    spans = (
        *begin,
        put("inside", at.figure, "dim", right=True),
        put("8 in 10 between" if at.between > 15 else "8 in 10", at.between, "dim", right=True),
        put("shift", _SHIFT, "dim", right=True),
        put("chance", at.figure + 2, "dim", right=True),
        put("  to spare to the limit named" if at.spare > 31 else "  to spare", at.spare, "dim"),
        *((put("value", at.value, "dim", right=True),) if value else ()),
    )
    return crop(spans, width)


def choice_row(
    scene: Scene, choice: Choice, name: str, width: int, ink: Ink = "", *, value: bool = False
) -> Line:
    """Return one choice: its INSIDE with range and shift, its chance, and what is to spare to which limit."""
    at, estimate = _Columns.of(width, value=value), scene.estimate
    need = None if estimate is None else need_of(estimate)[2]
    chance = choice.safe if estimate is None else chance_of(choice, estimate)
    spared = next((words for words in _spared(choice) if len(words) <= at.spare - 2), _spared(choice)[-1])
    shift = "" if choice.id == "as-advised" else change(choice.shift)
    worth = "-" if choice.value is None else amount(choice.value)
    if cell_len(name) > at.name - 2:
        name = name.replace("nothing optional", "none")
    spans = (
        put(f" {name}", at.name - 1, ink),
        Span(" "),
        put(pet_up(choice.inside.p50), at.figure, "strong", right=True),
        put(between(choice, brief=at.between < 15), at.between, right=True),
        put(shift, _SHIFT, right=True),
        put(percent(chance, need) + (" " if choice.meets else "<"), at.figure + 2, right=True),
        put(f"  {spared}", at.spare),
        *((put(worth, at.value, right=True),) if value else ()),
    )
    return crop(spans, width)


def _spared(choice: Choice) -> tuple[str, ...]:
    """Return `67 min to spare: elapsed limit at 6:30`, and shorter ways to say it."""
    first = choice.first
    if first is None:
        return ("no limit binds",)
    name = limit_words(first.id)
    if first.to_spare is None or first.reached is None:
        return (name,)
    words, at = spare_words(first.to_spare), f" at {pet_down(first.reached.p50)}"
    brief = f"{words.removesuffix(' to spare')}: {name}"
    return f"{words}: {name}{at}", brief, brief.removesuffix(" limit"), words.removesuffix(" to spare")


def between(choice: Choice, *, brief: bool = False) -> str:
    """Return `4:40 and 5:57`, or `4:40..5:57`: eight courses in ten end between them; a fact stands alone."""
    return within_words(choice.inside, ".." if brief else " and ") or pet_up(choice.inside.p50)


def named(scene: Scene, choice: Choice) -> str:
    """Return what a choice is, with the letters of what it counts: `as advised: a b`, `keep c photos`."""
    letters = letters_of(scene.progress)
    deed, _, task = choice.id.partition(":")
    if deed in ("keep", "drop", "later") and task in letters:
        return f"{deed} {letters[task]} {task}"
    if deed == "swap":
        taken, *out = task.split(":")
        gone = " ".join(letters.get(one, one) for one in out)
        return f"keep {letters.get(taken, taken)} {taken} for {gone}"
    if deed in ("committed", "as-advised", "everything"):
        counted = " ".join(sorted((letters[t] for t in choice.tasks if t in letters), key=_by_length))
        return f"{choice_words(choice)}: {counted or 'nothing optional'}"
    return choice_words(choice)


def _by_length(letter: str) -> tuple[int, str]:
    return len(letter), letter


def to_decide(scene: LeadScene, width: int, height: int = 99) -> list[Line]:
    """Return what somebody has to decide, until when and what it costs; one row where there is nothing."""
    head = heading("to decide", width)
    estimate = scene.estimate
    if estimate is None:
        return [head, remark("being worked out", width)]
    if scene.progress.closed is not None:
        return [head, remark("no optional task to decide", width)]
    lines = [_turning(scene, estimate, width), *_undecided(scene, estimate, width, brief=height < SMALL)]
    return [head, *lines, *(_reasons(estimate, width) if scene.whole else [])]


def _undecided(scene: LeadScene, estimate: Estimate, width: int, *, brief: bool) -> list[Line]:
    """Return the optional tasks that nobody has decided, with what is advised, and what was given up.

    `brief`: what is to be kept has no row beside what is to be decided: the head says that it is counted.
    """
    tasks, names = scene.progress.tasks, letters_of(scene.progress)
    left = [f for f in estimate.optional if tasks[f.task].status == "open" and not tasks[f.task].committed]
    named: dict[str, str] = {}
    for f in left:
        before = f"{named[verdict_words(f)]}, " if verdict_words(f) in named else ""
        named[verdict_words(f)] = f"{before}{names[f.task]} {f.task}"
    lines = []
    if left and scene.snapshot.news.turn_home:
        lines.append(remark("optional tasks: being worked out", width))
    else:
        decide = [f for f in left if verdict_words(f) not in ("keep", "not yet")]
        lines += [_decision(scene, estimate, figure, width) for figure in decide]
        if brief and len(named) > 1:
            named.pop("keep", None)
        undecided = {"not yet": "not yet, too little is known", "keep": "keep as advised, undecided"}
        lines += [remark(f"{said}: {named[by]}", width) for by, said in undecided.items() if by in named]
    gone = [task for task, state in tasks.items() if state.status == "dropped"]
    lines += [remark(f"given up: {', '.join(gone)}", width)] if gone else []
    return lines or [remark("no optional task to decide", width)]


def _turning(scene: LeadScene, estimate: Estimate, width: int) -> Line:
    ink: Ink = "alarm" if estimate.turn_back.latest is None and "NOW" in turn_words(scene, estimate) else ""
    return crop((put(" turn home", 16, "strong"), say(turn_words(scene, estimate), ink)), width)


def _reasons(estimate: Estimate, width: int) -> list[Line]:
    """Return why each optional task is advised as it is, at full length."""
    told = [f"{figure.task}: {reason_words(figure)}" for figure in estimate.optional if figure.reason]
    return [line for words in told for line in under(words, width, indent=1)]


def _decision(scene: LeadScene, estimate: Estimate, figure: OptionalFigure, width: int) -> Line:
    letter, need = letters_of(scene.progress).get(figure.task, ""), need_of(estimate)[2]
    parts: list[list[str]] = [[figure.advice]]
    if figure.last_call is not None:
        by = f"start by {pet_down(figure.last_call)}"
        parts.append([f"{by}, {in_words(figure.last_call, scene.now)}", by])
    kept = next((c for c in scene.choices if c.id == f"keep:{figure.task}"), None)
    if kept is not None:
        costs = f"costs {duration(kept.shift)}"
        chances = f"{percent(need_of(estimate)[1], need)} -> {percent(chance_of(kept, estimate), need)}"
        parts.append([f"kept {costs}, chance {chances}", f"{costs}, chance {chances}", f"{costs}, {chances}"])
    for asked in scene.progress.raised:
        if asked.what != "question" or asked.settled is not None or asked.about != figure.task:
            continue
        words = f"asked at {pet_down(asked.at)}"
        parts.append([f"{words}: {asked.text}", words, ""])
    name = put(f" {letter} {figure.task}", 16, "strong")
    return crop((name, *fitted(width - 16, parts)), width)


def matters(scene: LeadScene, width: int) -> list[Line]:
    """Return what was raised and what became of it, what is open first, then the latest."""
    lines = [heading("questions, reminders, deviations, messages", width)]
    settled = [one for one in scene.progress.raised if one.settled is not None]
    ordered = [*unsettled(scene.progress), *sorted(settled, key=lambda one: -one.at)]
    told = [_matter(scene, one, width) for one in ordered]
    return [*lines, *(told or [remark("nobody has raised any", width)])]


def still_open(scene: LeadScene, width: int, most: int = 3) -> list[Line]:
    """Return what is open, due first; none where nothing is."""
    ordered = unsettled(scene.progress)
    head = "open" if len(ordered) <= most else f"open, {most} of {len(ordered)}"
    lines = [heading(head, width)] if ordered else []
    return [*lines, *(_matter(scene, one, width) for one in ordered[:most])]


def _matter(scene: LeadScene, one: Raised, width: int) -> Line:
    begin = put(f" {pet_down(one.at)} {one.by or one.seat}", 18, "dim")
    ink: Ink = "" if one.settled is not None else "strong"
    said, outcome = matter_words(scene.progress, one), outcome_words(scene.progress, one, scene.now)
    return crop((begin, Span(" "), say(said, ink), say(f"   {outcome}")), width)


def turn_home(scene: LeadScene, width: int) -> list[Line]:
    """Return by when they turn for home, what a call comes to at this instant, and what moves it."""
    estimate = scene.estimate
    if estimate is None or scene.progress.closed is not None:
        return []
    mover = mover_words(scene.progress, estimate)
    turn = turn_words(scene, estimate)
    told = [f"{turn}   {mover}" if mover else turn, *(() if scene.choices else estimate.when_short)]
    told += [*(clock_words(scene.progress, estimate, clock) for clock in estimate.clocks), *open_words(scene)]
    given_up = [task for task, state in scene.progress.tasks.items() if state.status == "dropped"]
    told += [f"given up: {', '.join(given_up)}"] if given_up else []
    return [heading("turn home", width), *(line for words in told for line in under(words, width, "", 1))]


def turn_words(scene: LeadScene, estimate: Estimate) -> str:
    """Return by when they turn for home, and what a call comes to at this instant."""
    turn, need = estimate.turn_back, need_of(estimate)[2]
    if instead := turn_home_instead(scene.progress, estimate, scene.snapshot.news):
        return instead
    if turn.latest is None:
        due = "" if turn.missed is None else f", was due by {pet_down(turn.missed)}"
        words = f"TURN HOME NOW{due}"
    else:
        words = f"by {pet_down(turn.latest)}{of_entry(estimate)}, {in_words(turn.latest, scene.now)}"
    if_called = chance_if_called(estimate)
    chance = "" if if_called is None else f", chance {percent(if_called, need)}"
    return f"{words}; if called now: inside {pet_up(turn.inside_if_now.p50)}{chance}"

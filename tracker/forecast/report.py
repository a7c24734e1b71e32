"""The estimate in words and columns: plain lines for a terminal, a log or a screen reader.

One set of parts serves the report, the handover on one screen (`forecast.handover`), and the page for paper
when everything else fails; they differ in which parts they take and in how much room there is. Figures are
those of the JSON, rounded and worded as on every screen.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import wrap

from tracker.forecast.due import left_running
from tracker.forecast.figures import (
    ConsumableFigure,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
    StepFigure,
)
from tracker.forecast.wording import (
    chance_words,
    clock_chance,
    falls_words,
    first_limit,
    heed_lines,
    in_hand,
    inside_words,
    leak_words,
    least_sure_words,
    left_words,
    limit_words,
    mover_words,
    need_of,
    next_steps,
    nine_words,
    nothing_words,
    pace_words,
    reason_words,
    spare_at,
    tires_words,
    turn_home_words,
    verdict_words,
    within_words,
)
from tracker.foundation.shown import (
    GRAIN_S,
    change,
    duration,
    pet_down,
    pet_nearest,
    pet_up,
    running,
    spare_words,
)
from tracker.foundation.text import amount, columns, percent, plain
from tracker.foundation.times import brief_instant, format_pet_s, instant_of
from tracker.journal.matters import matter_words, outcome_words, unsettled
from tracker.journal.progress import Progress
from tracker.journal.whereabouts import out_now

AHEAD = 12
"""How many steps ahead the report lists."""
PAGE = (62, 96)
"""Lines and columns of a printed page."""
LONG = 120
"""Characters of a cell with the longest names that there are."""


def report(progress: Progress, estimate: Estimate) -> list[str]:
    """The whole estimate as plain lines."""
    parts = [
        ("", [*title(progress, estimate), *headline(progress, estimate)]),
        ("wants you", alert_lines(estimate)),
        ("not enough", _short_lines(estimate)),
        ("crew", crew_lines(progress, estimate)),
        ("heed", heed_lines(progress, [*in_hand(progress), *next_steps(progress)])),
        ("pace", _pace_lines(estimate)),
        ("limits", _limit_lines(estimate)),
        ("what runs down", _consumable_lines(estimate.consumables)),
        ("optional", optional_lines(estimate)),
        ("open", matter_lines(progress, estimate.at)),
        ("watch", watch_lines(progress, estimate)),
        ("ahead", _step_lines(progress, _remaining(estimate)[:AHEAD])),
    ]
    return [*_sections(parts), plain(estimate.advisory)]


def _short_lines(estimate: Estimate) -> list[str]:
    """What to give up; nothing where an alert says what to do about it, so that one remedy is told."""
    told = any(alert.do for alert in estimate.alerts if alert.id in ("confidence", "turn-back"))
    return [] if told else [f"  {plain(line, most=300)}" for line in estimate.when_short]


def page(progress: Progress, estimate: Estimate, *, number: int, digest: str) -> list[str]:
    """The page for paper: what remains with projected times, last calls, turn-back, open items.

    `number` and `digest` name the last event it knows of, as `verify --expect` reads it. Lines that are too
    long go on below.
    """
    parts = [
        ("", [*title(progress, estimate), f"event {number}:{digest}", *headline(progress, estimate)]),
        ("crew", crew_lines(progress, estimate)),
        ("heed", heed_lines(progress, [figure.step for figure in _remaining(estimate)])),
        ("optional", optional_lines(estimate)),
        ("open", matter_lines(progress, estimate.at)),
        ("watch", watch_lines(progress, estimate)),
    ]
    lines = wrapped(_sections(parts), PAGE[1])
    room = PAGE[0] - len(lines) - 3
    steps = _steps(progress, estimate, room)
    tail = _sections([("still to do, by projected begin", steps)]) if steps else ["nothing is left to do", ""]
    return wrapped([*lines, *tail, estimate.advisory], PAGE[1])


def wrapped(lines: Iterable[str], width: int) -> list[str]:
    """The lines made plain, those that are too long going on below, further in."""
    out: list[str] = []
    for line in map(plain, lines):
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        long = len(line) > width
        out += wrap(line, width, subsequent_indent=indent, break_on_hyphens=False) if long else [line]
    return out


def _steps(progress: Progress, estimate: Estimate, room: int) -> list[str]:
    """The remaining steps: one a line, or side by side and shorter where they do not fit."""
    left = _remaining(estimate)
    lines = wrapped(_step_lines(progress, left), PAGE[1])
    if len(lines) <= room:
        return lines
    cells = [plain(f"{_span(s)} {' '.join(s.crew)} {s.step}", most=46) for s in left]
    half = -(-len(cells) // 2)
    second = [*cells[half:], *[""] * (2 * half - len(cells))]
    return columns(zip(cells[:half], second, strict=True))


def _span(figure: StepFigure) -> str:
    """Projected begin and end; a step that the advice leaves out has none."""
    if figure.start.p50 is None:
        return "not counted"
    return f"{pet_nearest(figure.start.p50)} until {pet_up(figure.finish.p50)}"


def _sections(parts: Iterable[tuple[str, Sequence[str]]]) -> list[str]:
    """The parts that have lines, each under its heading."""
    out: list[str] = []
    for head, lines in parts:
        if lines:
            out += [*([head] if head else []), *lines, ""]
    return out


def moved_lines(moved: Sequence[tuple[str, float]], since: float) -> list[str]:
    """The move of INSIDE since an instant, cause by cause, and in all: to the second, so that it adds up."""
    total = sum(seconds for _, seconds in moved)
    rows = [(f"{seconds:+.0f} s", cause) for cause, seconds in moved]
    why = ":" if rows else ", by nothing in particular"
    return [f"INSIDE moved by {total:+.0f} s since {pet_down(since)}{why}", *columns(rows, right=(0,))]


def title(progress: Progress, estimate: Estimate) -> list[str]:
    """The excursion, and the instant: PET, UTC, last event."""
    first = plain(estimate.excursion, most=78)
    pet = f"PET {format_pet_s(estimate.at)}"
    if progress.zero is None:
        return [first, f"{pet}, clock not started: {plain(progress.plan.zero, most=60)}"]
    utc = brief_instant(instant_of(estimate.at, progress.zero))
    return [first, f"{pet}  {utc}  entry {progress.number}, last at {pet_down(progress.at)}"]


def headline(progress: Progress, estimate: Estimate) -> list[str]:
    """INSIDE and what it counts, how sure it is, the limit that comes first, and when to turn home."""
    if progress.closed is not None:
        broken = [limit_words(limit.id) for limit in estimate.limits if limit.chance]
        kept = f"not kept: {', '.join(broken)}" if broken else "elapsed limits and reserves kept"
        left = next((limit.to_spare for limit in estimate.limits if limit.id == "elapsed"), None)
        return [
            f"closed; everyone inside at {format_pet_s(estimate.inside.p50)}, "
            f"elapsed limit at {pet_down(estimate.limit)}, {spare_words(left)}; {kept}",
            "hardware clocks, windows, items and must work are judged by tracker debrief",
        ]
    return [
        inside_words(progress, estimate),
        f"{chance_words(estimate)}{_musts_alone(progress, estimate)}",
        *_to_spare(estimate),
        *_turn_back(progress, estimate),
    ]


def _musts_alone(progress: Progress, estimate: Estimate) -> str:
    """What the musts alone come to; nothing where optional work is begun or committed, or none is ahead."""
    optional = [t for t in progress.tasks.values() if t.task.optional and t.status in ("open", "begun")]
    if estimate.called or not optional or any(t.committed or t.status == "begun" for t in optional):
        return ""
    chance = percent(estimate.without_optional_safe, need_of(estimate)[2])
    return f"; musts alone: inside {pet_up(estimate.without_optional_inside.p50)}, chance {chance}"


def _to_spare(estimate: Estimate) -> list[str]:
    """The limit that comes first, and the one that is least sure to hold."""
    first = first_limit(estimate.limits)
    if first is None:
        return []
    least = f"; {nine_words(first.margin.p90)}".removesuffix("; ")
    unsure = least_sure_words(estimate)
    return [f"{had_words(estimate, first.to_spare, spare_at(first))}{least}", *([unsure] if unsure else [])]


def had_words(estimate: Estimate, left: float | None, words: str = "") -> str:
    """What is to spare in words; of who is all inside what they had: `inside with 9 min to spare`."""
    ends, told = estimate.inside.p50, words or spare_words(left)
    arrived = ends is not None and left is not None and ends <= estimate.at + GRAIN_S
    return f"inside {'with ' if (left or 0) >= 0 else ''}{told}" if arrived else told


def _kept(estimate: Estimate, limit: LimitFigure) -> str:
    return f"chance {percent(1 - limit.chance, need_of(estimate)[2])}"


def _turn_back(progress: Progress, estimate: Estimate) -> list[str]:
    if all(c in progress.entered or not progress.order.get(c) for c in progress.plan.outside):
        return ["everybody is inside"]
    mover = mover_words(progress, estimate)
    return [turn_home_words(estimate), *([mover] if mover else [])]


def crew_lines(progress: Progress, estimate: Estimate) -> list[str]:
    """The present and the next step of each crew member."""
    figures = {figure.step: figure for figure in estimate.steps}
    rows = []
    for member in progress.plan.crew:
        now = progress.current.get(member.id)
        ahead = [s for s in progress.order.get(member.id, ()) if s != now]
        if member.id in progress.entered:
            doing = f"inside since {pet_down(progress.entered[member.id])}"
        elif now is None:
            doing = "idle"
        elif now not in figures:
            # What came, or came back, after this estimate: its figures follow.
            doing = f"{STATUS['current']} {now}"
        else:
            doing = _doing(progress, figures[now], estimate.at)
        rows.append((member.id, doing, f"next {ahead[0]}" if ahead else ""))
    return columns(rows, most=LONG)


def _pace_lines(estimate: Estimate) -> list[str]:
    """How fast they are, whose last tick came late, and what comes of it if they tire."""
    lines = columns((who, pace_words(pace)) for who, pace in estimate.pace.items())
    late = {who: by for who, by in estimate.lateness.items() if by is not None and by >= LATE_S}
    lines += [f"  the last tick of {who} came about {duration(by)} late" for who, by in late.items()]
    tiring = tires_words(estimate)
    return [*lines, *([f"  {tiring}"] if tiring else [])]


LATE_S = 60.0
"""From so many seconds on it is said that a tick is believed to have come late."""


def _doing(progress: Progress, figure: StepFigure, at: float) -> str:
    state, word = progress.steps[figure.step], STATUS.get(figure.status, figure.status)
    words = f"{word} {figure.step}"
    if figure.status == "current":
        return f"{words} {running(state.elapsed_s(at), state.expected_s)}"
    if figure.waits_for is None or figure.waits_for == "hold":
        return words
    kind, _, what = figure.waits_for.partition(" ")
    return f"wait for {what or f'a {kind}'}: {figure.step}"


STATUS = {"current": "now", "waiting": "wait", "open": "then"}
"""The words for how a step stands, where they are not the status itself."""


def _limit_lines(estimate: Estimate) -> list[str]:
    """Every limit: when it is reached, what is to spare until it, and the chance of keeping it."""
    return columns(
        (
            limit_words(limit.id),
            "" if limit.reached is None else f"at {pet_down(limit.reached.p50)}",
            "" if limit.to_spare is None else spare_words(limit.to_spare),
            nine_words(limit.margin.p90),
            _kept(estimate, limit),
        )
        for limit in estimate.limits
    )


def _consumable_lines(figures: Iterable[ConsumableFigure]) -> list[str]:
    """Every account: now, at INSIDE, its reserve and when that is reached, how it falls, when it was read."""
    rows, flags = [], []
    for figure in figures:
        rows.append(
            (
                limit_words(f"{figure.crew}.{figure.consumable}"),
                f"{amount(figure.now, digits=4)} {figure.unit}",
                f"at INSIDE {_level(figure.at_inside)}",
                f"reserve {amount(figure.reserve, digits=4)} at {pet_down(figure.reserve_reached.p50)}",
                falls_words(figure),
                read_words(figure),
            )
        )
        flags += [f"  ! {words}" for words in (leak_words(figure), nothing_words(figure)) if words]
        if figure.flagged:
            flags.append(f"  ! {figure.crew}: {plain(figure.flagged, most=200)}")
    return [*columns(rows), *flags]


def _level(left: Range) -> str:
    if left.p10 == left.p90:
        return amount(left.p50, digits=4)
    return f"{amount(left.p50, digits=4)} ({amount(left.p10, digits=4)} to {amount(left.p90, digits=4)})"


def read_words(figure: ConsumableFigure) -> str:
    """What a store was read as last, and when: what is left is estimated, and may lie above it."""
    if figure.read_at is None:
        return "never read: taken from the plan"
    value = "" if figure.read is None else f"{amount(figure.read, digits=4)} at "
    return f"read {value}{pet_down(figure.read_at)}"


def optional_lines(estimate: Estimate) -> list[str]:
    """The advice about every optional task."""
    rows = [_optional_cells(figure) for figure in estimate.optional]
    reasons = [f"    {f.task}: {plain(reason_words(f), most=200)}" for f in estimate.optional if f.reason]
    return [*columns(rows), *reasons]


def _optional_cells(figure: OptionalFigure) -> tuple[str, ...]:
    none = "begun" if figure.begun else "cannot fit" if verdict_words(figure) == "drop" else "-"
    call = none if figure.last_call is None else f"start by {pet_down(figure.last_call)}"
    place = "at the end, " if figure.place == "last" else ""
    return (
        figure.task,
        verdict_words(figure),
        f"{place}{call}",
        "" if figure.last_call is None and not figure.begun else f"in time {percent(figure.in_time)}",
        f"shift {change(figure.cost)}",
    )


def watch_lines(progress: Progress, estimate: Estimate) -> list[str]:
    """Ticks that may be missing, hardware clocks, open items and holds."""
    lines = []
    for one in estimate.unheard:
        worked, expected = duration(estimate.at - one.since), duration(one.expected)
        lines.append(f"  {one.crew} at {one.step} for {worked}, expected {expected}: done?")
    for clock in estimate.clocks:
        due = f"due {pet_down(clock.due)}" if clock.due is not None else f"runs once {clock.of} is done"
        lines.append(f"  {clock.step} {due}: {clock_chance(estimate, clock)}")
    left = left_words(progress, estimate.at)
    lines += [f"  {left}"] if left else []
    runs = left_running(progress)
    lines += [f"  CLOCK {state.step.id} until {pet_down(due)}: nobody stops it" for state, due in runs]
    finish = {figure.step: figure.finish.p50 for figure in estimate.steps}
    for item in estimate.open_items:
        at = finish.get(item["closed_by"])
        about = "" if at is None else f" about {pet_up(at)}"
        lines.append(f"  OPEN {item['item']}, {item['closed_by']} closes it{about}")
    lines += [f"  OUT {piece.words}" for piece in out_now(progress, estimate.at)]
    for hold in progress.holds.values():
        until = "" if hold.until is None else f" until {pet_down(hold.until)}"
        words = f"  hold {hold.crew} since {pet_down(hold.since)}{until} {plain(hold.text, most=50)}"
        lines.append(words.rstrip())
    return lines


def matter_lines(progress: Progress, now: float) -> list[str]:
    """What is open until somebody settles it, what is due first, each with how long it has been."""
    return [
        f"  {matter_words(progress, one)}; {outcome_words(progress, one, now)}" for one in unsettled(progress)
    ]


def _step_lines(progress: Progress, figures: Iterable[StepFigure]) -> list[str]:
    """Steps with projected begin and end, and the planned ones; the words come last."""
    rows = [("", "begins", "ends", "8 in 10", "planned", "", "", "")]
    for figure in figures:
        planned = progress.planned.get(figure.step)
        word = STATUS.get(figure.status, figure.status)
        rows.append(
            (
                word if figure.start.p50 is not None else "not counted",
                pet_nearest(figure.start.p50),
                pet_up(figure.finish.p50),
                within_words(figure.finish),
                "" if planned is None else f"{pet_nearest(planned[0])} until {pet_nearest(planned[1])}",
                " ".join(figure.crew) or "nobody",
                figure.step,
                plain(progress.steps[figure.step].step.do, most=30),
            )
        )
    return columns(rows, most=LONG)


def _remaining(estimate: Estimate) -> list[StepFigure]:
    """The steps that are still to be done, by projected begin; those not counted come last."""
    open_ = [s for s in estimate.steps if s.status in ("open", "waiting", "current", "held")]
    return sorted(open_, key=lambda s: (s.start.p50 is None, s.start.p50 or 0.0))


def alert_lines(estimate: Estimate) -> list[str]:
    """The alerts that nobody has marked as seen, and all that are to be acted upon."""
    marks = {"act": "!! ACT ", "look": "!  LOOK"}
    told = [alert for alert in estimate.alerts if not alert.acknowledged or alert.severity == "act"]
    seen = {True: " (seen)", False: ""}
    return [
        f"  {marks[alert.severity]} {plain(alert.text, most=300)}{seen[alert.acknowledged]}" for alert in told
    ]

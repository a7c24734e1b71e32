"""The estimate in words and columns: plain lines for a terminal, a log or a screen reader.

One set of parts serves the report, the handover on one screen, and the page for paper when everything else
fails; they differ in which parts they take and in how much room there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from textwrap import wrap

from tracker.forecast.values import Choice, ConsumableFigure, Estimate, LimitFigure, Range, StepFigure
from tracker.forecast.wording import choice_words, limit_words, need_of
from tracker.foundation.shown import change, pet_down, pet_up, spare_words
from tracker.foundation.text import amount, columns, percent, percent_asked, plain
from tracker.foundation.times import format_instant, format_pet, instant_of
from tracker.journal.kinds import HANDOVER
from tracker.journal.progress import Progress

AHEAD = 12
"""How many steps ahead the report lists."""
SCREEN = (24, 80)
"""Lines and columns of the smallest screen."""
PAGE = (62, 96)
"""Lines and columns of a printed page."""


def report(progress: Progress, estimate: Estimate) -> list[str]:
    """The whole estimate as plain lines."""
    parts = [
        ("", [*_title(progress, estimate), *_headline(progress, estimate)]),
        ("wants you", _alert_lines(estimate)),
        ("too much", [f"  {plain(line, most=200)}" for line in estimate.when_short]),
        ("crew", _crew_lines(progress, estimate)),
        ("limits", _limit_lines(estimate.limits)),
        ("consumables", _consumable_lines(estimate.consumables)),
        ("optional", _optional_lines(estimate)),
        ("watch", _watch_lines(progress, estimate)),
        ("ahead", _step_lines(progress, _remaining(estimate)[:AHEAD])),
    ]
    return [*_sections(parts), plain(estimate.advisory)]


def brief(progress: Progress, estimate: Estimate) -> list[str]:
    """The handover to the next operator: at most 24 lines of 80 columns.

    What matters most comes first; what does not fit is counted.
    """
    lines = [*_title(progress, estimate), *_headline(progress, estimate)]
    parts = [
        ("wants you", _alert_lines(estimate)),
        ("crew", _crew_lines(progress, estimate)),
        ("optional", [line for line in _optional_lines(estimate) if not line.startswith("    ")]),
        ("watch", _watch_lines(progress, estimate)),
        ("low", _low(estimate)),
        ("lately", _lately(progress)),
    ]
    foot = wrap(estimate.advisory, SCREEN[1])
    room = SCREEN[0] - len(lines) - len(foot)
    present = [(head, found) for head, found in parts if found]
    for k, (head, found) in enumerate(present):
        if room < 2:
            break
        # Every part that follows keeps room for two lines.
        share = max(1, room - 2 * (len(present) - k - 1))
        kept = [f"{head}:", *_fitting(found, share - 1)][:share]
        lines += kept
        room -= len(kept)
    return [plain(line, most=SCREEN[1]) for line in [*lines[: SCREEN[0] - len(foot)], *foot]]


def _fitting(lines: Sequence[str], most: int) -> list[str]:
    """The first lines, and how many more there are where that leaves room for one of them."""
    if len(lines) <= most or most < 2:
        return list(lines[:most])
    return [*lines[: max(0, most - 1)], f"  and {len(lines) - max(0, most - 1)} more"]


def page(progress: Progress, estimate: Estimate, *, number: int, digest: str) -> list[str]:
    """The page for paper: what remains with projected times, last calls, turn-back, open items.

    `number` and `digest` name the last event it knows of.
    """
    parts = [
        ("", [*_title(progress, estimate), f"event {number}  {digest}", *_headline(progress, estimate)]),
        ("crew", _crew_lines(progress, estimate)),
        ("optional: advice, last call", _optional_lines(estimate)),
        ("watch", _watch_lines(progress, estimate)),
    ]
    lines = _sections(parts)
    room = PAGE[0] - len(lines) - 3
    steps = _steps(progress, estimate, room)
    tail = _sections([("still to do, by projected start", steps)]) if steps else ["nothing is left to do", ""]
    return [plain(line, most=PAGE[1]) for line in [*lines, *tail, estimate.advisory]]


def _steps(progress: Progress, estimate: Estimate, room: int) -> list[str]:
    """The remaining steps: one a line, or side by side and shorter where they do not fit."""
    left = _remaining(estimate)
    if len(left) <= room:
        return _step_lines(progress, left)
    cells = [plain(f"{_span(s)} {' '.join(s.crew)} {s.step}", most=46) for s in left]
    half = -(-len(cells) // 2)
    second = [*cells[half:], *[""] * (2 * half - len(cells))]
    return columns(zip(cells[:half], second, strict=True))


def _span(figure: StepFigure) -> str:
    """Projected start and finish; a step that the advice leaves out has none."""
    if figure.start.p50 is None:
        return "left out "
    return f"{format_pet(figure.start.p50)}-{format_pet(figure.finish.p50)}"


def _sections(parts: Iterable[tuple[str, Sequence[str]]]) -> list[str]:
    """The parts that have lines, each under its heading."""
    out: list[str] = []
    for head, lines in parts:
        if lines:
            out += [*([head] if head else []), *lines, ""]
    return out


def moved_lines(moved: Sequence[tuple[str, float]], since: float) -> list[str]:
    """The move of the projected ingress since an instant, cause by cause, and in all."""
    total = sum(seconds for _, seconds in moved)
    rows = [(f"{seconds:+.0f} s", cause) for cause, seconds in moved]
    head = f"moved by {total:+.0f} s since {format_pet(since)}" + (
        ":" if rows else ", by nothing in particular"
    )
    return [head, *columns(rows)]


def choice_lines(estimate: Estimate) -> list[str]:
    """The table of choices: what each comes to, beside what is advised."""
    need = need_of(estimate)[2]
    rows = [_choice_cells(choice, need) for choice in estimate.choices or ()]
    if not rows:
        return ["choices: the excursion is over"]
    heads = ("", "inside", "8 in 10", "shift", "chance", "to spare", "binding limit", "value")
    return [f"choices, as of {pet_down(estimate.at)}:", *columns([heads, *rows], right=range(1, 6))]


def _choice_cells(choice: Choice, need: float) -> tuple[str, ...]:
    tasks = f": {' '.join(choice.tasks)}" if choice.tasks and ":" not in choice.id else ""
    return (
        f"{choice_words(choice)}{tasks}",
        pet_up(choice.inside.p50),
        f"{pet_up(choice.inside.p10)}..{pet_up(choice.inside.p90)}",
        change(choice.shift),
        f"{percent(choice.safe, need)}{'' if choice.meets else ' <'}",
        "-" if choice.to_spare is None else spare_words(choice.to_spare).removesuffix(" to spare"),
        "-" if choice.binding is None else limit_words(choice.binding),
        "-" if choice.value is None else amount(choice.value),
    )


def _title(progress: Progress, estimate: Estimate) -> list[str]:
    """The excursion, and the instant: PET, UTC, last event."""
    first = plain(estimate.excursion, most=78)
    pet = f"PET {format_pet(estimate.at, with_seconds=True)}"
    if progress.zero is None:
        return [first, f"{pet}, clock not started: {plain(progress.plan.zero, most=60)}"]
    utc = format_instant(instant_of(estimate.at, progress.zero))
    return [first, f"{pet}  {utc}  event {progress.number}, last at {format_pet(progress.at)}"]


def _headline(progress: Progress, estimate: Estimate) -> list[str]:
    """The projected ingress, how sure it is, the limit that binds, and the turn-back."""
    if progress.closed is not None:
        broken = [limit.id for limit in estimate.limits if limit.chance]
        kept = f"not kept: {', '.join(broken)}" if broken else "every limit kept"
        return [
            f"closed; everyone was inside at {format_pet(estimate.inside.p50, with_seconds=True)}, "
            f"limit {format_pet(estimate.limit)}, {_left(estimate.margin.p50)}; {kept}"
        ]
    lines = [f"RECALL: {estimate.called}"] if estimate.called else []
    if estimate.inside.p50 is None:
        lines.append("inside: in most scenarios a step finds no later opening of its window")
    else:
        margin = f"{_left(estimate.margin.p50)}{_nine(format_pet(estimate.margin.p90))}"
        lines.append(f"inside {spread(estimate.inside)}  limit {format_pet(estimate.limit)}  {margin}")
    bare = estimate.without_optional_inside
    return [
        *lines,
        f"chance of keeping every limit {percent(estimate.safe)}, asked {_asked(estimate)}",
        *_tightest(estimate),
        f"without optional work inside {format_pet(bare.p50)}{_nine(format_pet(bare.p90))}, "
        f"chance {percent(estimate.without_optional_safe)}",
        *_turn_back(progress, estimate),
    ]


def _nine(what: str) -> str:
    """A figure that nine scenarios of ten keep, in brackets."""
    return f" ({what} in nine of ten)"


def _left(margin_s: float | None) -> str:
    """A margin in words: to spare, or over."""
    if margin_s is None:
        return "no margin"
    return f"{format_pet(abs(margin_s))} {'to spare' if margin_s >= 0 else 'over'}"


def _asked(estimate: Estimate) -> str:
    wanted = estimate.confidence
    if isinstance(wanted, Mapping):
        time, stores = (percent_asked(wanted[kind]) for kind in ("elapsed", "consumables"))
        return f"{time} of time, {stores} of consumables"
    return percent_asked(wanted)


def _tightest(estimate: Estimate) -> list[str]:
    tightest = estimate.binding
    if tightest is None:
        return []
    margin = "" if tightest.margin.p50 is None else f"{_left(tightest.margin.p50)}, "
    return [f"tightest {tightest.id}: {margin}broken in {percent(tightest.chance)}"]


def _turn_back(progress: Progress, estimate: Estimate) -> list[str]:
    back, if_now = estimate.turn_back, estimate.turn_back.inside_if_now
    if all(c in progress.entered or not progress.order.get(c) for c in progress.plan.outside):
        return ["everybody is inside"]
    lines = []
    if if_now.p50 is not None:
        if back.latest is not None:
            words = f"turn back by {format_pet(back.latest)}"
        else:
            words = "on the way home" if back.homebound else "turn back now"
        lines.append(f"{words}; called now inside {format_pet(if_now.p50)}{_nine(format_pet(if_now.p90))}")
    if back.mover is not None:
        moves = f"from {format_pet(back.moved_from)} to {format_pet(back.moved_to)}"
        lines.append(f"beginning {back.mover} moves turn-back {moves}")
    return lines


def _crew_lines(progress: Progress, estimate: Estimate) -> list[str]:
    """The present and the next step of each crew member."""
    figures = {figure.step: figure for figure in estimate.steps}
    rows = []
    for member in progress.plan.crew:
        now = progress.current.get(member.id)
        ahead = [s for s in progress.order.get(member.id, ()) if s != now]
        if member.id in progress.entered:
            doing = f"inside since {format_pet(progress.entered[member.id])}"
        elif now is None:
            doing = "nothing left to do"
        else:
            doing = _doing(progress, figures[now], estimate.at)
        rows.append((member.id, doing, f"then {ahead[0]}" if ahead else ""))
    return columns(rows)


def _doing(progress: Progress, figure: StepFigure, at: float) -> str:
    state = progress.steps[figure.step]
    words = f"{figure.status} {figure.step}"
    if figure.status == "current":
        worked = format_pet(state.elapsed_s(at), with_seconds=True)
        return f"{words} {worked} of {format_pet(state.step.time.likely)}"
    return f"{words} for {figure.waits_for}" if figure.waits_for else words


def _limit_lines(limits: Iterable[LimitFigure]) -> list[str]:
    """Every limit with its margin and the chance of breaking it."""
    return columns(
        (
            limit.id,
            "" if limit.margin.p50 is None else _left(limit.margin.p50),
            f"broken in {percent(limit.chance)}",
        )
        for limit in limits
    )


def _consumable_lines(figures: Iterable[ConsumableFigure]) -> list[str]:
    """Every account: now, at ingress, reserve, when it is reached; and what readings contradict."""
    rows, flags = [], []
    for figure in figures:
        left = figure.at_inside
        width = (
            "" if left.p10 == left.p90 else f" ({amount(left.p10, digits=4)} to {amount(left.p90, digits=4)})"
        )
        age = "never read" if figure.read_at is None else f"read {format_pet(figure.read_at)}"
        rows.append(
            (
                f"{figure.crew}.{figure.consumable}",
                f"{amount(figure.now, digits=4)} {figure.unit}",
                f"at ingress {amount(left.p50, digits=4)}{width}",
                f"reserve {amount(figure.reserve, digits=4)} at {format_pet(figure.reserve_reached.p50)}",
                age,
            )
        )
        if figure.leak_words:
            flags.append(f"  ! {figure.leak_words}")
        if figure.flagged:
            flags.append(f"  ! {figure.crew}: {plain(figure.flagged, most=200)}")
    return [*columns(rows), *flags]


def _optional_lines(estimate: Estimate) -> list[str]:
    """The advice about every optional task."""
    rows = []
    for figure in estimate.optional:
        call = "no last call" if figure.last_call is None else f"last call {format_pet(figure.last_call)}"
        rows.append(
            (
                figure.task,
                figure.advice,
                call,
                f"in time {percent(figure.in_time)}",
                f"costs {format_pet(figure.cost)}",
            )
        )
    reasons = [f"    {f.task}: {plain(f.reason, most=150)}" for f in estimate.optional if f.reason]
    return [*columns(rows), *reasons]


def _watch_lines(progress: Progress, estimate: Estimate) -> list[str]:
    """Hardware clocks, open items and holds."""
    lines = []
    for clock in estimate.clocks:
        due = f"due {format_pet(clock.due)}" if clock.due is not None else f"runs from the done of {clock.of}"
        lines.append(f"  clock {clock.step}: {due}, late in {percent(clock.late)}")
    lines += [f"  open {item['item']}: {item['closed_by']} closes it" for item in estimate.open_items]
    for hold in progress.holds.values():
        until = "" if hold.until is None else f" until {format_pet(hold.until)}"
        lines.append(
            f"  hold {hold.crew} since {format_pet(hold.since)}{until} {plain(hold.text, most=50)}".rstrip()
        )
    return lines


def _step_lines(progress: Progress, figures: Iterable[StepFigure]) -> list[str]:
    """Steps with planned and projected start and finish."""
    rows = [("", "", "", "", "plan", "start", "done")]
    for figure in figures:
        planned = progress.planned.get(figure.step)
        rows.append(
            (
                figure.status,
                " ".join(figure.crew) or "nobody",
                figure.step,
                plain(progress.steps[figure.step].step.do, most=30),
                "" if planned is None else format_pet(planned[0]),
                format_pet(figure.start.p50),
                spread(figure.finish),
            )
        )
    return columns(rows)


def _remaining(estimate: Estimate) -> list[StepFigure]:
    """The steps that are still to be done, by projected start; those left out come last."""
    open_ = [s for s in estimate.steps if s.status in ("open", "waiting", "current", "held")]
    return sorted(open_, key=lambda s: (s.start.p50 is None, s.start.p50 or 0.0))


def _alert_lines(estimate: Estimate) -> list[str]:
    """The alerts that nobody has acknowledged."""
    return [f"  ! {plain(alert.text, most=200)}" for alert in estimate.alerts if not alert.acknowledged]


def _low(estimate: Estimate) -> list[str]:
    """The consumables most likely to run short, and readings that contradict the model."""
    ranked = sorted(estimate.consumables, key=lambda f: (-f.short, f.reserve_reached.p50 or float("inf")))
    rows = [
        (
            f"{f.crew}.{f.consumable}",
            f"{f.now:.4g} {f.unit}",
            f"reserve at {format_pet(f.reserve_reached.p50)}",
            "never read" if f.read_at is None else f"read {format_pet(f.read_at)}",
            "! reading contradicts" if f.flagged else "",
        )
        for f in ranked[:3]
    ]
    leaks = [f"  ! {f.leak_words}" for f in estimate.consumables if f.leak_words]
    return [*leaks, *columns(rows)]


def _lately(progress: Progress) -> list[str]:
    """The last notes and decisions."""
    told = []
    for event in reversed(progress.events):
        text = event.body.get("text")
        if event.kind == "chose":
            told.append(f"  {format_pet(event.at)} chose {event.body.get('choice')} {event.body.get('task')}")
        elif event.kind in HANDOVER and text:
            told.append(f"  {format_pet(event.at)} {event.kind}: {plain(text, most=60)}")
        if len(told) == 4:
            break
    return told


def spread(figure: Range) -> str:
    """A projected instant with its range; a fact without one; a dash where there is none."""
    if figure.p50 is None:
        return "-"
    if figure.p10 is None or figure.p90 is None or figure.p10 == figure.p90:
        return format_pet(figure.p50)
    return f"{format_pet(figure.p50)} ({format_pet(figure.p10)} to {format_pet(figure.p90)})"

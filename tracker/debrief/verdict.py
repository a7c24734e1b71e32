"""Was every limit kept? One verdict for each limit and crew member, from what is on record.

Elapsed limits and reserves are judged at ingress by the value in force at the end; hardware clocks, windows,
open items and must work by what was done. What came nearest to being broken is judged by what stood at that
instant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf, isfinite
from typing import Literal

from tracker.debrief.rows import apart, end_of, pet, signed
from tracker.forecast.store_course import StoreCourse
from tracker.forecast.wording import limit_words
from tracker.foundation.shown import exact
from tracker.foundation.text import amount, count, plain
from tracker.foundation.times import format_pet, format_pet_s
from tracker.journal.progress import Progress, StepState, TaskState
from tracker.journal.whereabouts import all_entered, came_along, not_back
from tracker.plan.windows import Intervals, next_start, usable

Kind = Literal["elapsed", "store", "clock", "window", "item", "hardware", "task"]

_NAMED: tuple[Kind, ...] = ("item", "hardware", "task")
"""What stands before the colon of an id; no other id has one."""
_EXACT = 9
"""Decimals of a time or an amount that are no rounding."""


@dataclass(frozen=True, slots=True)
class Nearest:
    """The instant with the least to spare."""

    at: float
    by: float | None
    """Seconds that were to spare by what stood then; below 0 where it was broken."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One limit and crew member; times are seconds of phase elapsed time."""

    id: str
    """`elapsed` or another elapsed limit's name, `CREW.consumable`, the step of a hardware clock,
    `window.NAME`, `item:NAME`, `hardware:NAME`, `task:ID` of must work left undone."""
    crew: str
    """Whom it binds; `*` for a store that all share."""
    kept: bool | None
    """None where there is nothing to judge: not over, a clock that never started, or closeout that was not
    ticked to the end though everybody entered."""
    at: float | None
    """The limit: by when; of a store its reserve, in its unit; of a window when the opening ended."""
    was: float | None
    """What it came to: when inside, or done; of a store what was left; of a window when the step began."""
    by: float | None
    """Seconds to spare; below 0 by so much it was broken. Of a store: what was left above the reserve at the
    mean rate from PET 0 to ingress; below 0 the time since it was passed."""
    by_amount: float | None
    """Of a store: what was left above the reserve, in its unit."""
    unit: str | None
    """Of a store; else `at` and `was` are times."""
    nearest: Nearest | None
    ever_below: bool | None
    """Of a store: whether it was below the reserve in force on the way, or at the end."""
    certain: Literal["read", "rates"]
    """`read`: on record, or read since the store was last full; `rates`: only by the plan's rates."""
    words: str

    @property
    def kind(self) -> Kind:
        """What kind of limit it is."""
        if self.id.startswith("window."):
            return "window"
        if named := [kind for kind in _NAMED if self.id.startswith(f"{kind}:")]:
            return named[0]
        if self.unit is not None:
            return "store"
        return "clock" if "." in self.id else "elapsed"

    @property
    def shown_in(self) -> str | None:
        """The unit of `at` and `was`: that of a store, `s` for times; None where they are neither."""
        return self.unit or (None if self.kind in _NAMED else "s")


def verdicts(
    progress: Progress, inside: Mapping[str, float | None], stores: Sequence[StoreCourse]
) -> tuple[Verdict, ...]:
    """Return the verdict on every limit, kind by kind as the plan has them; none before the clock starts.

    `inside` is the PET at which each crew member outside was inside, None for who is not known to be.
    """
    if progress.zero is None:
        return ()
    stood = _stood(progress)
    over = progress.closed is not None or None not in inside.values()
    return (
        *(one for name in progress.limits for one in _elapsed(progress, name, inside, stood)),
        *(_store(progress, store, inside, stood) for store in stores),
        *(one for state in progress.steps.values() for one in _clock(progress, state)),
        *(one for window in progress.openings for one in _window(progress, window)),
        *(_left_behind(progress, inside) if over else ()),
    )


def _left_behind(progress: Progress, inside: Mapping[str, float | None]) -> Iterator[Verdict]:
    """Yield what an excursion that is over left open, outside or undone."""
    yield from _items(progress)
    yield from _hardware(progress, inside)
    for task in progress.tasks.values():
        yield from _must(progress, task)


@dataclass(frozen=True, slots=True)
class _Stood:
    """What limits stood from one PET to another."""

    since: float
    until: float
    limits: Mapping[str, float]
    reserves: Mapping[tuple[str, str], float]


def _stood(progress: Progress) -> list[_Stood]:
    """Return what stood when, from PET 0 to the end; what was changed before counts from PET 0."""
    changes = {event.at for event in progress.events if event.kind == "limited"}
    instants = [0.0, *sorted(at for at in changes if at > 0)]
    found = [fold.progress() for fold in progress.fold.through(instants)]
    return [
        _Stood(since, until, then.limits, then.reserves)
        for (since, until), then in zip(pairwise([*instants, inf]), found, strict=True)
    ]


def _elapsed(
    progress: Progress, name: str, inside: Mapping[str, float | None], stood: Sequence[_Stood]
) -> Iterator[Verdict]:
    for crew in progress.limit_crew[name]:
        at, was = progress.limits[name], inside.get(crew)
        until = end_of(progress) if was is None else was
        by = round(at - until, _EXACT)
        nearest = min(
            (Nearest(end, one.limits[name] - end) for one, end in _ends(stood, until)), key=_to_spare
        )
        kept = by >= 0 if was is not None or by < 0 else None
        if kept is None:
            words = "not over"
        elif was is None:
            words = f"broken: not inside at {format_pet_s(until)}"
        elif kept and (nearest.by or 0.0) < 0:
            words = f"kept, but beyond what stood at {format_pet_s(nearest.at)}"
        else:
            words = "kept" if kept else "broken"
        yield _verdict(
            name, crew, kept, words, at=at, was=was, by=None if kept is None else by, nearest=nearest
        )


def _ends(stood: Sequence[_Stood], until: float) -> Iterator[tuple[_Stood, float]]:
    """Yield what stood, each with its last instant up to one."""
    yield from ((one, min(one.until, until)) for one in stood if one.since < until or one is stood[0])


def _to_spare(nearest: Nearest) -> float:
    return inf if nearest.by is None else nearest.by


def _store(
    progress: Progress, store: StoreCourse, inside: Mapping[str, float | None], stood: Sequence[_Stood]
) -> Verdict:
    consumable = store.consumable
    members = consumable.members(store.owner)
    over = all(inside.get(crew) is not None for crew in members)
    left = store.left
    margin = round(left - store.reserve, _EXACT)
    look = min(_looks(store, stood), key=lambda one: store.above(*one))
    least = store.above(*look)
    kept = margin >= 0 if over or margin < 0 else None
    read = store.since_full
    how = f"last read {format_pet_s(read[-1].at)}" if read else "by the plan's rates"
    below = least < 0 and margin >= 0
    said = "not over" if kept is None else "kept" if kept else "broken"
    said += f", but below the reserve at {format_pet_s(look[1])}" if below else ""
    return _verdict(
        f"{store.owner}.{consumable.id}",
        store.owner,
        kept,
        f"{said}, {how}",
        at=store.reserve,
        was=left,
        by=None if kept is None else _finite(store.to_spare_s),
        by_amount=margin,
        unit=consumable.unit,
        nearest=Nearest(look[1], _finite(store.spare_s(*look))),
        ever_below=least < 0,
        certain="read" if read else "rates",
    )


def _looks(store: StoreCourse, stood: Sequence[_Stood]) -> Iterator[tuple[int, float, float]]:
    """Yield (readings, PET, reserve that stood then) wherever the least may have been left above it."""
    name = (store.owner, store.consumable.id)
    times = [max(0.0, min(reading.at, store.last)) for reading in store.readings]
    for one, end in _ends(stood, store.last):
        reserve = one.reserves.get(name, store.consumable.reserve)
        here = [k for k, at in enumerate(times) if one.since <= at < one.until]
        yield from ((many, times[k], reserve) for k in here for many in (k, k + 1))
        yield sum(at < one.until for at in times), end, reserve


def _finite(seconds: float) -> float | None:
    return seconds if isfinite(seconds) else None


def _clock(progress: Progress, state: StepState) -> Iterator[Verdict]:
    within = state.step.within
    if within is None or within.of not in progress.steps:
        return
    of, end = progress.steps[within.of], end_of(progress)
    started = of.done if of.ended == "done" else None
    due = None if started is None else started + within.time
    done = state.done if state.ended == "done" else None
    reached = end if done is None else done
    by = None if due is None else round(due - reached, _EXACT)
    if by is None:
        kept, words = None, "not begun"
        words += f": {within.of} was never done, this was" if done is not None else ""
    elif done is None:
        kept, words = (None, "running at the end") if by >= 0 else (False, "broken: not done")
    else:
        kept, words = by >= 0, "kept" if by >= 0 else "broken"
    if by is not None:
        words += f": within {format_pet(within.time)} of {within.of}"
    nearest = None if by is None else Nearest(reached, by)
    for crew in state.crew or state.step.crew:
        shown = None if kept is None else by
        yield _verdict(state.step.id, crew, kept, words, at=due, was=done, by=shown, nearest=nearest)


def _window(progress: Progress, window: str) -> Iterator[Verdict]:
    """Yield the verdict on one window for each crew member with steps that need it."""
    mine = [state for state in progress.steps.values() if window in state.step.windows]
    members = dict.fromkeys(crew for state in mine for crew in state.crew or state.step.crew)
    for crew in members:
        steps = [state for state in mine if crew in (state.crew or state.step.crew)]
        begun = [_begin(progress, window, state) for state in steps if _has_begun(progress, state)]
        shut = [state.step.id for state in steps if _shut_out(progress, state)]
        outside = [one for one in begun if one.late > 0]
        kept = None if not begun and not shut else not outside and not shut
        said = "begins not on record" if kept is None else "kept" if kept else "broken"
        words = [f"{count(len(begun) - len(outside), 'step')} of {len(begun)} began inside"] if begun else []
        words += [f"began outside: {' '.join(one.step for one in outside)}"] if outside else []
        words += ["no opening at all"] if any(one.late == inf for one in begun) else []
        words += [f"shut out: {' '.join(shut)}"] if shut else []
        worst = max(begun, key=lambda one: one.late, default=None)
        yield _verdict(
            f"window.{window}",
            crew,
            kept,
            f"{said}: {'; '.join(words)}" if words else "no step began",
            at=None if worst is None else worst.closes,
            was=None if worst is None else worst.at,
            by=-worst.late if worst is not None and 0 < worst.late < inf else None,
        )


@dataclass(frozen=True, slots=True)
class _Begun:
    """A step that began beside a window."""

    step: str
    at: float
    closes: float | None
    """When the opening ended in which it began, or that was nearest."""
    late: float
    """Seconds by which it began before or after the nearest opening; 0 inside. Never open: infinite."""


def _has_begun(progress: Progress, state: StepState) -> bool:
    return state.began is not None and state.began <= end_of(progress)


def _spans(progress: Progress, window: str, state: StepState) -> Intervals:
    whole_s = state.step.time.likely if state.step.whole else None
    return usable([progress.openings[window]], whole_s)


def _begin(progress: Progress, window: str, state: StepState) -> _Begun:
    assert state.began is not None
    at = state.began
    off = [(_away(at, span), span[1]) for span in _spans(progress, window, state)]
    late, closes = min(off, default=(inf, None))
    return _Begun(state.step.id, at, closes, late)


def _away(at: float, span: tuple[float, float]) -> float:
    """Return by how many seconds an instant lies outside a half-open span; one at its end, by a moment."""
    start, end = span
    return start - at if at < start else 0.0 if at < end else max(at - end, 1e-3)


def _shut_out(progress: Progress, state: StepState) -> bool:
    """Whether a step never began although somebody still wanted it when no opening was left for it."""
    if _has_begun(progress, state) or state.ended in ("done", "skipped", "dropped"):
        return False
    number = state.done_number
    ended = next((event.at for event in progress.events if event.number == number), end_of(progress))
    whole_s = state.step.time.likely if state.step.whole else None
    spans = usable([progress.openings[name] for name in state.step.windows], whole_s)
    return not isfinite(next_start(spans, ended))


def _items(progress: Progress) -> Iterator[Verdict]:
    """Yield every item that was left open by whoever should have closed it."""
    for item in progress.open_items:
        closer = progress.steps[item.closed_by]
        for crew in closer.crew or closer.step.crew:
            yield _verdict(f"item:{item.item}", crew, False, f"broken: left open by {item.opened_by}")


def _hardware(progress: Progress, inside: Mapping[str, float | None]) -> Iterator[Verdict]:
    """Yield every piece that was not back, for who put it down, or for everybody outside.

    Who came in brought along what they had.
    """
    for piece in not_back(progress, end_of(progress)):
        if piece.crew and all(inside.get(crew) is not None for crew in piece.crew):
            continue
        step = progress.steps.get(piece.by)
        where = piece.words.removeprefix(f"{piece.hardware.id} ")
        for crew in piece.crew or (step.crew if step is not None else progress.plan.outside):
            yield _verdict(f"hardware:{piece.hardware.id}", crew, False, f"broken: not back, {where}")
    for name in came_along(progress, end_of(progress)):
        for crew in progress.plan.outside:
            yield _verdict(
                f"hardware:{name}", crew, None, "taken as back: who had it entered, no step brought it"
            )


def _must(progress: Progress, state: TaskState) -> Iterator[Verdict]:
    """Yield must work, and what was kept by decision, that was left undone, for who should have done it.

    Once everybody was entered, what closeout is for is reached: that a step of it was not ticked breaks
    nothing, as what it should have closed, stopped or brought back has a verdict of its own.
    """
    given_up = state.committed and state.task.optional and state.status == "dropped"
    if state.priority != "must" or state.status == "done" or given_up:
        return
    steps = [progress.steps[step.id] for step in state.task.steps]
    undone = [one for one in steps if one.ended not in ("done", "skipped")] or steps
    ways = dict.fromkeys(filter(None, (_left(progress, one) for one in undone)))
    done = f"{sum(one.ended == 'done' for one in steps)} of {count(len(steps), 'step')}"
    words = f"broken: {done} done{''.join(f', {way}' for way in ways)}"
    kept: bool | None = False
    if all_entered(progress) and state.task.closeout:
        names = ", ".join(plain(one.step.do, most=40) for one in undone)
        kept, words = None, f"{done} ticked, everybody entered; never ticked: {names}"
    missing = {crew for one in undone for crew in one.crew or one.step.crew}
    for crew in (member.id for member in progress.plan.crew if member.id in missing):
        yield _verdict(f"task:{state.task.id}", crew, kept, words)


def _left(progress: Progress, state: StepState) -> str:
    """Return by what a step was not done: `dropped 1:20:00`, `left at the recall 2:00:00`; else nothing."""
    if state.ended == "left":
        calls = [call.at for crew, call in progress.recall.items() if crew in (state.crew or state.step.crew)]
        return f"left at the recall {format_pet_s(min(calls))}" if calls else "left at the end"
    number = state.done_number
    at = next((event.at for event in progress.events if event.number == number), None)
    return "" if state.ended is None or at is None else f"{state.ended} {format_pet_s(at)}"


def _verdict(id: str, crew: str, kept: bool | None, words: str, **more: object) -> Verdict:
    known = dict.fromkeys(("at", "was", "by", "by_amount", "unit", "nearest", "ever_below"))
    return Verdict(id=id, crew=crew, kept=kept, words=words, **{**known, "certain": "read", **more})  # type: ignore[arg-type]


def merged(found: Iterable[Verdict]) -> list[Verdict]:
    """Return equal verdicts on several crew members as one, broken first, then what had least to spare."""
    groups: dict[Verdict, list[Verdict]] = {}
    for one in found:
        groups.setdefault(replace(one, crew=""), []).append(one)
    together = [replace(mine[0], crew=" ".join(one.crew for one in mine)) for mine in groups.values()]
    return sorted(together, key=lambda one: (_RANK[one.kept], inf if one.by is None else one.by))


_RANK = {False: 0, True: 1, None: 2}


def said(found: Sequence[Verdict], *, over: bool) -> str:
    """Return the verdict on all of them in one line."""
    if not found:
        return "No limit to judge: the clock was never started."
    broken = [one for one in merged(found) if one.kept is False]
    if broken:
        worst = {one.id: one for one in reversed(broken)}
        first = [one for one in broken if worst[one.id] is one]
        listed = [_miss(one) for one in first if one.kind != "task"]
        undone = ", ".join(one.id.partition(":")[2] for one in first if one.kind == "task")
        listed += [f"must work not done: {undone}"] if undone else []
        return f"{'Not' if over else 'Not over; not'} kept: {'; '.join(listed)}"
    timed = [one for one in found if one.kept and one.by is not None]
    least = min(timed, key=lambda one: one.by or 0.0, default=None)
    whole = "Every limit was kept and all must work done" if over else "Not over; no limit is broken so far"
    unticked = dict.fromkeys(one.id.partition(":")[2] for one in found if one.kind == "task")
    whole += f", {', '.join(unticked)} not ticked to the end" if unticked else ""
    return whole if least is None else f"{whole}; least to spare: {_spare(least)}"


def name_of(one: Verdict) -> str:
    """Return what a limit is called in a sentence."""
    if one.kind == "elapsed" and one.id != "elapsed":
        return f"limit {one.id}"
    if one.kind == "clock":
        return f"hardware clock of {one.id}"
    if one.kind in _NAMED:
        return one.id.replace(":", " ")
    return limit_words(one.id)


def _miss(one: Verdict) -> str:
    if one.by is None:
        return f"{name_of(one)}, {one.words.removeprefix('broken: ')}"
    if one.kind == "store":
        short = amount(-(one.by_amount or 0.0), one.unit or "")
        return f"{name_of(one)}, {short} below its reserve {amount(one.at, one.unit or '')}"
    if one.kind == "window":
        return f"{name_of(one)}, {one.words.removeprefix('broken: ')}"
    return f"{name_of(one)}, {'missed' if one.was is not None else 'not done, missed'} by {exact(-one.by)}"


def margin(one: Verdict) -> str:
    """Return what a limit had to spare, signed: of two times the difference of them as they are shown."""
    of_times = one.kind in ("elapsed", "clock") and one.by is not None
    return apart(one.at, one.was) if of_times else signed(one.by)


def _spare(one: Verdict) -> str:
    """What a limit had to spare, with the two figures of its row; of times the difference of these."""
    by = margin(one).removeprefix("+")
    if one.kind == "store":
        left = f"{amount(one.was, one.unit or '')} left, reserve {amount(one.at, one.unit or '')}"
        return f"{name_of(one)}, {by} ({left})"
    was, at = ("inside", "limit") if one.kind == "elapsed" else ("done", "due")
    return f"{name_of(one)}, {by} ({was} {pet(one.was)}, {at} {pet(one.at)})"

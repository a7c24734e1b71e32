"""What comes due, by its instant: what is next of every kind, and what falls into the gaps of a link.

A function of progress and estimate. Instants are those that are shown: an estimate's figures, rounded as they
are on every screen, so that a countdown is taken from what stands there. What only time brings (a window) is
gone once it is past; what somebody has to do stands until it is done.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from tracker.forecast.figures import Due, DueKind, Estimate, Gap, StepFigure, Unheard
from tracker.forecast.wording import HALF_DONE, clock_chance, verdict_words
from tracker.foundation.errors import EventError
from tracker.foundation.shown import down, duration, in_words, pet_down, pet_up, up
from tracker.foundation.text import columns, plain
from tracker.journal.matters import due_at
from tracker.journal.progress import Progress, StepState, all_called, supposed_at
from tracker.journal.raised import Raised
from tracker.journal.rounds import rounds_at
from tracker.plan.model import store_words

READ_EVERY_S = 30 * 60.0
"""From this age on a reading of which no round says more is due again."""
BESIDE_WORK: tuple[DueKind, ...] = (
    "go",
    "window",
    "link",
    "call",
    "clock",
    "home",
    "reading",
    "round",
    "hold",
)
"""What comes due besides the work in hand and what is open until somebody settles it."""
GAPS = 3
"""Gaps of a link that are told."""
AHEAD_S = 3600.0
"""Windows are told of so long at the least, as long as nobody is called."""


def due(progress: Progress, made: Estimate, *, now: float) -> tuple[Due, ...]:
    """Everything that comes due after `now` (PET seconds), and what is overdue, the earliest first.

    `made`: an estimate of these events, or of a few less; what has happened since is not told. Empty before
    zero and after the close; with everybody inside only clocks that run on and what somebody has to settle.
    """
    if progress.zero is None or progress.closed is not None:
        return ()
    found = [*_clocks(progress, made), *_raised(progress, made)]
    if _goes_on(progress):
        found += [
            *_wanted(progress, made, now),
            *_steps(progress, made, now),
            *_windows(progress, made, now),
            *_home(progress, made),
            *_readings(progress),
            *_holds(progress),
        ]
    return tuple(sorted(found, key=_place))


def _place(one: Due) -> tuple[float, DueKind, str]:
    return one.at, one.kind, one.subject


def _goes_on(progress: Progress) -> bool:
    """Whether the clock runs and not everybody is inside."""
    runs = progress.zero is not None and progress.closed is None
    return runs and not (progress.plan.outside and progress.entered.keys() >= set(progress.plan.outside))


def _wanted(progress: Progress, made: Estimate, now: float) -> Iterator[Due]:
    """What somebody is asked or told over a link: goes, last calls, rounds."""
    yield from _goes(progress, made)
    yield from _last_calls(progress, made)
    yield from _rounds(progress, now)


def next_due(progress: Progress, every: Iterable[Due]) -> list[Due]:
    """Those of what comes due that a short list has: of work only the end of what somebody is at."""
    at_hand = set(progress.current.values())
    return [one for one in every if one.kind != "step" or one.subject in at_hand]


def due_words(one: Due) -> str:
    """What comes due in a few words, with its instant: `link ends at 2:25`, `turn home by 5:29`."""
    return f"{one.text.partition(';')[0]} {when_due(one)}"


def when_due(one: Due) -> str:
    """When something comes due: `at` what is known, `about` what is expected, `by` what is to be done."""
    return f"{_BEFORE.get(one.kind, 'by')} {pet_down(one.at)}"


_BEFORE: dict[DueKind, str] = {
    "step": "about",
    "go": "about",
    "window": "at",
    "link": "at",
    "hold": "at",
    "joint": "about",
}


def _due(at: float | None, kind: DueKind, subject: str, text: str, do: Sequence[str] = ()) -> Iterator[Due]:
    """One thing by an instant as it is shown; nothing where there is none."""
    if (shown := down(at)) is not None:
        yield Due(shown, kind, subject, plain(text, most=160), tuple(do))


def _ahead(progress: Progress, made: Estimate) -> Iterator[tuple[StepFigure, StepState]]:
    for figure in made.steps:
        state = progress.steps.get(figure.step)
        if state is not None and state.ended is None:
            yield figure, state


def _steps(progress: Progress, made: Estimate, now: float) -> Iterator[Due]:
    """The ends of the steps that are counted; of who is asked if they are done, since when they should be.

    None is known of who is held until somebody says.
    """
    asked = {one.step: one for one in made.unheard}
    held = {crew for crew, hold in progress.holds.items() if hold.until is None}
    for figure, state in _ahead(progress, made):
        if held.intersection(state.crew) and figure.step in progress.current.values():
            continue
        ends = f"{' '.join(state.crew) or 'nobody'} {'end' if len(state.crew) > 1 else 'ends'}"
        do = plain(state.step.do, most=100)
        if figure.step in asked and state.running_since is not None:
            since, over = over_words(asked[figure.step], state, now)
            yield from _due(
                since, "step", figure.step, f"{' '.join(state.crew)} {over} at {do}", _ticks(state)
            )
            continue
        yield from _due(up(figure.finish.p50), "step", figure.step, f"{ends} {do}", _ticks(state))


def counting(state: StepState) -> bool:
    """Whether some items of a step are counted and others are to come."""
    return 0 < state.counted < state.step.count and state.left_s is None


def over_words(one: Unheard, state: StepState, now: float) -> tuple[float, str]:
    """The PET since when a step that is asked about is over, and by how much: `12 min over`.

    A step that goes on and on has no end that could be told. Where items are counted it is the next count
    that is wanted.
    """
    if counting(state):
        return one.since + one.expected, f"{duration(now - one.since)} uncounted"
    over = state.elapsed_s(now) - state.expected_s
    return now - over, f"{duration(over)} over"


def _goes(progress: Progress, made: Estimate) -> Iterator[Due]:
    """The goes that hold points will want, or want since somebody stands there."""
    for figure, state in _ahead(progress, made):
        if state.step.hold_point is None or state.gone or state.begin_kind:
            continue
        stands = [progress.free_since[c] for c in state.crew if c in progress.free_since]
        at = max(stands, default=made.at) if figure.waits_for == "go" else figure.start.p50
        words = f"go for {plain(state.step.do, most=60)}; {plain(state.step.hold_point, most=80)}"
        yield from _due(at, "go", figure.step, words, [f"go {figure.step}"])


def _windows(progress: Progress, made: Estimate, now: float) -> Iterator[Due]:
    """The edges of windows until everybody is inside, late as that may be."""
    last = _last(made, now)
    for name, spans in progress.openings.items():
        kind: DueKind = "link" if progress.plan.window[name].kind == "link" else "window"
        starts = [start for start, _ in spans]
        for (start, end), again in zip(spans, [*starts[1:], None], strict=True):
            if now < start <= last:
                yield from _due(start, kind, name, f"{name} begins; until {pet_down(end)}")
            if now < end <= last:
                more = "no more comes" if again is None else f"again from {pet_down(again)}"
                yield from _due(end, kind, name, f"{name} ends; {more}")


def _last(made: Estimate, now: float) -> float:
    """The PET until which windows are told: once everybody is called, until they are inside."""
    if made.called:
        return made.inside.p90 or now
    return max(made.inside.p90 or 0.0, made.limit or 0.0, now + AHEAD_S)


def _last_calls(progress: Progress, made: Estimate) -> Iterator[Due]:
    for figure in made.optional:
        state = progress.tasks.get(figure.task)
        if state is None or state.status != "open" or figure.begun:
            continue
        verdict = "kept" if state.committed else verdict_words(figure)
        do = [] if figure.advice == "keep" else [f"keep {figure.task}", f"drop {figure.task}"]
        yield from _due(figure.last_call, "call", figure.task, f"start {figure.task}; {verdict}", do)


def _clocks(progress: Progress, made: Estimate) -> Iterator[Due]:
    """The hardware clocks that run, also those whose step nobody does any more."""
    for clock in made.clocks:
        state = progress.steps.get(clock.step)
        if state is None or state.ended is not None:
            continue
        words = f"{plain(state.step.do, most=100)}; {clock_chance(made, clock)}"
        yield from _due(clock.due, "clock", clock.step, words, _ticks(state))
    for state, at in left_running(progress):
        yield from _due(at, "clock", state.step.id, f"{plain(state.step.do, most=100)}; nobody does it")


def left_running(progress: Progress) -> list[tuple[StepState, float]]:
    """The given up steps that would stop a hardware clock which runs, each with when it runs out."""
    found = []
    for state in progress.steps.values():
        of = None if state.step.within is None else progress.steps.get(state.step.within.of)
        if (
            state.ended in ("left", "dropped")
            and of is not None
            and of.ended == "done"
            and of.done is not None
        ):
            assert state.step.within is not None
            found.append((state, of.done + state.step.within.time))
    return found


def left_by_recall(progress: Progress, now: float, call: str = "home") -> list[str]:
    """What a recall at PET `now` leaves: clocks that run, must work half done, what stays open, in words."""
    try:
        then = progress.suppose({"kind": "called", "call": call, "at": supposed_at(progress, now)})
    except EventError:
        return []
    known = {state.step.id for state, _ in left_running(progress)}
    clocks = [
        f"{plain(state.step.do, most=60)}, whose clock runs out at {pet_down(at)}"
        for state, at in left_running(then)
        if state.step.id not in known
    ]
    lost = {
        then.steps[s].step.task for s, state in progress.steps.items() if then.steps[s].ended != state.ended
    }
    half = [
        f"{name} {HALF_DONE}"
        for name, state in progress.tasks.items()
        if state.status == "begun" and not state.task.optional and name in lost
    ]
    stays = [one.item for one in then.open_items if then.steps[one.closed_by].ended is not None]
    return [*clocks, *half, *(f"{item} open" for item in stays)]


def _ticks(state: StepState) -> Sequence[str]:
    """What is typed once a step is done; nothing while nobody is at work on it."""
    return [] if state.running_since is None else [f"done {state.step.id}"]


def _home(progress: Progress, made: Estimate) -> Iterator[Due]:
    back = made.turn_back
    if not back.homebound and not all_called(progress):
        words = f"turn home; inside {pet_up(back.inside_if_now.p50)} if called now"
        yield from _due(back.latest, "home", "home", words, ["call home"])


def _raised(progress: Progress, made: Estimate) -> Iterator[Due]:
    """What is open until somebody settles it, by the instant until which it matters."""
    for one in progress.raised:
        if one.settled is None:
            who = f" {plain(one.owner or one.to, most=20)}" if one.owner or one.to else ""
            words, do = f"{one.what}{who}: {plain(one.text, most=100)}", settles(one)
            yield from _due(matters_until(progress, made, one), one.what, str(one.number), words, [do])


def settles(one: Raised) -> str:
    """What is typed to settle what was raised."""
    return f"{'answer' if one.what == 'question' else 'settle'} {one.number}"


def matters_until(progress: Progress, made: Estimate, one: Raised) -> float | None:
    """The PET until which something that is open matters: its own, else what it is about says."""
    if (at := due_at(progress, one)) is not None:
        return at
    steps = {figure.step: figure for figure in made.steps}
    if one.after in steps:
        return up(steps[one.after].finish.p50)
    calls = [figure.last_call for figure in made.optional if figure.task == one.about]
    starts = [f.start.p50 for f in (steps.get(one.about or ""),) if f and f.status in ("open", "waiting")]
    return next((at for at in (*calls, *starts) if at is not None), None)


def _rounds(progress: Progress, now: float) -> Iterator[Due]:
    """The rounds: when each is due next, or was, and who has still to answer."""
    for one in rounds_at(progress, now):
        missing = f"; {' '.join(one.missing)} to answer" if one.missing else ""
        yield from _due(
            one.due, "round", one.round.id, f"{one.round.id} round{missing}", [f"check {one.round.id}"]
        )


def _readings(progress: Progress) -> Iterator[Due]:
    """The stores to be read again, those of one instant together."""
    outside = {c for c in progress.plan.outside if c not in progress.entered}
    stale = sorted(readings_due(progress), key=lambda one: one[0])
    for at, stores in groupby(stale, key=lambda one: down(one[0])):
        told = [(member, store) for _, member, store in stores]
        members = dict.fromkeys("shared" if member == "*" else member for member, _ in told)
        names = list(dict.fromkeys(store for _, store in told))
        whose = "" if set(members) >= outside else f" of {' '.join(members)}"
        do, called = [f"reading {names[0]}"], ", ".join(map(store_words, names))
        yield from _due(at, "reading", " ".join(names), f"read {called}{whose}", do)


def readings_due(progress: Progress) -> Iterator[tuple[float, str, str]]:
    """When each store of those outside is to be read again: PET, crew member or `*`, consumable."""
    read = {(one.crew, one.consumable): one.at for one in progress.readings}
    asked = {item for one in progress.plan.rounds for item in one.ask}
    outside = [c for c in progress.plan.outside if c not in progress.entered]
    for store in progress.plan.consumables:
        if store.id in asked:
            continue
        here = [c for c in outside if c in store.crew]
        for member in (["*"] if here else []) if store.shared else here:
            yield max(read.get((member, store.id), 0.0), 0.0) + READ_EVERY_S, member, store.id


def _holds(progress: Progress) -> Iterator[Due]:
    for member, hold in progress.holds.items():
        yield from _due(hold.until, "hold", member, f"{member}'s hold ends", [f"resume {member}"])


def gaps(progress: Progress, made: Estimate, *, now: float, around_s: float = 0.0) -> tuple[Gap, ...]:
    """The next three gaps of every link, and what falls into each as it goes, the earliest first.

    `around_s`: also what falls so near before or behind it.
    """
    asked = sorted(_wanted(progress, made, now) if _goes_on(progress) else (), key=_place)
    wanted = [one for one in asked if one.at >= now]
    wanted += _joint(progress, made)
    found = []
    for name, shut in gaps_of_links(progress).items():
        ahead = (gap for gap in shut if gap[0] <= _last(made, now) and (gap[1] is None or gap[1] > now))
        for end, start in list(ahead)[:GAPS]:
            near = end - around_s, None if start is None else start + around_s
            inside = [one for one in wanted if within_gap(near, one.at)]
            found.append(Gap(name, end, start, tuple(sorted(inside, key=lambda one: one.at))))
    return tuple(sorted(found, key=lambda gap: gap.since))


def gaps_of_links(progress: Progress) -> dict[str, list[tuple[float, float | None]]]:
    """By link the spans, PET, in which it is away; the last one has no end."""
    found = {}
    for name, spans in progress.openings.items():
        if progress.plan.window[name].kind == "link":
            ends = [0.0, *(end for _, end in spans)]
            between = zip(ends, [*(start for start, _ in spans), None], strict=True)
            found[name] = [(end, start) for end, start in between if end != start]
    return found


def within_gap(gap: tuple[float, float | None], at: float) -> bool:
    """Whether a PET falls into a gap."""
    return gap[0] <= at and (gap[1] is None or at < gap[1])


def due_lines(progress: Progress, made: Estimate) -> list[str]:
    """What comes due in plain columns, what is typed for it, and the gaps of every link."""
    table = due_columns(made.due, made.at, typed=True)
    said = [f"due, as of {pet_down(made.at)}:", *table] if table else ["due: nothing, the clock does not run"]
    return [*said, *(gap_words(gap) for gap in gaps(progress, made, now=made.at)), "", plain(made.advisory)]


def due_columns(every: Iterable[Due], now: float, *, typed: bool = False) -> list[str]:
    """When each comes due, how long until then, what it is, and with `typed` what is typed."""
    rows = [(when_due(one), in_words(one.at, now), one.text, ", ".join(one.do)) for one in every]
    return columns([row if typed else row[:3] for row in rows], most=160, right=(0,))


def gap_words(gap: Gap) -> str:
    """A gap of a link, and what falls into it as it goes."""
    long = "" if gap.until is None else f" until {pet_down(gap.until)}, {duration(gap.until - gap.since)}"
    inside = "; ".join(due_words(one) for one in gap.inside)
    return f"no {gap.link} from {pet_down(gap.since)}{long}: {inside or 'nothing is wanted in it'}"


def _joint(progress: Progress, made: Estimate) -> Iterator[Due]:
    """The begins of steps that several do together; those with a hold point have their go."""
    for figure, state in _ahead(progress, made):
        if len(state.crew) > 1 and state.began is None and (state.gone or state.step.hold_point is None):
            words = f"{' '.join(state.crew)} begin {plain(state.step.do, most=80)}"
            yield from _due(figure.start.p50, "joint", figure.step, words)

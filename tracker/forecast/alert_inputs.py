"""What alerts rest on: the figures of one instant, what earlier instants raised, steps that nobody ends.

Last calls, the chance and hardware clocks rest on figures that move. What they raised is worked out from the
journal for those instants, so that it stays, the same at every seat, until it is settled or was seen. Hidden
here too: how an alert is put together, its kind, whether it was seen, and the words that several share; and
when a step goes on so much longer than it should that a tick may be missing (asked about, never assumed: the
figures go on taking the step as going on).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tracker.forecast.alert_words import (
    DOUBT,
    EARLY,
    deed,
    slot,
)
from tracker.forecast.due import counting, gaps_of_links, within_gap
from tracker.forecast.figures import Alert, Choice, Estimate, Raised, Severity, Unheard
from tracker.forecast.last_call import last_calls
from tracker.forecast.limits import going_on
from tracker.forecast.quantiles import one
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.wording import (
    chance_if_called,
    chance_of,
    need_of,
)
from tracker.journal.kinds import BY_NAME, MOVE_NO_WORK
from tracker.journal.progress import Progress, StepState, done_share, step_status

SOON_S = (15 * 60, 5 * 60)
"""How long before a last call it is announced."""
LATE_S = 120.0
"""From so long after it was due on a round, or a reading, is told as late."""
GAP_SOON_S = 30 * 60.0
"""How long before a gap of a link what falls into it is told."""
GAPS_AHEAD_S = 2 * 3600.0
"""How far ahead gaps are looked at: news comes in between."""
FOUND_BACK_S = 5 * 60.0
"""What falls so short before the end of a gap finds the link back; and what was told of a gap is told no more
once it falls so far outside."""
BY_ITSELF = 0.5
"""From this chance on kept work is begun in time in the order as it is."""


@dataclass(frozen=True, slots=True)
class AlertInputs:
    """The figures of one instant that alerts rest on."""

    at: float
    """PET seconds."""
    calls: Mapping[str, float]
    """Last call, PET, of each optional task whose last call is worth announcing."""
    safe: float
    late: Mapping[str, float]
    """Chance per step with a hardware clock that it runs out."""
    running: frozenset[str]
    """Those of them whose clock runs already."""
    most_late: float
    early: bool
    """Before a tenth of the planned work is done nothing alarms on a low chance."""
    gaps: tuple[tuple[float, float | None], ...] = ()
    """The gaps of links that begin within hours, PET."""
    wanted: Mapping[str, float] = field(default_factory=dict)
    """By `go:STEP` or `joint:STEP` when a go is needed, or several begin together, PET, as it goes."""


def alert_inputs(progress: Progress, sets: TaskSets, kept: Collection[int]) -> AlertInputs:
    """The figures of the instant for which the world of these sets was made."""
    world, chosen = sets.world, frozenset(kept)
    going = going_on(world.optional, [world.optional[m].task for m in kept])
    outcome = sets.outcome(going)
    ahead = [gap for shut in gaps_of_links(progress).values() for gap in shut if gap[0] > world.now]
    soon = tuple(gap for gap in ahead if gap[0] <= world.now + GAPS_AHEAD_S)
    clocks = [(world.nodes[clock.node].step, clock) for clock in world.clocks]
    return AlertInputs(
        at=world.now,
        calls=_calls(progress, sets, chosen),
        safe=outcome.share_safe,
        late={
            step: times / world.scenarios
            for (step, _), times in zip(clocks, outcome.clocks_late, strict=True)
        },
        running=frozenset(step for step, clock in clocks if clock.of is None),
        most_late=1 - world.confidence_elapsed,
        early=done_share(progress) < EARLY,
        gaps=soon,
        wanted=_wanted(progress, sets, frozenset(going)) if soon else {},
    )


def _wanted(progress: Progress, sets: TaskSets, going: frozenset[int]) -> dict[str, float]:
    """When goes are needed, and steps begin that several do together."""
    world, out = sets.world, {}
    for i in world.present(going):
        state = progress.steps[world.nodes[i].step]
        if state.began is not None or state.ended is not None:
            continue
        go = state.step.hold_point is not None and not state.gone
        if go or len(state.crew) > 1:
            name = f"{'go' if go else 'joint'}:{state.step.id}"
            out[name] = world.now + one(sets.start_row(going, i), 0.5)
    return out


def falls_into(gap: tuple[float, float | None], at: float) -> bool:
    """Whether something falls into a gap of a link, and not just before it is there again."""
    return within_gap(gap, at) and (gap[1] is None or gap[1] - at >= FOUND_BACK_S)


def _calls(progress: Progress, sets: TaskSets, kept: frozenset[int]) -> dict[str, float]:
    """The last calls worth announcing."""
    world = sets.world
    out = {}
    for m, start in last_calls(sets, kept).items():
        task = world.optional[m]
        if start.last_call is None or task.begun:
            continue
        if m not in kept or not by_itself(progress, task.task, start.in_time):
            out[task.task] = world.now + start.last_call
    return out


def by_itself(progress: Progress, task: str, in_time: float) -> bool:
    """Whether kept work is begun in time though nobody says anything: no hold, no go is in its way."""
    first = next((s for s in progress.steps.values() if s.step.task == task and s.ended is None), None)
    if first is None or in_time < BY_ITSELF:
        return False
    return first.gone and progress.holds.keys().isdisjoint(first.crew)


def raised(seen: AlertInputs, until: float) -> Iterator[Raised]:
    """The alerts that these figures raise at their instant, last calls also until PET `until`."""
    for task, call in seen.calls.items():
        for soon in SOON_S:
            since = max(call - soon, seen.at)
            if seen.at <= call and since <= until:
                yield Raised(f"last-call:{task}:{soon // 60}", call, since)
    for step, chance in seen.late.items():
        if chance > seen.most_late + 1e-9 and (step in seen.running or not seen.early):
            yield Raised(f"clock:{step}", 1 - chance, seen.at)
    for gap in seen.gaps:
        since = max(gap[0] - GAP_SOON_S, seen.at)
        for name, at in (*seen.wanted.items(), *((f"call:{t}", at) for t, at in seen.calls.items())):
            if since <= until and falls_into(gap, at):
                yield Raised(f"gap:{name}", at, since)


@dataclass(frozen=True, slots=True)
class Look:
    """The excursion at one instant."""

    progress: Progress
    made: Estimate
    now: float

    def alert(
        self,
        id: str,
        form: str,
        *,
        severity: Severity = "look",
        subject: str | None = None,
        since: float | None = None,
        by: float | None = None,
        do: Sequence[str] = (),
        **figures: float | None,
    ) -> Alert:
        """One alert; texts of plans and journals in `form` are made plain by whoever writes them there."""
        return Alert(
            id=id,
            text="",
            acknowledged=id in self.progress.acknowledged,
            kind=id.partition(":")[0],
            severity=severity,
            since=since,
            subject=subject,
            figures=figures,
            do=tuple(do),
            form=form,
            by=by,
        )

    def past(self, id: str) -> Raised | None:
        """The alert as an earlier instant raised it."""
        return next((past for past in self.made.advice.raised if past.id == id), None)

    @property
    def choices(self) -> tuple[Choice, ...] | None:
        """The choices that were worked out, not before what they are to mend: a reading, a limit, a doubt."""
        news = [e for e in self.progress.events if BY_NAME[e.kind].cause in MOVE_NO_WORK]
        since, last = max((e.at for e in news), default=0.0), max((e.number for e in news), default=0)
        known = tuple(
            one
            for one in self.made.choices or ()
            if one.at >= since and (one.entry is None or one.entry >= last)
        )
        if not any(one.proposed for one in known):
            # A doubt that no event raised is of this instant: what was offered a moment ago holds.
            doubts = [past.at for past in self.made.advice.raised if past.id == DOUBT]
            known = tuple(one for one in known if all(one.at >= at for at in doubts))
        return known or None

    def choice(self, id: str) -> Choice | None:
        """A choice that was worked out."""
        return next((choice for choice in self.choices or () if choice.id == id), None)

    @property
    def proposed(self) -> Choice | None:
        """The choice that is offered where the chance is in doubt, once that was worked out."""
        return next((choice for choice in self.choices or () if choice.proposed), None)

    @property
    def advised(self) -> tuple[float | None, float]:
        """INSIDE in PET seconds and the chance as advised, of the instant that the choices are of."""
        base = self.choice("as-advised")
        shown = base or self.made
        return shown.inside.p50, chance_of(shown, self.made)

    def seen_at(self, id: str) -> float | None:
        """The PET at which the alert was last seen."""
        seen = [e.at for e in self.progress.events if e.kind == "acknowledged" and e.body["alert"] == id]
        return seen[-1] if seen else None


def then_inside() -> str:
    """What a choice comes to."""
    return f"inside {slot('then_inside', 'up')}, {slot('then_safe', 'chance')}"


def from_to() -> str:
    """The chance as it is and as it would be."""
    return f"{slot('safe', 'chance')} -> {slot('then_safe', 'chance')}"


def when_raised(how: str, before: str = "") -> str:
    """What a figure was when the alert was raised."""
    return f" ({before}{slot('was', how)} when raised at {slot('raised', 'down')})"


Remedy = tuple[str, Sequence[str], Mapping[str, float | None]]
"""What can be done in words, what is typed for it, and the figures that the words leave open."""


def calls_home(look: Look) -> Remedy:
    """The recall and what it comes to now; nothing where everybody is called, on the way or inside."""
    progress, back = look.progress, look.made.turn_back
    outside = [c for c in progress.plan.outside if c not in progress.entered]
    if progress.zero is None or back.homebound or not outside or all(c in progress.recall for c in outside):
        return "", (), {}
    words = f"{deed('calls home')}: inside {slot('if_now', 'up')}, {slot('safe_if_now', 'chance')}"
    figures = {
        "if_now": back.inside_if_now.p50,
        "safe_if_now": chance_if_called(look.made),
        "need": need_of(look.made)[2],
    }
    return words, ("call home",), figures


TIMES = 2.0
"""A step is asked about beyond so many times what it should take,"""
COUNTED_TIMES = 1.5
"""of one that is counted, and of which nothing was, beyond so many times,"""
AT_LEAST_S = 5 * 60.0
"""and so much more than it, so that a short step is not asked about at once."""
AFTER_GAP_S = 120.0
"""Nobody is asked about while no link is there, nor so soon after: they may not have been heard."""


def unheard(progress: Progress, now: float, pace: Mapping[str, float]) -> tuple[Unheard, ...]:
    """Who has been at a step for much longer than expected at `now` (PET seconds), in the plan's order.

    `pace`: actual over planned time by crew member, by what is done: a step that goes on must not move what
    it is held against. Nobody who is held, waits, is silent or inside, or was away from every link until just
    now; before zero and after the close nobody.
    """
    if progress.zero is None or progress.closed is not None or _cut_off(progress, now):
        return ()
    return tuple(_asked(progress, now, pace))


def asked_from(one: Unheard) -> float:
    """The PET from which it is asked at the latest whether somebody is still at a step."""
    return one.since + max(TIMES * one.expected, one.expected + AT_LEAST_S)


def _cut_off(progress: Progress, now: float) -> bool:
    """Whether every link is away until it comes again, or has come only just now."""
    links = [spans for name, spans in progress.openings.items() if progress.plan.window[name].kind == "link"]
    return bool(links) and all(_away(spans, now) for spans in links)


def _away(spans: Sequence[tuple[float, float]], now: float) -> bool:
    there = any(start <= now < end and (start <= 0 or start + AFTER_GAP_S <= now) for start, end in spans)
    return not there and any(end > now for _, end in spans)


def _asked(progress: Progress, now: float, pace: Mapping[str, float]) -> Iterator[Unheard]:
    for member in progress.plan.crew:
        step = progress.current.get(member.id)
        if step is None or member.id in progress.silent or member.id in progress.entered:
            continue
        if step_status(progress, step, now) != "current":
            continue
        state = progress.steps[step]
        worked, planned = _since_heard(state, now)
        expected = planned * _pace_of(state.crew, pace)
        times = COUNTED_TIMES if uncounted(state) else TIMES
        if worked > max(times * expected, expected + AT_LEAST_S):
            yield Unheard(step, member.id, now - worked, expected)


def uncounted(state: StepState) -> bool:
    """Whether a step asks for counts and none has come."""
    return state.step.count > 1 and not state.counted and state.left_s is None


def _since_heard(state: StepState, now: float) -> tuple[float, float]:
    """Seconds of work since the crew last said anything of a step, and what was to take until they do again.

    That is the rest by the plan, the next item alone where items are counted.
    """
    worked, time = state.elapsed_s(now), state.step.time.likely
    if state.left_s is not None:
        return worked - state.left_worked_s, state.left_s
    items = 1 if counting(state) else state.step.count - state.counted
    return worked - state.counted_worked_s, time * items / state.step.count


def _pace_of(crew: Sequence[str], pace: Mapping[str, float]) -> float:
    known = [pace[c] for c in crew if c in pace]
    return sum(known) / len(known) if known else pace.get("all", 1.0)

"""What work wants of a person: clocks and stores, owners, goes, windows, steps that go on too long."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from tracker.forecast.alert_inputs import (
    FOUND_BACK_S,
    GAP_SOON_S,
    LATE_S,
    Look,
    calls_home,
    falls_into,
    uncounted,
)
from tracker.forecast.alert_words import (
    DOUBT,
    EARLY,
    deed,
    slot,
)
from tracker.forecast.due import counting, gaps, left_running
from tracker.forecast.earlier_instants import CLEARS, RAISES
from tracker.forecast.figures import Alert, ClockFigure, ConsumableFigure, Due, Gap, Raised, StepFigure
from tracker.forecast.wording import leak_words, limit_words, nothing_words
from tracker.foundation.shown import up
from tracker.foundation.text import amount, percent_asked, plain
from tracker.journal.progress import Progress, StepState, done_share
from tracker.journal.whereabouts import all_entered, left_behind, unowned
from tracker.plan.model import LOCK

SOON_CLOSING_S = 15 * 60.0
"""How long before a window closes or a hold point is reached it is announced."""
CUTTING_FINE_S = 5 * 60.0
"""A step whose projected start is closer than this to the close of its window may miss it; and what a missed
window has to cost to be told."""


def of_work(look: Look) -> Iterator[Alert]:
    """Every alert about work and what it uses."""
    yield from _hardware_clocks(look)
    yield from _stores(look)
    yield from _work(look)
    if look.progress.zero is not None:
        yield from _readings(look)
        yield from _gaps(look)
        yield from _windows(look)
        yield from _hold_points(look)
        yield from _unheard(look)


def _hardware_clocks(look: Look) -> Iterator[Alert]:
    """Clocks at risk, above 1 less the need; one that was raised until its risk is half of that."""
    most = 1 - look.progress.plan.confidence.elapsed
    early = done_share(look.progress) < EARLY
    for clock in look.made.clocks:
        past = look.past(f"clock:{clock.step}")
        if early and clock.due is None:
            continue
        if clock.late > most + 1e-9 or (past is not None and clock.late >= most / 2):
            yield _clock(look, clock, past)
    numbers = {event.number: event.at for event in look.progress.events}
    for state, due in left_running(look.progress):
        # Who came in begins nothing any more, but may have done it.
        inside = look.progress.entered.keys() >= set(state.crew)
        once = {"done": "done"} if inside else {"begin": "begun", "done": "done"}
        yield look.alert(
            f"clock:{state.step.id}:left",
            f"{_do(look, state.step.id)} is due at {slot('due', 'down')}, {slot('due', 'in')}, "
            f"and nobody does it. {', '.join(deed(f'once {how}') for how in once.values())}",
            severity="act" if look.now < due else "look",
            subject=state.step.id,
            since=numbers.get(state.done_number or 0),
            by=due,
            do=[f"{verb} {state.step.id}" for verb in once],
            due=due,
        )


def _clock(look: Look, clock: ClockFigure, past: Raised | None) -> Alert:
    figure = next((f for f in look.made.steps if f.step == clock.step), None)
    done = None if figure is None else figure.finish
    need, chance = look.progress.plan.confidence.elapsed, f"chance {slot('chance', 'chance')}"
    first, asked = _before(look, clock.step)
    if clock.due is None:
        said = f"{_do(look, clock.step)}: its clock starts once {_do(look, clock.of)} is done; {chance}"
    else:
        due = f"{_do(look, clock.step)} is due at {slot('due', 'down')}, {slot('due', 'in')}"
        said = f"{due}; done about {slot('done', 'up')}{first}: {chance}, need {percent_asked(need)}"
    act = (
        clock.due is not None and not asked and (clock.late > MISSED or clock.due - look.now <= CLOCK_SOON_S)
    )
    late = "" if not act or done is None else f". In 9 cases of 10 done by {slot('late', 'up')}: ask the lead"
    return look.alert(
        f"clock:{clock.step}",
        f"{said}{late}",
        severity="act" if act else "look",
        subject=clock.step,
        since=look.now if past is None else past.at,
        by=clock.due,
        due=clock.due,
        done=None if done is None else done.p50,
        late=None if done is None else done.p90,
        chance=1 - clock.late,
        need=need,
    )


MISSED = 0.5
"""A running clock that is rather missed than kept is to be acted upon,"""
CLOCK_SOON_S = 30 * 60.0
"""and one at risk that is due so soon."""


def _before(look: Look, step: str) -> tuple[str, bool]:
    """Who is at work on what a step still waits for, and whether they are asked if they are done."""
    progress, at_hand = look.progress, set(look.progress.current.values())
    wanted, found = [step], dict[str, None]()
    for one in wanted:
        before = [*progress.needs.get(one, ())]
        before += [s for order in progress.order.values() if one in order for s in order[: order.index(one)]]
        wanted += [s for s in dict.fromkeys(before) if s not in wanted]
        if one != step and one in at_hand and progress.steps[one].running_since is not None:
            found[one] = None
    asked = {one.step for one in look.made.unheard}
    names = [f"{' '.join(progress.steps[one].crew)} at {_do(look, one)}" for one in found]
    return f", after {names[0]}" if names else "", not asked.isdisjoint(found)


def _do(look: Look, step: str | None) -> str:
    """What a step is about, as the screens say it."""
    return "another step" if step is None else plain(look.progress.steps[step].step.do, most=60)


def _stores(look: Look) -> Iterator[Alert]:
    for store in look.made.consumables:
        name = f"{store.crew}.{store.consumable}"
        if store.now < store.reserve and _outside(look, store):
            yield _below(look, store, name)
        if store.leak is not None:
            yield _leaks(look, store, name, store.leak.since, leak_words(store))
        if store.flagged:
            yield look.alert(
                f"reading:{name}",
                f"{limit_words(name)}: {store.flagged}. {deed()}",
                subject=name,
                since=store.read_at,
                do=[_read(store)],
                now=store.now,
            )


def _outside(look: Look, store: ConsumableFigure) -> bool:
    """Whether somebody who lives on a store is outside."""
    uses = look.progress.plan.outside if store.crew == "*" else [store.crew]
    return not look.progress.entered.keys() >= set(uses)


def _below(look: Look, store: ConsumableFigure, name: str) -> Alert:
    read = f", read {slot('read', 'down')}" if store.read_at is not None else ", never read"
    under = f"under its reserve of {amount(store.reserve, store.unit)}"
    calls, do, figures = calls_home(look)
    left = f"{limit_words(name)} {amount(store.now, store.unit)}, {under}{read}"
    if store.nothing_by is not None:
        left, do = nothing_words(store), [_read(store), *do]
    return look.alert(
        f"below:{name}",
        f"{left}{f'. {calls}' if calls else ''}",
        severity="act",
        subject=name,
        since=store.read_at,
        by=look.now,
        do=do,
        now=store.now,
        reserve=store.reserve,
        read=store.read_at,
        **figures,
    )


def _read(store: ConsumableFigure) -> str:
    """What is typed for one more reading of a store, but for the level."""
    whose = "" if store.crew == "*" else f"{store.crew} "
    return f"reading {whose}{store.consumable}"


BREATHED = frozenset(("oxygen", "air", "gas", "o2"))
"""Stores that people live on, by their ids, besides those that a plan takes from metabolism by a `model`."""


def _leaks(look: Look, store: ConsumableFigure, name: str, since: float, words: str) -> Alert:
    """A leak: to be acted upon in what people live on, and where more courses miss the reserve than may."""
    reached = store.reserve_reached.p50
    spare = next((limit.to_spare for limit in look.made.limits if limit.id == name), None)
    plan = look.progress.plan
    lived_on = plan.consumable[store.consumable].model is not None or store.consumable in BREATHED
    # As the chance is in doubt: at the bound itself it would come and go with every minute.
    times = CLEARS if look.past(DOUBT) is not None else RAISES
    short = store.short > times * (1 - plan.confidence.consumables) + 1e-9
    act = lived_on or short or (spare is not None and spare < 0)
    # Beside a milder way that is offered a recall would be a second one.
    milder = look.proposed is not None and not look.proposed.id.startswith("call-")
    calls, home, figures = calls_home(look) if act and not milder else ("", (), {})
    at = "" if reached is None else f"; reserve reached at {slot('reached', 'down')}"
    left = "" if reached is None or spare is None else f", {slot('spare', 'spare')}"
    deeds = [*([calls] if calls else []), deed("reads it again")]
    return look.alert(
        f"rate:{name}",
        f"{words}{at}{left}. {'; '.join(deeds)}",
        severity="act" if act and _outside(look, store) else "look",
        subject=name,
        since=since,
        by=reached,
        do=[*home, _read(store)],
        reached=reached,
        spare=spare,
        inside=look.made.inside.p50,
        **figures,
    )


def _readings(look: Look) -> Iterator[Alert]:
    """Stores that no round asks of and that were not read for half an hour; seen, until more of them are."""
    old = [one for one in look.made.due if one.kind == "reading" and one.at + LATE_S <= look.now]
    if old:
        newest, seen = old[-1].at, look.seen_at("round:*")
        found = look.alert(
            "round:*",
            f"{'; '.join(one.text for one in old)}: due since {slot('due', 'down')}. {deed('reads')}",
            subject=old[0].subject,
            since=old[0].at,
            by=old[0].at,
            do=old[0].do,
            due=old[0].at,
        )
        yield replace(found, acknowledged=found.acknowledged and seen is not None and seen >= newest)


def _gaps(look: Look) -> Iterator[Alert]:
    """What falls into a gap of a link that begins soon, and is better said while there is one."""
    for gap in gaps(look.progress, look.made, now=look.now, around_s=FOUND_BACK_S):
        if not 0 < gap.since - look.now <= GAP_SOON_S:
            continue
        again = "" if gap.until is None else f", {gap.link} from {slot('again', 'down')}"
        for one in gap.inside:
            if _wanted(look, gap, one):
                wanted = one.subject if one.kind == "call" else one.text.partition(";")[0]
                how, deeds = _IN_GAP[one.kind]
                words = f"{wanted} {how} {slot('at', 'down')}{again}: {deeds}"
                # A key that records the answer is not the way to ask for it.
                given = _GIVEN if one.kind == "go" else ""
                words = ". ".join([words, *(deed(given) for _ in one.do)])
                yield look.alert(
                    f"gap:{one.kind}:{one.subject}",
                    f"{gap.link} until {slot('gone', 'down')}; {words}",
                    subject=one.subject,
                    since=max(gap.since - GAP_SOON_S, 0.0),
                    by=gap.since,
                    do=one.do,
                    gone=gap.since,
                    at=one.at,
                    again=gap.until,
                )


_GIVEN = "once it is given"
"""What the key of a go is for: it records the go."""
_IN_GAP = {
    "go": ("is needed by", "ask now"),
    "call": ("is to be decided by", "ask now"),
    "joint": ("about", "say now what they need for it"),
}
"""What a link is wanted for, by its kind: how that is said, and what to do while there is one."""


def _wanted(look: Look, gap: Gap, one: Due) -> bool:
    """Whether something in a gap wants the link before it: not on the way home, nor what finds it back.

    What was told stays until it falls well outside: a begin moves by minutes with every tick.
    """
    told = look.past(f"gap:{one.kind}:{one.subject}") is not None
    if one.kind not in _IN_GAP or not (told or falls_into((gap.since, gap.until), one.at)):
        return False
    if one.kind == "joint":
        return not (look.progress.recall or look.made.turn_back.homebound)
    return bool(one.do)


def _work(look: Look) -> Iterator[Alert]:
    progress = look.progress
    for step in () if all_entered(progress) else unowned(progress):
        state, since = progress.steps[step], max(progress.entered.values(), default=None)
        do, words = f"hand {step} to", f"{_do(look, step)} has nobody. {deed('hands it over')}"
        if state.crew and progress.tasks[state.step.task].task.closeout and not state.step.closes:
            do = f"done {step}"
            words = f"{' '.join(state.crew)} inside, {_do(look, step)}: is it ticked? {deed('if it is done')}"
        yield look.alert(f"owner:{step}", words, subject=step, since=since, do=[do])
    yield from _too_early(look)
    yield from _open_items(look)
    yield from _left_behind(look)


def _too_early(look: Look) -> Iterator[Alert]:
    """Steps on record as done while what they need is not: one of the two ticks is wrong, or missing."""
    steps = look.progress.steps
    for step, needs in look.progress.too_early.items():
        state, need = steps[step], steps[needs[0]]
        after = f"{' '.join(need.crew) or 'nobody'} {_do(look, needs[0])}"
        yield look.alert(
            f"order:{step}",
            f"{' '.join(state.crew)} did {_do(look, step)} before {after}: is that ticked? "
            f"{deed('if it is done')}; {deed('takes the other tick back')}",
            subject=step,
            since=state.done,
            do=[f"done {needs[0]}", f"withdraw {state.done_number}"],
        )


def _left_behind(look: Look) -> Iterator[Alert]:
    """Hardware that lies outside and nobody brings, from when somebody's next work is closeout on."""
    progress = look.progress
    near = {progress.steps[s].step.task for order in progress.order.values() for s in order[:2]}
    closeout = any(progress.tasks[task].task.closeout for task in near)
    if not progress.plan.hardware or not (closeout or progress.recall or look.made.turn_back.homebound):
        return
    for piece in left_behind(progress, look.now):
        name = piece.hardware.id
        words = f"{piece.words}, and nobody brings it. {deed('once it is back')}"
        yield look.alert(
            f"not-back:{name}", words, subject=name, since=piece.since, do=[f"put {name} {LOCK}"]
        )


def _open_items(look: Look) -> Iterator[Alert]:
    """Items that no step ahead closes, or that a call at once leaves."""
    steps = look.progress.steps
    nobody = unowned(look.progress) if all_entered(look.progress) else ()
    closers = [(item, item["closed_by"]) for item in look.made.open_items]
    left = [item for item, by in closers if steps[by].ended is not None or by in nobody]
    if left:
        items = ", ".join(item["item"] for item in left)
        stay = "stays" if len(left) == 1 else "stay"
        words = f"{items} {stay} open: nobody closes {'it' if len(left) == 1 else 'them'}"
        yield look.alert("open-items", f"{words}. {deed('adds work')}", subject=left[0]["item"], do=["add"])


def _hold_points(look: Look) -> Iterator[Alert]:
    """Hold points not yet cleared that stop somebody, or soon will."""
    for figure in look.made.steps:
        state = look.progress.steps[figure.step]
        if state.ended is not None or state.step.hold_point is None or state.gone or state.begin_kind:
            continue
        if figure.waits_for == "go":
            stands = [look.progress.free_since[c] for c in state.crew if c in look.progress.free_since]
            who = f"{' '.join(state.crew)} {'stands' if len(state.crew) == 1 else 'stand'}"
            yield _go(
                look, state, f", {who} since {slot('since', 'down')}", max(stands, default=0.0), look.now
            )
        elif figure.start.p50 is not None and figure.start.p50 - look.now <= SOON_CLOSING_S:
            by, since = figure.start.p50, max(figure.start.p50 - SOON_CLOSING_S, 0.0)
            yield _go(look, state, f" by {slot('start', 'down')}, {slot('start', 'in')}", since, by)


def _go(look: Look, state: StepState, when: str, since: float, by: float) -> Alert:
    step = state.step
    return look.alert(
        f"go:{step.id}",
        f"go for {plain(step.do, most=60)}{when}: {plain(step.hold_point, most=80)}. {deed(_GIVEN)}",
        subject=step.id,
        since=since,
        by=by,
        do=[f"go {step.id}"],
        start=by,
    )


def _unheard(look: Look) -> Iterator[Alert]:
    """Steps that go on much longer than they should, an alert a step; once seen, after as long again."""
    for one in {one.step: one for one in reversed(look.made.unheard)}.values():
        crew = [other.crew for other in look.made.unheard if other.step == one.step]
        id, state = f"tick:{one.step}", look.progress.steps[one.step]
        who, do = " ".join(crew), plain(state.step.do, most=60)
        asks = f"done? {deed('now')}, {deed('five min ago')}, {deed('no voice')}"
        counted = f", {state.counted} of {state.step.count}" if state.step.count > 1 else ""
        long = f"{slot('began', 'clock')} of {slot('planned', 'clocked')} min"
        said = f"{who} at {do}{counted}, {long}: {asks}"
        if uncounted(state):
            none = f"0 of {state.step.count} after {long}"
            said = f"{none}: ask {who} how many. {do}: {asks}"
        elif counting(state):
            none = f"no count since {slot('last', 'down')}"
            said = f"{none}: {state.counted} of {state.step.count}, ask {who} how many. {do}: {asks}"
        found = look.alert(
            id,
            f"{said}. The figures take it as going on",
            subject=one.step,
            since=one.since,
            by=one.since + one.expected,
            do=[crew[0], f"{crew[0]} -5", f"silent {' '.join(crew)}"],
            expected=one.expected,
            began=look.now - state.elapsed_s(look.now),
            planned=state.expected_s,
            last=one.since,
        )
        seen = look.seen_at(id)
        again = seen is not None and look.now - seen >= seen - one.since
        yield replace(found, acknowledged=found.acknowledged and not again)


def _windows(look: Look) -> Iterator[Alert]:
    """Windows that close soon on a step that is next for its crew and may not begin before."""
    figures = {figure.step: figure for figure in look.made.steps}
    near = {step for order in look.progress.order.values() for step in order[:2]}
    for step, figure in figures.items():
        state = look.progress.steps[step]
        begun = state.began is not None and state.began <= look.now
        if step not in near or state.ended is not None or begun:
            continue
        free = _free_from(look.progress, figures, step, look.now)
        for name in state.step.windows:
            yield from _window(look, figure, name, free)


def _window(look: Look, figure: StepFigure, name: str, free: float) -> Iterator[Alert]:
    spans = look.progress.openings.get(name, ())
    close = next((to for since, to in spans if since <= look.now < to), None)
    if close is None or close - look.now > SOON_CLOSING_S or abs(free - close) > SOON_CLOSING_S:
        return
    if figure.status != "waiting" and free < close - CUTTING_FINE_S:
        return
    opens = next((since for since, _ in spans if since >= close), None)
    if opens is not None and opens - close < CUTTING_FINE_S:
        return
    state = look.progress.steps[figure.step]
    who = " ".join(state.crew) or "nobody"
    begins = f"{who} could begin {plain(state.step.do, most=60)} at {slot('free', 'up')}"
    missed = f"; missed, it begins at {slot('opens', 'up')}, {slot('waits', 'min')} later"
    later = "; it opens no more" if opens is None else missed
    yield look.alert(
        f"window:{name}:{figure.step}",
        f"{name} until {slot('close', 'down')}, {slot('close', 'in')}: {begins}{later}",
        subject=figure.step,
        since=max(close - SOON_CLOSING_S, 0.0),
        by=close,
        close=close,
        free=free,
        opens=opens,
        waits=None if opens is None else (up(opens) or 0) - (up(free) or 0),
    )


def _free_from(progress: Progress, figures: Mapping[str, StepFigure], step: str, now: float) -> float:
    """The projected PET at which nothing but its windows keeps a step from beginning."""
    before = set(progress.needs.get(step, ()))
    for order in progress.order.values():
        if step in order:
            before.update(order[: order.index(step)])
    finishes = [figures[other].finish.p50 for other in before if other in figures]
    return max([now, *(finish for finish in finishes if finish is not None)])

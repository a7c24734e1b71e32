"""What is said of limits, choices, changes and alerts: worded from figures, the same words on every screen.

Hides how instants and shares become words. Figures come in as they are; nothing here is worked out, and
nothing heavy is loaded, so that a screen may word them anew every second.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from tracker.forecast.alert_words import DOUBT
from tracker.forecast.figures import (
    Choice,
    ClockFigure,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
)
from tracker.foundation.shown import (
    down,
    duration,
    in_words,
    nearest,
    pet_down,
    pet_up,
    spare_words,
    up,
)
from tracker.foundation.text import amount, percent, percent_asked, plain, small
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress
from tracker.plan.model import store_words


def limit_words(name: str) -> str:
    """A limit's id as words: `EV2.oxygen` becomes `EV2 oxygen`, `elapsed` `elapsed limit`."""
    if name == "elapsed":
        return "elapsed limit"
    owner, dot, store = name.rpartition(".")
    store = store_words(store) if dot and owner != "window" else store
    return f"{owner}{dot}{store}".replace(".", " ").replace("*", "shared")


def limit_at(limit: LimitFigure, *, brief: bool = False) -> str:
    """When a limit is reached: `elapsed limit at 6:30`, `EV2 battery reaches its reserve at 4:21`.

    `brief`: of a store too only the instant.
    """
    store = "." in limit.id and not limit.id.startswith("window.") and not brief
    reached = None if limit.reached is None else limit.reached.p50
    return f"{limit_words(limit.id)}{' reaches its reserve' if store else ''} at {pet_down(reached)}"


def by_spare(limits: Iterable[LimitFigure]) -> list[LimitFigure]:
    """The limits that have an instant: the least to spare first, of equals the likelier to be broken."""
    known = [(left, -one.chance, one.id, one) for one in limits if (left := one.to_spare) is not None]
    return [limit for *_, limit in sorted(known, key=lambda one: one[:3])]


def stores_by_spare(estimate: Estimate) -> list[ConsumableFigure]:
    """The stores in the order of their limits; then those without one, by when their reserve is reached.

    Of equals the likelier to be short comes first.
    """
    place = {limit.id: number for number, limit in enumerate(by_spare(estimate.limits))}
    far = float("inf")

    def due(store: ConsumableFigure) -> tuple[float, float, float]:
        reached = store.reserve_reached.p50
        limit = place.get(f"{store.crew}.{store.consumable}", far)
        return (limit, far if reached is None else reached, -store.short)

    return sorted(estimate.consumables, key=due)


def first_limit(limits: Sequence[LimitFigure]) -> LimitFigure | None:
    """The limit that comes first: with least to spare; where none has an instant, the least sure to hold.

    "To spare" without more is what is to spare to this one: whoever reads it must be in by then.
    """
    return next(iter(by_spare(limits)), min(limits, key=LimitFigure.tightness, default=None))


def spare_at(limit: LimitFigure, *, brief: bool = False) -> str:
    """What is to spare to a limit, and when that is reached; its chance where it has no instant."""
    if limit.to_spare is None or limit.reached is None:
        return f"{limit_words(limit.id)}: chance {percent(1 - limit.chance)}"
    return f"{spare_words(limit.to_spare)}: {limit_at(limit, brief=brief)}"


def nine_words(margin_s: float | None) -> str:
    """What nine courses of ten leave to spare; of what is short, that one of ten is so short, or worse."""
    if margin_s is None:
        return ""
    if is_short(margin_s):
        return f"in 1 case of 10 {spare_words(margin_s)} or worse"
    return f"in nine of ten {spare_words(max(margin_s, 0.0))}"


def is_short(margin_s: float) -> bool:
    """Whether a margin is short by a minute, and so by more than nothing as shown."""
    return margin_s <= -60.0


def least_sure_words(estimate: Estimate) -> str:
    """`least sure to hold: EV2 oxygen, 96 %`, its chance of holding; nothing while all are sure (`>99 %`).

    Nothing either where it is the limit that comes first: that one is named, beside the chance, as it is.
    """
    limit, first = estimate.binding, first_limit(estimate.limits)
    if limit is None or (first is not None and first.id == limit.id):
        return ""
    chance = percent(1 - limit.chance, need_of(estimate)[2])
    return "" if chance[0] == ">" else f"least sure to hold: {limit_words(limit.id)}, {chance}"


def counted_words(progress: Progress, estimate: Estimate) -> str:
    """What INSIDE counts: `with core begun, latch kept, lamp as advised`, `called home at 3:22`."""
    if estimate.called:
        # An undo is shown before the estimate that follows from it.
        called = min((recall.at for recall in progress.recall.values()), default=None)
        since = "until it was taken back" if called is None else f"at {pet_down(called)}"
        return f"called {estimate.called}{',' if estimate.called == 'at once' else ''} {since}"
    optional = [t for t, s in progress.tasks.items() if s.task.optional and s.status in ("open", "begun")]
    groups: dict[str, list[str]] = {how: [] for how in COUNTED}
    for task in optional:
        if task in estimate.counted:
            groups[counted_as(progress, estimate, task)].append(task)
    told = ", ".join(f"{', '.join(tasks)} {how}" for how, tasks in groups.items() if tasks)
    return f"with {told or ('nothing optional' if optional else 'musts alone')}"


COUNTED = ("begun", "kept", "as advised", "in doubt")
"""Why an optional task is counted, in the order in which it is said."""


def counted_as(progress: Progress, estimate: Estimate, task: str) -> str:
    """Why an optional task is counted: begun, kept, advised, or in doubt until the advice is reviewed."""
    state = progress.tasks[task]
    if state.committed or state.status == "begun":
        return "kept" if state.committed else "begun"
    doubted = any(one.id == DOUBT for one in estimate.advice.raised)
    sure = any(one.task == task and one.advice == "keep" for one in estimate.optional)
    return "in doubt" if doubted and not sure else "as advised"


def left_words(progress: Progress, now: float, also: Collection[str] = ()) -> str:
    """What a recall leaves: `left half done: pump, plugs; not done: lamp`; nothing without one.

    `also`: tasks that nobody has begun, which are told as not done where no recall leaves them.
    """
    left: dict[str, bool] = dict.fromkeys(also, False)
    for state in progress.steps.values():
        if state.ended == "left" and progress.tasks[state.step.task].status != "dropped":
            left.setdefault(state.step.task, False)
    for state in progress.steps.values():
        if state.step.task in left and state.began is not None and state.began <= now:
            left[state.step.task] = True
    halves = {f"left {HALF_DONE}": True, "not done": False}
    named = {how: [t for t in progress.tasks if left.get(t) is half] for how, half in halves.items()}
    return "; ".join(f"{how}: {', '.join(tasks)}" for how, tasks in named.items() if tasks)


HALF_DONE = "half done"
"""How work is told that was begun and that a recall leaves."""


def turn_home_words(estimate: Estimate) -> str:
    """By when to turn home, or that it is due, and what a call now comes to."""
    turn, need = estimate.turn_back, need_of(estimate)[2]
    was = "" if turn.missed is None else f"turn for home was due by {pet_down(turn.missed)}"
    if turn.homebound:
        return "; ".join(["on the way home", *([was] if was else [])])
    if turn.latest is not None:
        words = f"turn home by {pet_down(turn.latest)}, {in_words(turn.latest, estimate.at)}"
    else:
        words = "TURN HOME NOW" + (f", was due by {pet_down(turn.missed)}" if was else "")
    if_called = chance_if_called(estimate)
    chance = "" if if_called is None else f", chance {percent(if_called, need)}"
    return f"{words}; if called now: inside {pet_up(turn.inside_if_now.p50)}{chance}"


def too_late_words(begins: float | None, latest: float | None) -> str:
    """By how much closeout begins after turn home: `, 22 min too late`; nothing where it does not."""
    late = (nearest(begins) or 0) - (down(latest) or 0)
    return f", {duration(late)} too late" if begins is not None and latest is not None and late > 0 else ""


def tires_words(estimate: Estimate) -> str | None:
    """What it comes to if the crew tires, and in how many scenarios it does; None where that is in few."""
    figure = next((one for one in estimate.processes if one.id == "tires"), None)
    if figure is None or figure.inside is None or figure.safe is None:
        return None
    chance = percent(figure.safe, need_of(estimate)[2])
    share = f"1 in {round(1 / figure.share)}" if figure.share < 0.4 else percent(figure.share)
    return f"if the crew tires ({share}): inside {pet_up(figure.inside.p50)}, {chance}"


def within_words(ends: Range, by: str = "..") -> str:
    """Between when and when eight courses of ten lie; nothing where that is, as shown, a minute or none."""
    narrow = abs((up(ends.p90) or 0) - (up(ends.p10) or 0)) <= 60
    return "" if narrow else f"{pet_up(ends.p10)}{by}{pet_up(ends.p90)}"


def verdict_words(figure: OptionalFigure) -> str:
    """The advice in a word: *not yet* for all but keep while it would rest on too little."""
    return figure.advice if figure.advice == "keep" or figure.ground == "figures" else "not yet"


def reason_words(figure: OptionalFigure) -> str:
    """Why the advice is what it is; while it is *not yet*, why that, and how it looks so far."""
    if verdict_words(figure) != "not yet":
        return figure.reason
    little = "too little is done to say" if figure.ground == "early" else "a tick may be missing"
    return f"{little}; as it looks, {figure.reason.removeprefix('cannot fit: ')}"


def falls_words(figure: ConsumableFigure) -> str:
    """How fast a store fell between its last two readings, beside the plan; nothing without two."""
    if figure.rate is None:
        return ""
    return f"falls {amount(figure.rate.per_hour)} an hour, planned {amount(figure.rate.planned)}"


def leak_words(figure: ConsumableFigure) -> str:
    """`EV2 battery falls 1.6 times as fast as planned since 2:30` of a store that leaks; else nothing."""
    if (leak := figure.leak) is None:
        return ""
    falls = f"falls {leak.factor:.1f} times as fast as planned since {format_pet(leak.since)}"
    return plain(f"{limit_words(f'{figure.crew}.{figure.consumable}')} {falls}", most=200)


def nothing_words(figure: ConsumableFigure) -> str:
    """Of a store that is at nothing as it goes what is known, and that it is to be read; else nothing."""
    if figure.nothing_by is None:
        return ""
    name, by = limit_words(f"{figure.crew}.{figure.consumable}"), pet_down(figure.nothing_by)
    last = "never read"
    if figure.read is not None:
        last = f"last read {amount(figure.read, figure.unit)} {pet_down(figure.read_at)}"
    return plain(f"{name} at nothing by {by} as it goes, {last}: read it", most=200)


def pace_words(pace: float) -> str:
    """Actual over planned time in words: `15 % slow`, `4 % fast`, `as planned`."""
    percent_off = round(100 * (pace - 1))
    return f"{abs(percent_off)} % {'slow' if percent_off > 0 else 'fast'}" if percent_off else "as planned"


def choice_words(choice: Choice) -> str:
    """What is chosen: `musts alone`, `keep photos for lamp`, `give up mast`, `call home`."""
    deed, *tasks = choice.id.split(":")
    if deed == "swap":
        return f"keep {tasks[0]} for {' '.join(tasks[1:])}"
    if deed == "give-up":
        return f"give up {' '.join(choice.given_up)}"
    return _BASES.get(deed) or " ".join((deed.replace("-", " "), *tasks))


def need_of(estimate: Estimate) -> tuple[str, float, float]:
    """What a chance is held against: whose it is (empty, `limits`, `stores`), the chance, and the need.

    With two confidences it is the one that is further from being met.
    """
    wanted = estimate.confidence
    if not isinstance(wanted, Mapping):
        return "", estimate.safe, wanted
    chances = estimate.safe_by or dict.fromkeys(wanted, estimate.safe)
    kind = min(wanted, key=lambda kind: chances[kind] - wanted[kind])
    return _WHOSE[kind], chances[kind], wanted[kind]


_WHOSE = {"elapsed": "limits", "consumables": "stores"}
"""What a kind of limit is called beside its chance."""


def _kind(stands: Estimate) -> str:
    """The kind of limit whose chance is shown of what stands; empty where there is one for all."""
    whose = need_of(stands)[0]
    return next((kind for kind, name in _WHOSE.items() if name == whose), "")


def chance_of(shown: Estimate | Choice, stands: Estimate) -> float:
    """The chance that is shown of an estimate or a choice: of the kind that what stands is held against."""
    return (shown.safe_by or {}).get(_kind(stands), shown.safe)


def shown_chance(shown: Estimate | Choice, stands: Estimate) -> str:
    """The same in words, to the decimals of what is needed."""
    return percent(chance_of(shown, stands), need_of(stands)[2])


def chance_if_called(estimate: Estimate) -> float | None:
    """The same of a call at this instant; None where nobody is outside."""
    turn = estimate.turn_back
    return turn.safe_if_now if turn.safe_by_if_now is None else turn.safe_by_if_now.get(_kind(estimate))


def also_short(shown: Estimate | Choice, stands: Estimate) -> str:
    """`; stores 91 %, need 95 %` where the kind that is not shown misses what is needed; else nothing."""
    wanted, told = stands.confidence, _kind(stands)
    if not isinstance(wanted, Mapping):
        return ""
    return "".join(
        f"; {_WHOSE[kind]} {percent(chance, wanted[kind])}, need {percent_asked(wanted[kind])}"
        for kind, chance in (shown.safe_by or {}).items()
        if kind != told and chance < wanted[kind] - 1e-9
    )


def chance_words(estimate: Estimate, stands: Estimate | None = None) -> str:
    """The chance beside what is needed: `chance 97 %, need 90 %`, `stores 95 %, need 99 %`.

    `stands`: what it is compared with; then it is of the same kind as the chance of that.
    """
    whose, chance, need = need_of(stands or estimate)
    also = "" if stands is None else also_short(estimate, stands)
    chance = chance if stands is None else chance_of(estimate, stands)
    return f"{whose or 'chance'} {percent(chance, need)}, need {percent_asked(need)}{also}"


_BASES = {"must-only": "musts alone"}


def clock_chance(estimate: Estimate, clock: ClockFigure) -> str:
    """The chance that the step of a hardware clock is done in time, to the decimals of what is needed."""
    return f"chance {percent(1 - clock.late, need_of(estimate)[2])}"


def mover_words(progress: Progress, estimate: Estimate) -> str:
    """Return which step, once it has begun, moves by when they turn for home; nothing where none does."""
    turn = estimate.turn_back
    moved = down(turn.moved_to)
    if turn.mover is None or turn.homebound or (moved is not None and moved == down(turn.latest)):
        return ""
    to = "at once" if moved is None else f"by {pet_down(moved)}"
    return f"once {plain(small(progress.steps[turn.mover].step.do), most=60)} has begun, turn home {to}"


def nine_leave(estimate: Estimate) -> float | None:
    """What nine courses of ten leave at ingress of the store that binds; None where a store does not."""
    binds = None if estimate.binding is None else estimate.binding.id
    return next((s.at_inside.p10 for s in estimate.consumables if f"{s.crew}.{s.consumable}" == binds), None)


def in_hand(progress: Progress) -> list[str]:
    """The steps in hand, each once, in crew order."""
    return list(dict.fromkeys(step for step in progress.current.values() if step is not None))


def next_steps(progress: Progress) -> list[str]:
    """What each crew member does next, each step once, in crew order."""
    now = in_hand(progress)
    ahead = ([s for s in order if s not in now][:1] for order in progress.order.values())
    return list(dict.fromkeys(step for steps in ahead for step in steps))


def heed_lines(progress: Progress, steps: Iterable[str]) -> list[str]:
    """What is to be heeded at each of these steps: cautions, then numbers, each whole."""
    return [
        f"  {' '.join(progress.steps[step].crew)} {step}: {line}"
        for step in steps
        for line in progress.steps[step].step.heed
    ]


def inside_words(progress: Progress, estimate: Estimate) -> str:
    """INSIDE with what it counts, and between when and when it lies."""
    ends = estimate.inside
    if ends.p50 is None:
        return "INSIDE: in most courses a step finds no later opening of its window"
    within = f"; 8 in 10 between {told}" if (told := within_words(ends, " and ")) else ""
    return f"INSIDE {pet_up(ends.p50, estimate.at)} {counted_words(progress, estimate)}{within}"

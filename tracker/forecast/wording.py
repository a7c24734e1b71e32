"""What is said of limits, choices, changes and alerts: worded from figures, the same words on every screen.

Hides how instants and shares become words. Figures come in as they are; nothing here is worked out, and
nothing heavy is loaded, so that a screen may word them anew every second.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from tracker.forecast.alert_words import DOUBT
from tracker.forecast.figures import (
    Changed,
    Choice,
    ClockFigure,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
)
from tracker.foundation.shown import (
    change,
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
from tracker.journal.kinds import KEPT
from tracker.journal.progress import Progress
from tracker.plan.model import store_words

SAID_S = 600.0
"""How long a change is said."""
LOOKED_S = 360.0
"""From this age on it is said until when it was looked."""
CHANCE = 0.03
"""By so much the chance has to move to be said."""
INSIDE_S = 120
"""By so much the shown INSIDE has to move to be said."""
RECALL = "recall"
"""The cause that a recall counts as: what a person decided is said before any pace."""
MOST_CAUSES = 3
"""Causes named; the rest is summed."""


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
    chance = "" if turn.safe_if_now is None else f", chance {percent(turn.safe_if_now, need)}"
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
    wanted, by = estimate.confidence, estimate.safe_by
    if not isinstance(wanted, Mapping):
        return "", estimate.safe, wanted
    chances = by or dict.fromkeys(wanted, estimate.safe)
    kind = min(wanted, key=lambda kind: chances[kind] - wanted[kind])
    return {"elapsed": "limits", "consumables": "stores"}[kind], chances[kind], wanted[kind]


def chance_words(estimate: Estimate) -> str:
    """The chance beside what is needed: `chance 97 %, need 90 %`, `stores 95 %, need 99 %`."""
    whose, chance, need = need_of(estimate)
    return f"{whose or 'chance'} {percent(chance, need)}, need {percent_asked(need)}"


_BASES = {"must-only": "musts alone"}


def changed_words(changed: Changed, now: float, need: float | None, shown: float | None = None) -> str:
    """What changed within ten minutes, and why; else since when it is steady."""
    return changed_forms(changed, now, need, shown)[0]


def turned_words(before: Collection[str], after: Estimate, but: Collection[str] = ()) -> str:
    """What an estimate counts and what was before did not, and what it does not any more: `lamp now counted`.

    `but`: tasks that are not told.
    """
    ahead = {figure.task for figure in after.optional}
    turned = {"in": after.counted.difference(before), "out": ahead.intersection(before) - after.counted}
    told = ((how, sorted(tasks - set(but))) for how, tasks in turned.items())
    return ", ".join(_worded(f"{', '.join(tasks)} {how}", 0.0) for how, tasks in told if tasks)


def changed_forms(
    changed: Changed,
    now: float,
    need: float | None,
    shown: float | None = None,
    beside: Estimate | None = None,
) -> list[str]:
    """The rule under the head, from the longest way to say it to the shortest: fewer causes, then none.

    `need`: the chance that is demanded, which says how many decimals a chance has. `shown`: INSIDE as it
    stands beside the rule; what is said of another figure says so. `beside`: the estimate that stands there.
    """
    inside, safe, at = changed.inside, changed.safe, pet_down(changed.at)
    ends = up(inside.now), up(shown)
    apart = 0 if None in ends else (ends[1] or 0) - (ends[0] or 0)
    by_now = f", {pet_up(shown)} now" if apart else ""
    steady = changed.at == changed.since or now - changed.at > SAID_S
    if steady and abs(apart) >= INSIDE_S:
        # It was looked at before what stands there: why follows with the next look, a moment later. What
        # was said meanwhile stands with the instant it is true of: in a quick day there is always a newer.
        moved = f"INSIDE {pet_up(inside.now)} -> {pet_up(shown)}, {change(apart)}"
        turned = "" if changed.counted is None or beside is None else turned_words(changed.counted, beside)
        return [f"{moved}: {turned or 'why is being worked out'}", moved]
    if steady:
        stale = changed.until is not None and now - changed.until > LOOKED_S
        return [f"INSIDE steady since {at}{f', as of {pet_down(changed.until)}' if stale else ''}"]
    home, turned = _turn_home_moved(changed), ", ".join(_worded(cause, 0.0) for cause in changed.turned)
    before, after = up(inside.before), up(inside.now)
    if before != after:
        if apart and ends[1] == before:
            # What stands there is back where it was: only that is true.
            return [f"INSIDE {pet_up(shown)} now"]
        shift = "" if before is None or after is None else f", {change(after - before)}"
        said = f"INSIDE {pet_up(inside.before)} -> {pet_up(inside.now)} at {at}{shift}{by_now}"
        least = [] if by_now else [f"INSIDE {pet_up(inside.before)} -> {pet_up(inside.now)}"]
        whys = _whys(changed)
        if abs((safe.now or 0) - (safe.before or 0)) >= CHANCE - 1e-9:
            # The chance moved as well, and by what INSIDE did not: a reading is no pace.
            both = f"; chance {' -> '.join(percent(share or 0.0, need) for share in (safe.before, safe.now))}"
            both += f": {_chance_why(changed)}" if changed.read else ""
            whys = [*(f"{why}{both}" for why in whys), *whys]
        with_home = [f"{said}: {why}{home}" for why in whys[:1] if home]
        return [*with_home, *(f"{said}: {why}" for why in whys), said, *least]
    chances = tuple(percent(share or 0.0, need) for share in (safe.before, safe.now))
    if chances[0] == chances[1]:
        told = f"INSIDE {pet_up(inside.now)} since {at}{by_now}: {turned}{_after_news(changed)}"
        return [f"{told}{home}", told] if home else [told]
    said, why = f"chance {chances[0]} -> {chances[1]} at {at}", _chance_why(changed)
    told = f"{said}: {why}" if why else said
    least = [f"{said.removesuffix(f' at {at}')}: {why}"] if why else []
    return [*([f"{told}{home}"] if home and why else []), told, *least, said]


def _chance_why(changed: Changed) -> str:
    """The limit whose chance moved most, and what came in of it: a reading of that store, else other news."""
    most = max(changed.limits, key=lambda limit: abs(limit.now - limit.before), default=None)
    if most is None:
        return ""
    if most.id in changed.read:
        return f"{limit_words(most.id)} as it was read"
    return f"{limit_words(most.id)}{_after_news(changed)}"


TURN_HOME_S = 300
"""By so much the shown turn home has to move to be said beside the rest."""


def _turn_home_moved(changed: Changed) -> str:
    """By when to turn home before and after, where that moved by some minutes with the rest."""
    before, after = down(changed.turn_home.before), down(changed.turn_home.now)
    if before is None or after is None or abs(after - before) < TURN_HOME_S:
        return ""
    return f"; turn home {pet_down(before)} -> {pet_down(after)}"


def _after_news(changed: Changed) -> str:
    """What came in between that moves no work, but what is thought of limits."""
    told = ("a new limit" if cause == "limits" else cause for cause in changed.news)
    return f", after {' and '.join(told)}" if changed.news else ""


def since_words(changed: Changed, need: float | None) -> list[str]:
    """Both figures then and now, why INSIDE moved, and the limits whose chance is seen to differ."""
    before, after = up(changed.inside.before), up(changed.inside.now)
    shift = "" if before is None or after is None else f", {change(after - before)}"
    ends = f"INSIDE {pet_up(changed.inside.before)} -> {pet_up(changed.inside.now)}{shift}"
    chances = [percent(share or 0.0, need) for share in (changed.safe.before, changed.safe.now)]
    moved = (
        (limit_words(one.id), percent(1 - one.before, need), percent(1 - one.now, need))
        for one in changed.limits
    )
    told = [f"{name} {then} -> {now}" for name, then, now in moved if then != now]
    by_limit = f"; {', '.join(told)}" if len(changed.limits) > 1 and told else ""
    return [": ".join([ends, *_whys(changed)[:1]]), f"chance {' -> '.join(chances)}{by_limit}"]


def _whys(changed: Changed) -> list[str]:
    """The causes in minutes that add up as shown, from more of them to one; a single one stands for all.

    The recall comes first, then what the advice took in or left out: another basis, not another pace.
    """
    before, after = up(changed.inside.before), up(changed.inside.now)
    if before is None or after is None or not changed.causes:
        return []
    causes = by_task(changed)
    told, news = shown_causes(causes, after - before), _after_news(changed)
    turned = {_worded(cause, 0.0) for cause, _ in causes if cause.rpartition(" ")[2] in _TURNED}
    told.sort(key=lambda cause: (cause[0] != RECALL, cause[0] not in turned))
    after_news = [(f"{cause}{news if cause in turned else ''}", seconds) for cause, seconds in told]
    if len(told) == 1:
        return [after_news[0][0]]
    return [
        *([_some(after_news, MOST_CAUSES)] if news else []),
        *(_some(told, most) for most in range(min(MOST_CAUSES, len(told)), 0, -1)),
    ]


def _some(told: Sequence[tuple[str, int]], most: int) -> str:
    """The first causes, and what the others come to."""
    rest = sum(seconds for _, seconds in told[most:])
    parts = [f"{cause} {change(seconds)}" for cause, seconds in told[:most]]
    paced = all(" work " in cause for cause, _ in told[most:])
    words = f"work {'slower' if rest > 0 else 'faster'}" if paced else "other"
    return ", ".join([*parts, *([f"{words} {change(rest)}"] if rest else [])])


_DECIDED = {"dropped work": "out", KEPT: "in", "restored work": "in", "added work": "in"}
"""What a cause that somebody decided on does to what is counted."""


def by_task(changed: Changed) -> list[tuple[str, float]]:
    """The causes; what somebody decided on is named by its tasks, where these are known."""
    own = [cause for cause, _ in changed.causes]
    out = []
    for cause, seconds in changed.causes:
        turned = _DECIDED.get(cause)
        ends = [name.rpartition(" ") for name in changed.turned if name not in own]
        tasks = [task for task, _, how in ends if how == turned]
        alone = sum(_DECIDED.get(other) == turned for other in own) == 1
        out.append((f"{', '.join(tasks)} {turned}" if turned and tasks and alone else cause, seconds))
    return out


def shown_causes(causes: Sequence[tuple[str, float]], whole_s: int) -> list[tuple[str, int]]:
    """Causes in words, the greatest first, in seconds of whole minutes that add up to what is shown.

    What rounding leaves over goes to the greatest; a cause of no minute is left out where another has any.
    """
    named = sorted(causes, key=lambda cause: -abs(cause[1]))
    if not named:
        return []
    shown: dict[str, int] = {}
    for cause, seconds in named:
        words = _worded(cause, seconds)
        shown[words] = shown.get(words, 0) + (nearest(seconds) or 0)
    first = next(iter(shown))
    shown[first] += whole_s - sum(shown.values())
    told = sorted(shown.items(), key=lambda cause: cause[0] != RECALL)
    return [(cause, seconds) for cause, seconds in told if seconds] or [(first, 0)]


def _worded(cause: str, seconds: float) -> str:
    """A cause as it is said; what is counted by now, or no longer, is said of a task as on every screen.

    Of pace, whether the work goes slower or faster than before: `seconds` is what it moves INSIDE by.
    """
    task, _, turned = cause.rpartition(" ")
    if turned in _TURNED:
        return f"{task} {_TURNED[turned]}"
    kind, how = cause.removeprefix("pace of "), "slower" if seconds >= 0 else "faster"
    return cause if kind == cause else f"{'other' if kind == 'general' else kind} work {how}"


_TURNED = {"in": "now counted", "out": "not counted"}


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
    return f"INSIDE {pet_up(ends.p50)} {counted_words(progress, estimate)}{within}"

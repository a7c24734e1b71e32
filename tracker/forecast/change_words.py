"""What is said of a change: the rule under the head, why INSIDE moved, and what is counted now or no longer.

Hides how causes become words, which of them are named, and how minutes add up as they are shown.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from tracker.forecast.figures import Changed, Estimate
from tracker.forecast.wording import limit_words
from tracker.foundation.shown import change, down, nearest, pet_down, pet_up, up
from tracker.foundation.text import percent
from tracker.journal.kinds import KEPT

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
        inside_first = [*with_home, *(f"{said}: {why}" for why in whys), said, *least]
        if not _limits_first(changed, (after or 0) - (before or 0)):
            return inside_first
        first = _limits_forms(changed, need)
        beside_it = f"INSIDE {pet_up(inside.before)} -> {pet_up(inside.now)}{shift}{by_now}"
        why = [f": {why}" for why in _whys(changed)]
        return [*(f"{first[0]}; {beside_it}{more}" for more in (*why, "")), *first]
    chances = tuple(percent(share or 0.0, need) for share in (safe.before, safe.now))
    if chances[0] == chances[1]:
        told = f"INSIDE {pet_up(inside.now)} since {at}{by_now}: {turned}{_after_news(changed)}"
        return [f"{told}{home}", told] if home else [told]
    return _limits_forms(changed, need)


def _limits_first(changed: Changed, shift_s: float) -> bool:
    """Whether what came in moved the limits much and INSIDE little: a reading is no pace."""
    chance = abs((changed.safe.now or 0) - (changed.safe.before or 0))
    homes = down(changed.turn_home.before), down(changed.turn_home.now)
    home = 0 if None in homes else abs((homes[1] or 0) - (homes[0] or 0))
    much = chance >= CHANCE - 1e-9 or home >= MUCH_S
    return bool(changed.news or changed.read) and much and abs(shift_s) < MUCH_S


def _limits_forms(changed: Changed, need: float | None) -> list[str]:
    """The chance and turn home as they moved, when and why, from the longest form to the shortest."""
    chances = [percent(share or 0.0, need) for share in (changed.safe.before, changed.safe.now)]
    chance = f"chance {' -> '.join(chances)}" if chances[0] != chances[1] else ""
    home = _turn_home_moved(changed).removeprefix("; ")
    at, why = f" at {pet_down(changed.at)}", _chance_why(changed)
    told, why = ", ".join(filter(None, (chance, home))), f": {why}" if why else ""
    least = chance or home
    return list(
        dict.fromkeys(
            (f"{told}{at}{why}", f"{told}{why}", f"{least}{at}{why}", f"{least}{why}", f"{least}{at}")
        )
    )


def _chance_why(changed: Changed) -> str:
    """The limit whose chance moved most, and what came in of it: a reading of that store, else other news.

    Where hardly any chance moved, the one store that was read.
    """
    most = max(changed.limits, key=lambda limit: abs(limit.now - limit.before), default=None)
    if most is None:
        return ""
    read = dict.fromkeys(changed.read)
    if len(read) == 1 and "limits" not in changed.news and abs(most.now - most.before) < CHANCE - 1e-9:
        return f"{limit_words(next(iter(read)))} as it was read"
    if most.id in read:
        return f"{limit_words(most.id)} as it was read"
    return f"{limit_words(most.id)}{_after_news(changed)}"


TURN_HOME_S = 300
"""By so much the shown turn home has to move to be said beside the rest."""
MUCH_S = 600
"""From so much on a shift of turn home is said before one of INSIDE that is less."""


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

"""What wants a person: a function of progress, estimate and instant, with stable ids.

An alert is raised while its condition holds. Those that rest on moving figures (last calls, the chance,
hardware clocks) stay raised, when the figures move on, until they were seen or are settled: what they rest on
is worked out for the earlier instants with news too, so that every seat sees the same. One broken limit is
one alert. Here stand those of limits and of the way home; `wording` words them all.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from tracker.forecast.alert_inputs import (
    Look,
    Remedy,
    asked_from,
    calls_home,
    then_inside,
    when_raised,
)
from tracker.forecast.alert_words import (
    DOUBT,
    EARLY,
    GRAVE,
    alert_words,
    deed,
    slot,
)
from tracker.forecast.alerts_of_crew import of_crew
from tracker.forecast.alerts_of_work import of_work
from tracker.forecast.choices import best_choice, left_to_do, typed_lines
from tracker.forecast.earlier_instants import CLEARS
from tracker.forecast.figures import Alert, Choice, Estimate, LimitFigure
from tracker.forecast.wording import (
    chance_of,
    first_limit,
    is_short,
    limit_words,
    need_of,
    nine_leave,
)
from tracker.foundation.shown import pet_down, pet_up
from tracker.foundation.text import amount, percent, percent_asked, plain
from tracker.journal.progress import Progress, all_called, done_share

NEAR_S = 30 * 60.0
"""A limit that comes so soon after INSIDE is to be acted upon where the chance is below the need."""
HOME_SOON_S = (5 * 60.0, 15 * 60.0)
"""How long before turn-back it has to be acted upon, and looked at."""
NEWS_S = 600.0
"""How long it is said what was offered before, as what else changed is."""
BELOW = 0.10
"""By so much lower than when it was seen the chance wants to be seen again."""


def alerts(progress: Progress, made: Estimate, *, now: float) -> tuple[Alert, ...]:
    """The alerts at `now` (PET seconds): those to act upon first, then as `urgency` says.

    `made`: the estimate of that instant, its own alerts not needed; with its choices what a person can do is
    the best of them. Empty once the excursion is closed.
    """
    if progress.closed is not None:
        return ()
    look = Look(progress, made, now)
    found: dict[str, Alert] = {}
    for alert in (*_limits(look), *of_work(look), *of_crew(look)):
        found.setdefault(alert.id, replace(alert, text=plain(alert_words(alert, now))))
    return tuple(sorted(found.values(), key=lambda alert: urgency(alert, now)))


_WEIGHS: Mapping[str, tuple[int, bool | None]] = {
    "below": (0, True), "turn-back": (0, None), "clock": (0, None), "rate": (0, None),
    "confidence": (0, None), "silent": (0, True), "tick": (1, True), "go": (1, None), "idle": (1, True),
    "hold": (1, True),
    "window": (1, None), "owner": (1, True), "last-call": (1, None), "inside": (2, True), "gap": (2, None),
    "open-items": (2, False), "not-back": (2, False), "round": (3, False), "reading": (3, False),
    "answer": (3, False), "order": (1, True), "heard-recall": (1, True),
}  # fmt: skip
"""By kind what is lost when an alert is overlooked: people and limits, work, what is to be said, records; and
when: every minute, once its time is there (None), or nothing for now."""
_BITES_S = (5 * 60.0, 15 * 60.0, 30 * 60.0)
"""Times left that are told apart: within them the heavier comes first."""


def urgency(alert: Alert, now: float) -> tuple[bool, int, int, float]:
    """The order of alerts at PET `now`: to act upon, then how soon it costs something, then what is lost."""
    weight, at_once = _WEIGHS.get(alert.kind, (2, None))
    left = math.inf if alert.by is None or at_once is False else 0.0 if at_once else alert.by - now
    return alert.severity != "act", sum(left > span for span in _BITES_S), weight, left


def _limits(look: Look) -> Iterator[Alert]:
    """Turn home now, else the chance; and that turn-back is near."""
    back, progress = look.made.turn_back, look.progress
    if progress.zero is not None and not back.homebound and not all_called(progress):
        if back.latest is None:
            yield _turn_home_now(look)
            return
        soon = list(_turn_home_soon(look, back.latest))
        yield from soon
        if any(alert.severity == "act" for alert in soon):
            best = _offered(look)
            if best is None or best.id == "call-home":
                return
    yield from _chance(look)


def _turn_home_now(look: Look) -> Alert:
    made, limit = look.made, look.made.binding
    back = made.turn_back
    spare = None if limit is None else limit.to_spare
    if limit is not None and spare is not None and spare >= 0:
        # As it goes most courses are in time: what is missed is the chance, which a call now keeps highest.
        whose, chance, need = need_of(made)
        worst, but = _but_in_one_of_ten(limit)
        low = f"{whose or 'chance'} {slot('chance', 'chance')}, need {percent_asked(need)}"
        told = f"{low}: {_spare(limit)}{but}"
        own = {"chance": chance, "worst": worst}
    else:
        after = "" if spare is None else f", {slot('spare', 'min')} after it"
        told, own = f"{_reach(limit)}; all inside {slot('inside', 'up')}{after}", {}
    calls, do, figures = calls_home(look)
    home = look.choice("call-home")
    ask = "" if home is None or home.meets else _ask(made, home.binding, home.nine, home.inside.p90)
    return look.alert(
        "turn-back",
        f"TURN HOME NOW: {told}. {calls}{ask}",
        severity="act",
        subject=None if limit is None else limit.id,
        since=back.missed,
        by=look.now,
        do=do,
        **{**_against(look, limit), **own, **figures},
    )


def _but_in_one_of_ten(limit: LimitFigure) -> tuple[float | None, str]:
    """How short one course of ten is of a limit that most keep, and the words; else nothing.

    Without it nobody understands a low chance beside two hours to spare.
    """
    worst = limit.margin.p90
    if worst is None or not is_short(worst) or (limit.to_spare or 0) < 0:
        return None, ""
    return worst, f", but in 1 case of 10 {slot('worst', 'spare')} or worse"


def _against(look: Look, limit: LimitFigure | None) -> Mapping[str, float | None]:
    """The figures of a limit beside INSIDE."""
    reached = None if limit is None or limit.reached is None else limit.reached.p50
    return {
        "reached": reached,
        "spare": None if limit is None else limit.to_spare,
        "inside": look.made.inside.p50,
        "need": need_of(look.made)[2],
    }


def _turn_home_soon(look: Look, latest: float) -> Iterator[Alert]:
    """Turn-back within five or fifteen minutes, where closeout as it goes starts later than that."""
    soon = next((span for span in HOME_SOON_S if latest - look.now <= span), None)
    goes, past = _closeout_starts(look), look.past("turn-back")
    if remembered := past is not None or look.past(f"turn-back:{HOME_SOON_S[0] // 60:.0f}") is not None:
        soon = HOME_SOON_S[0]
    if soon is None or goes is None or (goes <= latest and not remembered):
        return
    back, act = look.made.turn_back, soon == HOME_SOON_S[0]
    mover = None if back.mover is None else plain(look.progress.steps[back.mover].step.do, most=60)
    moves = f"; once begun, {mover} moves it to {slot('moved_to', 'down')}" if mover else ""
    home = f"turn home by {slot('latest', 'down')}, {slot('latest', 'in')}"
    was = "" if past is None else f" (no call kept every limit at {slot('was', 'down')})"
    yield look.alert(
        "turn-back" if past is not None else f"turn-back:{soon // 60:.0f}",
        f"{home}{was}: inside {slot('if_now', 'up')} if called now. {deed('calls home')}{moves}",
        severity="act" if act else "look",
        since=max(latest - soon, 0.0),
        by=latest,
        do=["call home"],
        latest=latest,
        as_it_goes=goes,
        was=None if past is None else past.at,
        if_now=back.inside_if_now.p50,
        moved_to=back.moved_to,
    )


def _closeout_starts(look: Look) -> float | None:
    """The PET at which closeout begins on the projected course."""
    tasks = look.progress.tasks
    starts = [figure.start.p50 for figure in look.made.tasks if tasks[figure.task].task.closeout]
    return min((start for start in starts if start is not None), default=None)


def _chance(look: Look) -> Iterator[Alert]:
    """The chance below what is needed, as long as what is kept is in doubt."""
    whose, chance, need = need_of(look.made)
    past = look.past(DOUBT)
    unmet = chance < need - 1e-9
    over = any((limit.to_spare or 0) < 0 for limit in look.made.limits)
    if past is None or (done_share(look.progress) < EARLY and not over):
        return
    if not unmet and 1 - chance <= CLEARS * (1 - need):
        return  # Figures that are newer than the advice: at its own instant it would be in no doubt any more.
    limit = look.made.binding
    id, now = DOUBT, f"{whose or 'chance'} {slot('chance', 'chance')}"
    # Between entries it is raised whenever a seat looks: that is no instant that all seats could say.
    known = any(past.at == max(event.at, 0.0) for event in look.progress.events)
    same = percent(past.figure, need) == percent(chance, need)
    was = "" if same or not known else when_raised("chance")
    choice, (best, do, figures) = _best(look) if unmet else (None, ("", (), {}))
    presses, why = _presses(look, choice, over=over) if unmet else (False, ", just met")
    own = chance if limit is None else 1 - limit.chance
    told = percent(own, need) != percent(chance, need)
    alone = f", chance {slot('own', 'chance')}" if told else ""
    first = first_limit(look.made.limits)
    if told and limit is not None and first is not None and first.id != limit.id:
        # Another one comes first: what is told of this one is that it is the least sure, as in the rule.
        alone = f", least sure to hold, {slot('own', 'chance')}"
    worst, but = (None, "") if limit is None or not unmet else _but_in_one_of_ten(limit)
    alone += but
    found = look.alert(
        id,
        f"{now}, need {percent_asked(need)}{why}{was}: {_spare(limit)}{alone}{f'. {best}' if best else ''}",
        severity="act" if presses else "look",
        subject=None if limit is None else limit.id,
        since=past.at,
        by=None if limit is None or limit.reached is None else limit.reached.p50,
        do=do,
        chance=chance,
        own=own,
        worst=worst,
        was=past.figure,
        raised=past.at,
        **{**_against(look, limit), **figures},
    )
    yield replace(found, acknowledged=found.acknowledged and not _lower(look, id))


def _presses(look: Look, choice: Choice | None, *, over: bool) -> tuple[bool, str]:
    """Whether a chance below the need is to be acted upon now, and what is said of that.

    It is where a limit is over or nearly, where the chance is far below, and where what helps goes by: the
    work that would be left out is in hand or next. As long as somebody is asked whether a tick is missing,
    that is what is to be done, unless a limit is over.
    """
    made, grave = look.made, look.past(GRAVE)
    if made.unheard and not over and (grave is None or grave.at >= min(map(asked_from, made.unheard))):
        crew = dict.fromkeys(one.crew for one in made.unheard)
        return False, f" if {' '.join(crew)} {'is' if len(crew) == 1 else 'are'} still at it"
    near = any(left is not None and left < NEAR_S for left in (limit.to_spare for limit in made.limits))
    if over or near or grave is not None:
        return True, ""
    steps = look.progress.steps
    soon = {steps[s].step.task for order in look.progress.order.values() for s in order[:2]}
    goes = choice is not None and any(event.get("task") in soon for event in choice.events)
    return goes, ""


def _best(look: Look) -> tuple[Choice | None, Remedy]:
    """What can be done about the chance, where that is a choice which was worked out, and in words.

    The one that is offered; where it is not enough, then what to ask the lead for.
    """
    choice = _offered(look)
    if choice is None:
        # Nothing that is taken back a moment later: what is offered stands for a while.
        sought = look.choices is None or look.proposed is not None
        return None, ("What helps is being worked out", (), {}) if sought else _nothing_better(look)
    do = typed_lines(choice)
    if choice.id in ("call-home", "call-at-once"):
        words = deed("calls home" if choice.id == "call-home" else "calls home at once")
    else:
        words = _drops(look, choice, do)
    ask = _ask(look.made, choice.binding, choice.nine, choice.inside.p90)
    enough = any(one.meets for one in look.choices or () if one.safe > choice.safe)
    ask = "" if choice.meets else ", just below the need" if enough else f", the best left{ask}"
    latest = look.made.turn_back.latest
    figures = {
        "then_inside": choice.inside.p50,
        "then_safe": chance_of(choice, look.made),
        "then_at": choice.at,
    }
    then = f", as of {slot('then_at', 'down')}" if pet_down(choice.at) != pet_down(look.now) else ""
    # A recall costs all the work that is left: who reads of it must see how long it can still wait.
    if choice.id == "call-home" and latest is not None and latest > look.now:
        then, figures["home_by"] = f"{then}; time for that until {slot('home_by', 'down')}", latest
    return choice, (f"{words}: {then_inside()}{then}{_instead(look, choice)}{ask}", do, figures)


def _offered(look: Look) -> Choice | None:
    """The choice that is offered; None where nothing is better, or what was offered is done."""
    if look.choices is None:
        return None
    known = left_to_do(look.progress, look.made, look.choices)
    if look.proposed is not None:
        return next((choice for choice in known if choice.proposed), None)
    return best_choice(look.progress, look.made, known)


def _instead(look: Look, choice: Choice) -> str:
    """What was offered before, and why that is offered no more, as long as that is news."""
    one = choice.proposed
    if one is None or not one.instead or look.now - one.since >= NEWS_S:
        return ""
    why = f": {one.why}" if one.why else ""
    return f" (until {pet_down(one.since)} {plain(one.instead, most=80)}{why})"


def _drops(look: Look, choice: Choice, do: Sequence[str]) -> str:
    """What is dropped: all of it together, and whether the plan has it as must work."""
    words = " and ".join(deed(f"drops {line.removeprefix('drop ')}") for line in do)
    together = ", together" if len(do) > 1 else ""
    musts = [task for task in choice.given_up if not look.progress.tasks[task].task.optional]
    must = f" ({' and '.join(musts)}: must work, ask the lead)" if musts else ""
    return f"{words}{must}{together}"


def _nothing_better(look: Look) -> Remedy:
    made = look.made
    binds = None if made.binding is None else made.binding.id
    return f"Nothing faster is left{_ask(made, binds, nine_leave(made), made.inside.p90)}", (), {}


def _ask(made: Estimate, binds: str | None, nine: float | None, late: float | None) -> str:
    """What to ask the lead for: the reserve, or the later limit, that nine courses of ten keep."""
    store = next((s for s in made.consumables if f"{s.crew}.{s.consumable}" == binds), None)
    if store is not None and nine is not None:
        keep, reserve = (
            f"9 cases of 10 keep {amount(nine, store.unit)} or more",
            amount(store.reserve, store.unit),
        )
        if nine >= store.reserve:
            return f". {keep}, the reserve is {reserve}"
        return f". Ask the lead: {keep} of the reserve of {reserve}"
    return "" if late is None else f". In 9 cases of 10 all are inside by {pet_up(late)}: ask the lead"


def _lower(look: Look, id: str) -> bool:
    """Whether the chance is much lower than when the alert was seen."""
    seen = look.seen_at(id)
    known = [was for at, was in look.made.advice.chances if seen is not None and at <= seen]
    return bool(known) and look.made.safe < known[-1] - BELOW + 1e-9


def _reach(limit: LimitFigure | None) -> str:
    """That a limit is reached, and when."""
    if limit is None:
        return "no limit holds"
    if limit.reached is None:
        return f"{limit_words(limit.id)} closes before its step can begin"
    if "." in limit.id:
        return f"{limit_words(limit.id)} reaches its reserve at {slot('reached', 'down')}"
    return f"{limit_words(limit.id)} at {slot('reached', 'down')}"


def _spare(limit: LimitFigure | None) -> str:
    """A limit, when it is reached, and what is to spare."""
    if limit is None or limit.reached is None:
        return _reach(limit)
    return f"{limit_words(limit.id)} at {slot('reached', 'down')}, {slot('spare', 'spare')}"

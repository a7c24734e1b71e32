"""What is left to choose, what each choice comes to, and which one is offered where the chance is in doubt.

A choice is a few supposed events at the present instant, on the same fold and the same random numbers, and
its figures are those of an estimate of what they leave: all else stays as it is counted, as it does once the
deed is recorded. Hidden here: which choices there are, what goes along with each, the best set that still has
a task which does not fit, and the table of them in plain columns.

What is offered is the mildest that is enough, and stays: who reads an alert under stress acts on it once, and
an offer that changes with every estimate is trusted by nobody. It stays as long as it meets what is needed,
or is the best there is but for `BETTER`. It is looked at when the doubt arises, at the instants at which what
is kept is reviewed, with every reading and limit, and every ten minutes in which nothing comes; between those
it goes only for what is better by `MUCH_BETTER`, or where it can be done no more. The looks are taken again
from the events in force, so the offer is a function of journal and present, the same at every seat; they
reach back to when the doubt arose.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from tracker.forecast.advice import musts_given_up
from tracker.forecast.change_words import CHANCE
from tracker.forecast.earlier_instants import Past, names
from tracker.forecast.figures import Choice, Estimate, Proposed
from tracker.forecast.kept_set import kept_set
from tracker.forecast.limits import with_needs
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.wording import (
    chance_of,
    choice_words,
    first_limit,
    limit_words,
    need_of,
    nine_leave,
    within_words,
)
from tracker.forecast.world import OptionalTask, World
from tracker.foundation.errors import EventError
from tracker.foundation.shown import change, pet_down, pet_up, spare_words, up
from tracker.foundation.text import amount, columns, percent
from tracker.journal.progress import Progress, all_called, supposed_at

Play = Callable[[Progress, Collection[str]], Estimate]
"""The estimate of a progress with these optional tasks counted besides those begun."""
Build = Callable[[Progress], World]
"""The world of a progress, in which every set of optional tasks can be played."""


@dataclass(frozen=True, slots=True)
class Deed:
    """One choice before it is played."""

    id: str
    """`must-only`, `committed`, `as-advised`, `everything`, `keep:T`, `drop:T`, `later:T`, `swap:T:U`,
    `give-up:M`, `call-home` or `call-at-once`; of a swap every task that makes room is named."""
    events: tuple[Mapping[str, Any], ...]
    """What would be recorded."""
    kept: frozenset[str]
    """Optional tasks not begun and undecided that are counted."""
    given_up: tuple[str, ...] = ()


def _known(choice: Choice, found: Sequence[Choice]) -> bool:
    """Whether another one comes to the same set of tasks."""
    return any(not other.given_up and set(other.tasks) == set(choice.tasks) for other in found)


@dataclass(frozen=True, slots=True, eq=False)
class ChoiceTable:
    """The table of choices for one estimate. What the journal would refuse is no choice."""

    progress: Progress
    made: Estimate
    optional: Sequence[OptionalTask]
    """The undecided tasks of the estimate's world."""
    short: bool
    """Whether leaving out all optional work is not enough."""
    play: Play
    build: Build

    def choices(self) -> tuple[Choice, ...]:
        """Every choice at the instant of the estimate."""
        found: list[Choice] = []
        for deed in self.deeds(found):
            choice = self.choice(deed)
            if choice is not None and not (deed.id.startswith("swap:") and _known(choice, found)):
                found.append(choice)
        return tuple(found)

    def remedies(self) -> Iterator[Deed]:
        """The deeds that take work away, the mildest first: they can only make it safer."""
        bases = [deed for deed in self._bases() if deed.events and deed.id != "everything"]
        drops = [deed for deed in self._flips() if deed.id.startswith("drop:")]
        yield from (*bases, *drops, *self._musts(), *self._recalls())

    def deeds(self, found: Sequence[Choice]) -> Iterator[Deed]:
        """Every deed in the order of the table; `found`: what those before it came to."""
        yield from self._bases()
        yield from self._flips()
        yield from self._swaps(found)
        yield from self._musts()
        yield from self._recalls()

    @property
    def _kept(self) -> frozenset[str]:
        """Optional tasks that are counted and not decided."""
        return self.made.counted & {task.task for task in self.optional}

    def _bases(self) -> Iterator[Deed]:
        going = with_needs(self.optional, [m for m, task in enumerate(self.optional) if task.begun])
        begun = {self.optional[m].task for m in going}
        ahead = [task.task for task in self.optional]
        every = [name for name in self.progress.tasks if self._may_go(name)]
        yield Deed("must-only", tuple(map(_drop, every)), frozenset())
        yield Deed("committed", tuple(_drop(task) for task in ahead if task not in begun), frozenset(begun))
        yield Deed("as-advised", (), self._kept)
        yield Deed("everything", tuple(map(_keep, ahead)), frozenset(ahead))

    def _may_go(self, task: str) -> bool:
        """Whether the plan has a task as optional and something of it is ahead, decided or not."""
        state = self.progress.tasks[task]
        return state.task.optional and state.status in ("open", "begun")

    def _flips(self) -> Iterator[Deed]:
        """Each undecided task the other way, in the plan's order: taken in first, then left out."""
        tasks = [task.task for task in sorted(self.optional, key=lambda task: task.place)]
        for task in tasks:
            if task not in self._kept:
                yield Deed(f"keep:{task}", (_keep(task),), self._kept | {task})
        for task in tasks:
            if task in self._kept:
                yield Deed(f"drop:{task}", (_drop(task),), self._kept - {task})
        for figure in self.made.optional:
            if figure.advice == "later":
                moved = {"kind": "moved", "task": figure.task, "last": True}
                yield Deed(f"later:{figure.task}", (moved,), self._kept | {figure.task})

    def _swaps(self, found: Sequence[Choice]) -> Iterator[Deed]:
        """The best set that has a task which with all else misses what is needed."""
        missed = [choice for choice in found if choice.id.startswith("keep:") and not choice.meets]
        for choice in missed:
            task = choice.id.removeprefix("keep:")
            sets = TaskSets(self.build(_supposed(self.progress, (_keep(task),), self.made.at)))
            best = kept_set(sets)
            if not best.holds:
                continue
            kept = names(sets.world, best.tasks)
            open_to = {other.task for other in sets.world.optional}
            out = [name for name in self.progress.tasks if name in (self._kept & open_to) - kept]
            taken = [name for name in self.progress.tasks if name in kept - self._kept]
            if out:
                events = (*map(_keep, (task, *taken)), *map(_drop, out))
                yield Deed(":".join(("swap", task, *out)), events, kept)

    def _musts(self) -> Iterator[Deed]:
        """Each must given up, with those that need it, where leaving out optional work is not enough.

        What the plan has as must work goes only with all its optional work, whatever was decided of that.
        """
        every = [name for name in self.progress.tasks if self._may_go(name)]
        for task, others in musts_given_up(self.progress) if self.short else ():
            gone = (task, *others)
            if all(self.progress.tasks[name].task.optional for name in gone):
                yield Deed(f"give-up:{task}", tuple(map(_drop, gone)), self._kept.difference(gone), gone)
            else:
                every_one = dict.fromkeys((*gone, *every))
                yield Deed(f"give-up:{task}", tuple(map(_drop, every_one)), frozenset(), gone)

    def _recalls(self) -> Iterator[Deed]:
        progress = self.progress
        outside = [c for c in progress.plan.outside if c not in progress.entered]
        calls = {progress.recall[c].call for c in outside if c in progress.recall}
        called = all(c in progress.recall for c in outside)
        if outside and not called:
            yield Deed("call-home", ({"kind": "called", "call": "home"},), frozenset())
        if outside and not (called and calls == {"at once"}):
            yield Deed("call-at-once", ({"kind": "called", "call": "at once"},), frozenset())

    def choice(self, deed: Deed) -> Choice | None:
        """What a deed comes to; None where the journal would refuse it."""
        try:
            then = _supposed(self.progress, deed.events, self.made.at)
        except EventError:
            return None
        return _figures(deed, self.play(then, deed.kept) if deed.events else self.made, self.made)


def _figures(deed: Deed, then: Estimate, made: Estimate) -> Choice:
    """The row of a deed, given the estimate of what it leaves."""
    tightest = then.binding
    return Choice(
        id=deed.id,
        tasks=tuple(sorted(then.counted)),
        given_up=deed.given_up,
        inside=then.inside,
        safe=then.safe,
        binding=None if tightest is None else tightest.id,
        reached=None if tightest is None else tightest.reached,
        to_spare=None if tightest is None else tightest.to_spare,
        shift=_shift(then.inside.p50, made.inside.p50),
        value=None if deed.id.startswith("call-") else then.value,
        meets=then.meets,
        at=made.at,
        nine=nine_leave(then),
        first=first_limit(then.limits),
        events=deed.events,
        entry=made.entry,
        safe_by=then.safe_by,
    )


def _shift(then: float | None, before: float | None) -> int | None:
    """By how much the shown INSIDE moves, seconds."""
    later, earlier = up(then), up(before)
    return None if later is None or earlier is None else later - earlier


def _keep(task: str) -> Mapping[str, Any]:
    return {"kind": "chose", "task": task, "choice": "keep"}


def _drop(task: str) -> Mapping[str, Any]:
    return {"kind": "dropped", "task": task}


def _supposed(progress: Progress, events: Sequence[Mapping[str, Any]], now: float) -> Progress:
    """The progress with these events at the present instant."""
    at = supposed_at(progress, now)
    return progress.suppose(*({**event, "at": at} for event in events))


# What is offered where the chance is below the need

BETTER, MUCH_BETTER = CHANCE, 0.10
"""By so much in the chance another one has to be better than what was offered and is not enough any more: at
a look the least change of a chance that is said, between looks what an alert that was seen is asked again
for."""
ENOUGH = 0.02
"""By so much above the need a milder one has to be to take the place of what was offered."""
_MOST = 256


def left_to_do(progress: Progress, made: Estimate, known: Sequence[Choice]) -> list[Choice]:
    """The choices that can still be taken and change something, each with the events that do."""
    still = (choice for choice in known if _still(progress, choice))
    changing = (
        replace(one, events=tuple(e for e in one.events if _changes(progress, made, e))) for one in still
    )
    return [choice for choice in changing if choice.events]


def _still(progress: Progress, choice: Choice) -> bool:
    """Whether what a choice gives up is still there, and who it calls not called."""
    tasks = [progress.tasks.get(str(event["task"])) for event in choice.events if "task" in event]
    if not tasks:
        return not all_called(progress) or choice.id == "call-at-once"
    return all(task is not None and task.status in ("open", "begun") for task in tasks)


def _changes(progress: Progress, made: Estimate, event: Mapping[str, object]) -> bool:
    """Whether an event changes the figures: a drop of what nobody counts does not."""
    task = str(event.get("task"))
    return event["kind"] != "dropped" or task in made.counted or not progress.tasks[task].optional


def best_choice(progress: Progress, made: Estimate, known: Sequence[Choice]) -> Choice | None:
    """The mildest choice that meets what is needed, else of those with the best chance; None: none is better.

    Mildest: work that the plan has as optional left out, also what was decided to be kept, before must work
    given up, before a recall; then what leaves the most value, takes the fewest deeds, is not begun yet.
    """
    costs = {choice.id: _cost(progress, choice) for choice in known}
    found = [choice for choice in known if costs[choice.id] is not None and choice.safe > made.safe]
    best = max((choice.safe for choice in found), default=0.0)
    meeting = [choice for choice in found if choice.meets]
    nearly = [choice for choice in found if choice.safe > best - BETTER]
    return min(
        meeting or nearly,
        key=lambda one: (
            costs[one.id],
            -(one.value or 0),
            len(one.events),
            sum(progress.tasks[task].status == "begun" for task in one.given_up),
            math.inf if one.shift is None else one.shift,
        ),
        default=None,
    )


_COST = {"drop": 0, "committed": 0, "must-only": 0, "give-up": 1, "call-home": 2, "call-at-once": 3}
"""What a choice costs, by the beginning of its id."""


def _cost(progress: Progress, choice: Choice) -> int | None:
    if choice.given_up and all(progress.tasks[task].task.optional for task in choice.given_up):
        return 0
    return _COST.get(choice.id.partition(":")[0])


def typed_lines(choice: Choice) -> tuple[str, ...]:
    """What is typed for a choice, a line an event."""
    words = {"chose": "keep", "dropped": "drop", "called": "call"}
    return tuple(f"{words[event['kind']]} {event.get('task') or event['call']}" for event in choice.events)


@dataclass(frozen=True, slots=True, eq=False)
class _Options:
    """What can be offered at one instant; each choice is weighed once it is asked for."""

    progress: Progress
    made: Estimate
    weigh: Mapping[str, Callable[[], Choice | None]]
    _found: dict[str, list[Choice]] = field(default_factory=dict)

    @staticmethod
    def of(progress: Progress, made: Estimate, known: Sequence[Choice]) -> _Options:
        """Those of choices that were weighed."""
        return _Options(progress, made, {one.id: partial(_itself, one) for one in known})

    @staticmethod
    def among(table: ChoiceTable) -> _Options:
        """Those of a table, not weighed yet."""
        weigh = {deed.id: partial(table.choice, deed) for deed in table.remedies()}
        return _Options(table.progress, table.made, weigh)

    def named(self, id: str) -> Choice | None:
        """The choice of an id; None where it is none any more."""
        if id not in self._found:
            choice = self.weigh[id]() if id in self.weigh else None
            known = [] if choice is None else [choice]
            self._found[id] = left_to_do(self.progress, self.made, known)
        return next(iter(self._found[id]), None)

    def best(self) -> Choice | None:
        """The one that is offered where none was before."""
        known = [choice for id in self.weigh if (choice := self.named(id)) is not None]
        return best_choice(self.progress, self.made, known)

    def milder(self, than: Choice, then: Choice) -> bool:
        """Whether a choice is milder than another, and enough by some margin."""
        costs = [_cost(self.progress, one) or 0 for one in (then, than)]
        return then.meets and costs[0] < costs[1] and then.safe >= need_of(self.made)[2] + ENOUGH


def _itself(choice: Choice) -> Choice:
    return choice


@dataclass(frozen=True, slots=True)
class Offer:
    """What is offered at one instant."""

    id: str
    lines: tuple[str, ...]
    proposed: Proposed


def next_offer(before: Offer | None, options: _Options, *, at: float, review: bool) -> Offer | None:
    """What is offered at PET `at` after what was before: the same, or another one and why."""
    same = None if before is None else options.named(before.id)
    if options.made.meets and same is not None:
        return before
    if same is not None and same.meets and not (review and _cost(options.progress, same)):
        return before
    best = options.best()
    if best is None or (options.made.meets and _cost(options.progress, best)):
        # Just met, and the doubt not gone yet: then no more than optional work is got ready to be offered.
        return None
    lines = typed_lines(best)
    if before is None:
        return Offer(best.id, lines, Proposed(at))
    if same is not None and (best.id == same.id or set(lines) == set(typed_lines(same))):
        return before
    if same is None:
        if _by_hand(options.progress, before.lines):
            return Offer(best.id, lines, Proposed(at))
        # Still to do, and offered no more: it went with what was in doubt, and nobody asks why.
        why = "" if _doable(options.progress, before.lines) else "can be done no more"
    elif review and options.milder(same, best):
        why = _milder_words(options.progress, best)
    elif not same.meets and best.safe - same.safe >= (BETTER if review else MUCH_BETTER) - 1e-9:
        why = "not enough any more" if best.meets else "not the best any more"
    else:
        return before
    return Offer(best.id, lines, Proposed(at, " and ".join(before.lines), why))


def _typed_tasks(progress: Progress, lines: Sequence[str]) -> list[str]:
    """How each task stands of which something was to be typed."""
    named = (line.partition(" ")[2] for line in lines)
    return [progress.tasks[name].status for name in named if name in progress.tasks]


def _by_hand(progress: Progress, lines: Sequence[str]) -> bool:
    """Whether a person did what was offered: that is not said to be impossible."""
    tasks = _typed_tasks(progress, lines)
    return all(status == "dropped" for status in tasks) and (bool(tasks) or all_called(progress))


def _doable(progress: Progress, lines: Sequence[str]) -> bool:
    """Whether all that was offered can still be typed."""
    tasks = _typed_tasks(progress, lines)
    return all(status in ("open", "begun") for status in tasks) and (bool(tasks) or not all_called(progress))


def _milder_words(progress: Progress, best: Choice) -> str:
    """That something milder is enough; must work given up is named, nobody takes it for mild."""
    musts = [task for task in best.given_up if not progress.tasks[task].task.optional]
    return f"{' and '.join(musts)} given up is enough" if musts else "what is milder is enough"


class _Offers(OrderedDict[object, "Offer | None"]):
    """What was offered at the looks taken so far."""


def offered(
    progress: Progress,
    made: Estimate,
    known: Sequence[Choice],
    *,
    past: Past,
    since: float,
    weigh: Callable[[Progress, float], ChoiceTable | None],
) -> tuple[Choice, ...]:
    """The choices of an estimate with the one marked that is offered, given since when it is in doubt.

    `weigh`: the table of choices at an earlier instant; None where nothing was in doubt there.
    """
    offer, offers = None, past.memory.of(_Offers)
    for at in _looks(past, since, made.at):
        key = offer, past.key_at(at)
        if key not in offers:
            then = progress.fold.until(at=at).progress()
            table = weigh(then, max(at, then.at))
            fresh = None if table is None else _Options.among(table)
            offers[key] = None if fresh is None else next_offer(offer, fresh, at=at, review=True)
            while len(offers) > _MOST:
                offers.popitem(last=False)
        offer = offers[key]
    here = _Options.of(progress, made, known)
    offer = next_offer(offer, here, at=made.at, review=made.at in past.looks(since, made.at))
    return tuple(
        replace(one, proposed=offer.proposed) if offer is not None and one.id == offer.id else one
        for one in known
    )


def _looks(past: Past, since: float, now: float) -> Iterator[float]:
    """The instants before `now` at which what is offered was looked at, in their order."""
    yield from sorted(at for at in {*past.looks(since, now), since} if at < now)


# In words


def choice_lines(estimate: Estimate) -> list[str]:
    """The table of choices: what each comes to, beside what is advised."""
    need = need_of(estimate)[2]
    rows = [_choice_cells(choice, estimate, need) for choice in estimate.choices or ()]
    if not rows:
        return ["choices: the excursion is over"]
    heads = ("", "inside", "8 in 10", "shift", "chance", "to spare", "comes first", "value")
    return [f"choices, as of {pet_down(estimate.at)}:", *columns([heads, *rows], right=range(1, 6))]


def _choice_cells(choice: Choice, estimate: Estimate, need: float) -> tuple[str, ...]:
    tasks = f": {' '.join(choice.tasks)}" if choice.tasks and ":" not in choice.id else ""
    first = choice.first
    return (
        f"{choice_words(choice)}{tasks}",
        pet_up(choice.inside.p50),
        within_words(choice.inside),
        change(choice.shift),
        f"{percent(chance_of(choice, estimate), need)}{'' if choice.meets else ' <'}",
        "-" if first is None else spare_words(first.to_spare).removesuffix(" to spare"),
        "-" if first is None else limit_words(first.id),
        "-" if choice.value is None else amount(choice.value),
    )

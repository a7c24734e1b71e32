"""What is left to choose, and what each choice comes to: bases, every task flipped, musts, both recalls.

A choice is a few supposed events at the present instant, on the same fold and the same random numbers, and
its figures are those of an estimate of what they leave; all else stays as it is counted, but where giving
something up makes room that the advice then fills. Hidden here: which choices there are, what goes along with
each, the best set that still has a task which does not fit, and the table of them in plain columns.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tracker.forecast.advice import musts_given_up
from tracker.forecast.earlier_instants import names
from tracker.forecast.figures import Choice, Estimate
from tracker.forecast.kept_set import kept_set
from tracker.forecast.limits import with_needs
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.wording import choice_words, first_limit, limit_words, need_of, nine_leave, within_words
from tracker.forecast.world import OptionalTask, World
from tracker.foundation.errors import EventError
from tracker.foundation.shown import change, pet_down, pet_up, spare_words, up
from tracker.foundation.text import amount, columns, percent
from tracker.journal.progress import Progress, supposed_at

Play = Callable[[Progress, Collection[str]], Estimate]
"""The estimate of a progress with these optional tasks counted besides those begun."""
Build = Callable[[Progress], World]
"""The world of a progress, in which every set of optional tasks can be played."""
Advised = Callable[[Progress], Collection[str]]
"""The optional tasks that the advice keeps at a progress."""


@dataclass(frozen=True, slots=True)
class Deed:
    """One choice before it is played."""

    id: str
    """`must-only`, `committed`, `as-advised`, `everything`, `keep:T`, `drop:T`, `later:T`, `swap:T:U`,
    `give-up:M`, `call-home` or `call-at-once`; of a swap every task that makes room is named."""
    events: tuple[Mapping[str, Any], ...]
    """What would be recorded."""
    kept: frozenset[str] | None
    """Optional tasks not begun and undecided that are counted; None: those that the advice then keeps."""
    given_up: tuple[str, ...] = ()


def choices(
    progress: Progress,
    made: Estimate,
    optional: Sequence[OptionalTask],
    *,
    play: Play,
    build: Build,
    advised: Advised,
) -> tuple[Choice, ...]:
    """Every choice at the instant of an estimate; none once the excursion is closed.

    `optional`: the undecided tasks of the estimate's world. What the journal would refuse is no choice.
    """
    if progress.closed is not None:
        return ()
    table = _Table(progress, made, optional, play, build, advised)
    found: list[Choice] = []
    for deed in table.deeds(found):
        choice = table.choice(deed)
        if choice is not None and not (deed.id.startswith("swap:") and _known(choice, found)):
            found.append(choice)
    return tuple(found)


def _known(choice: Choice, found: Sequence[Choice]) -> bool:
    """Whether another one comes to the same set of tasks."""
    return any(not other.given_up and set(other.tasks) == set(choice.tasks) for other in found)


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """The table of choices for one estimate."""

    progress: Progress
    made: Estimate
    optional: Sequence[OptionalTask]
    play: Play
    build: Build
    advised: Advised

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
        for task, others in musts_given_up(self.progress) if self.made.when_short else ():
            gone = (task, *others)
            if all(self.progress.tasks[name].task.optional for name in gone):
                # Nothing undecided was kept so far: what is given up makes room, and the advice fills it.
                yield Deed(f"give-up:{task}", tuple(map(_drop, gone)), None, gone)
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
        kept = self.advised(then) if deed.kept is None else deed.kept
        return _figures(deed, self.play(then, kept) if deed.events else self.made, self.made)


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


def choice_lines(estimate: Estimate) -> list[str]:
    """The table of choices: what each comes to, beside what is advised."""
    need = need_of(estimate)[2]
    rows = [_choice_cells(choice, need) for choice in estimate.choices or ()]
    if not rows:
        return ["choices: the excursion is over"]
    heads = ("", "inside", "8 in 10", "shift", "chance", "to spare", "comes first", "value")
    return [f"choices, as of {pet_down(estimate.at)}:", *columns([heads, *rows], right=range(1, 6))]


def _choice_cells(choice: Choice, need: float) -> tuple[str, ...]:
    tasks = f": {' '.join(choice.tasks)}" if choice.tasks and ":" not in choice.id else ""
    first = choice.first
    return (
        f"{choice_words(choice)}{tasks}",
        pet_up(choice.inside.p50),
        within_words(choice.inside),
        change(choice.shift),
        f"{percent(choice.safe, need)}{'' if choice.meets else ' <'}",
        "-" if first is None else spare_words(first.to_spare).removesuffix(" to spare"),
        "-" if first is None else limit_words(first.id),
        "-" if choice.value is None else amount(choice.value),
    )

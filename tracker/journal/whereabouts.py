"""Where crew members are and where the hardware is: questions asked of progress."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from tracker.foundation.shown import duration, pet_down, up
from tracker.foundation.text import plain
from tracker.journal.progress import Progress
from tracker.plan.hardware import meant_places
from tracker.plan.model import LOCK, Hardware, Step


@dataclass(frozen=True, slots=True)
class Place:
    """A site at which somebody is, or was last."""

    crew: str
    site: str
    since: float
    """PET at which that became known: the begin of a step there, or when somebody said so."""
    step: str | None
    """The step that took them there; None where somebody said so."""
    home_s: float
    """Seconds that the way home takes from there."""


def place_of(progress: Progress, crew: str, now: float) -> Place | None:
    """Where somebody is at PET `now`: the last site of their steps, or what was said since; None if unknown.

    What was said goes before a step in hand that began earlier; one that ends or begins later goes before it.
    Whoever is inside, or back at the lock, is at no site. A step begun at this very instant does not count:
    who is called now has not gone there.
    """
    if crew in progress.entered:
        return None
    worked, back = _worked(progress, crew, now), _back(progress, crew)
    worked = None if worked is not None and worked[0] <= back else worked
    said = [
        e for e in progress.events if e.kind == "placed" and e.body["crew"] == crew and back < e.at <= now
    ]
    if said and (worked is None or said[-1].at >= worked[0]):
        site, since, step = str(said[-1].body["site"]), max(0.0, said[-1].at), None
    elif worked is not None:
        _, site, since, step = worked
    else:
        return None
    return Place(crew, site, since, step, float(progress.plan.sites[site]))


def _back(progress: Progress, crew: str) -> float:
    """The PET at which somebody's closeout had brought them to the lock; minus infinity where it has not."""
    done = [
        s.done
        for s in progress.steps.values()
        if s.ended == "done" and s.done is not None and crew in s.crew and leads_home(progress, s.step)
    ]
    return max(done, default=float("-inf"))


def leads_home(progress: Progress, step: Step) -> bool:
    """Whether who has done this step is at the lock: in closeout the way there, or what closes something."""
    closeout = progress.tasks[step.task].task.closeout
    return closeout and (step.time.home or bool(step.closes))


def place_words(place: Place) -> str:
    """A site and the minutes home from there: `truss-4, 12 min home`."""
    return f"{plain(place.site, most=24)}, {duration(up(place.home_s))} home"


def _worked(progress: Progress, crew: str, now: float) -> tuple[float, str, float, str | None] | None:
    """Of their last work at a site: from when on word goes before it, the site, since when, the step."""
    sites, last, found = progress.plan.sites, -1.0, None
    for spent in reversed(progress.spent.get(crew, ())):
        if spent.kind == "work" and spent.step is not None and spent.start < now:
            site = progress.steps[spent.step].step.site
            if site in sites:
                last = now if spent.end is None else spent.end
                found = spent.end or spent.start, str(site), spent.start, spent.step
                break
    for id, state in progress.steps.items():
        # A step that took no time at all is in nobody's stretches of work.
        done, site = state.done, state.step.site
        if (
            state.ended == "done"
            and done is not None
            and done > last
            and crew in state.crew
            and site in sites
        ):
            last, found = done, (done, str(site), done, id)
    return found


@dataclass(frozen=True, slots=True)
class Piece:
    """Where a piece of hardware is: with somebody, or at a site, or in the lock."""

    hardware: Hardware
    crew: tuple[str, ...]
    """Who has it; empty where it lies somewhere."""
    site: str
    """Where it lies, `LOCK` where it is not out; empty while somebody has it."""
    since: float
    by: str
    """The step that says so, or the kind of the event; empty of what it was like at zero."""

    @property
    def words(self) -> str:
        """It in words: `wrench with EV2 since 2:10`, `lamp at truss-4 since 1:20`."""
        where = f"with {' '.join(self.crew)}" if self.crew else f"at {self.site}"
        return f"{self.hardware.id} {where} since {pet_down(self.since)}"


def hardware_at(progress: Progress, now: float) -> Mapping[str, Piece]:
    """Where each piece of hardware is at PET `now`, in the order of the plan.

    A step takes what it takes when it begins, leaves and brings by the time it is done; `took` and `put` say
    otherwise. Brought is what the step's crew has, or what lies at its site. Who comes in brings along what
    nobody else outside has.
    """
    hardware = {one.id: one for one in progress.plan.hardware}
    found = {id: Piece(one, (), one.origin, 0.0, "") for id, one in hardware.items()}
    for at, _, id, crew, site, by in sorted(_moves(progress)):
        if at <= now and not id:
            held = [piece for piece in found.values() if crew[0] in piece.crew]
            inside = {c for c, since in progress.entered.items() if since <= at}
            back = {
                p.hardware.id: Piece(p.hardware, (), LOCK, at, by) for p in held if inside.issuperset(p.crew)
            }
            found |= back
            continue
        brought = bool(crew and site)
        if at <= now and id in hardware and (not brought or _reached(progress, found[id], crew, by)):
            found[id] = Piece(hardware[id], () if site else crew, site, at, by)
    return found


def _reached(progress: Progress, piece: Piece, crew: tuple[str, ...], step: str) -> bool:
    """Whether a step can bring a piece: somebody of its crew has it, or it lies where the step is done."""
    where = progress.steps[step].step.site
    return bool(set(crew) & set(piece.crew)) or (not piece.crew and piece.site == where)


def all_entered(progress: Progress) -> bool:
    """Whether each of those outside was said to be inside."""
    return bool(progress.plan.outside) and progress.entered.keys() >= set(progress.plan.outside)


def unowned(progress: Progress) -> tuple[str, ...]:
    """The steps that are open though all who should do them are inside."""
    open_now = ((id, state) for id, state in progress.steps.items() if state.ended is None)
    return tuple(id for id, state in open_now if progress.entered.keys() >= set(state.crew))


def came_along(progress: Progress, now: float) -> tuple[str, ...]:
    """The hardware that is taken as back because who had it came in; no step brought it."""
    return tuple(id for id, one in hardware_at(progress, now).items() if one.by == "entered")


def out_now(progress: Progress, now: float) -> tuple[Piece, ...]:
    """What is out: with somebody who has work left, or left at a site where it was not at zero."""
    pieces = (one for one in hardware_at(progress, now).values() if one.by and one.site != LOCK)
    return tuple(one for one in pieces if one.site or any(progress.order.get(c) for c in one.crew))


def _moves(progress: Progress) -> Iterator[tuple[float, tuple[int, int], str, tuple[str, ...], str, str]]:
    """Yield when, in which order of what is simultaneous, which piece, who has it or where it is, and why.

    With both it is brought by them, if they can; without a piece it is somebody's way in.
    """
    for place, (id, state) in enumerate(progress.steps.items()):
        if state.began is not None:
            for one in state.step.takes:
                yield state.began, (place, 0), one, state.crew, "", id
        if state.ended == "done" and state.done is not None:
            for one, site in state.step.leaves.items():
                yield state.done, (place, 1), one, (), site, id
            for one in state.step.brings:
                yield state.done, (place, 1), one, state.crew, LOCK, id
    late = len(progress.steps)
    for event in progress.events:
        if event.kind in ("took", "put"):
            body = event.body
            crew = (str(body["crew"]),) if "crew" in body else ()
            at = max(0.0, event.at)
            yield at, (late, event.number), str(body["hardware"]), crew, str(body.get("site", "")), event.kind
    for c, at in progress.entered.items():
        yield at, (late, progress.number + 1), "", (c,), "", "entered"


def not_back(progress: Progress, now: float) -> tuple[Piece, ...]:
    """The hardware that is neither in the lock nor where the plan leaves it for good."""
    if not progress.plan.hardware:
        return ()
    meant = meant_places(progress.plan)
    pieces = hardware_at(progress, now).values()
    return tuple(one for one in pieces if one.site not in (LOCK, meant[one.hardware.id]))


def left_behind(progress: Progress, now: float) -> tuple[Piece, ...]:
    """What lies outside although it is due back, and no step ahead brings or takes it."""
    ahead = [progress.steps[s].step for s in {step for order in progress.order.values() for step in order}]
    return tuple(one for one in not_back(progress, now) if not one.crew and not _fetched(one, ahead))


def _fetched(piece: Piece, ahead: Iterable[Step]) -> bool:
    """Whether a step ahead takes a piece, or is done where it lies and brings it."""
    name = piece.hardware.id
    return any(name in step.takes or (name in step.brings and step.site == piece.site) for step in ahead)

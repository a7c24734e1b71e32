"""`tracker diff A B`: what two plans differ in, and what that does to course, margins and chances."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from tracker.foundation.shown import pet_up, up
from tracker.foundation.text import ADVISORY, columns, percent, plain, points
from tracker.foundation.times import format_pet, format_pet_s
from tracker.foundation.waiting import meanwhile

if TYPE_CHECKING:
    from tracker.journal.plan_revision import Revision
    from tracker.journal.progress import Progress
    from tracker.plan.diff import Change
    from tracker.plan.model import Plan


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    add = parser.add_argument
    add("a", metavar="A", help="a plan, or a journal: its plan as it stands")
    add("b", metavar="B", help="another plan")
    add(
        "--events",
        action="store_true",
        help="of a journal: the events that turn what is left into plan B, for `record --stdin`",
    )
    add("--at", metavar="PET", help="of a journal: as of this instant")
    add("--json", action="store_true", help="as one JSON object")
    add("--exit-code", action="store_true", help="end with status 1 where they differ")
    add("--pace", metavar="PACE", help="a pace file to judge the chances by")


def run(args: argparse.Namespace) -> int:
    """Say what differs: 0, or with `--exit-code` 1 where something does."""
    from tracker.cli.run import is_journal
    from tracker.foundation.errors import WrongUsage
    from tracker.journal.place import place_of
    from tracker.plan.diff import differences
    from tracker.plan.read import read_plan

    if is_journal(place_of(args.a)):
        return _of_journal(args)
    if args.events or args.at:
        raise WrongUsage("tracker diff: --events and --at are for a journal and a plan")
    with meanwhile("comparing the plans"):
        a, b = read_plan(args.a), read_plan(args.b)
        changes = differences(a, b)
        figures = _figures(a, b, args.pace) if changes else []
    return _output(args, b, changes, figures, [], None)


def _output(
    args: argparse.Namespace,
    plan: Plan,
    changes: Sequence[Change],
    figures: Sequence[Figure],
    said: Sequence[str],
    revised: Revision | None,
) -> int:
    if args.json:
        json.dump(_json(args, changes, figures, revised), sys.stdout, indent=1, allow_nan=False)
        print()
    else:
        for line in _lines(changes, figures, said, plan.confidence.need):
            print(plain(line, most=400))
    return 1 if args.exit_code and changes else 0


def _of_journal(args: argparse.Namespace) -> int:
    """Compare what is left of an excursion with a plan; with `--events` say it in events."""
    from tracker.cli.estimate import instant_of
    from tracker.foundation.errors import TrackerError
    from tracker.journal.journal import Journal
    from tracker.journal.plan_revision import as_amended, revision
    from tracker.journal.wording import event_words
    from tracker.plan.diff import differences
    from tracker.plan.read import read_plan

    plan = read_plan(args.b)
    with meanwhile("comparing what is left"), Journal.open(args.a, read_only=True) as journal:
        now = instant_of(journal, args.at)
        progress = journal.progress(at=now if args.at else None)
        found = revision(progress, plan)
        figures = _estimates(progress, found.after, now) if found.after is not None else []
    if args.events:
        for line in (*found.kept, *_table("", figures, plan.confidence.need)):
            print(plain(line, most=400), file=sys.stderr)
        if found.refused:
            raise TrackerError(*found.refused)
        # A journal that is live stamps what comes without an instant.
        for event in found.at(None if _is_live(progress) and not args.at else now):
            print(json.dumps(event))
        return 0
    said = [f"event: {event_words(progress, e['kind'], e)}" for e in found.events]
    changes = differences(as_amended(progress), plan)
    return _output(args, plan, changes, figures, [*said, *found.kept, *found.refused], found)


def _is_live(progress: Progress) -> bool:
    from tracker.foundation import clock
    from tracker.journal.progress import pet_if_live

    return pet_if_live(progress.zero, clock.utc_now()) is not None


def _estimates(before: Progress, after: Progress, now: float) -> list[Figure]:
    """INSIDE and the chance of keeping every limit, as it stands and with the events recorded."""
    from tracker.forecast.estimate import estimate

    found = [estimate(progress, max(now, progress.at)) for progress in (before, after)]
    inside = [
        Figure(name, "projected", *(getattr(one.inside, key) for one in found))
        for name, key in (("INSIDE", "p50"), ("INSIDE, in nine of ten by", "p90"))
    ]
    return [*inside, Figure("keeping every limit", "chance", *(one.safe for one in found))]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of both plans: seconds of a time, or a share; None where there is none."""

    id: str
    of: str
    """`inside` or `margin` on paper, `projected`, or `chance`."""
    before: float | None
    after: float | None

    def cells(self, need: float | None) -> tuple[str, str, str, str]:
        """Its name, both figures and the change, as text; `need`: the chance that is asked for."""
        from tracker.forecast.wording import limit_words

        form, write = _FORMS[self.of]
        # A store by the words that it has on every page; the figure's id, in JSON, stays.
        name = form.format(limit_words(self.id) if "." in self.id else self.id)
        if self.before is None or self.after is None:
            return name, write(self.before), write(self.after), "-"
        if self.of == "chance":
            ends = percent(self.before, need), percent(self.after, need)
            return name, *ends, points(self.before, self.after, need)
        ends = write(self.before), write(self.after)
        # A change is that of what is shown, so that three figures of a line fit.
        projected = self.of == "projected"
        shown = up if projected else round
        change = (shown(self.after) or 0) - (shown(self.before) or 0)
        sign = "+" if change >= 0 else ""
        return name, *ends, sign + format_pet(change, with_seconds=not projected)


def _time(seconds: float | None) -> str:
    return "-" if seconds is None else format_pet_s(round(seconds))


_FORMS: dict[str, tuple[str, Callable[[float | None], str]]] = {
    "inside": ("inside, {}", _time),
    "margin": ("margin to {}", _time),
    "projected": ("{}", pet_up),
    "chance": ("chance, {}", lambda share: "-" if share is None else percent(share)),
}
"""How the figures of each kind are called and written."""


def _figures(a: Plan, b: Plan, pace: str | None) -> list[Figure]:
    """Both courses on paper, the margin to every limit and reserve, and the chances at zero."""
    from tracker.cli.check import prior_of
    from tracker.forecast.chances import at_zero
    from tracker.plan.paper import on_paper

    prior = prior_of(pace)
    papers, chances = [on_paper(plan) for plan in (a, b)], [at_zero(plan, prior) for plan in (a, b)]
    sets = ("everything", "must")
    found = [
        Figure(_SETS[one], "inside", *(_finite(getattr(paper, one).everybody_inside) for paper in papers))
        for one in sets
    ]
    margins: list[dict[str, float | None]] = []
    for paper in papers:
        own = {
            limit.name: None if limit.at is None else _finite(limit.at - limit.inside)
            for limit in paper.limits
        }
        stores = {f"{s.crew}.{s.consumable}": _finite(s.margin_s(paper.everything)) for s in paper.supplies}
        margins.append({**own, **stores})
    for name in dict.fromkeys((*margins[0], *margins[1])):
        found.append(Figure(name, "margin", margins[0].get(name), margins[1].get(name)))
    return found + [Figure(_SETS[one], "chance", *(getattr(c, one).safe for c in chances)) for one in sets]


_SETS = {"everything": "everything", "must": "must work alone"}


def _finite(seconds: float) -> float | None:
    return round(seconds, 3) if abs(seconds) < float("inf") else None


def _lines(
    changes: Sequence[Change], figures: Sequence[Figure], said: Sequence[str], need: float | None
) -> Iterator[str]:
    if not changes:
        yield "no difference"
        return
    subject = ""
    for change in changes:
        if change.subject != subject:
            subject = change.subject
            yield subject
        yield f"  {change.words()}"
    yield from said
    yield ""
    yield from _table("on paper, with everything", figures, need)
    yield ADVISORY


def _table(head: str, figures: Sequence[Figure], need: float | None) -> list[str]:
    head = "as it stands, and then" if any(one.of == "projected" for one in figures) else head
    rows = [(head, "before", "after", ""), *(figure.cells(need) for figure in figures)]
    return columns(rows, indent="", right=(1, 2, 3)) if figures else []


def _json(
    args: argparse.Namespace, changes: Sequence[Change], figures: Sequence[Figure], revised: Revision | None
) -> dict[str, Any]:
    of_journal = (
        {"events": revised.events, "refused": revised.refused, "kept": revised.kept} if revised else {}
    )
    return {
        "format": 1,
        "a": args.a,
        "b": args.b,
        "changes": [asdict(change) for change in changes],
        **of_journal,
        "figures": [asdict(figure) for figure in figures],
        "advisory": ADVISORY,
    }

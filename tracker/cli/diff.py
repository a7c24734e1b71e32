"""`tracker diff A B`: what two plans differ in, and what that does to course, margins and chances."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from tracker.foundation.text import ADVISORY, columns, percent, plain
from tracker.foundation.times import format_pet
from tracker.foundation.waiting import meanwhile

if TYPE_CHECKING:
    from tracker.plan.diff import Change
    from tracker.plan.model import Plan


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("a", metavar="A", help="a plan")
    parser.add_argument("b", metavar="B", help="another plan")
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--exit-code", action="store_true", help="end with status 1 where they differ")
    parser.add_argument("--pace", metavar="PACE", help="a pace file to judge the chances by")


def run(args: argparse.Namespace) -> int:
    """Say what differs: 0, or with `--exit-code` 1 where something does."""
    from tracker.plan.diff import differences
    from tracker.plan.read import read_plan

    with meanwhile("comparing the plans"):
        a, b = read_plan(args.a), read_plan(args.b)
        changes = differences(a, b)
        figures = _figures(a, b, args.pace) if changes else []
    if args.json:
        json.dump(_json(args, changes, figures), sys.stdout, indent=1, allow_nan=False)
        print()
    else:
        for line in _lines(changes, figures):
            print(plain(line, most=400))
    return 1 if args.exit_code and changes else 0


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of both plans: seconds of a time, or a share; None where there is none."""

    id: str
    of: str
    """`inside`, `margin` or `chance`."""
    before: float | None
    after: float | None

    def cells(self) -> tuple[str, str, str, str]:
        """Its name, both figures and the change, as text."""
        write = _share if self.of == "chance" else _time
        both = self.before is not None and self.after is not None
        change = (self.after or 0.0) - (self.before or 0.0) if both else None
        name = {
            "inside": f"inside, {self.id}",
            "margin": f"margin to {self.id}",
            "chance": f"chance, {self.id}",
        }[self.of]
        signed = "-" if change is None else _points(change) if self.of == "chance" else _signed(change)
        return name, write(self.before), write(self.after), signed


def _time(seconds: float | None) -> str:
    return "-" if seconds is None else format_pet(round(seconds), with_seconds=True)


def _share(share: float | None) -> str:
    return "-" if share is None else percent(share, 1)


def _signed(seconds: float) -> str:
    return ("+" if round(seconds) >= 0 else "") + format_pet(round(seconds), with_seconds=True)


def _points(change: float) -> str:
    return f"{change * 100:+.1f} points"


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


def _lines(changes: Sequence[Change], figures: Sequence[Figure]) -> Iterator[str]:
    if not changes:
        yield "no difference"
        return
    subject = ""
    for change in changes:
        if change.subject != subject:
            subject = change.subject
            yield subject
        yield f"  {change.words()}"
    yield ""
    rows = [("on paper, with everything", "before", "after", "")]
    yield from columns([*rows, *(figure.cells() for figure in figures)], indent="", right=(1, 2, 3))
    yield ADVISORY


def _json(args: argparse.Namespace, changes: Sequence[Change], figures: Sequence[Figure]) -> dict[str, Any]:
    return {
        "format": 1,
        "a": args.a,
        "b": args.b,
        "changes": [asdict(change) for change in changes],
        "figures": [asdict(figure) for figure in figures],
        "advisory": ADVISORY,
    }

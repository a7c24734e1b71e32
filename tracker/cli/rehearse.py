"""`tracker rehearse`: a simulated crew plays a plan, on the desk or without a screen."""

from __future__ import annotations

import argparse
import secrets
import sysconfig
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain

if TYPE_CHECKING:
    from tracker.journal.journal import Journal
    from tracker.plan.model import Plan
    from tracker.rehearsal.setting import Rehearsal

DEMO = Path("plans") / "larkspur.yaml"
SURPRISES = ("stuck", "leak", "hold", "unplanned", "silence", "not-ok", "unseen", "random", "none")
SPEED, PRACTICE_SPEED = 20.0, 4.0
"""How many times as fast as time the clock runs when nobody says."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what `tracker rehearse` takes."""
    add = parser.add_argument
    add("plan", metavar="PLAN", nargs="?", help=f"the plan to play (default: the demo, {DEMO})")
    add(
        "--speed",
        metavar="N",
        type=_speed,
        help=f"on the desk: the clock runs N times as fast (default {SPEED:g}, practice {PRACTICE_SPEED:g})",
    )
    add("--seed", metavar="N", type=_seed, help="the same seed plays the same rehearsal (default: a new one)")
    add("--headless", action="store_true", help="play it at once, without a screen")
    add("--journal", metavar="PATH", help="where the journal goes (default: logs/PLAN-UTC.sqlite)")
    add("--pace", metavar="PACE", help="a pace file: how the crew is, and what the forecast believes")
    add(
        "--surprise",
        metavar="KIND",
        action="append",
        choices=SURPRISES,
        help=f"what the plan does not foresee: {', '.join(SURPRISES)}; may be given more than once "
        "(default: random)",
    )
    add("--practice", action="store_true", help="on the desk: the crew only speaks, in notes; you tick")
    add("--no-advice", action="store_true", help="headless: everything is kept, whatever is advised")


def run(args: argparse.Namespace) -> int:
    """Play a rehearsal; the exit status."""
    _check(args)
    from tracker.plan.read import read_plan

    plan = read_plan(args.plan or demo_plan())
    seed = secrets.randbelow(10_000) if args.seed is None else args.seed
    wanted = tuple(args.surprise or ("random",))
    if args.headless:
        return _headless(args, plan, seed, wanted)
    return _on_the_desk(args, plan, seed, wanted)


def demo_plan() -> Path:
    """Return where the demo's plan is: here, in the checkout, or installed; TrackerError when nowhere."""
    checkout = Path(__file__).resolve().parents[2]
    installed = Path(sysconfig.get_path("data")) / "share" / "tracker"
    for folder in (Path(), checkout, installed):
        if (folder / DEMO).is_file():
            return folder / DEMO
    raise TrackerError(f"{DEMO}: the demo's plan is not here; name a plan: tracker rehearse PLAN")


def _check(args: argparse.Namespace) -> None:
    """Refuse options that do not go together, and a desk without a terminal."""
    if args.headless and args.practice:
        raise WrongUsage("tracker rehearse: --practice is for the desk; leave out --headless")
    if "none" in (args.surprise or ()) and len(set(args.surprise)) > 1:
        raise WrongUsage("tracker rehearse: --surprise none goes with no other")
    if args.headless:
        return
    from tracker.console.terminal import is_terminal

    if not is_terminal():
        raise WrongUsage("tracker rehearse needs a terminal; --headless plays without one")


def _headless(args: argparse.Namespace, plan: Plan, seed: int, wanted: tuple[str, ...]) -> int:
    from tracker.foundation.times import format_pet
    from tracker.foundation.waiting import Waiting
    from tracker.rehearsal.setting import Rehearsal

    with _create(args, plan, seed) as journal:
        rehearsal = Rehearsal(journal, plan, seed, wanted=wanted, advised=not args.no_advice)
        with Waiting() as waiting:
            rehearsal.through(lambda at: waiting.show(f"playing: PET {format_pet(at)}"))
        print(f"journal: {plain(journal.name)}\n{rehearsal.outcome()}")
    return 0


def _on_the_desk(args: argparse.Namespace, plan: Plan, seed: int, wanted: tuple[str, ...]) -> int:
    from tracker.cli.run import show
    from tracker.journal.journal import Journal
    from tracker.rehearsal.setting import FastClock, Player, Rehearsal, zero_of

    with _create(args, plan, seed) as journal:
        place = journal.place
    clock = FastClock(zero_of(plan), args.speed or (PRACTICE_SPEED if args.practice else SPEED))

    def crew() -> tuple[Rehearsal, Callable[[], None]]:
        """Return the rehearsal on a journal of its own, in the crew's own thread, and what closes that."""
        journal = Journal.open(place)
        return Rehearsal(journal, plan, seed, wanted=wanted, practice=args.practice), journal.close

    player = Player(crew, clock.utc_now, starts=not args.practice)

    def opener() -> Journal:
        opened = Journal.open(place)
        clock.start()
        player.start()
        return opened

    status = show(opener, "desk", plan.excursion, utc_now=clock.utc_now, onward="debrief: tracker debrief")
    player.stop()
    if player.fault:
        raise TrackerError(*(f"the crew could not go on: {line}" for line in player.fault))
    if player.outcome:
        print(player.outcome)
    return status


def _create(args: argparse.Namespace, plan: Plan, seed: int) -> Journal:
    """Start the rehearsal's journal."""
    from tracker.foundation.clock import utc_now
    from tracker.journal.journal import Journal, default_path
    from tracker.journal.place import journal_place
    from tracker.rehearsal.setting import seed_of_scenarios

    place = journal_place(args.journal) if args.journal else default_path(plan, utc_now())
    try:
        if isinstance(place, Path):
            place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TrackerError(f"{place}: {error.strerror or error}; name another place") from error
    uuid = seed_of_scenarios(plan, seed)
    return Journal.create(place, plan, pace=args.pace, rehearsal=True, uuid=uuid)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.1 <= speed <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is no speed; write a number from 0.1 to 1000")
    return speed


def _seed(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 18):
        raise argparse.ArgumentTypeError(f"{text!r} is no seed; write a whole number such as 7")
    return int(text)

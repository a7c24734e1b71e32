"""`tracker estimate`: the re-estimate, now or as of an instant, as it is or with something supposed."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tracker.foundation import clock
from tracker.foundation.errors import EventError, TrackerError
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet, format_pet_s, parse_pet
from tracker.foundation.waiting import Waiting, interruptible, meanwhile
from tracker.journal.place import journal_place

if TYPE_CHECKING:
    from tracker.forecast.figures import Estimate
    from tracker.forecast.orders import BetterOrder
    from tracker.forecast.pace_file import PacePrior
    from tracker.journal.journal import Journal
    from tracker.journal.progress import Progress

BROKEN_OFF = 130
"""Exit status after Ctrl-C."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    add = parser.add_argument
    add("journal", metavar="JOURNAL", type=journal_place)
    add("--at", metavar="PET", help="as of this instant: only what had happened by then")
    add("--known", action="store_true", help="only what had been recorded by then")
    add("--json", action="store_true", help="print one JSON object")
    add(
        "--if",
        dest="supposed",
        metavar="EVENT_JSON",
        action="append",
        default=[],
        help="suppose this event as well; may be given several times",
    )
    since = "say what moved INSIDE since then; `taken`: since the desk was handed over"
    add("--since", metavar="PET", help=since)
    add(
        "--orders",
        action="store_true",
        help="suggest hand-overs and places of tasks that bring everyone in two minutes earlier or more",
    )
    add("--choices", action="store_true", help="say what each choice that is left comes to")
    add("--changed", action="store_true", help="say what changed last, and why")
    add("--pace", metavar="PACE", type=Path, help="suppose another pace file")
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument(
        "--due", action="store_true", help="what comes due, the earliest first, and what to type"
    )
    shape.add_argument("--brief", action="store_true", help="the handover on one screen")
    shape.add_argument("--print", dest="page", action="store_true", help="one page for paper")


def run(args: argparse.Namespace) -> int:
    """Estimate and print; nothing is written."""
    from tracker.journal.journal import Journal
    from tracker.journal.wording import stops_words

    with meanwhile("reading the journal"):
        journal = Journal.open(args.journal, read_only=True)
    with journal:
        with meanwhile("estimating"):
            found = _Found.of(journal, args)
        if said := stops_words(found.progress):
            print(f"warning: {plain(said)}", file=sys.stderr)
        for line in _output(found, journal, args):
            print(line)
    if found.broken_off:
        share = int(100 * found.searched)
        print(f"broken off after {share} % of the search for better orders", file=sys.stderr)
        return BROKEN_OFF
    return 0


class _Found:
    """The estimate that was asked for, and the one without what is supposed."""

    def __init__(
        self,
        now: float,
        progress: Progress,
        prior: PacePrior | None,
        events: list[dict[str, Any]],
        *,
        choices: bool,
    ) -> None:
        from tracker.forecast.estimate import estimate

        self.now, self.events, self.prior = now, events, prior
        self.searched, self.broken_off = 0.0, False
        self.before = progress
        self.progress = _supposed(progress, events)
        if events and self.progress.at > max(now, 0.0):
            raise EventError(
                f"--if: supposes something at {format_pet_s(self.progress.at)}, after the "
                f"instant of the estimate, {format_pet_s(now)}; give a later --at"
            )
        self.estimate = estimate(self.progress, now, prior=prior, choices=choices)
        if not choices and not self.estimate.meets:
            # What can be done about it is taken from the choices, so that every seat names the same.
            told = estimate(self.progress, now, prior=prior, choices=True)
            self.estimate = replace(told, choices=None)
        self.as_it_stands = estimate(self.before, now) if events or prior else None

    @staticmethod
    def of(journal: Journal, args: argparse.Namespace) -> _Found:
        now = instant_of(journal, args.at)
        at = None if args.at is None else now
        progress = journal.progress(at=at, known=now if args.known else None)
        if args.at is None:
            now = max(now, progress.at)
        events = [_event(text, number, now, progress) for number, text in enumerate(args.supposed, 1)]
        return _Found(now, progress, _prior(args.pace), events, choices=args.choices)


def instant_of(journal: Journal, at: str | None) -> float:
    """Return the PET of the estimate: as asked, now where the journal is live, else the last event's."""
    if at is not None:
        return float(pet_option("--at", at))
    from tracker.journal.progress import pet_if_live

    progress = journal.progress()
    now = pet_if_live(progress.zero, clock.utc_now()) if progress.closed is None else None
    return progress.at if now is None else max(now, progress.at)


def pet_option(option: str, text: str) -> int:
    """Return the PET that an option gives; TrackerError names the option."""
    try:
        return parse_pet(text)
    except ValueError as error:
        raise TrackerError(f"{option}: {error}") from error


def _event(text: str, number: int, now: float, progress: Progress) -> dict[str, Any]:
    """Return a supposed event; without an `at` it happens now."""
    from tracker.journal.kinds import UNTIMED

    try:
        event = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise EventError(f"--if {number}: is not JSON ({error}); write {_EXAMPLE}") from error
    if not isinstance(event, dict):
        raise EventError(f"--if {number}: is not an event; write {_EXAMPLE}")
    for key in ("at", "until", "due"):
        if isinstance(event.get(key), str):
            event[key] = pet_option(f"--if {number}: {key}", event[key])
    if "at" not in event and progress.zero is not None and event.get("kind") not in UNTIMED:
        event["at"] = int(max(progress.at, now))
    return event


def _supposed(progress: Progress, events: list[dict[str, Any]]) -> Progress:
    if not events:
        return progress
    try:
        return progress.suppose(*events)
    except EventError as error:
        raise EventError(*(f"--if: {line}" for line in error.lines)) from error


_EXAMPLE = '{"kind": "dropped", "task": "latch"}'


def _prior(path: Path | None) -> PacePrior | None:
    from tracker.cli.check import prior_of

    return None if path is None else replace(prior_of(str(path)), name=path.name)


def _output(found: _Found, journal: Journal, args: argparse.Namespace) -> list[str]:
    since = None if args.since is None else _since(found, args.since)
    moved = None if since is None else _moved(found, journal, since, known=args.known)
    orders = _orders(found) if args.orders else None
    if args.changed:
        from tracker.forecast.changed import changed

        last = changed(found.progress, found.estimate.at, prior=found.prior)
        found.estimate = replace(found.estimate, changed=last)
    if args.json:
        return [_json(found, journal, moved, orders)]
    if args.page:
        from tracker.forecast.report import page

        lines = page(found.progress, found.estimate, number=journal.number, digest=journal.hash)
    elif args.due:
        from tracker.forecast.due import due_lines

        lines = due_lines(found.progress, found.estimate)
    elif args.brief:
        from tracker.forecast.handover import brief

        if since is not None and found.progress.zero is not None:
            from tracker.forecast.changed import changed_since

            last = changed_since(found.progress, found.now, since, prior=found.prior)
            found.estimate, moved = replace(found.estimate, since=last), None
        lines = brief(found.progress, found.estimate, f"{journal.number}:{journal.hash}")
    else:
        from tracker.forecast.report import report

        lines = report(found.progress, found.estimate)
    if found.estimate.changed is not None:
        from tracker.forecast.change_words import changed_words
        from tracker.forecast.wording import need_of

        made, need = found.estimate, need_of(found.estimate)[2]
        words = changed_words(found.estimate.changed, made.at, need, made.inside.p50)
        lines = [*lines, "", words]
    if args.choices:
        from tracker.forecast.choices import choice_lines

        lines = [*lines, "", *choice_lines(found.estimate)]
    if moved is not None and since is not None:
        from tracker.forecast.report import moved_lines

        lines = [*lines, "", *moved_lines(moved, since)]
    return [*_supposing(found), *lines, *_suggested(orders, found.broken_off)]


def _since(found: _Found, text: str) -> float:
    """Return the PET that `--since` gives, or at which the desk was handed over last."""
    if text != "taken":
        return float(pet_option("--since", text))
    from tracker.journal.matters import last_taken

    taken = last_taken(found.progress)
    if taken is None:
        raise TrackerError("--since taken: the desk was not handed over; give a PET")
    return taken.at


Moved = tuple[tuple[str, float], ...]


def _moved(found: _Found, journal: Journal, since: float, *, known: bool) -> Moved:
    """Return what moved the projected ingress since an earlier instant."""
    from tracker.forecast.changed import moved

    if since > found.now:
        raise TrackerError(
            f"--since: {format_pet(since)} lies after the instant of the estimate, {format_pet(found.now)}"
        )
    earlier = journal.progress(at=since, known=found.now if known else None)
    return moved(earlier, found.progress, then=since, now=found.now, prior=found.prior)


def _orders(found: _Found) -> tuple[BetterOrder, ...]:
    """Return better orders for what is estimated; none once the excursion is over."""
    from tracker.forecast.orders import better_orders

    if found.progress.closed is not None:
        return ()
    kept = found.estimate.advice.kept
    with Waiting() as waiting, interruptible() as interrupted:

        def heed(share: float) -> bool:
            waiting.part("looking for better orders", share)
            found.searched = share
            return not interrupted()

        orders = better_orders(found.progress, now=found.estimate.at, kept=kept, prior=found.prior, heed=heed)
        found.broken_off = interrupted()
    return orders


def _json(
    found: _Found, journal: Journal, moved: Moved | None, orders: tuple[BetterOrder, ...] | None
) -> str:
    out = replace(found.estimate, moved=moved).as_json()
    out |= {"last_event": journal.number, "last_hash": journal.hash}
    if orders is not None:
        out["suggestions"] = [
            {"event": dict(o.event), "text": o.text, "gain": o.gain_s, "p90": o.p90, "safe": o.safe}
            for o in orders
        ]
    if found.as_it_stands is not None:
        pace_file = None if found.prior is None else found.prior.name
        out["supposed"] = {"events": found.events, "pace_file": pace_file}
        whole = found.as_it_stands.as_json()
        out["as_it_stands"] = {
            key: whole[key] for key in ("inside", "margin", "safe", "binding", "turn_back")
        }
        out["as_it_stands"]["kept"] = sorted(found.as_it_stands.advice.kept)
    return json.dumps(out, allow_nan=False, indent=1)


def _supposing(found: _Found) -> list[str]:
    """Return what is supposed, and what that changes, side by side."""
    if found.as_it_stands is None:
        return []
    lines = []
    if found.prior is not None:
        name = plain(found.prior.name, most=80)
        lines.append(f"supposing the pace file {name} instead of the journal's own")
    lines += [f"supposing {_in_words(found.progress, event)}" for event in found.events]
    return [*lines, *_side_by_side(found), ""]


def _in_words(progress: Progress, event: dict[str, Any]) -> str:
    """Return a supposed event as it is told everywhere, with its instant."""
    from tracker.journal.wording import event_words

    body = {key: value for key, value in event.items() if key not in ("kind", "seat")}
    at = event.get("at")
    when = "" if at is None or "event" in body else f" at {format_pet_s(at)}"
    return f"{event_words(progress, str(event['kind']), body, most=200)}{when}"


def _side_by_side(found: _Found) -> list[str]:
    from tracker.forecast.wording import chance_words, first_limit, inside_words, limit_words
    from tracker.foundation.shown import spare_words
    from tracker.foundation.text import columns

    def cells(name: str, progress: Progress, one: Estimate) -> tuple[str, ...]:
        tight = first_limit(one.limits)
        spare = "-" if tight is None else f"{limit_words(tight.id)} {spare_words(tight.to_spare)}"
        return (name, inside_words(progress, one), chance_words(one), spare)

    assert found.as_it_stands is not None
    now = cells("as it stands", found.before, found.as_it_stands)
    return columns([now, cells("supposed", found.progress, found.estimate)], most=80)


def _suggested(orders: tuple[BetterOrder, ...] | None, broken_off: bool) -> list[str]:
    """Return better orders, each with the event that would make it so."""
    if orders is None:
        return []
    from tracker.foundation.text import percent

    if not orders:
        none = "none was found so far" if broken_off else "none that brings everyone in two minutes earlier"
        return ["", f"better orders: {none}"]
    lines = ["", "better orders, for a person to accept; the event makes it so:"]
    for order in orders:
        lines.append(f"  {plain(order.text)}, chance {percent(order.safe)}")
        lines.append(f"    {json.dumps(dict(order.event))}")
    return lines

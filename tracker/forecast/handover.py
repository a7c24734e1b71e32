"""The handover to the next operator on one screen: how it stands, and what came about since the last one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

from tracker.forecast.change_words import since_words
from tracker.forecast.due import BESIDE_WORK, due_columns
from tracker.forecast.figures import Estimate
from tracker.forecast.report import (
    alert_lines,
    crew_lines,
    headline,
    matter_lines,
    optional_lines,
    read_words,
    title,
    watch_lines,
    wrapped,
)
from tracker.forecast.wording import heed_lines, in_hand, leak_words, limit_words, need_of, next_steps
from tracker.foundation.shown import pet_down
from tracker.foundation.text import amount, columns, plain
from tracker.journal.kinds import BY_NAME, HANDOVER
from tracker.journal.matters import last_taken
from tracker.journal.progress import Progress
from tracker.journal.wording import event_words
from tracker.plan.model import store_words

SCREEN = (24, 80)
"""Lines and columns of the smallest screen."""
BESIDE_CAUTIONS = 8
"""Lines of the handover that are left to other parts, however long the cautions are."""

LEFT = 3
"""Lines of the handover that are left to other parts, however much came about since the last one."""


def brief(progress: Progress, estimate: Estimate, last: str = "") -> list[str]:
    """The handover to the next operator: at most 24 lines of 80 columns, more only for cautions.

    What matters most comes first. Of what does not fit it is said how much there is; of crew, who. What is to
    be heeded now is never cut. With `estimate.since` it also says what came about since then. `last`: the
    number and the hash of the last event, by which a journal is held against it later.
    """
    named = [f"event {last}"] if last else []
    lines = wrapped([*title(progress, estimate), *named, *headline(progress, estimate)], SCREEN[1])
    foot = wrap(estimate.advisory, SCREEN[1])
    parts = _parts(progress, estimate)
    kept = lines[: SCREEN[0] - len(foot) - 1]
    kept += (heed := _heeded(progress, SCREEN[0] - len(foot) - len(kept) - BESIDE_CAUTIONS))
    room = max(SCREEN[0] - len(foot) - len(kept), BESIDE_CAUTIONS if heed else 0)
    body: list[str] = []
    for part in (part for part in parts if part.whole and part.lines):
        body += part.fitted(max(2, min(len(part.lines) + 1, room - len(body) - LEFT)))
    body += _shared_out([part for part in parts if part.lines and not part.whole], room - len(body))
    return [plain(line, most=SCREEN[1]) for line in [*kept, *body, *foot]]


def _parts(progress: Progress, estimate: Estimate) -> list[_Part]:
    """What else is told, in order; since an instant that and what is open go before all the rest."""
    crew = _Part("crew", crew_lines(progress, estimate), [member.id for member in progress.plan.crew])
    told = [line for line in optional_lines(estimate) if not line.startswith("    ")]
    first = [_Part("wants you", alert_lines(estimate))]
    rest = [_Part("watch", watch_lines(progress, estimate)), _Part("low", _low(estimate))]
    still = matter_lines(progress, estimate.at)
    if estimate.since is None:
        lately = _Part("lately", _lately(progress))
        due = _Part("due", due_columns((d for d in estimate.due if d.kind in BESIDE_WORK), estimate.at))
        return [*first, crew, due, _Part("optional", told), _Part("open", still), *rest, lately]
    head, lines = _since(progress, estimate)
    asked = [_Part(head, lines, whole=True), _Part("open", wrapped(still, SCREEN[1]), whole=True)]
    return [*first, *asked, crew, _Part("optional", told), *rest]


def _heeded(progress: Progress, room: int) -> list[str]:
    """What is to be heeded now, whole, and next where that fits whole into so many lines as well."""
    now, ahead = (
        wrapped(heed_lines(progress, steps), SCREEN[1]) for steps in (in_hand(progress), next_steps(progress))
    )
    lines = ["heed now:", *now] if now else []
    if ahead and len(lines) + len(ahead) < room:
        return [*lines, "heed next:", *ahead]
    return [*lines, *([f"heed next: not shown, {len(ahead)}"] if ahead else [])]


@dataclass(frozen=True, slots=True)
class _Part:
    """A part of the handover."""

    head: str
    lines: Sequence[str]
    names: Sequence[str] = ()
    """Whose each line is, where that is said of those that do not fit."""
    whole: bool = False
    """Whether it has its room before all others."""

    def fitted(self, room: int) -> list[str]:
        """The heading and the first lines in so many rows, at least two; it says what is left out."""
        shown, left = self.lines[: room - 1], " ".join(self.names[room - 1 :])
        if len(shown) == len(self.lines):
            head = self.head
        else:
            head = (
                f"{self.head}, not shown {left}"
                if left
                else f"{self.head}, {len(shown)} of {len(self.lines)}"
            )
        return [f"{head}:", *shown]


def _shared_out(parts: Sequence[_Part], room: int) -> list[str]:
    """The parts in so many rows: crew as far as it goes, the others two each, then what is left in order.

    Parts for which there is no room at all are named, with how much they would say.
    """
    many = len(parts) if 2 * len(parts) <= room else max(0, (room - 1) // 2)
    shown, unsaid = parts[:many], parts[many:]
    left = room - 2 * many - bool(unsaid)
    rows = dict.fromkeys((part.head for part in shown), 2)
    for part in sorted(shown, key=lambda part: not part.names):
        more = min(left, len(part.lines) - 1)
        rows[part.head] += more
        left -= more
    out = [line for part in shown for line in part.fitted(rows[part.head])]
    if unsaid and room:
        out.append("not shown: " + ", ".join(f"{part.head} {len(part.lines)}" for part in unsaid))
    return out


def _since(progress: Progress, estimate: Estimate) -> tuple[str, list[str]]:
    """What came about since the instant that was asked for: figures, choices and changes, readings."""
    changed, taken = estimate.since, last_taken(progress)
    assert changed is not None
    head = f"since {pet_down(changed.since)}"
    if taken is not None and taken.at == changed.since:
        by = taken.body.get("by")
        head += f", taken by {plain(by, most=30)}" if by else ", taken over"
    lines = since_words(changed, need_of(estimate)[2])
    later = [event for event in progress.events if event.at > changed.since]
    for event in reversed(later):
        kind = BY_NAME[event.kind]
        if event.kind == "chose" or (kind.listed == "change" and event.kind != "replaced"):
            lines.append(f"{pet_down(event.at)} {event_words(progress, event.kind, event.body)}")
    lines += _read_since(progress, changed.since)
    return head, wrapped((f"  {line}" for line in lines), SCREEN[1])


def _read_since(progress: Progress, since: float) -> list[str]:
    """What was read last since an instant, on one line, a store's values in the order of its crew."""
    last = {(one.consumable, one.crew): one for one in progress.readings if one.at > since}
    stores: dict[str, list[str]] = {}
    for name, crew in ((one.id, c) for one in progress.plan.consumables for c in ("*", *one.crew)):
        if (name, crew) in last:
            stores.setdefault(name, []).append(amount(last[name, crew].value))
    at = pet_down(max((one.at for one in last.values()), default=None))
    told = ", ".join(f"{store_words(name)} {' '.join(values)}" for name, values in stores.items())
    return [f"read, last at {at}: {told}"] if stores else []


def _low(estimate: Estimate) -> list[str]:
    """The consumables most likely to run short, and readings that contradict the model."""
    ranked = sorted(estimate.consumables, key=lambda f: (-f.short, f.reserve_reached.p50 or float("inf")))
    rows = [
        (
            limit_words(f"{f.crew}.{f.consumable}"),
            f"{f.now:.4g} {f.unit}",
            f"reserve at {pet_down(f.reserve_reached.p50)}",
            "never read" if f.read_at is None else read_words(f),
            "! reading contradicts" if f.flagged else "",
        )
        for f in ranked[:3]
    ]
    leaks = [f"  ! {words}" for f in estimate.consumables if (words := leak_words(f))]
    return [*leaks, *columns(rows)]


def _lately(progress: Progress) -> list[str]:
    """The last notes and decisions."""
    told = []
    for event in reversed(progress.events):
        text = event.body.get("text")
        if event.kind == "chose":
            told.append(f"  {pet_down(event.at)} chose {event.body.get('choice')} {event.body.get('task')}")
        elif event.kind in HANDOVER and text:
            told.append(f"  {pet_down(event.at)} {event.kind}: {plain(text, most=60)}")
        if len(told) == 4:
            break
    return told

"""What if: supposed events beside what stands. Nothing of it is written."""

from __future__ import annotations

from rich.cells import cell_len

from tracker.console.view.grid import block, heading, minutes, remark, under
from tracker.console.view.head import binding_words, turn_back_short
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.styled_text import Ink, Line, crop, put, say
from tracker.console.view.words import percent, pet
from tracker.forecast.values import Estimate, Range
from tracker.journal.wording import event_words


def what_if(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return what is supposed, then as it stands, as supposed, and the change, row by row."""
    head = heading("what if", width, "nothing of it is written")
    supposed = scene.supposed
    if supposed is None:
        words = "supposes events, as they are typed at the desk: drop TASK; hold EV1 until 3:30"
        return block(head, under(f"{scene.key('what-if')} {words}", width, indent=1), width, height)
    said = "; ".join(event_words(scene.progress, str(e["kind"]), e) for e in supposed.events)
    words = f"supposed: {said or supposed.text}"
    lines = under(words, width, "strong", 1) if scene.whole else [remark(words, width, "strong")]
    if supposed.trouble:
        lines += under(f"cannot be: {supposed.trouble}", width, "late", 1)
    elif supposed.estimate is None or supposed.stands is None:
        lines.append(remark("being worked out", width))
    else:
        lines += compared(supposed.stands, supposed.estimate, width)
        if scene.whole:
            lines += _in_full(supposed.stands, supposed.estimate, width)
    return block(head, lines, width, height, scene.key("whole"))


def _in_full(stands: Estimate, supposed: Estimate, width: int) -> list[Line]:
    """Return the cells of the table that had no room, as they stand and as supposed."""
    room, lines = (width - 11 - 11) // 2 - 1, []
    for name, one, other, _ in _cells(stands, supposed):
        if max(cell_len(one), cell_len(other)) > room:
            lines += under(f"{name}: {one}; supposed: {other}", width)
    return lines


def compared(stands: Estimate, supposed: Estimate, width: int) -> list[Line]:
    """Return the table of both estimates."""
    rows = _cells(stands, supposed)
    room = (width - 11 - 11) // 2
    titles = [
        put("", 11),
        put("as it stands", room, "dim"),
        put("supposed", room, "dim"),
        put("change", 11, "dim"),
    ]
    lines = [crop(titles, width)]
    for name, one, other, change in rows:
        ink: Ink = "accent" if one != other else ""
        spans = (
            put(f" {name}", 11, "dim"),
            put(one, room - 1),
            say(" "),
            put(other, room - 1, ink),
            say(" "),
        )
        lines.append(crop((*spans, say(change)), width))
    return lines


def _cells(stands: Estimate, supposed: Estimate) -> list[tuple[str, str, str, str]]:
    """Return the rows of the table: name, as it stands, as supposed, the change."""
    return [
        ("inside", _range(stands.inside), _range(supposed.inside), _change(stands.inside, supposed.inside)),
        ("margin", _margin(stands), _margin(supposed), _change(stands.margin, supposed.margin)),
        ("chance", percent(stands.safe), percent(supposed.safe), _points(stands.safe, supposed.safe)),
        ("tightest", _binding(stands), _binding(supposed), ""),
        ("turn back", _back(stands), _back(supposed), _moved(stands, supposed)),
        ("kept", _kept(stands), _kept(supposed), ""),
    ]


def _range(figure: Range) -> str:
    return f"{pet(figure.p50)}  {pet(figure.p10)} to {pet(figure.p90)}"


def _margin(one: Estimate) -> str:
    return f"{pet(one.margin.p50)}  nine of ten {pet(one.margin.p90)}"


def _change(one: Range, other: Range) -> str:
    if one.p50 is None or other.p50 is None:
        return ""
    return f"{minutes(other.p50 - one.p50)} min"


def _points(one: float, other: float) -> str:
    change = round((other - one) * 100)
    return "same" if change == 0 else f"{change:+d} in 100"


def _binding(one: Estimate) -> str:
    if one.binding is None:
        return "none"
    return binding_words(one, one.binding)


def _back(one: Estimate) -> str:
    return turn_back_short(one).removeprefix("turn back ")


def _moved(one: Estimate, other: Estimate) -> str:
    a, b = one.turn_back.latest, other.turn_back.latest
    return "" if a is None or b is None else f"{minutes(b - a)} min"


def _kept(one: Estimate) -> str:
    return " ".join(sorted(one.advice.kept)) or "nothing optional"

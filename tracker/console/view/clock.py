"""The top line: PET before all else, UTC beside it, the next change of a window, and the disk."""

from __future__ import annotations

from rich.cells import cell_len

from tracker.console.view.figures import large
from tracker.console.view.head import inside_line, second_line
from tracker.console.view.scene import LARGE, SMALL, Scene
from tracker.console.view.styled_text import Line, Span, blank, crop, say, sides, width_of
from tracker.console.view.words import pet, pet_s, window_change
from tracker.foundation.text import plain


def head(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the clock and the INSIDE lines in three rows; with room the clock also in large figures."""
    if width < SMALL:
        return [clock_line(scene, width), *_below(scene, width)]
    figures = large(clock_text(scene).rjust(7), "accent")
    side = width_of(figures[0]) + 4
    room = width - side
    texts = [clock_line(scene, room), *_below(scene, room)]
    lines = [crop((Span("  "), *figures[i], Span("  "), *texts[i]), width) for i in range(3)]
    return [*lines, blank(width)][:height]


def clock_text(scene: Scene) -> str:
    """Return PET as `H:MM:SS`; dashes before the clock is started."""
    return pet_s(scene.now) if scene.started else "-:--:--"


def clock_line(scene: Scene, width: int) -> Line:
    """Return PET, UTC, the next window change and how far the disk is, on one line."""
    left = [
        Span(" "),
        say(f" PET {clock_text(scene):>7} ", "clock"),
        say(f"  {scene.utc_text} UTC", "strong"),
        *((say(f"  {scene.local_text}"),) if scene.local_time else ()),
    ]
    if width >= LARGE:
        left.append(say(f"  {scene.utc:%Y-%m-%d}", "dim"))
    right = (Span(" "), *disk_spans(scene), Span(" "))
    room = width - width_of(left) - width_of(right) - 2
    return sides(width, (*left, say(f"  {_beside(scene, room)}", "dim")), right)


def _below(scene: Scene, width: int) -> tuple[Line, Line]:
    """Return when everyone is inside and what is tightest; that it is a rehearsal where it takes no words."""
    inside, tightest = inside_line(scene, width), second_line(scene, width)
    if not scene.progress.rehearsal:
        return inside, tightest
    mark = (say(" REHEARSAL ", "typed"), Span(" "))
    room = width - width_of(mark)
    if _used(inside) >= room > _used(tightest):
        return inside, (*crop(tightest, room), *mark)
    return (*inside_line(scene, room), *mark), tightest


def _used(line: Line) -> int:
    """Return the cells of a line up to its last character."""
    return cell_len("".join(span.text for span in line).rstrip())


def _beside(scene: Scene, room: int) -> str:
    """Return what stands beside the clock, in words for the room; the message line has all of it."""
    progress = scene.progress
    if progress.closed is not None:
        return f"closed at {pet(progress.closed)}"
    if not scene.started:
        short = f"{scene.key('zero')} starts the clock"
        words = f"{short}: {plain(progress.plan.zero)}"
        return words if cell_len(words) <= room else short
    if not scene.live:
        words = "the clock stands at the last event"
        return words if cell_len(words) <= room else "the clock stands"
    return window_change(progress, scene.now)


def disk_spans(scene: Scene) -> tuple[Span, ...]:
    """Return `on disk 212`, and beside it what is not."""
    disk = scene.disk
    done = say(f"on disk {disk.number}", "dim")
    if disk.unsaved:
        return (say(f"unsaved {disk.unsaved}  ", "alarm"), done)
    return (say("saving  ", "late"), done) if disk.saving else (done,)

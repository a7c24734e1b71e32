"""The terminal: what keeps it clean and lean, and the looks.

Hides where the screen library has to be reached behind its public names: this file and the one that serves
browsers are the only ones that do, and a test says that the names are there. The looks: greys, an accent that
is nearly one, and one colour, which says that somebody has to act; each role is a variable.
"""

from __future__ import annotations

import asyncio
import codecs
import os
import platform
import signal
import sys
import traceback
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, Any

from rich.console import Console
from textual import events
from textual._compositor import ChopsUpdate
from textual.app import App
from textual.driver import Driver
from textual.drivers import linux_driver
from textual.screen import Screen
from textual.theme import Theme

from tracker import __version__
from tracker.foundation.errors import TrackerError
from tracker.foundation.output import state_folder, write_out
from tracker.foundation.text import plain


class LastingOutput:
    """A terminal to write to, also when it is gone: then nothing is written, and `gone` is called once.

    The screen library writes from a thread, whose end by a fault would leave all else waiting for it.
    """

    def __init__(self, file: IO[str], gone: Callable[[], object]) -> None:
        self._file, self._gone, self._lost = file, gone, False

    def write(self, text: str) -> int:
        """Write text, or lose it."""
        self._try(partial(self._file.write, text))
        return len(text)

    def flush(self) -> None:
        """Hand on what was written."""
        self._try(self._file.flush)

    def _try(self, deed: Callable[[], object]) -> None:
        if self._lost:
            return
        try:
            deed()
        except OSError:
            self._lost = True
            self._gone()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


class ForgivingDriver(linux_driver.LinuxDriver):
    """Reads input whose bytes are not UTF-8 (an old-style mouse report) as unknown characters.

    Ends the app where its terminal is gone, as SIGHUP does.
    """

    def __init__(self, app: App[Any], **options: Any) -> None:
        super().__init__(app, **options)
        end = partial(app.exit, return_code=128 + signal.SIGHUP)
        self._file: Any = LastingOutput(self._file, partial(self._loop.call_soon_threadsafe, end))

    def run_input_thread(self) -> None:
        """Read keys and mouse for as long as the app runs."""
        linux_driver.getincrementaldecoder = _forgiving  # type: ignore[attr-defined,assignment]
        super().run_input_thread()


def _forgiving(name: str) -> Any:
    return partial(codecs.getincrementaldecoder(name), errors="replace")


class LeanUpdate(ChopsUpdate):
    """Writes only the cells that changed, where the screen library writes from the start of their widget.

    Over a thin line the difference between a clock's digit and the whole line is what an idle desk costs.
    """

    def render_segments(self, console: Console) -> str:
        """Return what is written to the terminal: a move and the cells of every changed span."""
        written = []
        for y, x1, x2 in self.spans:
            for end, (x, strip) in zip(self.chop_ends[y], self.chops[y].items(), strict=False):
                if strip is None or x >= x2 or end <= x1:
                    continue
                first, last = max(x, x1), min(end, x2)
                written.append(f"\x1b[{y + 1};{first + 1}H")
                written.append(strip.crop(first - x, last - x).render(console))
        return "".join(written)


class LeanApp(App[None]):
    """An application that writes no more to the terminal than it must, also where it ends by a fault."""

    fault: Exception | None = None
    """What ended it that nothing had expected; None where it ended as it should."""

    def _handle_exception(self, error: Exception) -> None:
        self.fault = self.fault or error
        super()._handle_exception(error)

    def _fatal_error(self) -> None:
        # The library would print every value in sight, plans and notes among them.
        self._close_messages_no_wait()

    def _display(self, screen: Screen[Any], renderable: Any) -> None:
        if type(renderable) is ChopsUpdate:
            renderable = LeanUpdate(renderable.chops, renderable.spans, renderable.chop_ends)
        super()._display(screen, renderable)

    async def do_bound(self, key: str, *, priority: bool = False) -> bool:
        """Do what is bound to a key, at once; whether anything is."""
        return await self._check_bindings(key, priority=priority)


def passed_on(event: events.Key) -> events.Key:
    """Return a key as the widget that has the focus is handed it: it is not looked up among the bindings."""
    typed = events.Key(event.key, event.character)
    typed._set_forwarded()
    return typed


def driver_for_here() -> type[Driver] | None:
    """Return the driver for this system; None leaves the choice to the screen library."""
    return ForgivingDriver if os.name == "posix" and "TEXTUAL_DRIVER" not in os.environ else None


def is_terminal() -> bool:
    """Return whether a person sits at both ends: keys come in and a screen shows what goes out."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def end_on_signals(app: App[Any]) -> None:
    """End the app in good order on SIGTERM, and on SIGHUP when the line drops."""
    loop = asyncio.get_running_loop()
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            loop.add_signal_handler(number, partial(app.exit, return_code=128 + number))


PARENT_S = 1.0
"""How often it is looked whether the server that started a view for a browser still runs."""


def end_with_server(app: App[Any]) -> None:
    """End the app of a visitor's browser when its server is gone: nobody else would end this process."""
    server = os.getppid()

    def look() -> None:
        if os.getppid() != server:
            app.exit(return_code=0)

    if "TEXTUAL_DRIVER" in os.environ:
        app.set_interval(PARENT_S, look)


def over_a_wire() -> bool:
    """Return whether the terminal is at the other end of a line, where animation is wasted."""
    return any(os.environ.get(name) for name in ("SSH_CONNECTION", "SSH_TTY"))


DEFAULT = "tracker-dark"


def _theme(
    name: str,
    *,
    dark: bool,
    ground: str,
    text: str,
    grey: str,
    accent: str,
    going: str,
    late: str,
    raised: str,
) -> Theme:
    """Return a theme whose roles follow from nine colours."""
    return Theme(
        name=name,
        primary=accent,
        secondary=going,
        accent=accent,
        warning=late,
        error=late,
        success=going,
        foreground=text,
        background=ground,
        surface=ground,
        panel=raised,
        dark=dark,
        variables={
            "ink-dim": grey,
            "ink-accent": accent,
            "ink-late": late,
            "ink-ground": ground,
            "ink-text": text,
            "ink-raised": raised,
        },
    )


def next_theme(screen: Any) -> None:
    """Go to the next theme, and say which it is."""
    names, theme = [theme.name for theme in THEMES], screen.app.theme
    screen.app.theme = names[(names.index(theme) + 1 if theme in names else 0) % len(names)]
    screen.say(f"theme {screen.app.theme}")


THEMES = (
    _theme(
        DEFAULT, dark=True, ground="#14171a", text="#d6d9dc", grey="#8b949c",
        accent="#e3d9b8", going="#6fb1e8", late="#f0a04b", raised="#22272c",
    ),
    _theme(
        "tracker-light", dark=False, ground="#f7f6f2", text="#22262a", grey="#646c74",
        accent="#5b4a12", going="#0b5ea8", late="#a84e00", raised="#e4e2da",
    ),
    _theme(
        "tracker-contrast", dark=True, ground="#000000", text="#ffffff", grey="#c8c8c8",
        accent="#ffffff", going="#7cc4ff", late="#ffb000", raised="#303030",
    ),
    # Blue and vermilion-orange of the palette of Okabe and Ito (2002), which all common kinds of colour
    # blindness tell apart.
    _theme(
        "tracker-safe", dark=True, ground="#101010", text="#e0e0e0", grey="#9a9a9a",
        accent="#f0e442", going="#56b4e9", late="#e69f00", raised="#2a2a2a",
    ),
)  # fmt: skip
"""Dark, light, high contrast, and safe for colour-blind eyes; the key for themes goes round them."""


def reported(fault: BaseException, utc: datetime, beside: Path | None) -> list[str]:
    """Write a report of a fault beside a journal, or into this user's state folder; the lines to be said.

    Nothing of the plan, or of what was typed, is in the lines.
    """
    name = f"fault-{utc:%Y%m%dT%H%M%SZ}.txt"
    path = beside.with_suffix(f".{name}") if beside is not None else state_folder() / name
    said = f"the screen ended by a fault of the program ({type(fault).__name__}); what was saved is saved"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_out(str(path), _report(fault, utc), beside=beside)
    except (TrackerError, OSError) as error:
        return [said, f"no report could be written: {plain(error, most=200)}"]
    return [said, f"report: {path}"]


def _report(fault: BaseException, utc: datetime) -> list[str]:
    where = f"tracker {__version__}, Python {platform.python_version()}, {platform.platform()}"
    terminal = f"{os.environ.get('TERM', '-')}, {os.environ.get('COLUMNS', '-')} columns asked for"
    lines = [where, f"terminal: {terminal}", f"at {utc:%Y-%m-%dT%H:%M:%SZ}", ""]
    return [f"{line}\n" for line in lines] + traceback.format_exception(fault)

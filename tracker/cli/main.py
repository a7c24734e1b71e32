"""The way in: finds the verb, imports it alone, and turns errors into lines and exit statuses."""

from __future__ import annotations

import importlib
import os
import re
import sys
import threading
from contextlib import suppress
from typing import NoReturn

from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain

VERBS = {
    "check": "read a plan, print its as-planned timeline, margins and warnings",
    "run": "the desk: start or continue an excursion",
    "watch": "the lead's view of a journal; never writes",
    "record": "write one event, or a stream of them, without a screen",
    "estimate": "the re-estimate, now or as of an instant",
    "debrief": "as-run against planned",
    "learn": "pace from past excursions",
    "season": "many journals in one file: added, listed, searched, debriefed",
    "rehearse": "a simulated crew plays a plan",
    "verify": "look whether a journal is sound",
    "copy": "copy a journal into another store",
    "journals": "the journals of a PostgreSQL database; what prepares one",
    "rescue": "a sound journal from what can be read of a damaged one",
    "import": "make a plan from a spreadsheet",
    "export": "a plan as a workbook, and back by import",
    "new": "a commented plan to begin with",
    "diff": "what two plans differ in, or a journal's plan and another",
    "schema": "what a file may hold, as a JSON Schema",
}
"""Every verb with one line of help; `tracker.cli.VERB` holds its `add_arguments` and `run`."""

_ELSEWHERE = {"import": ("import_", ""), "copy": ("verify", "_copy")}
"""The module of other verbs, and what the names of their two functions have in them."""

_TIMES = ("--at", "--since")
"""Options whose value is a time, of whichever verb."""
_BEFORE_ZERO = re.compile(r"-\d[\d:.]*")


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return its exit status: 0 done, 1 input at fault, 2 wrong usage."""
    arguments = sys.argv[1:] if argv is None else argv
    try:
        status = _dispatch(arguments)
        if sys.stdout is not None:
            sys.stdout.flush()
        return status
    except TrackerError as error:
        for line in error.lines:
            print(plain(line), file=sys.stderr)
        return 2 if isinstance(error, WrongUsage) else 1
    except OSError as error:
        # What is still to be printed is printed nowhere, lest the interpreter complain of it once more.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):
            # The reader of our output went away: nothing is wrong with the input, and nothing more to say.
            return 0
        print(plain(f"tracker: {error.filename or 'the output'}: {error.strerror or error}"), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


def command() -> NoReturn:
    """Run the command line and end this process with its status, whatever is still being worked out.

    A thread that computes for a screen may be in the midst of NumPy's C++ then. An interpreter that is taken
    down ends such a thread by force, for which C++ ends the process: `terminate called`, status 134.
    """
    status = main()
    if any(thread.daemon for thread in threading.enumerate()):
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, AttributeError):
                stream.flush()
        os._exit(status)
    sys.exit(status)


def _dispatch(arguments: list[str]) -> int:
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        print(_overview())
        return 0
    if arguments[0] == "--version":
        from tracker import __version__

        print(f"tracker {__version__}")
        return 0
    if "postgres" in "".join(arguments).lower():
        from tracker.journal.place import refuse_secrets

        refuse_secrets(arguments)
    verb = arguments[0]
    if verb not in VERBS:
        from tracker.foundation.text import meant

        known = meant(verb, VERBS, "`tracker` lists them", most=3)
        raise WrongUsage(f"tracker: there is no command {verb!r}; {known}")
    # Help and version come at once: what reads options is loaded only where there are some.
    import argparse

    place, own = _ELSEWHERE.get(verb, (verb, ""))
    module = importlib.import_module(f"tracker.cli.{place}")
    parser = argparse.ArgumentParser(prog=f"tracker {verb}", description=VERBS[verb], allow_abbrev=False)
    getattr(module, f"add{own}_arguments")(parser)
    # Options may stand between the words of an event, as in `record J done --at 0:12 step=a.1`.
    status: int = getattr(module, f"run{own}")(parser.parse_intermixed_args(_joined(arguments[1:])))
    return status


def _joined(arguments: list[str]) -> list[str]:
    """Return the arguments with a time before zero, as in `--at -0:10`, joined to the option it belongs to.

    By itself it begins like an option, and would be taken for one.
    """
    joined: list[str] = []
    for argument in arguments:
        if joined and joined[-1] in _TIMES and _BEFORE_ZERO.fullmatch(argument):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def _overview() -> str:
    from tracker.foundation.text import ADVISORY

    width = max(map(len, VERBS))
    lines = [f"  tracker {verb:<{width}}  {words}" for verb, words in VERBS.items()]
    head = ["tracker: leads a crewed excursion from the inside.", ""]
    return "\n".join([*head, *lines, "", "`tracker VERB --help` says more.", ADVISORY])


if __name__ == "__main__":
    command()

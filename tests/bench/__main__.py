"""`python -m tests.bench [PART …]`: measures, and prints ratios; nothing here fails on a time.

Each part is a module beside this one with `main(argv)`; it prints a row per figure through
`tests.bench.table`. Without arguments every part runs in its quick form (`--quick`), and the rows
are printed once more as one table. `python -m tests.bench PART [OPTION …]` runs one part in full;
`python -m tests.bench two OLD NEW` compares two checkouts in one run.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
import traceback

from tests.bench.table import Row, gathered, print_table

PARTS = {
    "speed": "the estimate against drawing its random numbers and against SimPy",
    "skill": "the forecast against simple rivals, on truths that are not its own belief",
    "stores": "stores that leak and do not, and published gauges",
    "advice": "what to keep against brute force and CP-SAT",
    "journal": "a durable press against two bare SQLite commits",
    "screen": "first frame, key to paint, idle desk",
    "truth": "what every page says of a figure, through rehearsals",
    "promises": "writers killed, disks full, inputs mutated, many seats",
    "keys": "keys a deed at the desk",
    "watching": "another's tick to the lead's screen, and going back",
    "debrief": "a thousand journals, and one of 100,000 events",
    "season": "a thousand journals in a season, against reading the journals",
    "verdicts": "verdicts on limits against what raw events say",
    "learn": "held-out score with a learned pace file against without",
    "postgres": "a journal on a server: lines cut, servers and desks killed, appends and ticks timed",
    "rehearsal": "a simulated crew plays the demo a thousand times",
}
TWO = "two"
"""The part that takes two checkouts, OLD and NEW, and is no part of a run of all."""


def main(argv: list[str]) -> int:
    """Run the named parts in full, or all of them quickly; 1 when one failed, 2 for an unknown name."""
    if argv[:1] == [TWO]:
        from tests.bench.two import main as compare

        return compare(argv[1:])
    names, options = _split(argv)
    if unknown := [name for name in names if name not in PARTS]:
        print(f"There is no part {', '.join(unknown)}; there are: {', '.join(PARTS)}", file=sys.stderr)
        return 2
    if not names:
        return _run_all(options)
    return max(_run(name, options) for name in names)


def _split(argv: list[str]) -> tuple[list[str], list[str]]:
    """Return the part names that come first, and all that follows them."""
    count = next((i for i, word in enumerate(argv) if word.startswith("-")), len(argv))
    return argv[:count], argv[count:]


def _run_all(options: list[str]) -> int:
    present = [name for name in PARTS if importlib.util.find_spec(f"tests.bench.{name}")]
    status = max((_run(name, ["--quick", *options]) for name in present), default=0)
    print("\nAll figures")
    print_table(gathered())
    for name in [name for name in PARTS if name not in present]:
        print(f"not there: {name} ({PARTS[name]})")
    return status


def _run(name: str, options: list[str]) -> int:
    print(f"\n== {name}: {PARTS[name]}", flush=True)
    try:
        importlib.import_module(f"tests.bench.{name}").main(options)
    except Exception:
        traceback.print_exc()
        gathered().append(Row(name, "this part", "failed"))
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

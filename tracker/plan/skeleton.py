"""A commented plan to begin with: every key once, those that a plan can do without as comments.

It passes `tracker check` as written, and also with every comment of a key taken away.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tracker.foundation.times import format_exact
from tracker.plan.yaml_tree import yaml_text

SCHEMA_FILE = "plan.schema.json"
FIRST_LINE = f"# yaml-language-server: $schema={SCHEMA_FILE}"
"""Tells an editor where the schema lies."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a skeleton is filled in with."""

    excursion: str
    crew: Mapping[str, bool]
    """Crew member to whether they go outside; somebody does."""
    limit_s: int
    kind: str = "orbit"


@dataclass(frozen=True, slots=True)
class _Kind:
    """What differs between excursions in orbit, on a surface and under water."""

    zero: str
    door: str
    site: str
    store: str
    other: str
    window: str


_SUIT = (
    "  - id: oxygen",
    "    unit: kg",
    "    start: 0.75            # The level at zero",
    "    reserve: 0.10          # What must be left at ingress",
    "    per_hour: 0.005        # By the clock",
    "    per_megajoule: 0.0695  # By metabolic energy; one of the two is enough",
)
_BREATHED = (
    "  # - {id: carbon-dioxide, unit: kg, start: 0.9, model: carbon-dioxide}   # The published conversion"
)
KINDS: Mapping[str, _Kind] = {
    "orbit": _Kind(
        "Suits on their own power",
        "hatch",
        "truss",
        "\n".join(_SUIT),
        _BREATHED,
        "  # - {id: sunlight, orbit: {altitude: 400, beta: 20, first_sunrise: 0:00}}   # km, degrees",
    ),
    "surface": _Kind(
        "Everybody has left the lock",
        "lock",
        "outcrop",
        "\n".join(_SUIT),
        _BREATHED,
        "  # - {id: passes, orbit: {altitude: 400, beta: 20, first_sunrise: 0:00}}   # km, degrees",
    ),
    "dive": _Kind(
        "Leaving the surface",
        "gate",
        "outlet",
        "\n".join(
            (
                "  - id: gas",
                "    unit: L",
                "    start: 2400            # The level at zero",
                "    reserve: 600           # What must be left at ingress",
                "    per_hour: 300          # By the clock, at rest",
                "    per_megajoule: 450     # By metabolic energy; one of the two is enough",
            )
        ),
        "  # - {id: oxygen, unit: kg, start: 0.4, reserve: 0.1, model: oxygen}   # The published conversion",
        "  # - {id: sunlight, orbit: {altitude: 400, beta: 20, first_sunrise: 0:00}}   # km, degrees",
    ),
}


def skeleton(wanted: Wanted) -> str:
    """The text of a plan."""
    kind = KINDS[wanted.kind]
    outside = [member for member, out in wanted.crew.items() if out]
    members = "\n".join(_member(member, out) for member, out in wanted.crew.items())
    store = kind.store.split("id: ")[1].split("\n")[0]
    return _TEXT.format(
        first=FIRST_LINE,
        excursion=yaml_text(wanted.excursion),
        limit=format_exact(wanted.limit_s),
        earlier=format_exact(max(60, wanted.limit_s - 600)),
        one=outside[0],
        all=", ".join(outside),
        members=members,
        store=store,
        kind=kind,
    )


def _member(member: str, outside: bool) -> str:
    own = "" if outside else ", outside: false"
    said = "" if outside else "   # Has steps, but no consumables, and is not counted for ingress"
    return f"  - {{id: {member}, name: {member}{own}}}{said}"


_TEXT = """\
{first}
# A plan. `tracker check` looks it over; plans/FORMATS.md tells every key. Times are H:MM or H:MM:SS.
# What stands behind a `#` here may be left out; take the `#` away to use it.
format: 1
excursion: {excursion}
zero: {kind.zero}   # What starts the clock
# zero_planned: 2031-05-04T14:00:00Z   # Windows in PET are meant from here
limits:
  elapsed: {limit}   # Everybody inside by
  # earlier: {{at: {earlier}, crew: [{one}]}}   # A limit of some alone; a PET or an instant in UTC
# confidence: {{elapsed: 0.9, consumables: 0.99}}   # Chance of keeping every limit; or one number, 0.9
crew:
{members}
# efforts: {{rest: 120, light: 200, moderate: 300, heavy: 450}}   # W; more by name
consumables:
{kind.store}
    # reading_sd: 0.05     # How exact a reading is; 1 % of the start without it
    # crew: [{all}]   # Who has one of their own; everybody outside without it
    # shared: false        # true: one store for all of them
{kind.other}
# windows:   # When work may start
  # - {{id: light, open: [[0:00, {limit}]], kind: light}}   # From the first to the second; PETs or instants
  # - {{id: radio, open: [[0:00, {limit}]], kind: link}}   # When somebody outside can be spoken to
{kind.window}
sites:   # How long the way home takes from there
  {kind.site}:
    home: 0:05
    # assisted: 0:12   # With a partner who cannot help
# emergency: {{supply: 0:30, lock: 0:05}}   # What is kept for a bad day, and the door until it is not needed
# rounds:   # What everybody outside is asked again and again
  # - {{id: status, every: 0:30, ask: [{store}, gloves]}}   # A consumable is read, anything else is ok or not
# hardware:   # Tools and parts whose whereabouts count
  # - {{id: wrench, title: Torque wrench, from: lock}}
tasks:
  - id: out
    title: Go out
    steps:
      - id: open   # In events and on screens: out.open
        do: Open the {kind.door}
        crew: [{all}]   # Several: a joint step
        time: 0:05
        # fixed: true            # A time that no crew can hurry
        opens: [{kind.door}]     # Somebody must close it again before the crew goes home
        # hold_point: ask for a go   # The step waits until it is given
  - id: work
    title: The work itself
    priority: must   # must, should or get-ahead
    # needs: [out]   # Tasks or steps that are finished first; also on a step
    steps:
      - id: first
        do: Write here what is done
        crew: [{one}]
        time: {{low: 0:08, likely: 0:12, high: 0:20}}
        site: {kind.site}
        # count: 4               # Counted items
        # effort: moderate       # A name of efforts, or watts
        # use: {{{store}: 1.5}}   # How many times as much of a store it takes
        # work: fasten           # The kind of work, for learning pace
        # cautions: [The bracket springs open]   # What is to be heeded
        # numbers: {{torque: 12 N m, turns: 7}}    # What is set, turned or reached
        # takes: [wrench]        # Hardware that its crew has from here on
        # leaves: {{wrench: {kind.site}}}   # Where they leave it
        # window: light          # May start only inside it
        # whole: true            # The planned time must fit in as well
      - id: second
        do: And what comes after it
        crew: [{one}]
        time: 0:10
        # takes: [wrench]   # From where it lies
        # within: {{of: work.first, time: 1:00}}   # Done at most so long after the other is done
  - id: extra
    title: What may be left out
    priority: get-ahead
    # value: 2   # Weight among its like when something has to go
    steps:
      - {{do: Something useful, crew: [{one}], time: 0:10}}
  - id: in
    title: Go in
    closeout: true   # Always remains, after everything else
    steps:
      - id: way
        do: Go back
        crew: [{all}]
        time: home
        # brings: [wrench]   # Back in the lock when it is done
      - {{id: close, do: Close the {kind.door}, crew: [{all}], time: 0:05, closes: [{kind.door}]}}
"""

"""Which column of a sheet is which: what somebody said of them, then headings matched loosely.

Somebody says it as `HEADING=KEY[:UNIT], ...`: a key of a plan, `crew:ID` for marks below one crew member, or
`-` for what is not to be read; `@C` names a column by its letter.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from tracker.foundation.errors import WrongUsage
from tracker.foundation.text import did_you_mean, meant, near
from tracker.plan.cells import UNITS, Cell, span_of, unit_in
from tracker.plan.package import column_number
from tracker.plan.scalars import is_id
from tracker.plan.sheet_words import HEADINGS, NO, UNIT_NAMES, YES, fold

_SAID = ("step", "step name", "steps", "activity", "name", "title", "item")
"""Headings that say what is done when no better one does."""
_GROUPS = ("phase", "block", "section", "group", "segment", "stage", "work package")
"""Headings of what tasks belong to: where nothing else is a step, these are tasks and tasks are steps."""
_MOMENTS = {"start", "begin", "begins", "starts", "end", "ends", "finish", "stop", "from", "until"}
"""Words of a heading that speak of an instant, not of how long something takes."""
_NOT_UNITS = {"m", "d", "'", '"', "day", "days"}
_IN_HEADINGS = {name for name in UNIT_NAMES if name not in _NOT_UNITS} | {
    *("w", "hmm", "h:mm", "hh:mm", "h:mm:ss", "hh:mm:ss", "m:ss", "mm:ss"),
}
_TIME_WORDS = {word for name in HEADINGS["time"] for word in name.split()} | {
    *("step", "task", "activity", "action", "estimated", "scheduled", "allotted", "allocated", "budgeted"),
    *("durations", "times", "in", "of", "geschatzte", "estimee", "estimada", "stimata"),
}
"""Words of which a heading of the planned time may be made; actual, elapsed and travel are none of them."""
SPANS = ("time", "low", "high")
"""Keys whose cells are durations."""
LINES = ("cautions", "numbers")
"""Keys whose cells hold something on each line."""


def column_name(index: int) -> str:
    """A column's letters, from 0: A, B, ... Z, AA."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(65 + rest) + name
    return name


@dataclass(frozen=True, slots=True)
class Named:
    """What somebody said of one column."""

    column: str
    """Its heading, or `@` and its letter."""
    key: str
    """A key of a plan, `crew` or `does` with a member, or `-`."""
    member: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What somebody said of a sheet before it is read."""

    named: tuple[Named, ...] = ()
    only: bool = False
    """Whether columns that nobody named stay unread."""
    decimal: str = ""
    """The mark before decimals, empty where nobody said."""
    sheet: str = ""
    """The sheet of a workbook that is read."""
    header_row: int = 0
    """The row of the headings, from 1; 0: looked for."""
    hidden: str = ""
    """`read` or `skip` for what is hidden; empty: refused."""
    crew: Mapping[str, str] = field(default_factory=dict)
    """Name in the sheet to the id of a crew member."""
    priorities: Mapping[str, str] = field(default_factory=dict)
    """Word of the sheet to a priority."""
    bare: str = ""
    """The unit of numbers that have none by themselves; empty: whole numbers from 1 to 240 are minutes;
    `?`: they are refused."""


NO_WISHES = Wishes()


@dataclass(frozen=True, slots=True)
class Columns:
    """What each column of a sheet holds."""

    keys: Mapping[str, int]
    """Key of a plan to its column, from 0."""
    crew: Mapping[str, int]
    """Crew members who have a column of their own, with a mark where they take part."""
    does: Mapping[str, int]
    """Crew members who have a column of their own, with what they do in it."""
    headings: tuple[str, ...]
    units: Mapping[int, str] = field(default_factory=dict)
    """Column to the unit that somebody named for it."""
    equal: tuple[tuple[str, int, int], ...] = ()
    """Keys that two columns mean equally well."""
    skipped: frozenset[int] = frozenset()
    """Columns that somebody said are not to be read."""
    again: tuple[int, ...] = ()
    """Columns that say the time once more, by another word or in another unit."""

    @property
    def unread(self) -> tuple[str, ...]:
        """Headings that mean nothing to a plan."""
        people = {*self.crew.values(), *self.does.values()}
        used = {*self.keys.values(), *people, *self.skipped, *self.again}
        return tuple(name for i, name in enumerate(self.headings) if i not in used and name.strip())

    @property
    def lacking(self) -> tuple[str, ...]:
        """What a plan cannot do without and no column holds: `time`, `crew` or `do`."""
        there = {*self.keys, *(["crew"] if self.crew else []), *(["crew", "do"] if self.does else [])}
        wanted = {"time": {"time", "start"}, "crew": {"crew"}, "do": {"task", "step", "do"}}
        return tuple(key for key, any_of in wanted.items() if not any_of & there)

    @property
    def complete(self) -> bool:
        """Whether what a plan cannot do without has a column."""
        return not self.lacking

    def misspelt(self, key: str) -> tuple[int, str] | None:
        """The column whose heading is likely a misspelt one of a key, and what is meant; None without any."""
        words = [word for word in HEADINGS[key] if len(word) > 3]
        for at, heading in enumerate(self.headings):
            close = near(fold(heading.strip()), words, 1) if heading in self.unread else []
            if close and close[0][0] == fold(heading.strip())[0]:
                return at, close[0].capitalize()
        return None

    def place(self, column: int) -> str:
        """A column by its letter and heading, as refusals name it."""
        heading = self.headings[column].strip() if column < len(self.headings) else ""
        return f"column {column_name(column)}" + (f" ({heading})" if heading else "")


_PAIR = re.compile(r'\s*(?:"((?:[^"]|"")*)"|([^=,"]*?))\s*=\s*([^,\s]+)\s*(?:,|$)')


def parse_columns(text: str) -> tuple[Named, ...]:
    """What `--columns` says. Raises WrongUsage."""
    found, at = list[Named](), 0
    while text[at:].strip():
        pair = _PAIR.match(text, at)
        if pair is None:
            raise WrongUsage(
                f'--columns: {text[at:].strip()!r} is no column; write HEADING=KEY, "A, B"=KEY or @C=KEY'
            )
        heading = pair.group(2) if pair.group(1) is None else pair.group(1).replace('""', '"')
        found.append(named(heading, pair.group(3)))
        at = pair.end()
    once = [(one.key, one.member) for one in found if one.key != "-"]
    for key in once:
        if once.count(key) > 1:
            raise WrongUsage(
                f"--columns: {':'.join(filter(None, key))} is named twice; name one column for it"
            )
    return tuple(found)


def named(heading: str, said: str) -> Named:
    """What `KEY[:UNIT]` says of one column. Raises WrongUsage."""
    key, _, rest = said.partition(":")
    key = "time" if key == "likely" else key
    if key not in HEADINGS and key not in ("-", "does"):
        words = near(key, [*HEADINGS, "does", "-"], 1) or [
            k for k, names in HEADINGS.items() if fold(key) in names
        ]
        hint = did_you_mean(words) or f"; keys are {', '.join(HEADINGS)}, does:ID and -"
        raise WrongUsage(f"--columns: {key!r} is no key of a column{hint}")
    if key in ("crew", "does") and (rest or key == "does"):
        if not is_id(rest):
            raise WrongUsage(f"--columns: {said!r}: {rest!r} is no id of a crew member; write {key}:EV1")
        return Named(heading, key, member=rest)
    if rest and (key not in (*SPANS, "start", "end") or rest not in {*UNITS, "m:ss", "h:mm"}):
        units = ", ".join(UNITS)
        raise WrongUsage(
            f"--columns: {said!r}: {rest!r} is no unit of {key}; units of times are {units}, m:ss and h:mm"
        )
    return Named(heading, key, unit=rest)


def match(headings: Sequence[str], rows: Sequence[Sequence[Cell]], wishes: Wishes = NO_WISHES) -> Columns:
    """The columns by what they hold: what was said of them first, then the best heading."""
    bare = [_bare(name) for name in headings]
    said = {at: one for one in wishes.named if (at := _said_column(one, headings)) is not None}
    keys = {one.key: at for at, one in said.items() if one.key != "-" and not one.member}
    crew = {one.member: at for at, one in said.items() if one.key == "crew" and one.member}
    does = {one.member: at for at, one in said.items() if one.key == "does"}
    doubled: dict[str, list[int]] = {}
    if not wishes.only:
        _by_headings(keys, doubled, bare, set(said), _TAKEN if does else {"crew"} if crew else set())
        _settle(keys, bare, rows, set(said))
    if not does and "crew" not in keys and not wishes.only:
        # Who has a column that nobody named takes part as well.
        marked = _marked(headings, rows, {*keys.values(), *said}) | crew
        crew = dict(sorted(marked.items(), key=lambda one: one[1]))
    units = {at: one.unit for at, one in said.items() if one.unit}
    skipped = frozenset(at for at, one in said.items() if one.key == "-")
    again: tuple[int, ...] = ()
    if not wishes.only and "time" in keys and keys["time"] not in said:
        others = _again(headings, bare, keys, {*keys.values(), *crew.values(), *does.values(), *said})
        again = tuple(i for i in others if _any_time(headings[i], [row[i] for row in rows], wishes))
    equal = tuple(
        (key, best[0], i)
        for key, best in doubled.items()
        if keys.get(key) in best
        for i in best[1:]
        if i not in again
    )
    return Columns(keys, crew, does, tuple(headings), units, equal, skipped, again)


def _again(
    headings: Sequence[str], bare: Sequence[str], keys: Mapping[str, int], used: set[int]
) -> Iterator[int]:
    """Yield the columns whose headings mean the planned time too: by another word, or in another unit."""
    time, unit = bare[keys["time"]], unit_in(headings[keys["time"]])
    for i, name in enumerate(bare):
        words = set(name.split())
        # Beside low and high what is expected is their mean, and no second word for the time.
        if i in used or not name or ("expected" in words and {"low", "high"} <= set(keys)):
            continue
        if name == time:
            if unit is not None and unit_in(headings[i]) not in (None, unit):
                yield i
        elif name in _IN_HEADINGS or name in HEADINGS["time"] or _speaks_of_time(name, words):
            yield i


def _speaks_of_time(name: str, words: set[str]) -> bool:
    return words <= _TIME_WORDS and _rank(name, "time", HEADINGS["time"], exact=False) is not None


def _any_time(heading: str, cells: Sequence[Cell], wishes: Wishes) -> bool:
    """Whether a column holds a duration at all; its heading may be a word for something else."""
    for cell in filter(str.strip, cells):
        with suppress(ValueError):
            span_of(cell, unit_in(heading), wishes.decimal)
            return True
    return False


_TAKEN = {"crew", "do", "step"}
"""Keys that columns of what each one does stand for."""


def _said_column(one: Named, headings: Sequence[str]) -> int | None:
    if re.fullmatch(r"@[A-Za-z]{1,3}", one.column):
        at = column_number(one.column[1:]) - 1
        return at if at < len(headings) else None
    wanted = fold(" ".join(one.column.split()))
    return next((i for i, name in enumerate(headings) if fold(" ".join(name.split())) == wanted), None)


def not_there(wishes: Wishes, headings: Sequence[str]) -> Iterator[str]:
    """Yield a line for each column that somebody named and the sheet does not have."""
    there = [" ".join(name.split()) for name in headings if name.strip()]
    for one in wishes.named:
        if _said_column(one, headings) is None:
            hint = meant(one.column, there, f"headings are {', '.join(there)}")
            yield f"--columns: the sheet has no column {one.column!r}; {hint}"


def _bare(name: str) -> str:
    """A heading folded, without marks and without the units behind its first word; empty for a remark."""
    if re.fullmatch(r"\s*\(.*\)\s*", name, re.DOTALL):
        return ""
    words = re.sub(r"[^a-z0-9:]+", " ", fold(name)).split()
    if not words and name.strip() in ("#", "№"):
        return "no"
    return " ".join([*words[:1], *(word for word in words[1:] if word not in _IN_HEADINGS)])


def _by_headings(
    keys: dict[str, int],
    doubled: dict[str, list[int]],
    bare: Sequence[str],
    said: set[int],
    not_for: set[str],
) -> None:
    """Give each key that has none the column whose heading means it best; note where two mean it equally."""
    for exact in (True, False):
        for key, known in HEADINGS.items():
            if key == "step" and "do" in keys:
                known = ("step", *known)
            best = (
                []
                if key in keys or key in not_for
                else _best(bare, {*keys.values(), *said}, key, known, exact)
            )
            if best:
                keys[key] = best[0]
            if len(best) > 1:
                doubled[key] = best


def _best(bare: Sequence[str], used: set[int], key: str, known: Sequence[str], exact: bool) -> list[int]:
    """The columns whose headings mean a key best, equally well."""
    ranks = {i: _rank(name, key, known, exact) for i, name in enumerate(bare) if i not in used and name}
    found = {i: rank for i, rank in ranks.items() if rank is not None}
    return [i for i, rank in found.items() if rank == min(found.values())]


def _rank(name: str, key: str, known: Sequence[str], exact: bool) -> int | None:
    """The place of a heading among those that mean a key, from 0, the best; None for one that does not."""
    if exact:
        return known.index(name) if name in known else 0 if name.replace(" ", "_") == key else None
    if key in SPANS and _MOMENTS & set(name.split()):
        return None
    fits = (i for i, word in enumerate(known) if len(word) > 3 and _begins_or_ends(name, word))
    return next(fits, None)


def _begins_or_ends(name: str, word: str) -> bool:
    return name.startswith(word) or name.endswith(" " + word)


def _settle(keys: dict[str, int], bare: Sequence[str], rows: Sequence[Sequence[str]], said: set[int]) -> None:
    """Give tasks and what is done the columns that are left for them."""
    if "task" not in keys and "task_id" in keys:
        keys["task"] = keys.pop("task_id")
    if "do" not in keys:
        best = _best(bare, {*keys.values(), *said}, "do", _SAID, True)
        if best:
            keys["do"] = best[0]
        elif "step" in keys and keys["step"] not in said and _is_prose([row[keys["step"]] for row in rows]):
            keys["do"] = keys.pop("step")
    group = _best(bare, {*keys.values(), *said}, "task", _GROUPS, True)
    if group and "task" in keys and keys["task"] not in said and not {"do", "step"} & set(keys):
        keys["do"], keys["task"] = keys["task"], group[0]


def _is_prose(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    return sum(" " in cell.strip() for cell in filled) * 2 > len(filled)


def _marked(headings: Sequence[str], rows: Sequence[Sequence[str]], used: set[int]) -> dict[str, int]:
    """Columns whose heading could be somebody and whose cells are marks."""
    found = {}
    for i, name in enumerate(headings):
        if i in used or not re.fullmatch(r"[^\W\d_][\w.' -]{0,39}", name.strip()):
            continue
        cells = {fold(row[i].strip()) for row in rows}
        if cells <= YES | NO and cells & YES:
            found[name.strip()] = i
    return found

"""A sheet's bytes as text and its text as a table: encodings, separators, and where the headings stand.

Which column of a spreadsheet is which: headings matched loosely, and what was not matched.

Durations in the notations that people write in spreadsheets, as whole seconds.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tracker.foundation.errors import Fault, PlanError

HEADINGS: dict[str, tuple[str, ...]] = {
    "task": ("task", "task title", "task name", "activity", "work package", "block", "phase"),
    "task_id": ("task id", "task no", "task nr", "task number"),
    "do": ("do", "action", "description", "step description", "what", "instruction", "text", "details",
           "procedure"),
    "step": ("step id", "step no", "step nr", "step number", "id", "no", "nr", "number", "num", "ref", "wbs",
             "seq", "item no", "step", "item"),
    "crew": ("crew", "who", "crew member", "crew members", "assigned", "assigned to", "person", "by", "actor",
             "ev"),
    "time": ("time", "duration", "planned time", "planned duration", "planned", "likely", "most likely",
             "expected", "dur", "length", "takes", "how long", "estimate", "est", "nominal", "minutes",
             "mins", "min", "hours", "seconds"),
    "low": ("low", "optimistic", "best case", "shortest", "time low", "minimum", "min", "min time",
            "min duration"),
    "high": ("high", "pessimistic", "worst case", "longest", "time high", "maximum", "max", "max time",
             "max duration"),
    "priority": ("priority", "prio", "category", "class"),
    "optional": ("optional", "get ahead", "getahead", "if time", "nice to have"),
    "value": ("value", "weight", "worth"),
    "needs": ("needs", "predecessor", "predecessors", "pred", "preds", "after", "depends on", "dependencies",
              "dependency", "requires", "prerequisite", "prerequisites", "prereq"),
    "site": ("site", "worksite", "location", "where", "place"),
    "work": ("work", "kind", "kind of work", "type", "work type"),
    "count": ("count", "quantity", "qty", "items", "number of items", "pieces"),
    "effort": ("effort", "metabolic rate", "watts", "workload"),
    "hold_point": ("hold point", "hold", "go", "go no go", "go for"),
    "opens": ("opens", "open items", "leaves open"),
    "closes": ("closes",),
    "closeout": ("closeout", "close out"),
    "fixed": ("fixed", "fixed time"),
}  # fmt: skip
"""Per key of a plan the headings that mean it, the best first, in lower case, without units and marks."""

_SAID = ("step", "step name", "steps", "activity", "name", "title", "item")
"""Headings that say what is done when no better one does."""
_GROUPS = ("phase", "block", "section", "group", "segment", "stage", "work package")
"""Headings of what tasks belong to: where nothing else is a step, these are tasks and tasks are steps."""
_MOMENTS = {"start", "begin", "begins", "starts", "end", "ends", "finish", "stop", "from", "until"}
"""Words of a heading that speak of an instant, not of how long something takes."""

_UNITS = {
    *("h", "hr", "hrs", "hours", "min", "mins", "minutes", "s", "sec", "seconds", "w"),
    *("hmm", "h:mm", "hh:mm", "h:mm:ss", "hh:mm:ss", "m:ss", "mm:ss"),
}
NO = {"", "no", "n", "false", "0", "-"}
YES = {"yes", "y", "true", "x", "1", "✓", "✔", "•", "*"}


@dataclass(frozen=True, slots=True)
class Columns:
    """What each column of a sheet holds."""

    keys: Mapping[str, int]
    """Key of a plan to its column, from 0."""
    crew: Mapping[str, int]
    """Crew members who have a column of their own, with a mark where they take part."""
    headings: tuple[str, ...]

    @property
    def unread(self) -> tuple[str, ...]:
        """Headings that mean nothing to a plan."""
        used = {*self.keys.values(), *self.crew.values()}
        return tuple(name for i, name in enumerate(self.headings) if i not in used and name.strip())

    @property
    def complete(self) -> bool:
        """Whether what a plan cannot do without has a column."""
        return bool(
            "time" in self.keys
            and {"task", "step", "do"} & set(self.keys)
            and ("crew" in self.keys or self.crew)
        )


def match(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> Columns:
    """The columns by what they hold: the best heading first, the leftmost of equals."""
    bare = [_bare(name) for name in headings]
    keys: dict[str, int] = {}
    for exact in (True, False):
        for key, known in HEADINGS.items():
            if key == "step" and "do" in keys:
                known = ("step", *known)
            at = None if key in keys else _best(bare, set(keys.values()), key, known, exact)
            if at is not None:
                keys[key] = at
    _settle(keys, bare, rows)
    crew = {} if "crew" in keys else _marked(headings, rows, set(keys.values()))
    return Columns(keys, crew, tuple(headings))


def _bare(name: str) -> str:
    """A heading in lower case, without marks and without the units behind its first word."""
    words = re.sub(r"[^a-z0-9:]+", " ", name.lower()).split()
    if not words and name.strip() in ("#", "№"):
        return "no"
    return " ".join([*words[:1], *(word for word in words[1:] if word not in _UNITS)])


def _best(bare: Sequence[str], used: set[int], key: str, known: Sequence[str], exact: bool) -> int | None:
    ranks = {i: _rank(name, key, known, exact) for i, name in enumerate(bare) if i not in used}
    return min(
        (i for i, rank in ranks.items() if rank is not None), key=lambda i: ranks[i] or 0, default=None
    )


def _rank(name: str, key: str, known: Sequence[str], exact: bool) -> int | None:
    """The place of a heading among those that mean a key, from 0, the best; None for one that does not."""
    if exact:
        return known.index(name) if name in known else 0 if name.replace(" ", "_") == key else None
    if key in ("time", "low", "high") and _MOMENTS & set(name.split()):
        return None
    fits = (i for i, word in enumerate(known) if len(word) > 3 and _begins_or_ends(name, word))
    return next(fits, None)


def _begins_or_ends(name: str, word: str) -> bool:
    return name.startswith(word) or name.endswith(" " + word)


def _settle(keys: dict[str, int], bare: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Give tasks and what is done the columns that are left for them."""
    if "task" not in keys and "task_id" in keys:
        keys["task"] = keys.pop("task_id")
    if "do" not in keys:
        said = _best(bare, set(keys.values()), "do", _SAID, True)
        if said is not None:
            keys["do"] = said
        elif "step" in keys and _is_prose([row[keys["step"]] for row in rows]):
            keys["do"] = keys.pop("step")
    group = _best(bare, set(keys.values()), "task", _GROUPS, True)
    if group is not None and "task" in keys and not {"do", "step"} & set(keys):
        keys["do"], keys["task"] = keys["task"], group


def _is_prose(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    return sum(" " in cell.strip() for cell in filled) * 2 > len(filled)


def _marked(headings: Sequence[str], rows: Sequence[Sequence[str]], used: set[int]) -> dict[str, int]:
    """Columns whose heading could be somebody and whose cells are marks."""
    found = {}
    for i, name in enumerate(headings):
        if i in used or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,19}", name.strip(), re.ASCII):
            continue
        cells = {row[i].strip().lower() for row in rows}
        if cells <= YES | NO and cells & YES:
            found[name.strip()] = i
    return found


MOST_ROWS = 5000
MOST_COLUMNS = 200
_ABOVE = 20
"""Headings are looked for in so many rows; titles and remarks may stand above them."""
_SAMPLE = 100
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""First bytes of the usual workbooks: zip archives and compound files."""
_NO_TEXT = re.compile("[\x00-\x08\x0e-\x1a\x1c-\x1f]")


@dataclass(frozen=True, slots=True)
class Table:
    """A sheet's headings and the rows below them, all equally long."""

    columns: Columns
    header_row: int
    """Row of the sheet, from 1."""
    rows: list[list[str]]


def sheet_text(raw: bytes, file: str) -> tuple[str, str]:
    """A sheet's text and, unless it is UTF-8, how it was read.

    Spreadsheets write UTF-8, UTF-16 with a byte-order mark, or the western code page of their system.
    Raises PlanError for what is no text.
    """
    if raw.startswith(_WORKBOOKS):
        raise PlanError([Fault(file, 0, 0, "", "is a workbook, not CSV", "save its sheet as CSV, UTF-8")])
    try:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text, said = raw.decode("utf-16"), "UTF-16"
        else:
            text, said = raw.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        text, said = raw.decode("cp1252", "replace"), "Windows-1252, for it is not UTF-8"
    if _NO_TEXT.search(text):
        raise PlanError([Fault(file, 0, 0, "", "is no text", "save the sheet as CSV, UTF-8")])
    return text, said


def read_table(text: str, file: str) -> Table:
    """The table in a sheet's text, by the separator and the headings that make sense of it.

    Raises PlanError when it is empty, too large or no CSV.
    """
    first, _, rest = text.partition("\n")
    hint = re.fullmatch(r'"?sep=(.)"?\s*', first, re.IGNORECASE)
    body, skipped = (rest, 1) if hint else (text, 0)
    if not body.strip():
        raise _empty(file)
    found: list[Table | PlanError] = []
    for mark in _marks(body, hint):
        try:
            found.append(_headed(_rows(body, mark, file), skipped))
        except PlanError as error:
            found.append(error)
    likeliest = next((one for one in found if isinstance(one, Table) and one.columns.complete), found[0])
    if isinstance(likeliest, PlanError):
        raise likeliest
    return likeliest


def _marks(body: str, hint: re.Match[str] | None) -> list[str]:
    """The marks that may separate cells, the likeliest first: most often in the first line that has any."""
    if hint:
        return [hint.group(1)]
    line = next(line for line in body.splitlines() if line.strip())
    outside_quotes = re.sub(r'"[^"]*"', "", line)
    return sorted(
        (mark for mark in ",;\t|" if mark in body), key=lambda mark: -outside_quotes.count(mark)
    ) or [","]


def _rows(body: str, mark: str, file: str) -> list[list[str]]:
    rows: list[list[str]] = []
    try:
        rows.extend(csv.reader(io.StringIO(body, newline=""), delimiter=mark, strict=True))
    except csv.Error as error:
        n = len(rows) + 1
        what, right = f"is not CSV: {error}", "close every quotation mark, and save the sheet as CSV, UTF-8"
        raise PlanError([Fault(file, n, 1, f"row {n}", what, right)]) from None
    if not any(cell.strip() for row in rows for cell in row):
        raise _empty(file)
    wide = max(len(row) for row in rows)
    if len(rows) > MOST_ROWS or wide > MOST_COLUMNS:
        what = f"has {len(rows):,} rows and {wide:,} columns"
        raise PlanError([Fault(file, 0, 0, "", what, f"at most {MOST_ROWS:,} and {MOST_COLUMNS} are read")])
    return [row + [""] * (wide - len(row)) for row in rows]


def _headed(rows: Sequence[list[str]], skipped: int) -> Table:
    """The table below its headings: the first row that has all of them, else the first with text."""
    filled = [i for i, row in enumerate(rows) if any(cell.strip() for cell in row)]
    complete = (i for i in filled[:_ABOVE] if match(rows[i], rows[i + 1 : i + 1 + _SAMPLE]).complete)
    at = next(complete, filled[0])
    return Table(match(rows[at], rows[at + 1 :]), at + skipped + 1, list(rows[at + 1 :]))


def _empty(file: str) -> PlanError:
    return PlanError([Fault(file, 1, 1, "", "is empty", "save a sheet with headings and a row a step")])


UNITS = {"h": 3600.0, "min": 60.0, "s": 1.0}
_NAMES = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden"), "h"),
    **dict.fromkeys(("m", "mn", "min", "mins", "minute", "minutes", "minuten", "'", "\u2032"), "min"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", '"', "\u2033"), "s"),
}
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d)(?:[.,]0+)?)?", re.ASCII)
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
_PART = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(?:([a-z'\"\u2032\u2033]+)\.?)?\s*(?:,|and\b|&)?\s*", re.ASCII | re.IGNORECASE
)
_ABOUT = re.compile(r"(?:~|≈|approx\.?|about|circa|ca?\.)\s*", re.IGNORECASE)
_HALF_DAY = re.compile(r"(1[0-2]|0?[1-9])(:[0-5]\d(?::[0-5]\d)?)\s*([ap])\.?m\.?", re.IGNORECASE)
_CLOCK_UNIT = re.compile(
    r"(\d{1,3}:[0-5]\d(?::[0-5]\d)?)\s*(h|hrs?|hours?|min|mins|minutes)\.?", re.IGNORECASE
)
_ISO = re.compile(r"P?(?:0D)?T(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?", re.IGNORECASE)
_SMALLER = {"h": "min", "min": "s"}

RIGHT = "write 0:08, 8 min, 1h05 or 01:05:00"


def unit_in(heading: str) -> str | None:
    """The unit that a column's heading names, as in `Duration (h)`: `h`, `min` or `s`.

    A heading may also show how clocks are written: `h:mm` or `m:ss`.
    """
    clock = re.search(r"\b(?:(h{1,2}:m{2}(?::s{2})?)|m{1,2}:s{2})(?![:\w])", heading.lower())
    if clock is not None:
        return "h:mm" if clock.group(1) else "m:ss"
    for word in reversed(re.findall(r"[a-z]+", heading.lower())):
        if word in _NAMES:
            return _NAMES[word]
    return None


def parse_span(text: str, unit: str = "min") -> int:
    """Read a duration: `8`, `0:08`, `8 min`, `1h05`, `1 h 5 min`, `01:05:00`, `1,5 h`, `90 s`, `PT1H5M`.

    A bare number is in `unit`; a clock is `H:MM` or `H:MM:SS`, and `M:SS` where the unit is `m:ss`. Returns
    whole seconds. Raises ValueError.
    """
    bare = _ABOUT.sub("", " ".join(text.split()), count=1) if text else ""
    half = _HALF_DAY.fullmatch(bare)
    if half is not None:
        # A spreadsheet that shows a duration as a time of day: 12:08:00 AM is 0:08.
        bare = f"{int(half.group(1)) % 12 + 12 * (half.group(3) in 'pP')}{half.group(2)}"
    named = _CLOCK_UNIT.fullmatch(bare)
    if named is not None:
        bare, unit = named.group(1), "m:ss" if named.group(2)[0] in "mM" else "h:mm"
    clock = _CLOCK.fullmatch(bare)
    if clock is not None:
        hours, minutes, seconds = clock.groups(default="0")
        if unit == "m:ss" and clock.group(3) is None:
            hours, minutes, seconds = "0", hours, minutes
        return int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    if _NUMBER.fullmatch(bare):
        return _number(bare, text, unit)
    iso = _ISO.fullmatch(bare)
    if iso is not None and any(iso.groups()):
        return round(sum(float(n or 0) * u for n, u in zip(iso.groups(), UNITS.values(), strict=True)))
    return round(_parts(bare, text))


def _number(bare: str, text: str, unit: str) -> int:
    if unit not in UNITS:
        minutes, hours = (
            (f"{bare}:00", f"0:{bare:0>2}") if unit == "m:ss" else (f"0:{bare:0>2}", f"{bare}:00")
        )
        raise ValueError(f"{text!r} has no unit, and the heading shows {unit}; write {minutes} or {hours}")
    return round(_value(bare) * UNITS[unit])


def _parts(bare: str, text: str) -> float:
    """Read numbers with units, from large to small; a last number without one is the next smaller."""
    total, before, at = 0.0, "", 0
    while at < len(bare):
        found = _PART.match(bare, at)
        name = found.group(2) if found else None
        unit = _NAMES.get(name.lower()) if name else _SMALLER.get(before)
        if found is None or unit is None or (before and UNITS[unit] >= UNITS[before]):
            raise ValueError(f"{text!r} is not a duration; {RIGHT}")
        total, before, at = total + _value(found.group(1)) * UNITS[unit], unit, found.end()
    if not before:
        raise ValueError(f"{text!r} is not a duration; {RIGHT}")
    return total


def _value(number: str) -> float:
    return float(number.replace(",", "."))

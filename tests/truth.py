"""What the pages say of one figure, read back from their text: whether all of them say the same.

Read is every instant of a limit, what is to spare, INSIDE and its range, the chance, the musts alone, turn
home by, the begin of closeout, the start of each optional task and what a call comes to. What they have to
be is worked out here once more, from the JSON of the estimate.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from tests.screens import middle, panes
from tracker.console.desk import _PAGED
from tracker.console.layout import MIDDLE, VIEWS
from tracker.console.view.head import change_said, lead_head, notice
from tracker.console.view.lead_2_choices import named
from tracker.console.view.right_pane import side
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.styled_text import large, text_of
from tracker.debrief.excursion import debriefed
from tracker.debrief.pages import markdown
from tracker.debrief.records import json_chunks
from tracker.forecast.estimate import estimate
from tracker.forecast.handover import brief
from tracker.forecast.report import page as printed
from tracker.forecast.report import report
from tracker.journal.progress import Progress

SIZES = ((80, 24), (100, 30), (120, 36), (200, 55))
PET = r"\d+:\d\d(?!:)"
SPAN = r"(?:\d+ h \d\d|\d+ min)"
CHANCE = r"(?<!; )(?:chance|limits|stores) ([<>]?[\d.]+ %), need [\d.]+ %"
_DIGITS = {tuple(line[0].text for line in large(digit, "")): digit for digit in "0123456789:"}


def words_of(limit: str) -> str:
    """Return the name of a limit as it is written."""
    if limit == "elapsed":
        return "elapsed limit"
    named = limit.replace("window.", "window ").replace(".", " ").replace("*", "shared")
    return re.sub(r" co2$", " CO2 removal", named)


def bare(text: str) -> list[str]:
    """Return where a text names a store by the id of the plan, beyond what is to be typed."""
    return re.findall(r".{0,40}\bco2\b.{0,20}", re.sub(r"\b(?:reading|b)\s(?:\S+\s)?co2\b", "", text))


def pages(scene: Scene) -> Iterator[tuple[str, str]]:
    """Yield (where, text) of every page of both screens at four sizes, and of what is printed."""
    assert scene.estimate is not None
    choices = scene.estimate.choices or ()
    lead = LeadScene(
        scene.snapshot, scene.now, scene.utc, disk=scene.disk, present=scene.now, choices=choices
    )
    for width, height in SIZES:
        at = f"{width}x{height}"
        for name, lines in panes(scene, width, height).items():
            yield f"desk steps {name} {at}", text_of(lines)
        for view in sorted(set(MIDDLE) - {"steps"}):
            yield f"desk {view} middle {at}", text_of(middle(scene, width, height, view))
        for name, page in _PAGED.items():
            yield f"desk page {name} {at}", text_of(page(scene, width))
        for columns in (43, 50, 66, 108):
            yield f"desk side {columns}", text_of(side(scene, columns, height))
        yield f"lead head {at}", text_of(lead_head(lead, width, 3))
        for name, region in VIEWS.items():
            yield f"lead {name} {at}", text_of(region(lead, width, height - 8))
        yield f"lead notice {at}", text_of(notice(lead, width, 3))
    yield "desk what changed", "\n".join(change_said(scene))
    yield "brief", "\n".join(brief(scene.progress, scene.estimate))
    yield "report", "\n".join(report(scene.progress, scene.estimate))
    number, digest = scene.progress.number, "0" * 12
    yield "paper", "\n".join(printed(scene.progress, scene.estimate, number=number, digest=digest))
    told = scene.estimate.as_json()
    yield "json alerts", "\n".join(f"{alert['text']}  {alert['do'] or ''}" for alert in told["alerts"])


def chosen(text: str, scene: Scene, whole: bool) -> tuple[str, list[tuple[str, str]]]:
    """Return a text without what it says of choices, and that: what each would come to is its own figure.

    `whole`: whether the rest of such a row speaks of the choice too.
    """
    assert scene.estimate is not None
    words = {named(scene, choice): choice.id for choice in scene.estimate.choices or ()}
    if not words:
        return text, []
    some = "|".join(re.escape(name) for name in sorted(words, key=len, reverse=True))
    pattern = re.compile(
        rf"^ *(?:\* )?({some}) +({PET})(?: [^%\n]*?)? +([<>]?[\d.]+ %)"
        rf"[ <]+({SPAN}(?: SHORT)?)?{'.*$' if whole else ''}",
        re.M,
    )
    found = []
    for name, inside, chance, left in pattern.findall(text):
        found += [(f"choice {words[name]} inside", inside), (f"choice {words[name]} chance", chance)]
        found += [(f"choice {words[name]} spare", left)] if left else []
    return pattern.sub("", text), found


def read(text: str, names: Mapping[str, str], tasks: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield (figure, as it is written) of what a page says.

    `names` are limits by their words, `tasks` the letters of optional tasks.
    """
    for task, letter in tasks.items():
        row = rf"\b{letter} {re.escape(task)} [^\n%]*?(?:keep|decide|drop|not yet) +(?:start by )?({PET})"
        for at in re.findall(rf"{row}|\b(?<!-){re.escape(task)}: start by ({PET})", text):
            yield f"start by {task}", "".join(at)
    some = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    for name, at in re.findall(rf"\b({some})(?: reaches its reserve)?,? (?:at )?({PET})", text):
        yield f"reached {names[name]}", at
    for left, word, name in re.findall(rf"({SPAN}) (to spare|SHORT)(?: until|:) ({some})", text):
        yield f"spare {names[name]}", f"{left} {word}"
    for name, left, word in re.findall(rf"({some}) at {PET}, ({SPAN}) (to spare|SHORT)", text):
        yield f"spare {names[name]}", f"{left} {word}"
    for name, left, word in re.findall(rf"^ ({some}) at {PET} .*[║X]  ({SPAN}) (to spare|SHORT)", text, re.M):
        yield f"spare {names[name]}", f"{left} {word}"
    for name, at, left, short in re.findall(
        rf"({some})(?: +[\d.,]+ \w+)? +({PET}) +({SPAN})( SHORT)?(?: |$)", text, re.M
    ):
        yield f"reached {names[name]}", at
        yield f"spare {names[name]}", f"{left}{short or ' to spare'}"
    for who, what, at, left, short in re.findall(
        rf"^ (\S+) +(\S+) +\S+(?: +[\d.,]+){{3}} +({PET})(?: +({SPAN})( SHORT)?)?", text, re.M
    ):
        if f"{who} {what}" in names:
            yield f"reached {names[f'{who} {what}']}", at
            if left:
                yield f"spare {names[f'{who} {what}']}", f"{left}{short or ' to spare'}"
    for figure, pattern in _NAMED.items():
        for found in re.finditer(pattern, text, re.M):
            yield figure, next(filter(None, found.groups())).replace(" and ", "..")


_HEADS = ("desk steps head", "lead head")
_SAYS_CHANCE = (*_HEADS, "desk steps alerts", "desk alerts", "brief")
"""Elsewhere a chance is that of something supposed."""
_NAMED = {
    "range": rf"8 in 10(?: between|:) ({PET}(?: and |\.\.){PET})",
    "closeout begins": rf"closeout begins (?:by )?({PET})",
    "INSIDE": rf"INSIDE {PET} -> ({PET})|^INSIDE ({PET})|^everyone inside at ({PET})",
    "musts alone": rf"musts alone ({PET})",
    "turn home by": rf"(?<!begun, )(?<!begun,\n)\bturn home by ({PET})",
    "turn home once begun": rf"has begun,\s+turn home by ({PET})",
    "if called now": rf"if called now: inside ({PET})",
}


def large_figure(text: str) -> str:
    """Return the digits of the large figure that begins on the first row of a text; empty for none."""
    rows = [row.ljust(40) for row in text.splitlines()[:3]]
    found, column = "", 1
    while len(rows) == 3:
        for size in (3, 1):
            shape = tuple(row[column : column + size] for row in rows)
            if shape in _DIGITS:
                found += _DIGITS[shape]
                column += size + 1
                break
        else:
            return found
    return found


@dataclass
class Walk:
    """What was read so far, and what does not agree."""

    compared: int = 0
    instants: int = 0
    wrong: list[str] = field(default_factory=list)

    def look(self, scene: Scene, what: str = "") -> None:
        """Read every page of one instant and compare each figure with all others of its kind."""
        assert scene.estimate is not None
        told = scene.estimate.as_json()
        names = {words_of(limit["id"]): limit["id"] for limit in told["limits"]}
        right = expected(told)
        if (told["inside"]["p50"] or math.inf) <= scene.now:
            # What is past is a fact, which is rounded down.
            right["INSIDE"] = clock(math.floor((told["inside"]["p50"] + 0.01) / 60))
        said: dict[str, dict[str, str]] = defaultdict(dict)
        for where, text in pages(scene):
            self.wrong += [f"{what} PET {scene.now:.0f} {words} ({where})" for words in bare(text)]
            text, found = chosen(text, scene, where.startswith("lead"))
            found += read(text, names, scene.snapshot.letters)
            if where.startswith(_SAYS_CHANCE):
                found += [("chance", chance) for chance in re.findall(CHANCE, text)]
            if where.startswith(_HEADS):
                found.append(("INSIDE", large_figure(text)))
            for figure, shown in found:
                self.compared += 1
                said[figure].setdefault(shown, where)
        self.instants += 1
        for figure, by in said.items():
            if len(by) > 1 or (figure in right and set(by) != {right[figure]}):
                place = f"{what} PET {scene.now:.0f} {figure}: "
                should = f", should be {right[figure]}" if figure in right else ""
                self.wrong.append(place + "; ".join(f"{v} ({w})" for v, w in by.items()) + should)

    def look_back(self, progress: Progress, what: str = "") -> None:
        """Hold the debrief of an excursion that is over, and its estimate, against that as of its close."""
        assert progress.closed is not None
        before = max(event.at for event in progress.fold.recorded if event.at < progress.closed)
        [open_still] = progress.fold.through([before])
        as_of = estimate(open_still.progress(), progress.closed, scenarios=20)
        debrief = debriefed(progress, progress.uuid, None)
        told = {
            "as of the close": after_the_close(as_of.as_json()),
            "closed": after_the_close(estimate(progress, scenarios=20).as_json()),
            "debrief": debriefed_figures(json.loads("".join(json_chunks([debrief])))["excursions"][0]),
            "debrief's page": paged_figures("\n".join(markdown([debrief]))),
        }
        self.instants += 1
        self.wrong += [f"{what} {words} (debrief's page)" for words in bare("\n".join(markdown([debrief])))]
        right = told["as of the close"]
        for where, figures in told.items():
            for figure, value in figures.items():
                self.compared += 1
                if figure not in right or not alike(value, right[figure]):
                    should = f"{right.get(figure)} as of the close"
                    self.wrong.append(f"{what} {figure}: {value} ({where}), {should}")
        missing = [figure for figure in right if figure not in told["closed"] | told["debrief"]]
        self.wrong += [f"{what} {figure}: nowhere after the close" for figure in missing]


def alike(one: object, other: object) -> bool:
    """Return whether two figures are the same; times and amounts to a tenth of a thousandth."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-4, abs_tol=0.51 if abs(one) > 60 else 1e-3)
    return one == other


def after_the_close(told: Mapping[str, Any]) -> dict[str, object]:
    """Return every figure of limits and stores that is a fact once everybody is inside, from an estimate."""
    right: dict[str, object] = {"INSIDE": float(told["inside"]["p50"])}
    for limit in told["limits"]:
        id, margin = limit["id"], limit["margin"]["p50"]
        if limit["reached"] is None:
            continue
        right[f"kept {id}"] = limit["chance"] == 0
        right[f"to spare {id}"] = None if margin is None else float(margin)
        right[f"shown to spare {id}"] = limit["to_spare"]
    for store in told["consumables"]:
        id = f"{store['crew']}.{store['consumable']}"
        right[f"left {id}"] = float(store["at_inside"]["p50"])
        right[f"now {id}"] = float(store["now"])
        right[f"reserve {id}"] = float(store["reserve"])
    return right


def debriefed_figures(told: Mapping[str, Any]) -> dict[str, object]:
    """Return the same figures from the JSON of a debrief; what is shown is worked out here once more."""
    inside, found = told["inside"], dict[str, object]()
    found["INSIDE"] = float(inside)
    for limit in told["limits"]:
        id, kind = limit["id"], "store" if limit["unit"] is not None else "elapsed"
        if ":" in id or id.startswith("window.") or (kind == "elapsed" and "." in id):
            continue
        if kind == "elapsed":
            # An elapsed limit is judged person by person; the last one in has the least.
            found[f"to spare {id}"] = min(float(found.get(f"to spare {id}", math.inf)), float(limit["by"]))  # type: ignore[arg-type]
            found[f"kept {id}"] = bool(found.get(f"kept {id}", True)) and limit["kept"]
            continue
        by = limit["by"]
        found[f"kept {id}"], found[f"to spare {id}"] = limit["kept"], None if by is None else float(by)
        found[f"left {id}"] = found[f"now {id}"] = float(limit["was"])
        found[f"reserve {id}"] = float(limit["at"])
        if by is not None:
            own = (
                max(told["crew_inside"].values())
                if limit["crew"] == "*"
                else told["crew_inside"][limit["crew"]]
            )
            # Once somebody is inside that is a fact, which is rounded down like every fact.
            least = math.floor((own + by + 0.01) / 60) - math.floor((own + 0.01) / 60)
            found[f"shown to spare {id}"] = least * 60
    for store in told["consumables"]:
        found[f"left {store['crew']}.{store['consumable']}"] = float(store["left"])
    return found


def paged_figures(text: str) -> dict[str, object]:
    """Return what the page of a debrief says is left of stores, and what was to spare, to the second."""
    found: dict[str, object] = {}
    row = r"^\| ([^|]+) reserve \| ([^|]+?) \| [^|]+ \| [^|]+ \| ([+-]\d+:\d\d:\d\d|\S*) \| (kept|broken)"
    for title, who, by, kept in re.findall(row, text, re.M):
        store = {"CO2 removal": "co2"}.get(title, title)
        for crew in ["*"] if who == "all" else who.split():
            found[f"kept {crew}.{store}"] = kept == "kept"
            if ":" in by:
                hours, minutes, seconds = map(int, by[1:].split(":"))
                spare = hours * 3600 + minutes * 60 + seconds
                found[f"to spare {crew}.{store}"] = float(-spare if by[0] == "-" else spare)
    return found


def expected(told: Mapping[str, Any]) -> dict[str, str]:
    """Return every figure as it has to be written, by the formulas and from the JSON alone."""
    inside = told["inside"]
    right = {}
    if inside["p50"] is not None:
        right["INSIDE"] = clock(math.ceil((inside["p50"] - 0.01) / 60))
    for one in told["optional"]:
        if one["last_call"] is not None:
            right[f"start by {one['task']}"] = clock(math.floor((one["last_call"] + 0.01) / 60))
    for limit in told["limits"]:
        if limit["reached"] is None or limit["reached"]["p50"] is None or limit["to_spare"] is None:
            continue
        right[f"reached {limit['id']}"] = clock(math.floor((limit["reached"]["p50"] + 0.01) / 60))
        right[f"spare {limit['id']}"] = span(limit["to_spare"])
    return right


def clock(minutes: int) -> str:
    """Return minutes as `H:MM`."""
    return f"{minutes // 60}:{minutes % 60:02d}"


def span(seconds: float) -> str:
    """Return what is to spare as it is written."""
    minutes = abs(round(seconds)) // 60
    size = f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d}"
    return f"{size} {'SHORT' if seconds < 0 else 'to spare'}"

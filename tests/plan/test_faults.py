# ruff: noqa: E501
"""Every fault that a plan can have: where it stands, what it is called, what would be right."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tracker.foundation.errors import Fault

Marked = Callable[[str, str], list[Fault]]


def test_the_plan_that_is_spoilt_here_has_no_fault(
    faults: Callable[[str], list[Fault]], plan_text: str
) -> None:
    assert faults(plan_text) == []


STEP = "{id: unplug, do: Unplug it, crew: [EV1], time: 0:08, site: truss, window: [day]}"
OUT = "{id: hatch, do: Open the hatch, crew: [EV1, EV2], time: 0:10, opens: [hatch]}"
PLUG = "within: {of: swap.unplug, time: 0:50}}"
STORE = "{id: oxygen, unit: kg, start: 0.75, reserve: 0.10, per_hour: 0.005, per_megajoule: 0.0695}"
PHOTOS = "{do: Take photos, crew: [EV2], time: 0:20, hold_point: the lead agrees}"

# (part of the good plan, what takes its place with the place of the fault marked, path, what, what is right)
CASES = [
    # the head of the file
    ("format: 1\n", "format: §2\n", "format", "'2' is not a format", "write format: 1"),
    ("excursion: Test walk", "excursion: §''", "excursion", "is empty", "write a few words"),
    ("excursion: Test walk", "excursion: §[a]", "excursion", "is a list", "write a few words"),
    ("Test walk\n", "Test walk\n§excursoin: x\n", "excursoin", "is not a key here", "did you mean excursion?"),
    ("2031-05-04T14:00:00Z", "§yesterday", "zero_planned", "'yesterday' is not an instant", "2031-05-04T14:00:00Z"),
    ("2031-05-04T14:00:00Z", "§2031-05-04T14:00:00", "zero_planned", "is not an instant", "2031-05-04T14:00:00Z"),
    # limits
    ("{elapsed: 6:30, boat: {at: 5:00, crew: [EV2]}}", "§{boat: 5:00}", "limits.elapsed", "is missing", "6:30"),
    ("elapsed: 6:30", "elapsed: §390", "limits.elapsed", "'390' is not a time", "6:30 or 0:06:30"),
    ("elapsed: 6:30", "elapsed: §-6:30", "limits.elapsed", "leaves no time", "write a PET"),
    ("elapsed: 6:30", "elapsed: §0:00", "limits.elapsed", "leaves no time", "write a PET"),
    ("elapsed: 6:30", "elapsed: §999:00", "limits.elapsed", "more than 100 hours", "H:MM"),
    ("elapsed: 6:30", "elapsed: {at: 6:30, crew: §[EV1]}", "limits.elapsed.crew", "binds everybody", "another name"),
    ("crew: [EV2]}", "crew: [§EV3]}", "limits.boat.crew", "no crew member 'EV3'", "did you mean EV"),
    ("crew: [EV2]}", "crew: [§IV]}", "limits.boat.crew", "'IV' is inside", "crew members outside"),
    ("crew: [EV2]}", "crew: §[]}", "limits.boat.crew", "names nobody", "write [EV1]"),
    ("boat: {at", "§small boat: {at", "limits.small boat", "is not an id", "a letter"),
    ("{at: 5:00, crew", "§{crew", "limits.boat.at", "is missing", "at: 5:00"),
    # confidence
    ("confidence: 0.9", "confidence: §90", "confidence", "90 is no probability", "0.9"),
    ("confidence: 0.9", "confidence: §1", "confidence", "1 is no probability", "between 0 and 1"),
    ("confidence: 0.9", "confidence: §high", "confidence", "'high' is not a number", "0.75"),
    ("confidence: 0.9", "confidence: §.nan", "confidence", "'.nan' is not a number", "0.75"),
    ("confidence: 0.9", "confidence: {elapsed: §0}", "confidence.elapsed", "0 is no probability", "between"),
    ("confidence: 0.9", "confidence: §{}", "confidence", "is empty", "write 0.9"),
    # crew
    ("id: EV2, name", "id: §EV1, name", "crew[1].id", "already the id of a crew member", "another id"),
    ("id: IV, name", "id: §1V, name", "crew[2].id", "'1V' is not an id", "a letter"),
    ("id: IV, name", "id: §all, name", "crew[2].id", "kept for everybody", "another id"),
    ("outside: false}", "outside: §no}", "crew[2].outside", "'no' is neither true nor false", "true or false"),
    ("name: Inside", "§nam: Inside", "crew[2].nam", "is not a key here", "did you mean name?"),
    # efforts
    ("light: 200", "light: §100", "efforts.light", "100 W is below rest, 120 W", "raise it or lower efforts.rest"),
    ("heavy: 450", "heavy: §-5", "efforts.heavy", "-5 W is no metabolic rate", "write watts"),
    ("heavy: 450", "heavy: §'450'", "efforts.heavy", "'450' is not a number", "without quotes"),
    ("effort: moderate", "effort: §modrate", "tasks[1].steps[1].effort", "no effort 'modrate'", "moderate?"),
    ("effort: moderate", "effort: §90", "tasks[1].steps[1].effort", "90 W is below rest", "lower efforts.rest"),
    ("effort: moderate", "effort: {EV1: §90}", "tasks[1].steps[1].effort.EV1", "90 W is below rest", "raise it"),
    ("effort: moderate", "effort: {§EV2: 300}", "tasks[1].steps[1].effort.EV2", "not in the crew", "its crew is EV1"),
    # consumables
    ("id: oxygen", "id: §EV1", "consumables[0].id", "already the id of a crew member", "share their ids"),
    (STORE, f"{STORE}\n  - {STORE.replace('id: ', 'id: §')}", "consumables[1].id", "already the id", "another"),
    ("per_hour: 0.005", "per_hour: §-0.005", "consumables[0].per_hour", "-0.005 is negative", "0 or more"),
    ("per_megajoule: 0.0695", "per_megajoule: §-1", "consumables[0].per_megajoule", "-1 is negative", "0 or more"),
    ("reserve: 0.10", "reserve: §0.80", "consumables[0].reserve", "0.8 kg is more than the start", "below the start"),
    ("start: 0.75", "start: §0", "consumables[0].start", "nothing to start with", "what is there"),
    (STORE, "§{id: oxygen, unit: kg, start: 1}", "consumables[0]", "nothing says how fast", "per_hour, per_megajoule or model"),
    (STORE, STORE[:-1] + ", model: §helium}", "consumables[0].model", "'helium' is not known", "oxygen"),
    ("per_megajoule: 0.0695", "model: oxygen, per_megajoule: §0.07", "consumables[0].per_megajoule", "beside `model`", "keep one"),
    ("unit: kg, start: 0.75, reserve: 0.10, per_hour: 0.005, per_megajoule: 0.0695", "unit: §bar, start: 1, model: oxygen", "consumables[0].unit", "'bar' is no mass", "kg"),
    (STORE, STORE[:-1] + ", crew: [§IV]}", "consumables[0].crew", "'IV' is inside and uses no", "outside"),
    # windows
    ("[0:00, 0:47]", "§[0:47, 0:00]", "windows[0].open[0]", "ends before it begins", "[from, to]"),
    ("[0:00, 0:47]", "§[0:00]", "windows[0].open[0]", "is not an interval", "[0:00, 0:47]"),
    ("[[0:00, 0:47], [1:32, 2:19]]", "§[[0:00, 2031-05-04T15:00:00Z]]", "windows[0].open", "mixes PETs and instants", "one way"),
    ("[[0:00, 0:47], [1:32, 2:19]]}", "§[]}", "windows[0].open", "never opens", "[[0:00, 0:47], [1:32, 2:19]]"),
    ("altitude: 400", "altitude: §4", "windows[1].orbit.altitude", "4 km is no orbit", "100 to 100000"),
    ("beta: 20", "beta: §95", "windows[1].orbit.beta", "95 is no such angle", "-90 to 90"),
    ("beta: 20, ", "", "windows[1].orbit.beta", "is missing", "beta: 20"),
    ("window: [day]", "window: [§dya]", "tasks[1].steps[0].window", "no window 'dya'", "did you mean day?"),
    # sites
    ("home: 0:12", "home: §-0:12", "sites.truss.home", "-0:12 is a negative time", "write 0:12"),
    ("site: truss", "site: §trus", "tasks[1].steps[0].site", "no site 'trus'", "did you mean truss?"),
    # tasks and steps
    ("id: photos", "id: §swap", "tasks[2].id", "already the id of a task", "another id"),
    (STEP, STEP + "\n      - {id: §unplug, do: Again, crew: [EV1], time: 0:01}", "tasks[1].steps[1].id", "'swap.unplug' is already the id of a step", "counted from 1"),
    ("id: unplug", "id: §swap.unplug", "tasks[1].steps[0].id", "not a step's part", "task's id is put before it"),
    ("priority: get-ahead", "priority: §maybe", "tasks[2].priority", "'maybe' is not known", "get-ahead"),
    ("value: 2", "value: §0", "tasks[2].value", "0 is not above 0", "1 is usual"),
    ("title: Swap the box", "value: §3", "tasks[1].value", "a must is never dropped", "leave it out"),
    ("title: Go home", "priority: §must", "tasks[3].priority", "has no priority", "leave it out"),
    ("title: Go home", "value: §1", "tasks[3].value", "closeout is never dropped", "leave it out"),
    ("crew: [EV2], time: 0:20", "crew: [§EV9], time: 0:20", "tasks[2].steps[0].crew", "'EV9'", "did you mean EV"),
    ("crew: [EV2], time: 0:20", "crew: [EV2, §EV2], time: 0:20", "tasks[2].steps[0].crew", "twice", "once"),
    ("crew: [EV2], time: 0:20", "crew: §[], time: 0:20", "tasks[2].steps[0].crew", "names nobody", "[EV1]"),
    ("crew: [EV2], time: 0:20", "crew: §EV2, time: 0:20", "tasks[2].steps[0].crew", "a list should", "[a, b]"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §20", "tasks[2].steps[0].time", "'20'", "0:20 or 0:00:20"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §-0:20", "tasks[2].steps[0].time", "negative", "0:20"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §0:00", "tasks[2].steps[0].time", "no time at all", "0:00:01"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §500:00", "tasks[2].steps[0].time", "100 hours", "H:MM"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §0:75", "tasks[2].steps[0].time", "'0:75'", "H:MM"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §soon", "tasks[2].steps[0].time", "'soon'", "H:MM"),
    ("crew: [EV2], time: 0:20", "crew: [EV2], time: §home", "tasks[2].steps[0].time", "closeout only", "0:12"),
    ("time: 0:20, ", "", "tasks[2].steps[0].time", "is missing", "time: 0:12"),
    ("low: 0:05", "low: 0:09", "tasks[1].steps[1].time", "is not in order", "low <= likely <= high"),
    (", high: 0:12", "", "tasks[1].steps[1].time", "only one of low and high", "write both"),
    ("likely: 0:08, ", "", "tasks[1].steps[1].time", "no likely time", "likely"),
    ("count: 4", "count: §0", "tasks[1].steps[1].count", "'0' is not a count", "from 1 to 10000"),
    ("count: 4", "count: §2.5", "tasks[1].steps[1].count", "'2.5' is not a count", "whole number"),
    ("use: {oxygen: 1.5}", "use: {§oxigen: 1.5}", "tasks[1].steps[1].use.oxigen", "no consumable", "oxygen?"),
    ("use: {oxygen: 1.5}", "use: {oxygen: §-1}", "tasks[1].steps[1].use.oxygen", "-1 is no factor", "2.4"),
    ("of: swap.unplug", "of: §unplug", "tasks[1].steps[1].within.of", "no step 'unplug'", "swap.unplug?"),
    ("of: swap.unplug", "of: §swap", "tasks[1].steps[1].within.of", "'swap' is a task", "swap.unplug"),
    ("of: swap.unplug", "of: §swap.2", "tasks[1].steps[1].within.of", "its own end", "starts the clock"),
    ("of: swap.unplug", "of: §home.way", "tasks[1].steps[1].within.of", "comes after this step", "earlier step"),
    (PHOTOS, PHOTOS[:-1] + ", whole: §true}", "tasks[2].steps[0].whole", "no window to be whole in", "window"),
    (PHOTOS, PHOTOS[:-1] + ", work: §spread}", "tasks[2].steps[0].work", "no kind of work", "another"),
    (PHOTOS, PHOTOS[:-1] + ", §priority: must}", "tasks[2].steps[0].priority", "not a key here", "the task"),
    ("title: Go out", "title: Go out\n    §site: truss", "tasks[0].site", "not a key here", "belongs to a step"),
    # needs
    ("needs: [out]\n    steps:\n      - {id", "needs: [§uot]\n    steps:\n      - {id", "tasks[1].needs", "'uot'", "out?"),
    ("title: Go out", "title: Go out\n    needs: [§home]", "tasks[0].needs", "nothing may need closeout", "leave the need out"),
    ("title: Go out", "title: Go out\n    needs: [§photos]", "tasks[0].needs", "may not hang on optional work", "make 'photos' a must"),
    ("title: Go home", "title: Go home\n    needs: [§photos.1]", "tasks[3].needs", "a closeout task may not hang on optional work", "make 'photos' a must"),
    # open items
    (", opens: [hatch]", "", "tasks[3].steps[1].closes", "no step opens 'hatch'", "opens: [hatch]"),
    ("closes: [hatch]", "closes: [hatch, §lid]", "tasks[3].steps[1].closes", "no step opens 'lid'", "opens: [lid]"),
    (", closes: [hatch]", "", "tasks[0].steps[0].opens", "no step closes 'hatch'", "closes: [hatch]"),
    (PHOTOS, PHOTOS[:-1] + ", opens: [§hatch]}", "tasks[2].steps[0].opens", "already opens", "exactly one"),
    (PHOTOS, PHOTOS[:-1] + ", closes: [§hatch]}", "tasks[3].steps[1].closes", "already closes", "exactly one"),
]  # fmt: skip
# A missing key stands where its mapping begins, an order where the mapping begins; the marks go there.
_MARKS = {
    "beta: 20, ": ("orbit: {altitude", "orbit: §{altitude"),
    "time: 0:20, ": ("- {do: Take photos", "- §{do: Take photos"),
    "low: 0:05": ("time: {low", "time: §{low"),
    ", high: 0:12": ("time: {low", "time: §{low"),
    "likely: 0:08, ": ("time: {low", "time: §{low"),
    ", opens: [hatch]": ("closes: [hatch]", "closes: [§hatch]"),
    ", closes: [hatch]": ("opens: [hatch]", "opens: [§hatch]"),
}


@pytest.mark.parametrize(("old", "new", "path", "what", "right"), CASES, ids=lambda value: str(value)[:40])
def test_fault(
    old: str, new: str, path: str, what: str, right: str, plan_text: str, faults: Callable[[str], list[Fault]]
) -> None:
    assert plan_text.count(old) == 1, f"{old!r} stands {plan_text.count(old)} times in the plan"
    text = plan_text.replace(old, new)
    if "§" not in text:
        text = text.replace(*_MARKS[old])
    if "closes: [§hatch]" in new:
        # Two closers: the second in the file is the one too many.
        text = text.replace("closes: [§hatch]", "closes: [hatch]").replace(
            "time: 0:10, closes: [hatch]", "time: 0:10, closes: [§hatch]"
        )
    found = faults(text.replace("§", ""))
    lines = text[: text.index("§")].split("\n")
    assert [str(fault) for fault in found] == [str(found[0])]
    fault = found[0]
    assert (fault.line, fault.column) == (len(lines), len(lines[-1]) + 1)
    assert fault.path == path
    assert what in fault.what
    assert right in fault.right
    assert str(fault) == f"p.yaml:{fault.line}:{fault.column}: {path}: {fault.what}; {fault.right}"


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("who", "crew"), ("depends", "needs"), ("hold", "hold_point"), ("persons", "crew"), ("duration", "time"),
        ("crews", "crew"), ("tme", "time"), ("minutes", "time"), ("place", "site"), ("Dauer", "time"),
    ],
)  # fmt: skip
def test_15_words_before_spelling(
    written: str, meant: str, faults: Callable[[str], list[Fault]], plan_text: str
) -> None:
    """One fault: a key that stands there under another name is not missing besides."""
    step = "{do: Take photos, crew: [EV2], time: 0:20, hold_point: the lead agrees}"
    assert step in plan_text
    keys = {
        "crew": "[EV2]",
        "time": "0:20",
        "needs": "[out]",
        "hold_point": "the lead agrees",
        "site": "truss",
    }
    others = {key: value for key, value in keys.items() if key in ("crew", "time") and key != meant}
    cells = ", ".join(f"{key}: {value}" for key, value in {**others, written: keys[meant]}.items())
    (fault,) = faults(plan_text.replace(step, f"{{do: Take photos, {cells}}}"))
    assert (fault.what, fault.right) == ("is not a key here", f"did you mean {meant}?")


def test_the_known_keys_are_all_named(faults: Callable[[str], list[Fault]], plan_text: str) -> None:
    (fault,) = faults(plan_text.replace("{do: Take photos,", "{do: Take photos, xyzzyq: 3,"))
    assert fault.right.startswith("write id, do, crew, time,") and fault.right.endswith("leaves or brings")

"""What is run in both checkouts: groups of calls, each group in a folder of its own."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from tests.compare.inputs import SHEETS, TYPED, mutant
from tests.compare.lines import HOSTILE, KINDS, Excursion, pet, stream, wrong

PLANS = ("outfall", "plateau", "larkspur")
PACE = "rehearsed-crew.pace.yaml"
LATER = "2045-01-01T00:00:00"
"""An instant at which no journal is live."""
VERBS = (
    "check",
    "run",
    "watch",
    "record",
    "estimate",
    "debrief",
    "learn",
    "rehearse",
    "verify",
    "copy",
    "import",
)
SURPRISES = ("none", "stuck", "leak", "hold", "unplanned", "silence", "random")
FORMATS = ("csv", "json", "html", "markdown")


@dataclass(frozen=True)
class Call:
    """One command of the program, at an instant."""

    argv: tuple[str, ...]
    stdin: str = ""
    now: str = LATER
    cold: bool = False
    """Run it in a process of its own, by the clock as it is."""


@dataclass
class Group:
    """Calls in order; what the older checkout wrote is what both read afterwards."""

    name: str
    make: list[Call] = field(default_factory=list)
    files: tuple[str, ...] = ()
    """Compared when the first half is done; of journals the rows, and they are handed over."""
    read: list[Call] = field(default_factory=list)
    more: tuple[str, ...] = ()
    """Compared at the end."""


def call(line: str, stdin: str = "", now: str = LATER, cold: bool = False) -> Call:
    """Return a call from a line as a shell would take it."""
    return Call(tuple(shlex.split(line)), stdin, now, cold)


def groups(plans: Path, *, quick: bool) -> list[Group]:
    """Return everything to compare, the longest first."""
    known = {name: Excursion(plans / f"{name}.yaml") for name in PLANS}
    made = [_journal(k, known, quick) for k in range(6 if quick else 20)]
    made += [_rehearsals(name, quick) for name in PLANS]
    made += [_season(quick), _damaged(known["outfall"]), _python()]
    made += [_refused(name, known[name]) for name in PLANS]
    made += [_typed(name, known[name], 40 if quick else 100) for name in PLANS]
    made += [_checks(name, plans, 8 if quick else 35) for name in PLANS]
    made += [_sheets(6 if quick else 24), _pace_files(plans), _usage(), _cold(quick)]
    weight = {"journal": 2, "rehearse": 1, "season": 1}
    return sorted(made, key=lambda group: -weight.get(group.name.split("-")[0], 0))


def _journal(k: int, known: dict[str, Excursion], quick: bool) -> Group:
    """A made-up excursion, as history at once or live with delays, looked at from four instants."""
    name = ("outfall", "plateau", "outfall", "larkspur", "outfall", "plateau")[k % 6]
    plan = known[name]
    lines = stream(plan, k)
    at = [_at(line) for line in lines]
    pace = f" --pace {PACE}" if k % 5 == 4 else ""
    first = f"record j.sqlite --stdin --plan {name}.yaml{pace}"
    if k % 2:
        make = [call(f"{first} --seat desk", "\n".join(lines) + "\n")]
    else:
        make, zero, clock = [], datetime.fromisoformat(plan.zero.rstrip("Z")), 0
        for n in range(0, len(lines), 9):
            clock = max([clock, *(at[n : n + 9])]) + 20
            now = (zero + timedelta(seconds=clock)).isoformat()
            seat = ("desk", "loop@console-2")[n % 2]
            make.append(call(f"{first} --seat {seat}", "\n".join(lines[n : n + 9]), now))
    end = max(at)
    shares = (0.4, 0.8) if quick else (0.15, 0.45, 0.75, 1.0)
    read = [one for share in shares for one in _estimates(plan, int(share * end), int(share * end * 0.6))]
    read += [call("verify j.sqlite"), call("verify j.sqlite --expect 3:00ff"), call("copy j.sqlite k.sqlite")]
    read += [
        call(f"debrief j.sqlite --{form} out.{form}") for form in FORMATS if form != "html" or k % 4 == 0
    ]
    read += [
        call("debrief j.sqlite"),
        call("learn j.sqlite --out out.pace"),
        call("estimate j.sqlite --json"),
    ]
    written = tuple(f"out.{form}" for form in (*FORMATS, "pace"))
    return Group(f"journal-{k:02d}-{name}", make, ("j.sqlite",), read, ("k.sqlite", *written))


def _at(line: str) -> int:
    found = re.search(r'"at": (\d{1,5})\b', line)
    return int(found[1]) if found else 0


def _estimates(plan: Excursion, at: int, since: int) -> list[Call]:
    """Return every form of the re-estimate at an instant."""
    task = (plan.optional or plan.tasks)[at % max(1, len(plan.optional))]
    hold = json.dumps({"kind": "held", "text": HOSTILE})
    drop = json.dumps({"kind": "dropped", "task": task})
    ask = f"estimate j.sqlite --at {pet(at)} "
    forms: tuple[str, ...] = (
        "--json",
        f"--json --known --since {pet(since)}",
        "--brief",
        "--print",
        f"--since {pet(since)}",
    )
    forms += ("--orders", "--json --orders", f"--if '{drop}'", f"--brief --if '{hold}' --if '{drop}' --json")
    forms += (f"--pace {PACE}", "--known --brief", "--if '{}'")
    return [call(ask + form) for form in forms]


def _rehearsals(name: str, quick: bool) -> Group:
    """Every kind of surprise, and several seeds."""
    runs = [(1, kind) for kind in (SURPRISES[-1:] if quick else SURPRISES)]
    more = {"outfall": 9, "plateau": 2, "larkspur": 1}[name]
    runs += [(seed, SURPRISES[seed % 7]) for seed in range(2, 2 + more)]
    runs = runs[:3] if quick and name == "outfall" else runs[:1] if quick else runs
    make, files = [], []
    for n, (seed, kind) in enumerate(runs):
        files.append(f"{seed}-{kind}.sqlite")
        extra = f" --pace {PACE}" if n % 4 == 3 else " --no-advice" if n % 5 == 4 else ""
        extra += " --surprise leak" if n % 6 == 5 and kind != "none" else ""
        line = f"rehearse {name}.yaml --headless --seed {seed} --surprise {kind} --journal {files[-1]}{extra}"
        make.append(call(line))
    read = [call(f"debrief {file} --json {file}.json --csv {file}.csv") for file in files]
    read += [call(f"debrief {files[0]} --html out.html --markdown -")]
    read += [call(f"estimate {file} --at 0:50 --json --since 0:20") for file in files[::3]]
    read += [call(f"learn {' '.join(files[:4])} --rehearsals --out -"), call(f"learn {files[0]} --out -")]
    written = [f"{file}.{form}" for file in files for form in ("json", "csv")]
    return Group(f"rehearse-{name}", make, tuple(files), read, ("out.html", *written))


def _season(quick: bool) -> Group:
    """Several excursions looked back on together."""
    count = 2 if quick else 6
    files = [f"{n}.sqlite" for n in range(count)]
    make = [
        call(f"rehearse outfall.yaml --headless --seed {50 + n} --journal {f}") for n, f in enumerate(files)
    ]
    every = " ".join(files)
    read = [call(f"debrief {every} --{form} -") for form in FORMATS if form != "html" or not quick]
    read += [call(f"debrief {every} {files[0]}"), call(f"debrief {files[0]} none.sqlite")]
    read += [call(f"debrief {files[0]} --csv {files[0]}"), call(f"debrief {files[0]} --csv x --json x")]
    read += [
        call(f"learn {every} --rehearsals --out learnt.yaml"),
        call("check outfall.yaml --pace learnt.yaml"),
    ]
    read += [call(f"learn {every} --rehearsals --out learnt.yaml"), call(f"learn {every} --out none/x.yaml")]
    read += [call(f"estimate {files[1]} --at 0:40 --pace learnt.yaml --json"), call(f"verify {files[1]}")]
    return Group("season", make, tuple(files), read, ("learnt.yaml",))


def _damaged(plan: Excursion) -> Group:
    """Journals changed behind the program's back."""
    harms = (
        "UPDATE events SET body = '{}' WHERE number = 4;", "DELETE FROM events WHERE number = 5;",
        "UPDATE events SET hash = 'aa' WHERE number = 3;", "DELETE FROM events;", "DROP TABLE events;",
        "UPDATE events SET recorded = 'never' WHERE number = 2;", "DELETE FROM as_run_rows;",
        "DROP VIEW as_spent;", "DELETE FROM as_spent_rows WHERE place = 2;",
        "UPDATE journal SET uuid = 'x';", "DELETE FROM journal;", "UPDATE journal SET plan = 'format: 1';",
        "PRAGMA user_version = 9;", "PRAGMA application_id = 7;",
        "ALTER TABLE events ADD COLUMN more TEXT;", "CREATE TABLE mine (a);", "DROP TABLE estimates;",
        "INSERT INTO estimates (event, at, shown, estimate, digest) VALUES (1, 2, 'x', '{}', 'y');",
    )  # fmt: skip
    make = [call("record j.sqlite --stdin --plan outfall.yaml --seat desk", "\n".join(stream(plan, 77)[:40]))]
    read = []
    for n, harm in enumerate(harms):
        file = f"harm{n}.sqlite"
        read += [call(f"copy j.sqlite {file}"), call(f"sql {file}", harm), call(f"verify {file}")]
        read += [call(f"estimate {file} --at 0:20 --brief"), call(f"record {file} note x --at 0:30")]
        read += [call(f"copy {file} again{n}.sqlite")]
    cut = "data = open('j.sqlite', 'rb').read(); open('cut.sqlite', 'wb').write(data[:9000])"
    read += [Call(("python",), cut), call("verify cut.sqlite"), call("estimate cut.sqlite")]
    read += [call(f"{verb} outfall.yaml") for verb in ("verify", "estimate", "debrief", "watch")]
    read += [call(f"{verb} none.sqlite") for verb in ("verify", "estimate", "debrief", "watch", "run")]
    read += [
        call("copy j.sqlite j.sqlite"),
        call("copy j.sqlite none/k.sqlite"),
        call("run j.sqlite --pace x"),
    ]
    read += [call("record j.sqlite --stdin --plan plateau.yaml", "{}"), call("record none.sqlite note x")]
    return Group("damaged", make, ("j.sqlite",), read)


def _python() -> Group:
    """The interface in Python, with estimates kept as a desk keeps them."""
    code = """
from tracker import Journal, PlanError, estimate, read_plan
for name in ("outfall", "plateau", "larkspur"):
    plan = read_plan(f"{name}.yaml")
    with Journal.create(f"{name}.sqlite", plan) as journal:
        first = plan.tasks[0].steps[0]
        print(journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, seat="desk"))
        print(journal.record({"kind": "done", "step": first.id, "at": 310}, seat="desk"))
        progress = journal.progress()
        now = estimate(progress, now=600)
        print(now.inside, now.as_json(), journal.hash)
        journal.write_estimate(now.as_json(), journal.number)
        print(estimate(progress.suppose({"kind": "noted", "text": "x"}), now=700, scenarios=200).safe)
        for broken in ({"kind": "done"}, {"kind": "done", "step": first.id, "at": 400}):
            try:
                journal.record(broken)
            except Exception as error:
                print(type(error).__name__, error)
        try:
            estimate(progress, now=0)
        except ValueError as error:
            print(error)
    print(len(Journal.open(f"{name}.sqlite", read_only=True).progress().events))
try:
    read_plan("rehearsed-crew.pace.yaml")
except PlanError as error:
    print(error)
"""
    files = tuple(f"{name}.sqlite" for name in PLANS)
    return Group("python", [Call(("python",), code)], files)


def _refused(name: str, plan: Excursion) -> Group:
    """Every line that is refused, in history and live."""
    text, zero = "\n".join(wrong(plan)), datetime.fromisoformat(plan.zero.rstrip("Z"))
    begin = f"record --plan {name}.yaml --seat desk --stdin"
    make = [
        call(f"{begin} j.sqlite", text),
        call(f"{begin} k.sqlite", text, (zero + timedelta(hours=1)).isoformat()),
    ]
    return Group(f"refused-{name}", make, ("j.sqlite", "k.sqlite"))


def _typed(name: str, plan: Excursion, count: int) -> Group:
    """Typed lines, one after another, in a live excursion."""
    zero = datetime.fromisoformat(plan.zero.rstrip("Z"))
    begun = [json.dumps({"kind": "zero", "utc": plan.zero})]
    begun += [
        json.dumps({"kind": "done", "step": s, "at": 200 * n}) for n, s in enumerate(list(plan.steps)[:3], 1)
    ]
    make = [call(f"record j.sqlite --stdin --plan {name}.yaml --seat desk", "\n".join(begun))]
    chance = Random(f"typed {name}")
    for n in range(count):
        step = chance.choice(list(plan.steps)[3:])
        words = chance.choice(TYPED) if n >= len(TYPED) else TYPED[n * 37 % len(TYPED)]
        line = words.format(
            step=step, part=step.split(".")[1], task=chance.choice(plan.optional), other=plan.tasks[2],
            crew=chance.choice(plan.outside).lower(), CREW=chance.choice(plan.outside),
            store=chance.choice(list(plan.stores)), window=chance.choice(plan.windows), hostile=HOSTILE,
        )  # fmt: skip
        argv = ("record", "j.sqlite", *line.split(" "), "--seat", ("desk", "lead")[n % 9 == 8])
        at = ("--at", ("-2", "0:40", "14:20Z", "x")[n // 11 % 4]) if n % 11 == 10 else ()
        make.append(Call((*argv, *at), "", (zero + timedelta(seconds=1500 + 20 * n)).isoformat()))
    read = [call("estimate j.sqlite --at 2:00"), call("verify j.sqlite"), call("debrief j.sqlite")]
    return Group(f"typed-{name}", make, ("j.sqlite",), read)


def _checks(name: str, plans: Path, mutants: int) -> Group:
    """A plan as it is, and with a fault or two in it."""
    make = [
        call(f"check {name}.yaml{more}")
        for more in ("", " --json", f" --pace {PACE}", f" --json --pace {PACE}")
    ]
    text, chance = (plans / f"{name}.yaml").read_text(encoding="utf-8"), Random(f"check {name}")
    for n in range(mutants):
        changed = text
        for _ in range(1 + n % 3):
            changed = mutant(changed, chance)
        make.append(Call(("python",), f"open('m{n}.yaml', 'w', encoding='utf-8').write({changed!r})"))
        make.append(call(f"check m{n}.yaml{' --json' if n % 6 == 5 else ''}"))
    return Group(f"check-{name}", make)


def _pace_files(plans: Path) -> Group:
    text, chance, make = (plans / PACE).read_text(encoding="utf-8"), Random("pace"), []
    for n in range(15):
        changed = mutant(text, chance)
        make.append(Call(("python",), f"open('p{n}.yaml', 'w', encoding='utf-8').write({changed!r})"))
        make.append(call(f"check outfall.yaml --pace p{n}.yaml"))
    return Group("pace", make)


def _sheets(mutants: int) -> Group:
    """Plans from sheets, good and bad."""
    texts, chance, make = list(SHEETS), Random("sheets"), []
    for n in range(mutants):
        cells = re.split(r"([,;\t\n])", SHEETS[n % len(SHEETS)])
        cells[2 * chance.randrange(len(cells) // 2)] = chance.choice(
            ("", "x", "0:99", "EV9", "12", "Step", "-3")
        )
        texts.append("".join(cells))
    for n, text in enumerate(texts):
        extra = (" --excursion 'Walk: one' --limit 2:30", "", " --limit 999:00")[min(2, n % 5)]
        make.append(Call(("python",), f"open('s{n}.csv', 'w', encoding='utf-8', newline='').write({text!r})"))
        make += [call(f"import s{n}.csv --out s{n}.yaml{extra}"), call(f"check s{n}.yaml --json")]
    make += [call("import s0.csv --out s0.yaml"), call("import none.csv --out x.yaml"), call("import s0.csv")]
    return Group("import", make, tuple(f"s{n}.yaml" for n in range(len(texts))))


def _usage() -> Group:
    """Help of every verb, and wrong usage."""
    make = [call(f"{verb} --help") for verb in VERBS] + [call(verb) for verb in VERBS]
    lines: tuple[str, ...] = (
        "",
        "--help",
        "help",
        "--version",
        "xyzzy",
        "check none.yaml",
        "check outfall.yaml more",
        "run outfall.yaml",
    )
    lines += (
        "rehearse outfall.yaml --headless --practice",
        "rehearse outfall.yaml",
        "rehearse --seed x --headless",
    )
    lines += (
        "rehearse outfall.yaml --headless --surprise none --surprise leak",
        "rehearse none.yaml --headless",
    )
    lines += (
        "estimate j.sqlite --at x",
        "record j.sqlite",
        "record j.sqlite --stdin note x",
        "check --pac x y",
    )
    lines += (
        "record j.sqlite note x --pace p",
        "watch j.sqlite --visitors 3",
        f"check {PACE}",
        "verify a --expect b",
    )
    return Group("usage", [*make, *(call(line) for line in lines)])


def _cold(quick: bool) -> Group:
    """Every verb as the first thing a process does, without anything pinned."""
    lines = ["--version", "verify j.sqlite", "estimate j.sqlite --at 0:30 --json"]
    if not quick:
        lines += [f"{verb} --help" for verb in VERBS]
        lines += ["check outfall.yaml", "estimate j.sqlite --at 0:30 --orders", "watch j.sqlite"]
        lines += ["debrief j.sqlite --markdown -", "debrief j.sqlite --html c.html", "learn j.sqlite --out -"]
        lines += [
            "copy j.sqlite k.sqlite",
            "verify k.sqlite",
            "import s.csv --out s.yaml",
            "run outfall.yaml",
        ]
        lines += [
            "rehearse outfall.yaml --headless --seed 5 --journal r.sqlite",
            "record k.sqlite 1 --at 0:51",
        ]
    # Last, since what the clock says goes into the hash of what is recorded.
    lines += ["record j.sqlite note cold --at 0:50"]
    begun = [
        {"kind": "zero", "utc": "2029-07-03T06:40:00Z"},
        {"kind": "done", "step": "descend.check", "at": 150},
    ]
    make = [
        call("record j.sqlite --stdin --plan outfall.yaml --seat d", "\n".join(json.dumps(e) for e in begun))
    ]
    make += [Call(("python",), f"open('s.csv', 'w', encoding='utf-8', newline='').write({SHEETS[0]!r})")]
    return Group("cold", make, ("j.sqlite",), [call(line, cold=True) for line in lines], ("s.yaml",))


__all__ = ["KINDS", "Call", "Group", "groups"]

"""What people write, good and bad: typed lines, sheets, and files with a fault in them."""

from __future__ import annotations

import re
from random import Random

TYPED = (
    "1", "2", "1 -3", "2 -1:30", "1 0:20", "2 0:25:10", "{CREW}", "{crew} done", "1 +", "1 3 of 4",
    "1 2/4 -1", "1 count 2", "count {step} 1", "1 >{part} -1", "1 > {part}", "1 skip no time",
    "1 hold glove  check", "resume", "1 begin -2", "begin {step}", "begin {part}", "1 retime 0:20 left",
    "done {step}", "tick {part} -3", "skip {step}", "done step={step} count=1 at=0:35", "drop {task}",
    "drop {task} no time -3", "dropped task={task}", "undo", "restore {task}", "hold",
    "hold {crew} cooling", "hold 1 2 until 0:50 loop check", "hold both", "resume {crew}", "go",
    "go {part}", "hand {step} {crew}", "hand {part} to 1 2 -3", "move {task} before {other}",
    "move {task} last", "add {crew} 0:10 Inspect the  hinge",
    "add get-ahead 1,2 0:10 before {task} Look again", "amend 3 0:07", "undo 4",
    "add {{\"title\": \"A b\", \"steps\": []}} last -3", "retime {step} 0:12",
    "retime {part} left 0:12 0:35", "limit elapsed 2:45", "limit elapsed +0:10", "limit {CREW}.{store} 1",
    "limit *.{store} 1", "choose {task} keep", "reading {store} 5 4", "{store} 5 _ -1",
    "{CREW}.{store}=5 at=0:35", "2 reading {store} 4", "read {store} 5kg 4", "replace {crew} {store} 7",
    "seen {window}", "seen {window} -1", "enter {crew}", "silent {crew}", "heard {crew}", "heard",
    "note {hostile}", "note", "choose {task} drop", "choose {task} open because", "ack last-call:{task}:5",
    "call home", "call at once {crew}", "withdraw 2", "withdrawn event=3", "close", "zero", "zero 14:00Z",
    "redo", "14:22Z", "1 14:01Z", "1 -45", "done", "don {step}", "done nothing", "drop", "9", "1 2 3",
    "hold until", "1 >", "hand {step}", "move {task}", "limit moon 3", "reading moon 3", "xyzzy",
    "seat=me", "done {step} seat=lead", "note x at=99:00", "begin {step} step={step}", "1 done -3 -4",
    "{step}", "{task}", "help", "?", "1 1 1 -2",
)  # fmt: skip
"""What people type, with the plan's own words put in."""


SHEETS = (
    "Task;Step;Who;Duration;Remarks\r\nEgress;Open the hatch;EV1, EV2;8;\r\n;Watch it;IV;0:05;x\r\n",
    "\ufeffTask,Step,Who,Duration,Priority,After,Site\nA,Open,EV1,10,must,,rack\n,Look,EV2,5,,,rack\n"
    "B,Grease it,EV1,0:12,get-ahead,A,\n,=SUM(A1),EV2,7,,Open,\nHome,Go in,EV1+EV2,20,closeout,,\n",
    "Activity\tWhat\tEV1\tEV2\tMin\nA\tOne\tx\t\t10\nA\tTwo\tx\tx\t5\nB\tThree\t\tx\t1:30\n",
    "Start,End,Task,Crew,Effort\n0:00,0:10,Open,Ann,light\n"
    "0:10,0:25,Swap,Ann & Bob,heavy\n0:25,0:40,Shut,Bob,\n",
    "Aufgabe;Schritt;Dauer\nEins;Zwei;3\n",
    "Task,Step,Crew,Time,Window,Opens,Closes\n1,\"Open, it\",EV1,0:05,day,door,\n1,Shut,EV1,0:05,,,door\n",
)  # fmt: skip


BAD = (
    "12",
    "-1",
    "abc",
    "[]",
    "{}",
    "~",
    "1e9",
    '"x y"',
    "0:00",
    "true",
    "[a, b]",
    "0:75",
    "0.0",
    "EV1",
    "sun",
    "*",
    "",
)


def mutant(text: str, chance: Random) -> str:
    """Return a file's text with one thing changed."""
    lines = text.split("\n")
    place = chance.choice([n for n, line in enumerate(lines) if line.strip() and not line.startswith("#")])
    line, what = lines[place], chance.randrange(8)
    if what == 0:
        del lines[place]
    elif what == 1:
        lines.insert(place, line)
    elif what == 2:
        lines[place] = line.replace(": ", f"{chance.choice('xq')}: ", 1)
    else:
        values = list(re.finditer(r"(?<=[\w-]: )[^,\[\]{}#]+|(?<=\[)[^\[\]{}]+(?=\])", line))
        if values:
            found = chance.choice(values)
            lines[place] = line[: found.start()] + chance.choice(BAD) + line[found.end() :]
    return "\n".join(lines)
